//! Many open streams: the time from an alert's commit to each of them, and the memory of one that is idle.

use std::fmt;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use anyhow::Context as _;
use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tonic::transport::{Channel, Endpoint};

use crate::server::now_ns;

/// What to open and send.
pub(crate) struct Shape {
    pub(crate) streams: usize,
    /// Streams of one connection.
    pub(crate) shared: usize,
    pub(crate) alerts: usize,
}

/// What was measured.
pub(crate) struct Measured {
    streams: usize,
    connections: usize,
    alerts: usize,
    received: usize,
    p50_ms: f64,
    p99_ms: f64,
    worst_ms: f64,
    /// The same without other streams: one stream alone.
    alone_p50_ms: f64,
    alone_p99_ms: f64,
    idle_kb: f64,
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{} streams over {} connections; {} alerts to each, {} received",
            self.streams, self.connections, self.alerts, self.received
        )?;
        writeln!(
            f,
            "  commit to client: p50 {:.1} ms, p99 {:.1} ms, worst {:.1} ms (goal: p99 below 250)",
            self.p50_ms, self.p99_ms, self.worst_ms
        )?;
        writeln!(
            f,
            "  beside it, one stream alone: p50 {:.2} ms, p99 {:.2} ms",
            self.alone_p50_ms, self.alone_p99_ms
        )?;
        write!(
            f,
            "  the server's memory for an idle stream: {:.1} kB (goal: below 40)",
            self.idle_kb
        )
    }
}

/// The server in a process of its own.
struct Server {
    child: Child,
    orders: ChildStdin,
    answers: BufReader<ChildStdout>,
    endpoint: String,
    _folder: tempfile::TempDir,
}

impl Server {
    fn start() -> anyhow::Result<Self> {
        let folder = tempfile::tempdir()?;
        let mut child = Command::new(std::env::current_exe()?)
            .arg("--serve")
            .arg(folder.path().join("ringtrue.db"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let orders = child.stdin.take().context("its input is piped")?;
        let answers = child.stdout.take().context("its output is piped")?;
        let mut server = Self {
            child,
            orders,
            answers: BufReader::new(answers),
            endpoint: String::new(),
            _folder: folder,
        };
        server.endpoint = format!("http://{}", server.answer()?);
        Ok(server)
    }

    fn answer(&mut self) -> anyhow::Result<String> {
        let mut line = String::new();
        self.answers.read_line(&mut line)?;
        Ok(line.trim().to_owned())
    }

    /// Raises an alert; gives the moment of its commit.
    fn alert(&mut self) -> anyhow::Result<u128> {
        writeln!(self.orders, "alert")?;
        self.orders.flush()?;
        Ok(self.answer()?.parse()?)
    }

    /// Resident memory, kB.
    fn memory_kb(&self) -> anyhow::Result<f64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:"))
            .context("the kernel tells it")?;
        Ok(line.trim().trim_end_matches(" kB").trim().parse()?)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// How long to wait for what was sent.
const PATIENCE: Duration = Duration::from_mins(1);

pub(crate) async fn measured(shape: &Shape) -> anyhow::Result<Measured> {
    let mut server = Server::start()?;
    let (alone_p50_ms, alone_p99_ms) = alone(&mut server, shape.alerts).await?;
    let before = server.memory_kb()?;
    let (arrived, mut arrivals) = mpsc::unbounded_channel::<u128>();
    let open = Arc::new(AtomicUsize::new(0));
    let mut tasks = JoinSet::new();
    let connections = shape.streams.div_ceil(shape.shared);
    for connection in 0..connections {
        let channel = connected(&server.endpoint).await?;
        let here = shape.shared.min(shape.streams - connection * shape.shared);
        for _ in 0..here {
            listen(
                &mut tasks,
                channel.clone(),
                arrived.clone(),
                Arc::clone(&open),
            );
        }
        // Handshakes in small steps, as laboratories would come one after the other.
        wait_for(&open, connection * shape.shared + here).await?;
    }
    tokio::time::sleep(Duration::from_secs(2)).await;
    let idle_kb = (server.memory_kb()? - before) / f64::from(u32::try_from(shape.streams)?);
    let mut latencies = Vec::with_capacity(shape.streams * shape.alerts);
    let mut received = 0;
    for _ in 0..shape.alerts {
        let committed = server.alert()?;
        for _ in 0..shape.streams {
            let at = tokio::time::timeout(PATIENCE, arrivals.recv())
                .await?
                .context("streams are open")?;
            received += 1;
            latencies.push(between_ms(committed, at));
        }
    }
    tasks.abort_all();
    latencies.sort_by(f64::total_cmp);
    Ok(Measured {
        streams: shape.streams,
        connections,
        alerts: shape.alerts,
        received,
        p50_ms: quantile(&latencies, 50),
        p99_ms: quantile(&latencies, 99),
        worst_ms: quantile(&latencies, 100),
        alone_p50_ms,
        alone_p99_ms,
        idle_kb,
    })
}

/// One stream and nothing else: what the way itself takes.
async fn alone(server: &mut Server, alerts: usize) -> anyhow::Result<(f64, f64)> {
    let (arrived, mut arrivals) = mpsc::unbounded_channel();
    let open = Arc::new(AtomicUsize::new(0));
    let mut tasks = JoinSet::new();
    let channel = connected(&server.endpoint).await?;
    listen(&mut tasks, channel, arrived, Arc::clone(&open));
    wait_for(&open, 1).await?;
    let mut latencies = Vec::new();
    for _ in 0..alerts {
        let committed = server.alert()?;
        let at: u128 = tokio::time::timeout(PATIENCE, arrivals.recv())
            .await?
            .context("the stream is open")?;
        latencies.push(between_ms(committed, at));
    }
    tasks.abort_all();
    latencies.sort_by(f64::total_cmp);
    Ok((quantile(&latencies, 50), quantile(&latencies, 99)))
}

async fn connected(endpoint: &str) -> anyhow::Result<Channel> {
    Ok(Endpoint::from_shared(endpoint.to_owned())?
        .connect()
        .await?)
}

async fn wait_for(open: &AtomicUsize, wanted: usize) -> anyhow::Result<()> {
    let until = tokio::time::Instant::now() + PATIENCE;
    while open.load(Ordering::Acquire) < wanted {
        anyhow::ensure!(
            tokio::time::Instant::now() < until,
            "only {} of {wanted} streams opened",
            open.load(Ordering::Acquire)
        );
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    Ok(())
}

/// Opens a stream and reports each change that arrives. The first heartbeat says that it is open.
fn listen(
    tasks: &mut JoinSet<()>,
    channel: Channel,
    arrived: mpsc::UnboundedSender<u128>,
    open: Arc<AtomicUsize>,
) {
    tasks.spawn(async move {
        let mut alerts = AlertServiceClient::new(channel);
        let asked = v1::WatchAlertsRequest {
            parent: "sites/s0".to_owned(),
            ..v1::WatchAlertsRequest::default()
        };
        let Ok(answer) = alerts.watch_alerts(asked).await else {
            return;
        };
        let mut stream = answer.into_inner();
        let mut is_open = false;
        while let Ok(Some(response)) = stream.message().await {
            match response.change {
                None if !is_open => {
                    is_open = true;
                    open.fetch_add(1, Ordering::AcqRel);
                }
                Some(_) if is_open && arrived.send(now_ns()).is_err() => return,
                _ => {}
            }
        }
    });
}

/// Milliseconds between two moments.
fn between_ms(committed_ns: u128, at_ns: u128) -> f64 {
    let nanos = u64::try_from(at_ns.saturating_sub(committed_ns)).unwrap_or(u64::MAX);
    Duration::from_nanos(nanos).as_secs_f64() * 1e3
}

/// The value that so many of a hundred do not exceed.
fn quantile(sorted: &[f64], percent: usize) -> f64 {
    let last = sorted.len().saturating_sub(1);
    sorted
        .get(last * percent / 100)
        .copied()
        .unwrap_or(f64::NAN)
}
