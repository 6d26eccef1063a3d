//! The real programs as child processes: started, listened to, signalled, ended.

use std::ffi::OsStr;
use std::io::{BufRead as _, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, Once, PoisonError};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// Longest a test waits for a program to say or do something; only a failing test waits so long.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// How often a condition is looked at again.
const LOOK_AGAIN: Duration = Duration::from_millis(5);

static BUILT: Once = Once::new();

/// Gives the path of one of our programs, `ringtrue-server` or `ringtrue`.
///
/// They lie beside the folder of the test programs when the workspace was built with `--bins`; what is not
/// there is built once.
pub fn program(name: &str) -> PathBuf {
    let test = std::env::current_exe().expect("a running test has a path");
    let folder = test
        .parent()
        .and_then(Path::parent)
        .expect("test programs lie in target/<profile>/deps")
        .to_owned();
    let path = folder.join(name);
    if !path.exists() {
        BUILT.call_once(|| build(&folder));
    }
    assert!(path.exists(), "{} was not built", path.display());
    path
}

fn build(folder: &Path) {
    let target = folder.parent().expect("a profile's folder lies in target");
    let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/../Cargo.toml");
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["build", "--bins", "-p", "ringtrue-server", "-p", "ringtrue"]);
    cargo
        .args(["--manifest-path", manifest, "--target-dir"])
        .arg(target);
    if folder.file_name() == Some(OsStr::new("release")) {
        cargo.arg("--release");
    }
    let status = cargo.status().expect("cargo runs");
    assert!(status.success(), "the programs were not built");
}

/// Gives a command for one of our programs, with nothing of this process's own settings in it.
pub fn command(name: &str) -> Command {
    let mut command = Command::new(program(name));
    command.stdin(Stdio::null());
    for variable in [
        "RINGTRUE_SITE",
        "RINGTRUE_ENDPOINT",
        "RINGTRUE_OPERATOR",
        "RINGTRUE_PROFILE",
        "RINGTRUE_TOKEN",
        "RINGTRUE_HOME",
        // Where the profiles of whoever runs the tests would be.
        "XDG_CONFIG_HOME",
        "HOME",
        "TRACEPARENT",
        "NO_COLOR",
        "COLUMNS",
    ] {
        command.env_remove(variable);
    }
    command
}

/// Runs the server's program to its end, for commands that end by themselves.
pub fn server_ran(arguments: &[&OsStr]) -> Output {
    command("ringtrue-server")
        .args(arguments)
        .output()
        .expect("the server's program starts")
}

/// Runs `ringtrue-server verify` on a database file.
pub fn verified(file: &Path) -> Output {
    server_ran(&["verify".as_ref(), "--database".as_ref(), file.as_os_str()])
}

/// Gives what a program wrote as text.
pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Looks at a condition until it holds; a test that waits too long fails with these words.
pub fn eventually(words: &str, mut holds: impl FnMut() -> bool) {
    let end = Instant::now() + PATIENCE;
    while !holds() {
        assert!(Instant::now() < end, "waited in vain: {words}");
        std::thread::sleep(LOOK_AGAIN);
    }
}

/// A server in a process of its own; dropping it kills it.
#[derive(Debug)]
pub struct Server {
    child: Child,
    lines: Receiver<String>,
    said: Arc<Mutex<String>>,
    /// Where it serves, for example `127.0.0.1:40123`.
    pub address: String,
}

impl Server {
    /// Starts `ringtrue-server serve` on a database file and a free port.
    pub fn serve(database: &Path) -> Self {
        Self::serve_with(database, |_| {})
    }

    /// Starts `ringtrue-server serve`, with more arguments or variables.
    pub fn serve_with(database: &Path, more: impl FnOnce(&mut Command)) -> Self {
        let mut command = command("ringtrue-server");
        command
            .args(["serve", "--listen", "127.0.0.1:0", "--database"])
            .arg(database);
        more(&mut command);
        Self::started(command)
    }

    /// Starts `ringtrue-server serve` where another server was before.
    pub fn serve_at(database: &Path, address: &str) -> Self {
        let mut command = command("ringtrue-server");
        command
            .args(["serve", "--listen", address, "--database"])
            .arg(database);
        Self::started(command)
    }

    /// Starts a command that runs the server in the end, and waits until it says where it serves.
    pub fn started(mut command: Command) -> Self {
        let mut child = command
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the server's program starts");
        let stderr = child.stderr.take().expect("stderr is a pipe");
        let said = Arc::new(Mutex::new(String::new()));
        let lines = listen(stderr, Arc::clone(&said));
        let mut server = Self {
            child,
            lines,
            said,
            address: String::new(),
        };
        let line = server.line_with("serving address=");
        let (_, rest) = line
            .split_once("address=")
            .expect("the line was found by it");
        rest.split_whitespace()
            .next()
            .unwrap_or_default()
            .clone_into(&mut server.address);
        server
    }

    /// Gives the address as clients want it.
    pub fn endpoint(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Waits for a log line that holds some words, and gives it; lines before it are passed over.
    pub fn line_with(&self, words: &str) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            match self
                .lines
                .recv_timeout(end.saturating_duration_since(Instant::now()))
            {
                Ok(line) if line.contains(words) => return line,
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => {
                    panic!(
                        "the server did not say `{words}` in time; it said:\n{}",
                        self.said()
                    )
                }
                Err(RecvTimeoutError::Disconnected) => {
                    panic!(
                        "the server ended without saying `{words}`; it said:\n{}",
                        self.said()
                    )
                }
            }
        }
    }

    /// Gives everything it wrote to its log so far.
    pub fn said(&self) -> String {
        self.said
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Gives its process id.
    pub fn pid(&self) -> Pid {
        let pid = i32::try_from(self.child.id()).expect("process ids are small");
        Pid::from_raw(pid).expect("process ids are above zero")
    }

    /// Asks it to stop, as a service manager does.
    pub fn terminate(&self) {
        kill_process(self.pid(), Signal::TERM).expect("the process is ours and not waited for yet");
    }

    /// Kills it as the kernel would when memory runs out: nothing in it can act on that.
    pub fn kill(&mut self) {
        self.child.kill().expect("the process is ours");
        self.child.wait().expect("a killed process ends");
    }

    /// Waits until it has ended.
    pub fn ended(&mut self) -> ExitStatus {
        let mut status = None;
        eventually("the server ends", || {
            status = self.child.try_wait().expect("the process is ours");
            status.is_some()
        });
        status.expect("it was waited for")
    }

    /// Says whether it still runs.
    pub fn runs(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Asks it to stop and waits until it has; fails unless everything was in order.
    pub fn stop(mut self) {
        self.terminate();
        let status = self.ended();
        assert_eq!(status.code(), Some(0), "it said:\n{}", self.said());
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Collects a stream's lines in a thread of its own, so that the program never waits for its reader.
fn listen(stream: impl Read + Send + 'static, said: Arc<Mutex<String>>) -> Receiver<String> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            let mut said = said.lock().unwrap_or_else(PoisonError::into_inner);
            said.push_str(&line);
            said.push('\n');
            drop(said);
            // A test that is not interested in lines any more has dropped the receiver.
            drop(sender.send(line));
        }
    });
    receiver
}
