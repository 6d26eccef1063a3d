//! A working day of many laboratories in little time: what they ask for, at a given rate, whatever the servers make of
//! it.

mod arrivals;
mod network;
mod operations;
pub(crate) mod percentiles;
mod picture;
pub(crate) mod report;
mod step;
pub(crate) mod tally;
mod watchers;

use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use anyhow::Context as _;

use crate::door::{Door, Line};
use crate::installation::{Installation, Wanted};
use percentiles::Latencies;
use tokio::task::JoinSet;
use tokio_util::task::TaskTracker;

use network::{Network, Shape};
use operations::{OPERATIONS, Weights};
pub(crate) use operations::{Operation, named};
use report::Report;
use step::{Measured, Pace, Stop};
use tally::Pulse;
use watchers::Watchers;

/// Who asks, for what, and how often.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Offered {
    /// Laboratories.
    #[arg(long, default_value_t = 20)]
    sites: usize,
    /// Furnaces of each.
    #[arg(long, default_value_t = 10)]
    furnaces: usize,
    /// Readings of each furnace that are recorded before the measurement.
    #[arg(long, default_value_t = 8)]
    readings_before: usize,
    /// Connections to each server.
    #[arg(long, default_value_t = 8)]
    connections: usize,
    /// Streams of alerts that stay open beside the load.
    #[arg(long, default_value_t = 20)]
    watchers: usize,
    /// Operations and their weights, such as `record=3,due=1`; what is not named does not come.
    #[arg(long)]
    weights: Option<Weights>,
    /// A request that finds so many under way is not sent and counts as an error.
    #[arg(long, default_value_t = 1000)]
    most_in_flight: usize,
    /// What arrivals, operations, furnaces and sites are drawn from.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

impl Offered {
    /// Recordings alone, for as many sites as there are callers.
    pub(crate) fn only_recordings(sites: usize, furnaces: usize) -> Self {
        Self {
            sites,
            furnaces,
            readings_before: 2,
            connections: 8,
            watchers: 0,
            weights: Some(Weights::only(Operation::Record)),
            most_in_flight: sites,
            seed: 1,
        }
    }
}

/// A mix at one rate or several, one after the other.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Arguments {
    #[command(flatten)]
    installation: Wanted,
    #[command(flatten)]
    offered: Offered,
    /// Requests a second on average; several rates, with commas between, are steps.
    #[arg(long, value_delimiter = ',', default_value = "100")]
    rate: Vec<f64>,
    /// How long each rate is counted, seconds.
    #[arg(long, default_value_t = 30)]
    seconds: u32,
    /// How long each rate is offered before it counts, seconds.
    #[arg(long, default_value_t = 5)]
    warm_up: u32,
    /// Write the figures as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Draw latency over percentile as SVG.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
}

/// Clients of all servers, and the network that they ask about.
pub(crate) struct Clients {
    lines: Vec<Line>,
    network: Arc<Network>,
    weights: Weights,
    most_in_flight: usize,
    seed: u64,
    watchers: usize,
    connections: usize,
}

/// Opens so many connections to each server. Neighbouring ones lead to different servers, so that taking them in turn
/// spreads the load.
async fn lines(connections: usize, installation: &Installation) -> anyhow::Result<Vec<Line>> {
    let mut lines = Vec::with_capacity(connections * installation.servers.len());
    for _ in 0..connections {
        for server in &installation.servers {
            lines.push(Door::open(&server.endpoint).line().await?);
        }
    }
    Ok(lines)
}

impl Clients {
    /// Makes the network and opens the connections; `requests` are expected in all.
    pub(crate) async fn connect(
        offered: &Offered,
        installation: &Installation,
        requests: f64,
    ) -> anyhow::Result<Self> {
        anyhow::ensure!(offered.connections > 0, "at least one connection is needed");
        let lines = lines(offered.connections, installation).await?;
        let weights = offered.weights.clone().unwrap_or_default();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a number of requests, far below 2^53"
        )]
        let to_come = (requests * weights.share(Operation::Record)).ceil() as usize;
        let shape = Shape {
            sites: offered.sites,
            furnaces: offered.furnaces,
            readings: offered.readings_before,
            to_come,
        };
        let network = Network::furnished(&lines[0], shape)
            .await
            .context("furnishing the laboratories")?;
        Ok(Self {
            lines,
            network,
            weights,
            most_in_flight: offered.most_in_flight,
            seed: offered.seed,
            watchers: offered.watchers,
            connections: offered.connections,
        })
    }

    /// Says in words who asks.
    pub(crate) fn words(&self) -> String {
        format!("{}; {} connections", self.network.words(), self.lines.len())
    }

    /// Opens the connections anew after the servers were started again.
    pub(crate) async fn connect_again(
        &mut self,
        installation: &Installation,
    ) -> anyhow::Result<()> {
        self.lines = lines(self.connections, installation).await?;
        Ok(())
    }

    /// Asks for one thing; calls with neighbouring numbers go to different servers and ask about different furnaces.
    pub(crate) async fn ask(&self, operation: Operation, number: usize) -> anyhow::Result<()> {
        let line = self.lines[number % self.lines.len()].clone();
        let draw = u64::try_from(number)?.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 20;
        operations::asked(operation, line, &self.network, draw).await?;
        Ok(())
    }

    /// Records as fast as so many callers can, each its next reading when it has the answer to the one before.
    pub(crate) async fn recordings(
        &self,
        in_flight: usize,
        lasts: Duration,
    ) -> anyhow::Result<(Latencies, Duration)> {
        let start = Instant::now();
        let mut callers = JoinSet::new();
        for number in 0..in_flight {
            let line = self.lines[number % self.lines.len()].clone();
            let network = Arc::clone(&self.network);
            callers.spawn(async move {
                let mut latencies = Latencies::none();
                while start.elapsed() < lasts {
                    let sent = Instant::now();
                    operations::asked(Operation::Record, line.clone(), &network, 0).await?;
                    latencies.note(sent.elapsed());
                }
                anyhow::Ok(latencies)
            });
        }
        let mut all = Latencies::none();
        while let Some(caller) = callers.join_next().await {
            all.add(&caller??);
        }
        Ok((all, start.elapsed()))
    }

    /// Opens the streams of alerts.
    pub(crate) async fn watch(&self) -> anyhow::Result<Watchers> {
        Watchers::open(self.watchers, &self.lines, &self.network)
            .await
            .context("opening streams of alerts")
    }

    /// Offers one rate; `number` gives each step arrivals of its own.
    pub(crate) async fn offer(
        &self,
        rate_per_s: f64,
        warm_up: Duration,
        counted: Duration,
        number: u64,
        pulse: &Arc<Pulse>,
        stop: &Stop,
    ) -> anyhow::Result<Measured> {
        let pace = Pace {
            rate_per_s,
            warm_up,
            counted,
            seed: self.seed.wrapping_add(number << 32),
            most_in_flight: self.most_in_flight,
        };
        let (lines, network) = (self.lines.clone(), Arc::clone(&self.network));
        let turn = AtomicUsize::new(0);
        step::run(pace, &self.weights.0, pulse, stop, move |arrival| {
            let at = turn.fetch_add(1, Ordering::Relaxed) % lines.len();
            let (line, network) = (lines[at].clone(), Arc::clone(&network));
            let (operation, _, _) = OPERATIONS[arrival.operation];
            async move {
                let answer = operations::asked(operation, line, &network, arrival.draw).await;
                answer.map_err(|status| operations::reason(&status))
            }
        })
        .await
    }
}

/// Ends a measurement early when somebody asks for it: first no more is sent, then no more is waited for.
pub(crate) fn stopped_by_hand() -> Stop {
    let stop = Stop::default();
    let told = stop.clone();
    let told_by_hand = async move {
        for ends in [&told.soon, &told.now] {
            if tokio::signal::ctrl_c().await.is_err() {
                return;
            }
            ends.cancel();
        }
    };
    drop(TaskTracker::new().spawn(told_by_hand));
    stop
}

/// Measures all steps, prints the report and writes what was asked for.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    let warm_up = Duration::from_secs(arguments.warm_up.into());
    let counted = Duration::from_secs(arguments.seconds.into());
    let requests = arguments.rate.iter().sum::<f64>() * (warm_up + counted).as_secs_f64();
    let installation = Installation::start(&arguments.installation).await?;
    let clients = Clients::connect(&arguments.offered, &installation, requests).await?;
    let stop = stopped_by_hand();
    let pulse = Arc::new(Pulse::new());
    let watchers = clients.watch().await?;
    let mut steps = Vec::with_capacity(arguments.rate.len());
    for (number, rate_per_s) in (0_u64..).zip(&arguments.rate) {
        let measured = clients
            .offer(*rate_per_s, warm_up, counted, number, &pulse, &stop)
            .await?;
        let ended = measured.ended_early;
        steps.push(measured);
        if ended {
            break;
        }
    }
    let report = Report {
        about: format!("{}; {}", installation.words(), clients.words()),
        servers: installation.servers.len(),
        steps,
        watched: watchers.close().await,
    };
    drop(clients);
    installation.stop()?;
    std::io::stdout().write_all(report.table().as_bytes())?;
    if let Some(file) = &arguments.json {
        std::fs::write(file, serde_json::to_vec_pretty(&report.json())?)
            .with_context(|| format!("writing {}", file.display()))?;
    }
    if let Some(file) = &arguments.plot {
        let drawn = picture::latencies(&report)?;
        std::fs::write(file, drawn).with_context(|| format!("writing {}", file.display()))?;
    }
    Ok(())
}
