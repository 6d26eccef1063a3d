//! A bench whose line to the server can be cut: the real programs, with a way between them that fails.

use std::path::PathBuf;
use std::process::Command;

use ringtrue_tests::process::command;
use ringtrue_tests::proxy::Proxy;
use serde_json::Value;
use tempfile::TempDir;

use crate::workplace::{Outcome, Workplace};

/// Exit code of what waits.
pub(crate) const QUEUED: Option<i32> = Some(11);

/// A bench with a home of its own; everybody else works at `place`.
pub(crate) struct CutOff {
    pub(crate) place: Workplace,
    pub(crate) way: Proxy,
    home: TempDir,
}

impl CutOff {
    /// A bench that has seen everything, with its line up.
    pub(crate) fn furnished() -> Self {
        Self::of(Workplace::furnished())
    }

    /// The same with another furnace, `k3`.
    pub(crate) fn with_two_furnaces() -> Self {
        let place = Workplace::furnished();
        for line in [
            "furnace add --id k3 --name K3 --maximum 1600 --step 1",
            "programme add k3 --id standard --name Standard --segment 8:1500:120 --target 1500 --setpoint 1500",
        ] {
            place.said(line).done();
        }
        Self::of(place)
    }

    pub(crate) fn of(place: Workplace) -> Self {
        let address = place.endpoint();
        let address = address.trim_start_matches("http://").parse();
        let way = Proxy::to(address.expect("an address"));
        let bench = Self {
            place,
            way,
            home: tempfile::tempdir().expect("a folder"),
        };
        bench.said("batch show x7").done();
        bench.said("queue refresh").done();
        bench
    }

    /// Gives a command of the bench, its arguments separated by blanks.
    pub(crate) fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .args(["--deadline", "4"])
            .env("RINGTRUE_ENDPOINT", format!("http://{}", self.way.addr()))
            .env("RINGTRUE_HOME", self.home.path())
            .env("RINGTRUE_OPERATOR", "AB")
            .env("COLUMNS", "80");
        command
    }

    /// Runs a command line whose arguments hold no blanks.
    pub(crate) fn said(&self, line: &str) -> Outcome {
        let output = self.command(line).output();
        output.expect("the program starts").into()
    }

    /// Reports a ring of yesterday's firing at 18:00.
    pub(crate) fn reading(&self, furnace: &str, diameters_mm: &str, more: &str) -> Outcome {
        let line = format!("reading add {furnace} --batch x7 --diameters {diameters_mm} {more}");
        let mut command = self.command(&line);
        command.args(["--fired", "yesterday 18:00"]);
        command.output().expect("the program starts").into()
    }

    /// Every entry of the queue, oldest first.
    pub(crate) fn entries(&self) -> Vec<Value> {
        let listed = self.said("queue list --all --json").done();
        let listed: Value = serde_json::from_str(&listed).expect("JSON");
        let mut entries = listed["entries"].as_array().expect("entries").clone();
        entries.reverse();
        entries
    }

    /// States of all entries, oldest first.
    pub(crate) fn states(&self) -> Vec<String> {
        let mut states = Vec::new();
        for entry in self.entries() {
            states.push(entry["state"].as_str().expect("a state").to_owned());
        }
        states
    }

    /// The folder that holds this bench's queue.
    pub(crate) fn folder(&self) -> PathBuf {
        let queues = self.home.path().join("queues");
        let mut found = std::fs::read_dir(&queues).expect("a folder of queues");
        let only = found.next().expect("one queue").expect("an entry");
        only.path()
    }

    /// The folder of everything that this bench keeps.
    pub(crate) fn home(&self) -> PathBuf {
        self.home.path().to_owned()
    }
}

/// Fails unless a text holds all of these words.
#[track_caller]
pub(crate) fn holds(text: &str, all: &[&str]) {
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in all {
        assert!(flat.contains(words), "`{words}` is not in:\n{text}");
    }
}
