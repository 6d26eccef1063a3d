//! A server's processes: started under the eye of `watch.sh`, stopped, killed, started again.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Stdio};

use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use super::installation::Installation;
use crate::process::eventually;

const WATCH: &str = include_str!("watch.sh");

/// A running server with its folder; dropping it ends the server and removes the folder.
#[derive(Debug)]
pub(super) struct Postmaster {
    watch: Child,
    /// The watch's input; its end is what the watch waits for.
    input: Option<ChildStdin>,
    pid: Option<Pid>,
    folder: TempDir,
}

impl Postmaster {
    /// Starts a server on a fresh cluster or on a copy of the one at a port, and waits until it takes connections;
    /// gives its log when it does not.
    pub(super) fn start(original: Option<u16>, arguments: &[String]) -> Result<Self, String> {
        let installation = Installation::found();
        let folder = tempfile::tempdir().expect("a temporary folder can be made");
        installation.give(folder.path());
        let mut watch = installation.command("/bin/sh");
        watch
            .args(["-c", WATCH, "watch"])
            .arg(&installation.programs)
            .arg(folder.path())
            .arg(original.map(|port| port.to_string()).unwrap_or_default())
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        // An interrupt at the terminal goes to the tests' group; the watch has to outlive that.
        std::os::unix::process::CommandExt::process_group(&mut watch, 0);
        let mut watch = watch.spawn().expect("a shell starts");
        let input = watch.stdin.take();
        let mut postmaster = Self {
            watch,
            input,
            pid: None,
            folder,
        };
        postmaster.wait_until_ready()?;
        Ok(postmaster)
    }

    /// Starts the server again on the same records, and waits until it takes connections; gives its log when it does
    /// not.
    pub(super) fn start_again(&mut self) -> Result<(), String> {
        assert!(
            self.pid.is_none(),
            "a server is started again after it was killed or stopped"
        );
        std::fs::remove_file(self.said()).expect("the watch has said which server it started");
        self.input
            .as_mut()
            .expect("the input is closed on drop only")
            .write_all(b"again\n")
            .expect("the watch listens");
        self.wait_until_ready()
    }

    pub(super) fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub(super) fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    pub(super) fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Gives the ids of the server's processes, its first one at the front.
    pub(super) fn processes(&self) -> Vec<Pid> {
        let Some(first) = self.pid else {
            return Vec::new();
        };
        // It has one thread, which is the parent of all others.
        let list = format!("/proc/{first}/task/{first}/children");
        let children = std::fs::read_to_string(list).unwrap_or_default();
        let mut all = vec![first];
        all.extend(children.split_whitespace().filter_map(parsed));
        all
    }

    /// Kills all processes of the server, and waits until they are gone.
    pub(super) fn kill(&mut self) {
        let first = self.pid.take().expect("a running server is killed");
        // Held still, so that it makes no more children.
        kill_process(first, Signal::STOP).expect("the process is ours");
        self.pid = Some(first);
        let all = self.processes();
        self.pid = None;
        for pid in &all {
            // One of them may have ended by itself.
            let _ = kill_process(*pid, Signal::KILL);
        }
        eventually("a killed server is gone", || {
            all.iter().all(|pid| !runs(*pid))
        });
    }

    /// Asks the server to put its clients out and to end, and waits until it has.
    pub(super) fn stop(&mut self) {
        let all = self.processes();
        let first = self.pid.take().expect("a running server is stopped");
        kill_process(first, Signal::INT).expect("the process is ours");
        eventually("a stopped server is gone", || {
            all.iter().all(|pid| !runs(*pid))
        });
    }

    fn said(&self) -> PathBuf {
        self.folder.path().join("server")
    }

    fn wait_until_ready(&mut self) -> Result<(), String> {
        let mut outcome = None;
        eventually("PostgreSQL takes connections", || {
            outcome = self.outcome();
            outcome.is_some()
        });
        self.pid = Some(outcome.expect("it was waited for")?);
        Ok(())
    }

    /// Says whether the server takes connections (its id) or failed (its log), once one of them is so.
    fn outcome(&mut self) -> Option<Result<Pid, String>> {
        let Ok(said) = std::fs::read_to_string(self.said()) else {
            let ended = !matches!(self.watch.try_wait(), Ok(None));
            return ended.then(|| Err(self.log()));
        };
        let Some(pid) = parsed(said.trim()) else {
            return Some(Err(self.log()));
        };
        if self.is_ready(pid) {
            return Some(Ok(pid));
        }
        (!runs(pid)).then(|| Err(self.log()))
    }

    /// Reads what PostgreSQL's own tools go by: the server's id and state in its lock file.
    fn is_ready(&self, pid: Pid) -> bool {
        let lock = std::fs::read_to_string(self.data().join("postmaster.pid")).unwrap_or_default();
        let lines: Vec<&str> = lock.lines().map(str::trim).collect();
        lines.first().copied().and_then(parsed) == Some(pid) && lines.get(7) == Some(&"ready")
    }
}

impl Drop for Postmaster {
    fn drop(&mut self) {
        drop(self.input.take());
        // It ends the server in good order or by force, and is done within half a minute either way.
        drop(self.watch.wait());
    }
}

fn parsed(word: &str) -> Option<Pid> {
    Pid::from_raw(word.parse().ok()?)
}

/// Says whether a process is there and has not ended; one that nobody collected yet has ended.
pub(super) fn runs(pid: Pid) -> bool {
    let Ok(line) = std::fs::read_to_string(format!("/proc/{pid}/stat")) else {
        return false;
    };
    // The name, in brackets, may hold anything; the state follows it.
    let state = line.rsplit_once(") ").map(|(_, rest)| rest.as_bytes()[0]);
    !matches!(state, Some(b'Z' | b'X'))
}
