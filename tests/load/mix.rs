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
use ringtrue_proto::v1;
use ringtrue_proto::v1::operations_service_client::OperationsServiceClient;

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

/// Who asks, and what there is to ask about.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Furnished {
    /// Laboratories.
    #[arg(long, default_value_t = 20)]
    pub(crate) sites: usize,
    /// Furnaces of each.
    #[arg(long, default_value_t = 10)]
    pub(crate) furnaces: usize,
    /// Readings of each furnace that are recorded before the measurement.
    #[arg(long, default_value_t = 8)]
    pub(crate) readings_before: usize,
    /// Connections to each server.
    #[arg(long, default_value_t = 8)]
    pub(crate) connections: usize,
}

/// What is asked for, and how.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Offered {
    #[command(flatten)]
    furnished: Furnished,
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
    fn weights(&self) -> Weights {
        self.weights.clone().unwrap_or_default()
    }

    /// The pace of one step; each step has arrivals of its own.
    pub(crate) fn pace(
        &self,
        rate_per_s: f64,
        warm_up: Duration,
        counted: Duration,
        step: u64,
    ) -> Pace {
        Pace {
            rate_per_s,
            warm_up,
            counted,
            seed: self.seed.wrapping_add(step << 32),
            most_in_flight: self.most_in_flight,
        }
    }

    /// Makes the network and opens connections for so many requests to come.
    pub(crate) async fn clients(
        &self,
        installation: &Installation,
        requests: f64,
    ) -> anyhow::Result<Clients> {
        let recordings = requests * self.weights().share(Operation::Record);
        Clients::connect(&self.furnished, installation, recordings).await
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

/// What a call's number draws: neighbours are far apart.
fn draw(number: usize) -> u64 {
    let number = u64::try_from(number).unwrap_or(u64::MAX);
    number.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 20
}

impl Clients {
    /// Makes the network and opens the connections; so many recordings are expected.
    pub(crate) async fn connect(
        furnished: &Furnished,
        installation: &Installation,
        recordings: f64,
    ) -> anyhow::Result<Self> {
        let connections = furnished.connections;
        anyhow::ensure!(connections > 0, "at least one connection is needed");
        let lines = lines(connections, installation).await?;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a number of recordings, far below 2^53"
        )]
        let to_come = recordings.ceil() as usize;
        let shape = Shape {
            sites: furnished.sites,
            furnaces: furnished.furnaces,
            readings: furnished.readings_before,
            to_come,
        };
        let network = Network::furnished(&lines[0], shape)
            .await
            .context("furnishing the laboratories")?;
        Ok(Self {
            lines,
            network,
            connections,
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
        operations::asked(operation, line, &self.network, draw(number)).await?;
        Ok(())
    }

    /// The furnaces that calls with numbers below this one are about.
    pub(crate) fn furnaces_asked_about(&self, below: usize) -> Vec<String> {
        (0..below)
            .map(|number| self.network.furnace(draw(number)))
            .collect()
    }

    /// Whether the servers have looked for findings, as they do soon after they began to serve, since a moment in
    /// seconds since 1970.
    pub(crate) async fn have_looked_since(&self, moment_s: i64) -> anyhow::Result<bool> {
        let mut client = OperationsServiceClient::new(self.lines[0].clone());
        let answer = client
            .list_background_work(v1::ListBackgroundWorkRequest {})
            .await?;
        let work = answer.into_inner().work;
        let found = work.into_iter().find(|one| one.name == "find");
        let began = found.and_then(|find| find.last_start_time);
        Ok(began.is_some_and(|began| began.seconds >= moment_s))
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
    pub(crate) async fn watch(&self, offered: &Offered) -> anyhow::Result<Watchers> {
        Watchers::open(offered.watchers, &self.lines, &self.network)
            .await
            .context("opening streams of alerts")
    }

    /// Offers one rate.
    pub(crate) async fn offer(
        &self,
        offered: &Offered,
        pace: Pace,
        pulse: &Arc<Pulse>,
        stop: &Stop,
    ) -> anyhow::Result<Measured> {
        let (lines, network) = (self.lines.clone(), Arc::clone(&self.network));
        let turn = AtomicUsize::new(0);
        step::run(pace, &offered.weights().0, pulse, stop, move |arrival| {
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
    let offered = &arguments.offered;
    let clients = offered.clients(&installation, requests).await?;
    let stop = stopped_by_hand();
    let pulse = Arc::new(Pulse::new());
    let watchers = clients.watch(offered).await?;
    let mut steps = Vec::with_capacity(arguments.rate.len());
    for (number, rate_per_s) in (0_u64..).zip(&arguments.rate) {
        let pace = offered.pace(*rate_per_s, warm_up, counted, number);
        let measured = clients.offer(offered, pace, &pulse, &stop).await?;
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
