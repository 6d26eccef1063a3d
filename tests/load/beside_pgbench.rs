//! Durable recording on PostgreSQL beside pgbench, which inserts the same rows on the same cluster with nothing in front
//! of it.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use anyhow::Context as _;
use ringtrue_tests::postgresql::program;

use crate::installation::{Installation, Kept, Wanted, folder_in};
use crate::mix::percentiles::{Latencies, whole};
use crate::mix::{Clients, Furnished};
use crate::rows::Rows;

/// What pgbench runs, once for each reading.
const SCRIPT: &str = include_str!("one_reading.sql");

/// The line of it from which on all transactions wait for each other.
const LAST: &str = "-- last:";

/// Furnaces of each site.
const FURNACES: usize = 4;

/// Connections to each server, which share the recordings in flight.
const CONNECTIONS: usize = 8;

/// Recordings a second that are made room for in time; more would be of firings to come.
const MOST_PER_S: f64 = 6_000.0;

/// How it is measured.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Arguments {
    /// Numbers of servers that are measured.
    #[arg(long, value_delimiter = ',', default_values_t = [1, 2])]
    replicas: Vec<usize>,
    /// Recordings in flight, and clients of pgbench; each has a site of its own there.
    #[arg(long, default_value_t = 64)]
    in_flight: usize,
    /// How long each is measured in each round, seconds.
    #[arg(long, default_value_t = 10)]
    seconds: u32,
    /// How often everything is repeated, alternating; the median counts.
    #[arg(long, default_value_t = 3)]
    rounds: usize,
    /// Folder for what is made on the way; it is removed.
    #[arg(long, default_value = "target/load")]
    folder: PathBuf,
}

/// What one round of one way measured.
#[derive(Debug, Clone, Copy)]
struct Round {
    per_s: f64,
    p50_ms: f64,
    p99_ms: f64,
}

/// One way of recording.
struct Way {
    name: String,
    rounds: Vec<Round>,
}

impl Round {
    fn of(latencies: &Latencies, elapsed: Duration) -> Self {
        Self {
            per_s: whole(latencies.count()) / elapsed.as_secs_f64(),
            p50_ms: latencies.at_ms(0.5),
            p99_ms: latencies.at_ms(0.99),
        }
    }
}

impl Way {
    fn named(name: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            rounds: Vec::new(),
        }
    }

    fn median(&self, of: impl Fn(&Round) -> f64) -> f64 {
        let mut all: Vec<f64> = self.rounds.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or_default()
    }

    fn per_s(&self) -> f64 {
        self.median(|round| round.per_s)
    }
}

/// Measures all rounds and prints the medians.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    let seconds = f64::from(arguments.seconds);
    #[expect(clippy::cast_precision_loss, reason = "a handful of rounds")]
    let parts = (arguments.rounds * arguments.replicas.len()) as f64;
    let wanted = Wanted {
        database: Kept::Postgresql,
        replicas: 1,
        folder: arguments.folder.clone(),
        at_rest: false,
        postgresql_setting: Vec::new(),
    };
    let furnished = Furnished {
        sites: arguments.in_flight,
        furnaces: FURNACES,
        readings_before: 2,
        connections: CONNECTIONS,
    };
    let mut installation = Installation::start(&wanted).await?;
    let mut clients =
        Clients::connect(&furnished, &installation, parts * seconds * MOST_PER_S).await?;
    installation.stop_servers()?;
    // pgbench works in a database of its own, so that neither finds what the other has left.
    let bench = installation.copied().await?;
    let recorded = recorded_texts(&bench.admin_url()).await?;
    let folder = folder_in(&arguments.folder)?;
    let mut alike = Way::named("pgbench, the same rows");
    let mut apart = Way::named("pgbench, without the row that all transactions share");
    let mut servers: Vec<Way> = Vec::new();
    for number in &arguments.replicas {
        servers.push(Way::named(match number {
            1 => "RecordReading, 1 server".to_owned(),
            more => format!("RecordReading, {more} servers"),
        }));
    }
    for round in 1..=arguments.rounds {
        for (way, script, turn) in [
            (&mut alike, SCRIPT.to_owned(), 2 * round),
            (&mut apart, without_last(SCRIPT)?, 2 * round + 1),
        ] {
            crate::process::settle_disk();
            let one = Bench {
                url: &bench.server_url(),
                folder: folder.path(),
                recorded: &recorded,
                script: &script,
                turn,
            };
            way.rounds.push(one.run(arguments)?);
        }
        for (way, replicas) in servers.iter_mut().zip(&arguments.replicas) {
            installation.replicas = *replicas;
            installation.start_servers()?;
            clients.connect_again(&installation).await?;
            let lasts = Duration::from_secs(arguments.seconds.into());
            let (latencies, elapsed) = clients.recordings(arguments.in_flight, lasts).await?;
            way.rounds.push(Round::of(&latencies, elapsed));
            installation.stop_servers()?;
        }
        let mut out = std::io::stdout();
        for way in [&alike, &apart].into_iter().chain(&servers) {
            if let Some(last) = way.rounds.last() {
                writeln!(
                    out,
                    "round {round}: {:<54} {:>8.0} /s",
                    way.name, last.per_s
                )?;
            }
        }
    }
    std::io::stdout().write_all(table(arguments, &alike, &apart, &servers).as_bytes())?;
    drop(clients);
    drop(bench);
    installation.stop()
}

fn table(arguments: &Arguments, alike: &Way, apart: &Way, servers: &[Way]) -> String {
    let mut text = format!(
        "median of {} rounds of {} s, {} in flight{}\n",
        arguments.rounds,
        arguments.seconds,
        arguments.in_flight,
        if cfg!(debug_assertions) {
            "; a debug build: these figures say nothing about speed"
        } else {
            ""
        }
    );
    for way in [alike, apart].into_iter().chain(servers) {
        let _written = writeln!(
            text,
            "  {:<54} {:>8.0} /s  p50 {:>8.2} ms  p99 {:>8.2} ms",
            way.name,
            way.per_s(),
            way.median(|round| round.p50_ms),
            way.median(|round| round.p99_ms)
        );
    }
    for way in servers {
        let _written = writeln!(
            text,
            "  {} does {:.2} of pgbench with the same rows, {:.2} of it without the shared one",
            way.name,
            way.per_s() / alike.per_s(),
            way.per_s() / apart.per_s()
        );
    }
    text
}

/// The script without the row that every transaction changes and so waits for.
fn without_last(script: &str) -> anyhow::Result<String> {
    let (before, _) = script
        .split_once(LAST)
        .context("the script says which statement is the last")?;
    Ok(format!("{before}COMMIT;\n"))
}

/// The long texts of a recorded reading, as variables of the script.
async fn recorded_texts(url: &str) -> anyhow::Result<Vec<(&'static str, String)>> {
    let mut rows = Rows::connect(url).await?;
    let texts = rows.recorded_texts().await?;
    rows.close().await?;
    Ok(texts)
}

/// One run of pgbench.
struct Bench<'a> {
    url: &'a str,
    folder: &'a Path,
    recorded: &'a [(&'static str, String)],
    script: &'a str,
    /// Counts runs: each writes after those before it.
    turn: usize,
}

impl Bench<'_> {
    fn run(&self, arguments: &Arguments) -> anyhow::Result<Round> {
        let script = self.folder.join("one_reading.sql");
        std::fs::write(&script, self.script)?;
        let log = self.folder.join(format!("turn-{}", self.turn));
        // Later than all before by more than a run can write.
        let start_us = 1_000_000_000_000_000 + i64::try_from(self.turn)? * 40_000_000_000_000_000;
        let before = self.turn * 10_000_000;
        let mut command = Command::new(program("pgbench"));
        command
            .args(["--no-vacuum", "--protocol=prepared", "--jobs=2", "--log"])
            .arg(format!("--log-prefix={}", log.display()))
            .arg(format!("--client={}", arguments.in_flight))
            .arg(format!("--time={}", arguments.seconds))
            .arg(format!("--file={}", script.display()))
            .arg("--define=n=0")
            .arg(format!("--define=start={start_us}"))
            .arg(format!("--define=before={before}"));
        for (name, text) in self.recorded {
            command.arg(format!("--define={name}={text}"));
        }
        let run = command.arg(self.url).output().context("pgbench starts")?;
        let said = String::from_utf8_lossy(&run.stdout).into_owned();
        anyhow::ensure!(
            run.status.success(),
            "pgbench failed: {}",
            String::from_utf8_lossy(&run.stderr)
        );
        let latencies = logged(self.folder, self.turn)?;
        let rate = said
            .lines()
            .find_map(|line| line.strip_prefix("tps = "))
            .and_then(|rest| rest.split_whitespace().next())
            .context("pgbench says its rate")?;
        Ok(Round {
            per_s: rate.parse()?,
            p50_ms: latencies.at_ms(0.5),
            p99_ms: latencies.at_ms(0.99),
        })
    }
}

/// The latencies that pgbench's threads logged: the third number of each line, µs.
fn logged(folder: &Path, turn: usize) -> anyhow::Result<Latencies> {
    let mut latencies = Latencies::none();
    let beginning = format!("turn-{turn}.");
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        if !entry.file_name().to_string_lossy().starts_with(&beginning) {
            continue;
        }
        for line in std::fs::read_to_string(entry.path())?.lines() {
            let us = line.split(' ').nth(2).context("a latency is logged")?;
            latencies.note(Duration::from_micros(us.parse()?));
        }
    }
    anyhow::ensure!(latencies.count() > 0, "pgbench logged no transaction");
    Ok(latencies)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_script_ends_with_the_row_that_all_transactions_share() {
        assert!(SCRIPT.contains("fleet_change"));
        let shorter = without_last(SCRIPT).expect("it can be left out");
        assert!(!shorter.contains("fleet_change"));
        assert!(shorter.ends_with("COMMIT;\n"));
        assert_eq!(shorter.matches("INTO ").count(), 7);
    }
}
