//! Child processes: the real server, an empty one, and the command line.

use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;

use crate::door::set_up;

/// Lets the disk finish what it has to write.
pub(crate) fn settle_disk() {
    // Without `sync` the figures are only noisier.
    drop(Command::new("sync").status());
}

/// A program that is killed when this one ends, however that ends: nobody is there to stop a server whose load program
/// was killed. Only Linux does that; elsewhere such a server stays.
fn bound_to_this(program: &Path) -> Command {
    const KILLED_WITH_PARENT: [&str; 2] = ["--pdeathsig", "KILL"];
    let mut asked = Command::new("setpriv");
    asked.args(KILLED_WITH_PARENT).arg("true");
    let is_there = asked.stdout(Stdio::null()).stderr(Stdio::null()).status();
    if !is_there.is_ok_and(|status| status.success()) {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(KILLED_WITH_PARENT).arg(program);
    command
}

pub(crate) fn beside(program: &str) -> anyhow::Result<PathBuf> {
    let own = std::env::current_exe()?;
    let folder = own.parent().context("the program stands in a folder")?;
    let path = folder.join(program);
    anyhow::ensure!(
        path.exists(),
        "{} is missing; run cargo build --release --bins first",
        path.display()
    );
    Ok(path)
}

/// Serves the health service and nothing else, for the price of an empty call.
pub(crate) async fn serve_empty() -> anyhow::Result<()> {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    writeln!(std::io::stdout(), "{}", listener.local_addr()?)?;
    let (_reporter, health) = tonic_health::server::health_reporter();
    Server::builder()
        .add_service(health)
        .serve_with_incoming(TcpIncoming::from(listener).with_nodelay(Some(true)))
        .await?;
    Ok(())
}

/// A server with an empty call.
pub(crate) struct EmptyServer {
    child: Child,
    pub(crate) endpoint: String,
}

impl EmptyServer {
    pub(crate) fn start() -> anyhow::Result<Self> {
        let mut child = Command::new(std::env::current_exe()?)
            .arg("--serve-empty")
            .stdout(Stdio::piped())
            .spawn()?;
        let mut line = String::new();
        let out = child.stdout.take().context("its output is piped")?;
        BufReader::new(out).read_line(&mut line)?;
        Ok(Self {
            child,
            endpoint: format!("http://{}", line.trim()),
        })
    }
}

impl Drop for EmptyServer {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Starts a server that logs its start and what goes wrong, and waits until it says where it serves; gives that address
/// and the lines that its log goes on with, which must be read so that the server never waits for its reader.
pub(crate) fn started(
    command: &mut Command,
) -> anyhow::Result<(Child, String, impl Iterator<Item = String> + Send + use<>)> {
    let mut child = command
        .args(["--log-format", "json"])
        .args(["--log-filter", "ringtrue_server::serve=info,warn"])
        .stderr(Stdio::piped())
        .spawn()?;
    let err = child.stderr.take().context("its log is piped")?;
    let mut lines = BufReader::new(err).lines().map_while(Result::ok);
    let mut said = String::new();
    for line in lines.by_ref() {
        if let Some((_, rest)) = line.split_once("\"address\":\"")
            && let Some((address, _)) = rest.split_once('"')
        {
            return Ok((child, address.to_owned(), lines));
        }
        said.push_str(&line);
        said.push('\n');
    }
    child.wait()?;
    anyhow::bail!("the server ended before it served; it said:\n{said}")
}

/// Lets one caller come as often as it can, and has the C library's memory as the unit in `deploy/` has it.
fn as_measured(command: &mut Command) {
    command.env("MALLOC_ARENA_MAX", "2");
    for key in ["CALLS_PER_S", "CALLS_PER_S_AND_ADDRESS"] {
        command.env(format!("RINGTRUE_SERVER__ACCESS__{key}"), "1000000");
    }
}

/// The real server on a fresh database.
pub(crate) struct RealServer {
    child: Child,
    database: PathBuf,
    pub(crate) endpoint: String,
}

impl RealServer {
    pub(crate) fn start(folder: &Path) -> anyhow::Result<Self> {
        let database = folder.join("ringtrue.db");
        let mut command = bound_to_this(&beside("ringtrue-server")?);
        command.args(["serve", "--listen", "127.0.0.1:0", "--database"]);
        command.arg(&database);
        as_measured(&mut command);
        Self::serving(command, database, "http")
    }

    /// A server with TLS that lets in nobody without a credential, and a one-time code for its administrator. What one
    /// credential may ask for is not limited here.
    pub(crate) fn start_secured(folder: &Path) -> anyhow::Result<(Self, String)> {
        let program = beside("ringtrue-server")?;
        let code = set_up(&program, folder)?;
        let mut command = bound_to_this(&program);
        command.args(["serve", "--config"]);
        command.arg(folder.join("server.toml"));
        as_measured(&mut command);
        let server = Self::serving(command, folder.join("ringtrue.db"), "https")?;
        Ok((server, code))
    }

    /// A server on a database that is there: a file, or an address of PostgreSQL's. How often one caller may come is not
    /// limited: the load comes from one address, what it stands in for would not. A server at rest makes no fits.
    pub(crate) fn replica(database: &str, at_rest: bool) -> anyhow::Result<Self> {
        let mut command = bound_to_this(&beside("ringtrue-server")?);
        command.args(["serve", "--listen", "127.0.0.1:0", "--database", database]);
        as_measured(&mut command);
        if at_rest {
            command.env("RINGTRUE_SERVER__FLEET__REFIT_EVERY_S", "0");
        }
        // Ctrl-C at a terminal is meant for the load program, which ends the server when it has counted.
        command.process_group(0);
        Self::serving(command, PathBuf::from(database), "http")
    }

    fn serving(mut command: Command, database: PathBuf, scheme: &str) -> anyhow::Result<Self> {
        let (child, address, lines) = started(&mut command)?;
        // Keeps the pipe empty; whatever the server has to say is for the person running this.
        std::thread::spawn(move || {
            for line in lines {
                drop(writeln!(std::io::stderr(), "{line}"));
            }
        });
        Ok(Self {
            child,
            database,
            endpoint: format!("{scheme}://{address}"),
        })
    }

    /// Resident memory, KiB.
    pub(crate) fn resident_kib(&self) -> anyhow::Result<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status
            .lines()
            .find(|line| line.starts_with("VmRSS:"))
            .context("the status names the resident memory")?;
        Ok(line
            .split_whitespace()
            .nth(1)
            .context("a number follows")?
            .parse()?)
    }

    /// Open files and connections.
    pub(crate) fn open_files(&self) -> anyhow::Result<usize> {
        Ok(std::fs::read_dir(format!("/proc/{}/fd", self.child.id()))?.count())
    }

    /// Ends the server in good order and gives its database.
    pub(crate) fn stop(mut self) -> anyhow::Result<PathBuf> {
        Command::new("kill")
            .arg("-TERM")
            .arg(self.child.id().to_string())
            .status()?;
        self.child.wait()?;
        Ok(self.database.clone())
    }
}

impl Drop for RealServer {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Median time of a whole run of the command line against the server.
pub(crate) fn command_line(endpoint: &str) -> anyhow::Result<Duration> {
    const RUNS: usize = 21;
    let program = beside("ringtrue")?;
    let mut times = Vec::with_capacity(RUNS);
    for _ in 0..RUNS {
        let start = Instant::now();
        let status = Command::new(&program)
            .args([
                "furnace",
                "show",
                "sites/s0/furnaces/f0",
                "--endpoint",
                endpoint,
            ])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()?;
        times.push(start.elapsed());
        anyhow::ensure!(status.success(), "ringtrue furnace show failed");
    }
    times.sort_unstable();
    Ok(times[RUNS / 2])
}
