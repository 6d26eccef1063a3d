//! `ringtrue watch` as a process of its own: restarts of the server, commands for each change, Ctrl-C.

use std::collections::BTreeSet;
use std::io::{BufRead as _, BufReader, Read};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};

use ringtrue_tests::process::{Server, command, eventually};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

/// A running watch and what it said so far.
pub(crate) struct Watch {
    child: Child,
    out: Arc<Mutex<Vec<String>>>,
    err: Arc<Mutex<Vec<String>>>,
}

impl Watch {
    /// Starts it.
    pub(crate) fn started(mut command: Command) -> Self {
        let mut child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let out = collected(child.stdout.take().expect("a pipe"));
        let err = collected(child.stderr.take().expect("a pipe"));
        Self { child, out, err }
    }

    /// The changes shown so far.
    fn changes(&self) -> Vec<Value> {
        let lines = self.out.lock().unwrap_or_else(PoisonError::into_inner);
        lines
            .iter()
            .map(|line| serde_json::from_str(line).expect("one object a line"))
            .collect()
    }

    /// Waits until so many changes were shown as JSON, and gives them.
    pub(crate) fn tells(&self, count: usize) -> Vec<Value> {
        eventually(&format!("{count} changes are told"), || {
            self.changes().len() >= count
        });
        self.changes()
    }

    /// Waits until the result holds some words.
    pub(crate) fn shows(&self, words: &str) {
        eventually(words, || {
            let lines = self.out.lock().unwrap_or_else(PoisonError::into_inner);
            lines.iter().any(|line| line.contains(words))
        });
    }

    /// Waits until a change about a furnace was shown, and gives how many were.
    fn sees(&self, furnace: &str) -> usize {
        let ends = format!("/furnaces/{furnace}");
        let about = |change: &&Value| {
            let subject = change["change"]["alert"]["subject"].as_str();
            subject.unwrap_or_default().ends_with(&ends)
        };
        eventually(&format!("an alert about {furnace}"), || {
            self.changes().iter().filter(about).count() > 0
        });
        self.changes().iter().filter(about).count()
    }

    /// Waits until it said some words beside the result.
    pub(crate) fn says(&self, words: &str) {
        eventually(words, || {
            let lines = self.err.lock().unwrap_or_else(PoisonError::into_inner);
            lines.iter().any(|line| line.contains(words))
        });
    }

    /// Sends a signal, waits until it has ended, and gives its exit code.
    pub(crate) fn stopped_by(self, signal: Signal) -> Option<i32> {
        let pid = i32::try_from(self.child.id()).expect("process ids are small");
        let pid = Pid::from_raw(pid).expect("above zero");
        kill_process(pid, signal).expect("the process is ours");
        self.ended()
    }

    /// Waits until it has ended by itself, and gives its exit code.
    pub(crate) fn ended(mut self) -> Option<i32> {
        let mut status = None;
        eventually("the watch ends", || {
            status = self.child.try_wait().expect("the process is ours");
            status.is_some()
        });
        status.and_then(|status| status.code())
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        // It may have ended by itself already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn collected(stream: impl Read + Send + 'static) -> Arc<Mutex<Vec<String>>> {
    let lines = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&lines);
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            kept.lock()
                .unwrap_or_else(PoisonError::into_inner)
                .push(line);
        }
    });
    lines
}

/// A laboratory whose server can be stopped and started again at the same address.
struct Laboratory {
    folder: TempDir,
    server: Option<Server>,
    address: String,
}

impl Laboratory {
    /// A site in Lisbon that is never quiet, without furnaces.
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let server = Server::serve(&folder.path().join("ringtrue.db"));
        let address = server.address.clone();
        let laboratory = Self {
            folder,
            server: Some(server),
            address,
        };
        laboratory.said(
            "site add --id porto --name Porto --time-zone Europe/Lisbon --calibration-day friday \
             --quiet off",
        );
        laboratory
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .env("RINGTRUE_ENDPOINT", format!("http://{}", self.address))
            .env("RINGTRUE_SITE", "porto")
            .env("RINGTRUE_OPERATOR", "t1")
            .env("COLUMNS", "100");
        command
    }

    fn said(&self, line: &str) {
        let output = self.command(line).output().expect("the program starts");
        assert_eq!(
            output.status.code(),
            Some(0),
            "{line}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }

    /// Adds a furnace that nobody has ever calibrated, so that somebody is needed at once.
    fn adds_furnace(&self, id: &str) {
        self.said(&format!(
            "furnace add --id {id} --name {id} --maximum 1600 --step 1"
        ));
        self.said(&format!(
            "programme add {id} --id standard --name Standard --segment 8:1500:120 --target 1500 \
             --setpoint 1500"
        ));
    }

    fn stops(&mut self) {
        if let Some(server) = self.server.take() {
            server.stop();
        }
    }

    fn starts(&mut self) {
        let database = self.folder.path().join("ringtrue.db");
        self.server = Some(Server::serve_at(&database, &self.address));
    }
}

#[test]
fn a_watch_goes_on_through_a_restart_of_the_server_and_tells_every_change_once() {
    let mut laboratory = Laboratory::new();
    let watch = Watch::started(laboratory.command("watch --json"));
    laboratory.adds_furnace("k1");
    watch.sees("k1");
    laboratory.stops();
    watch.says("\"connection\":\"lost\"");
    laboratory.starts();
    laboratory.adds_furnace("k2");
    watch.sees("k2");
    watch.says("\"connection\":\"back\"");
    let mut told = BTreeSet::new();
    for change in watch.changes() {
        let cursor = change["change"]["cursor"].as_str().expect("a cursor");
        let alert = change["change"]["alert"]["name"].as_str().expect("a name");
        assert!(
            told.insert((cursor.to_owned(), alert.to_owned())),
            "told twice: {change}"
        );
    }
    assert_eq!(watch.stopped_by(Signal::INT), Some(0));
}

#[test]
fn a_command_runs_for_each_change_and_a_watch_that_is_started_again_goes_on_where_it_was() {
    let laboratory = Laboratory::new();
    let (log, state) = (laboratory.file("log"), laboratory.file("state"));
    let started = || {
        let mut command = laboratory.command("watch --json");
        command
            .arg("--state")
            .arg(&state)
            .arg("--exec")
            .arg(format!(
                "echo \"$RINGTRUE_ALERT_SUBJECT $RINGTRUE_ALERT_CURSOR\" >> {}",
                log.display()
            ));
        Watch::started(command)
    };
    let ran = || std::fs::read_to_string(&log).unwrap_or_default();
    let kept = || {
        let text = std::fs::read_to_string(&state).unwrap_or_default();
        let value: Value = serde_json::from_str(&text).unwrap_or_default();
        value["cursor"].as_str().unwrap_or_default().to_owned()
    };
    let first = started();
    laboratory.adds_furnace("k1");
    first.sees("k1");
    eventually("the command ran and its place is kept", || {
        ran().contains("furnaces/k1") && !kept().is_empty()
    });
    assert_eq!(first.stopped_by(Signal::TERM), Some(0));

    // What happens while nobody watches is not missed.
    laboratory.adds_furnace("k2");
    let second = started();
    second.sees("k2");
    eventually("the command ran for what was missed", || {
        ran().contains("furnaces/k2")
    });
    let lines = ran();
    let mut seen = BTreeSet::new();
    for line in lines.lines() {
        assert!(seen.insert(line), "{line} twice in\n{lines}");
    }
    assert_eq!(second.stopped_by(Signal::INT), Some(0));
}

#[test]
fn people_are_shown_what_is_the_matter_and_what_to_do_next() {
    let laboratory = Laboratory::new();
    laboratory.adds_furnace("k1");
    let watch = Watch::started(laboratory.command("watch"));
    watch.says("Watching alerts of porto; Ctrl-C ends it.");
    eventually("an alert is shown", || {
        let lines = watch.out.lock().unwrap_or_else(PoisonError::into_inner);
        let text = lines.join("\n");
        text.contains("calibration due") && text.contains("Next: ") && text.contains(" WE")
    });
    assert_eq!(watch.stopped_by(Signal::INT), Some(0));
}

#[test]
fn acknowledged_alerts_are_told_to_whoever_watches() {
    let laboratory = Laboratory::new();
    laboratory.adds_furnace("k1");
    let watch = Watch::started(laboratory.command("watch --json"));
    watch.sees("k1");
    let name = watch.changes()[0]["change"]["alert"]["name"]
        .as_str()
        .expect("a name")
        .to_owned();
    laboratory.said(&format!("alert ack {name} --note seen"));
    eventually("the acknowledgement is shown", || {
        watch
            .changes()
            .iter()
            .any(|change| change["change"]["kind"] == "ALERT_CHANGE_KIND_ACKNOWLEDGED")
    });
    assert_eq!(watch.stopped_by(Signal::INT), Some(0));
}

#[test]
fn a_watch_without_a_server_says_so_tries_on_and_ends_cleanly() {
    let mut command = command("ringtrue");
    command.args([
        "watch",
        "--site",
        "porto",
        "--endpoint",
        "http://127.0.0.1:1",
    ]);
    let watch = Watch::started(command);
    watch.says("Connection lost at");
    assert_eq!(watch.stopped_by(Signal::INT), Some(0));
}
