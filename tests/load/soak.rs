//! The mix for long at a moderate rate, while it is watched what each server and the database hold on to: what grows
//! without end shows.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use serde_json::{Value, json};
use tokio::time::MissedTickBehavior;

use crate::drawing::{Axis, Panel, Series, svg};
use crate::installation::{Installation, Wanted};
use crate::mix::percentiles::whole;
use crate::mix::report::Report;
use crate::mix::tally::Pulse;
use crate::mix::{Offered, stopped_by_hand};
use crate::rows::Rows;

/// The share at the beginning that no slope is taken over: pools and caches fill up.
const SETTLING: f64 = 0.25;

/// How long, and how it is watched.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Arguments {
    #[command(flatten)]
    installation: Wanted,
    #[command(flatten)]
    offered: Offered,
    /// How long, minutes.
    #[arg(long, default_value_t = 20.0)]
    minutes: f64,
    /// Requests a second on average.
    #[arg(long, default_value_t = 50.0)]
    rate: f64,
    /// Seconds between two looks.
    #[arg(long, default_value_t = 5)]
    look_every_s: u32,
    /// Write the figures as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Draw what was watched over time as SVG.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
}

/// Something that was looked at again and again.
#[derive(Debug, Clone)]
struct Watched {
    name: String,
    unit: &'static str,
    /// Minutes since the beginning, and the value.
    points: Vec<(f64, f64)>,
}

/// Everything that is looked at.
struct Looks {
    all: Vec<Watched>,
}

impl Watched {
    fn new(name: String, unit: &'static str) -> Self {
        Self {
            name,
            unit,
            points: Vec::new(),
        }
    }

    fn first(&self) -> f64 {
        self.points.first().map_or(0.0, |(_, value)| *value)
    }

    fn last(&self) -> f64 {
        self.points.last().map_or(0.0, |(_, value)| *value)
    }

    fn max(&self) -> f64 {
        self.points
            .iter()
            .fold(0.0, |most, (_, value)| most.max(*value))
    }

    /// How much it grows an hour by the straight line that fits best, without what came while things settled; none over
    /// too few looks.
    fn per_hour(&self) -> Option<f64> {
        let end = self.points.last()?.0;
        let settled: Vec<(f64, f64)> = self
            .points
            .iter()
            .copied()
            .filter(|(minute, _)| *minute >= end * SETTLING)
            .collect();
        if settled.len() < 3 {
            return None;
        }
        let count = whole(u64::try_from(settled.len()).unwrap_or(0));
        let (mut sum_at, mut sum_of) = (0.0, 0.0);
        for (at, value) in &settled {
            sum_at += at;
            sum_of += value;
        }
        let (mean_at, mean_of) = (sum_at / count, sum_of / count);
        let (mut together, mut alone) = (0.0, 0.0);
        for (at, value) in &settled {
            together += (at - mean_at) * (value - mean_of);
            alone += (at - mean_at) * (at - mean_at);
        }
        (alone > 0.0).then(|| together / alone * 60.0)
    }
}

impl Looks {
    fn new(servers: usize) -> Self {
        let mut all = Vec::new();
        for server in 1..=servers {
            all.push(Watched::new(format!("memory of server {server}"), "MiB"));
            all.push(Watched::new(format!("open files of server {server}"), ""));
        }
        all.push(Watched::new("connections".to_owned(), ""));
        all.push(Watched::new("database".to_owned(), "MiB"));
        all.push(Watched::new("latency, p50".to_owned(), "ms"));
        all.push(Watched::new("latency, p99".to_owned(), "ms"));
        Self { all }
    }

    fn note(&mut self, minute: f64, name: &str, value: f64) {
        let found = self.all.iter_mut().find(|watched| watched.name == name);
        if let Some(watched) = found {
            watched.points.push((minute, value));
        }
    }

    /// Looks at everything once.
    async fn look(
        &mut self,
        minute: f64,
        installation: &Installation,
        rows: &mut Rows,
        pulse: &Pulse,
    ) -> anyhow::Result<()> {
        for (number, server) in (1..).zip(&installation.servers) {
            let mebibytes = whole(server.resident_kib()?) / 1024.0;
            self.note(minute, &format!("memory of server {number}"), mebibytes);
            let files = whole(u64::try_from(server.open_files()?)?);
            self.note(minute, &format!("open files of server {number}"), files);
        }
        if let Some(connections) = rows.connections().await? {
            let connections = whole(u64::try_from(connections)?);
            self.note(minute, "connections", connections);
        }
        let mebibytes = whole(u64::try_from(rows.bytes().await?)?) / f64::from(1 << 20);
        self.note(minute, "database", mebibytes);
        let lately = pulse.take_lately();
        if lately.count() > 0 {
            self.note(minute, "latency, p50", lately.at_ms(0.5));
            self.note(minute, "latency, p99", lately.at_ms(0.99));
        }
        Ok(())
    }

    /// Those that were there to be looked at.
    fn seen(&self) -> impl Iterator<Item = &Watched> {
        self.all.iter().filter(|watched| !watched.points.is_empty())
    }

    fn table(&self) -> String {
        let mut text = format!(
            "\n  {:<32} {:>9} {:>9} {:>9} {:>12}\n",
            "", "first", "last", "max", "an hour"
        );
        for watched in self.seen() {
            let slope = watched
                .per_hour()
                .map_or_else(|| "-".to_owned(), |slope| format!("{slope:+.2}"));
            let _written = writeln!(
                text,
                "  {:<32} {:>9.1} {:>9.1} {:>9.1} {:>12} {}",
                watched.name,
                watched.first(),
                watched.last(),
                watched.max(),
                slope,
                watched.unit
            );
        }
        let _written = writeln!(
            text,
            "  the growth an hour leaves out the first {:.0} % of the time",
            100.0 * SETTLING
        );
        text
    }

    fn json(&self) -> Value {
        let mut object = serde_json::Map::new();
        for watched in self.seen() {
            let figures = json!({
                "unit": watched.unit,
                "first": watched.first(),
                "last": watched.last(),
                "max": watched.max(),
                "per_hour": watched.per_hour(),
                "points": watched.points,
            });
            object.insert(watched.name.clone(), figures);
        }
        Value::Object(object)
    }

    fn picture(&self, title: &str) -> anyhow::Result<String> {
        let mut panels = Vec::new();
        for (beginning, label) in [
            ("memory", "memory / MiB"),
            ("open files", "open files"),
            ("connections", "connections of database"),
            ("database", "database / MiB"),
            ("latency", "latency / ms"),
        ] {
            let mut series = Vec::new();
            for watched in self.seen() {
                if watched.name.starts_with(beginning) {
                    series.push(Series {
                        name: watched.name.clone(),
                        points: watched.points.clone(),
                    });
                }
            }
            if series.is_empty() {
                continue;
            }
            let points = || series.iter().flat_map(|one| &one.points);
            panels.push(Panel {
                height: 220,
                across: Axis::from_zero("time / min", points().map(|(minute, _)| *minute)),
                up: Axis::from_zero(label, points().map(|(_, value)| *value)),
                series,
            });
        }
        svg(title, &panels)
    }
}

/// Offers the mix, watches, prints the figures and writes what was asked for.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    let lasts = Duration::try_from_secs_f64(arguments.minutes * 60.0).context("--minutes")?;
    let installation = Installation::start(&arguments.installation).await?;
    let requests = arguments.rate * lasts.as_secs_f64();
    let offered = &arguments.offered;
    let clients = offered.clients(&installation, requests).await?;
    let mut rows = Rows::connect(&installation.administrators_url()).await?;
    let stop = stopped_by_hand();
    let pulse = Arc::new(Pulse::new());
    let watchers = clients.watch(offered).await?;
    let mut looks = Looks::new(installation.servers.len());
    let start = Instant::now();
    let mut turns = tokio::time::interval(Duration::from_secs(arguments.look_every_s.into()));
    turns.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let pace = offered.pace(arguments.rate, Duration::ZERO, lasts, 0);
    let mut offering = Box::pin(clients.offer(offered, pace, &pulse, &stop));
    let measured = loop {
        tokio::select! {
            measured = &mut offering => break measured?,
            _ = turns.tick() => {
                let minute = start.elapsed().as_secs_f64() / 60.0;
                looks.look(minute, &installation, &mut rows, &pulse).await?;
            }
        }
    };
    drop(offering);
    rows.close().await?;
    let report = Report {
        about: format!("{}; {}", installation.words(), clients.words()),
        servers: installation.servers.len(),
        steps: vec![measured],
        watched: watchers.close().await,
    };
    drop(clients);
    installation.stop()?;
    let mut out = std::io::stdout();
    out.write_all(report.table().as_bytes())?;
    out.write_all(looks.table().as_bytes())?;
    if let Some(file) = &arguments.json {
        let mut figures = report.json();
        figures["watched"] = looks.json();
        std::fs::write(file, serde_json::to_vec_pretty(&figures)?)
            .with_context(|| format!("writing {}", file.display()))?;
    }
    if let Some(file) = &arguments.plot {
        let title = format!("{} /s on {}", arguments.rate, report.about);
        std::fs::write(file, looks.picture(&title)?)
            .with_context(|| format!("writing {}", file.display()))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn growth_is_told_an_hour_and_without_the_beginning() {
        let mut watched = Watched::new("memory".to_owned(), "MiB");
        // A jump in the first minutes, then a tenth a minute.
        for minute in 0..=40_u32 {
            let at = f64::from(minute);
            let value = if minute < 10 {
                at * 5.0
            } else {
                50.0 + at * 0.1
            };
            watched.points.push((at, value));
        }
        let slope = watched.per_hour().expect("there are enough looks");
        assert!((slope - 6.0).abs() < 1e-9, "{slope}");
        assert!((watched.max() - 54.0).abs() < 1e-9);
        watched.points.truncate(2);
        assert!(watched.per_hour().is_none());
    }
}
