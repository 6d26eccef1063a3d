//! What a store's size costs: the same calls on few and on many readings.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use futures::stream::{self, StreamExt as _};
use ringtrue_remote::Failure;
use serde_json::{Value, json};

use crate::installation::{Installation, Kept, Wanted};
use crate::mix::percentiles::{Latencies, whole};
use crate::mix::{Clients, Furnished, Operation, named};
use crate::rows::Rows;

/// Longest that one operation is measured.
const LONGEST: Duration = Duration::from_mins(1);

/// Longest that the first overview may take.
const LONGEST_FIRST: Duration = Duration::from_mins(5);

/// Longest that the first look for findings may take.
const LONGEST_LOOK: Duration = Duration::from_mins(30);

/// What is measured, in this order: what only reads first.
const MEASURED: [Operation; 9] = [
    Operation::Readings,
    Operation::History,
    Operation::Use,
    Operation::Due,
    Operation::Standings,
    Operation::Overview,
    Operation::Pages,
    Operation::Walk,
    Operation::Record,
];

/// Which sizes, and how they are measured.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Arguments {
    #[command(flatten)]
    installation: Wanted,
    #[command(flatten)]
    furnished: Furnished,
    /// Readings in the store, one size after the other, spread evenly over the furnaces. Each takes 5 to 6 kB of the
    /// disk.
    #[arg(long, num_args = 1.., default_values_t = [10_000, 1_000_000])]
    readings: Vec<i64>,
    /// Calls of each operation at each size.
    #[arg(long, default_value_t = 500)]
    calls: usize,
    /// Calls in flight.
    #[arg(long, default_value_t = 4)]
    in_flight: usize,
    /// About how many furnaces and sites are asked about; each is asked for some times before it counts. With few of them
    /// everything is in memory, with very many mostly the disk is measured.
    #[arg(long, default_value_t = 1000)]
    asked_about: usize,
    /// Put readings only where furnaces are asked about: a small store in which these have as long a history as in a large
    /// one of the same network.
    #[arg(long)]
    only_asked_about: bool,
    /// Write the figures as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

/// How often each furnace and site is asked about before it counts: the first time fills the database's memory, the next
/// ones let each of its processes know that memory.
const ASKED_BEFORE: usize = 3;

/// What was measured at one size.
struct Size {
    readings: i64,
    bytes: i64,
    operations: Vec<Timed>,
    /// How long the first overview took, with all that a server had to work out for it.
    first_overview: Duration,
}

/// One operation's calls.
struct Timed {
    name: &'static str,
    latencies: Latencies,
    elapsed: Duration,
}

/// Measures every size, prints the table and writes what was asked for.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    anyhow::ensure!(
        !matches!(arguments.installation.database, Kept::There(_)),
        "only a database of its own is filled; give --database sqlite or postgresql"
    );
    let mut sizes = Vec::with_capacity(arguments.readings.len());
    for stored in &arguments.readings {
        let size = one_size(arguments, *stored)
            .await
            .with_context(|| format!("with {stored} readings"))?;
        std::io::stdout().write_all(size.table().as_bytes())?;
        sizes.push(size);
    }
    if let (Some(few), Some(many)) = (sizes.first(), sizes.last())
        && sizes.len() > 1
    {
        std::io::stdout().write_all(many.beside(few).as_bytes())?;
    }
    if let Some(file) = &arguments.json {
        let all: Vec<Value> = sizes.iter().map(Size::json).collect();
        let figures = json!({ "debug_build": cfg!(debug_assertions), "sizes": all });
        std::fs::write(file, serde_json::to_vec_pretty(&figures)?)
            .with_context(|| format!("writing {}", file.display()))?;
    }
    Ok(())
}

async fn one_size(arguments: &Arguments, stored: i64) -> anyhow::Result<Size> {
    let mut installation = Installation::start(&arguments.installation).await?;
    #[expect(clippy::cast_precision_loss, reason = "a number of calls")]
    let recordings = 1.1 * arguments.calls as f64;
    let mut clients = Clients::connect(&arguments.furnished, &installation, recordings).await?;
    installation.stop_servers()?;
    let mut rows = Rows::connect(&installation.administrators_url()).await?;
    let only = arguments
        .only_asked_about
        .then(|| clients.furnaces_asked_about(arguments.asked_about));
    rows.fill(stored, only.as_deref())
        .await
        .context("filling the tables")?;
    let (readings, bytes) = (rows.readings().await?, rows.bytes().await?);
    rows.close().await?;
    let started_s = crate::drive::now().as_second();
    installation.start_servers()?;
    clients.connect_again(&installation).await?;
    let first_overview = first_overview(&clients).await?;
    if !arguments.installation.at_rest {
        first_look(&clients, started_s).await?;
    }
    let mut operations = Vec::with_capacity(MEASURED.len());
    for operation in MEASURED {
        let timed = timed(&clients, operation, arguments).await;
        operations.push(timed.with_context(|| named(operation).to_owned())?);
    }
    drop(clients);
    installation.stop()?;
    Ok(Size {
        readings,
        bytes,
        operations,
        first_overview,
    })
}

/// Asks for the overview until the servers have worked out where all furnaces stand.
async fn first_overview(clients: &Clients) -> anyhow::Result<Duration> {
    let start = Instant::now();
    loop {
        let fault = match clients.ask(Operation::Overview, 0).await {
            Ok(()) => return Ok(start.elapsed()),
            Err(fault) => fault,
        };
        let failure = fault.downcast_ref::<tonic::Status>().map(Failure::of);
        let is_prepared = failure
            .as_ref()
            .is_some_and(|failure| failure.reason == "BEING_PREPARED");
        if !is_prepared || start.elapsed() > LONGEST_FIRST {
            return Err(fault.context("the first overview"));
        }
        let pause = failure.and_then(|failure| failure.retry_after);
        tokio::time::sleep(pause.unwrap_or(Duration::from_secs(1))).await;
    }
}

/// Waits for the servers' first look for findings, which reads half a year of readings: it comes once, and keeps the
/// disk busy for as long as it takes.
async fn first_look(clients: &Clients, started_s: i64) -> anyhow::Result<()> {
    let start = Instant::now();
    writeln!(
        std::io::stderr(),
        "waiting for the servers' first look for findings, {} min at most; --at-rest does without",
        LONGEST_LOOK.as_secs() / 60
    )?;
    while !clients.have_looked_since(started_s).await? {
        anyhow::ensure!(
            start.elapsed() < LONGEST_LOOK,
            "no look for findings has ended within {} min",
            LONGEST_LOOK.as_secs() / 60
        );
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
    Ok(())
}

/// Times calls one after the other, some side by side; those that come before, to have everything at hand, are not
/// counted.
async fn timed(
    clients: &Clients,
    operation: Operation,
    arguments: &Arguments,
) -> anyhow::Result<Timed> {
    let asked_about = arguments.asked_about.max(1);
    let call = |number: usize| async move {
        let start = Instant::now();
        let answer = clients.ask(operation, number % asked_about).await;
        answer.map(|()| start.elapsed())
    };
    let settling = match operation {
        Operation::Overview | Operation::Pages | Operation::Walk | Operation::Record => {
            arguments.calls / 10
        }
        _ => ASKED_BEFORE * asked_about.min(arguments.calls),
    };
    let before = stream::iter(0..settling).map(call);
    let mut before = before.buffer_unordered(arguments.in_flight);
    while let Some(answer) = before.next().await {
        answer?;
    }
    let mut latencies = Latencies::none();
    let start = Instant::now();
    let mut calls = stream::iter(0..arguments.calls)
        .map(call)
        .buffer_unordered(arguments.in_flight);
    while let Some(answer) = calls.next().await {
        latencies.note(answer?);
        if start.elapsed() > LONGEST {
            break;
        }
    }
    Ok(Timed {
        name: named(operation),
        latencies,
        elapsed: start.elapsed(),
    })
}

impl Timed {
    fn per_s(&self) -> f64 {
        whole(self.latencies.count()) / self.elapsed.as_secs_f64()
    }
}

impl Size {
    fn mebibytes(&self) -> i64 {
        self.bytes >> 20
    }

    fn table(&self) -> String {
        let mut text = format!(
            "{} readings, {} MiB{}\n  {:<11} {:>7} {:>9} {:>9} {:>9} {:>9} ms\n",
            self.readings,
            self.mebibytes(),
            if cfg!(debug_assertions) {
                "; a debug build: these figures say nothing about speed"
            } else {
                ""
            },
            "",
            "calls",
            "/s",
            "p50",
            "p99",
            "max"
        );
        let _written = writeln!(
            text,
            "  first overview after the start: {:.2} s",
            self.first_overview.as_secs_f64()
        );
        for timed in &self.operations {
            let _written = writeln!(
                text,
                "  {:<11} {:>7} {:>9.1} {:>9.2} {:>9.2} {:>9.2}",
                timed.name,
                timed.latencies.count(),
                timed.per_s(),
                timed.latencies.at_ms(0.5),
                timed.latencies.at_ms(0.99),
                timed.latencies.max_ms()
            );
        }
        text
    }

    /// How much longer calls take than at another size.
    fn beside(&self, few: &Self) -> String {
        let mut text = format!(
            "{} readings beside {}\n  {:<11} {:>9} {:>9}\n",
            self.readings, few.readings, "", "p50", "p99"
        );
        for (many, few) in self.operations.iter().zip(&few.operations) {
            let times = |share| many.latencies.at_ms(share) / few.latencies.at_ms(share);
            let _written = writeln!(
                text,
                "  {:<11} {:>8.2}x {:>8.2}x",
                many.name,
                times(0.5),
                times(0.99)
            );
        }
        text
    }

    fn json(&self) -> Value {
        let mut operations = serde_json::Map::new();
        for timed in &self.operations {
            let figures = json!({
                "calls": timed.latencies.count(),
                "per_s": timed.per_s(),
                "latency_ms": {
                    "p50": timed.latencies.at_ms(0.5),
                    "p99": timed.latencies.at_ms(0.99),
                    "max": timed.latencies.max_ms(),
                },
            });
            operations.insert(timed.name.to_owned(), figures);
        }
        json!({
            "readings": self.readings,
            "bytes": self.bytes,
            "first_overview_s": self.first_overview.as_secs_f64(),
            "operations": operations,
        })
    }
}
