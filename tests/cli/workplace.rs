//! A technician's place: the real program, a real server, an invented laboratory.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use ringtrue_tests::bench::TABLE_CSV;
use ringtrue_tests::process::{Server, command, server_ran, text};
use tempfile::TempDir;

/// What came of a command line.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl From<Output> for Outcome {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    }
}

impl Outcome {
    /// Gives the result of a command that must have done what it was asked to.
    pub(crate) fn done(self) -> String {
        assert_eq!(self.code, Some(0), "{}\n{}", self.out, self.err);
        self.out
    }
}

/// A server with its files; everything ends when dropped.
pub(crate) struct Workplace {
    folder: TempDir,
    server: Server,
}

impl Workplace {
    /// A server on which nothing was ever recorded.
    pub(crate) fn empty() -> Self {
        Self::empty_with(|_, _| {})
    }

    /// The same, started with more arguments or variables; the folder of its files comes first.
    fn empty_with(more: impl FnOnce(&Path, &mut Command)) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let database = folder.path().join("ringtrue.db");
        let server = Server::serve_with(&database, |command| more(folder.path(), command));
        Self { folder, server }
    }

    /// A server with a site in Lisbon, furnace `k2`, its programme, a checked caliper and batch `x7`.
    pub(crate) fn furnished() -> Self {
        Self::furnished_with(|_, _| {})
    }

    /// The same, started with more arguments or variables.
    pub(crate) fn furnished_with(more: impl FnOnce(&Path, &mut Command)) -> Self {
        let place = Self::empty_with(more);
        let table = place.with_file("x7.csv", TABLE_CSV);
        for line in [
            "site add --id porto --name Porto --time-zone Europe/Lisbon --calibration-day friday",
            "furnace add --id k2 --name K2 --maximum 1600 --step 1",
            "programme add k2 --id standard --name Standard --segment 8:1500:120 --target 1500 --setpoint 1500",
            "gauge add --id caliper-1 --name Caliper --kind caliper --resolution 0.01 --maximum-error 0.02",
            "gauge check caliper-1 --nominal 20 --measured 20 20,00 20",
        ] {
            place.said(line).done();
        }
        let import = place
            .command("batch import --code X7 --id x7 --hold 120 --uncertainty 3")
            .arg(table)
            .output();
        Outcome::from(import.expect("the program starts")).done();
        place
    }

    /// The same with a key to sign with, started with more variables.
    pub(crate) fn with_key(variables: &[(&str, &str)]) -> Self {
        Self::furnished_with(|folder, command| {
            let key = folder.join("audit.key");
            let made = server_ran(&["audit-key".as_ref(), "--out".as_ref(), key.as_os_str()]);
            assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
            command
                .env("RINGTRUE_SERVER__AUDIT__KEY", key)
                .envs(variables.iter().copied());
        })
    }

    /// Gives a command of the program, its arguments separated by blanks.
    pub(crate) fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .env("RINGTRUE_ENDPOINT", self.server.endpoint())
            .env("RINGTRUE_HOME", self.folder.path().join("home"))
            .env("RINGTRUE_OPERATOR", "t1")
            .env("COLUMNS", "100");
        command
    }

    /// Runs a command line whose arguments hold no blanks.
    pub(crate) fn said(&self, line: &str) -> Outcome {
        self.command(line)
            .output()
            .expect("the program starts")
            .into()
    }

    /// Runs a command line with more arguments, which may hold blanks.
    pub(crate) fn said_with<S: AsRef<OsStr>>(&self, line: &str, more: &[S]) -> Outcome {
        self.command(line)
            .args(more)
            .output()
            .expect("the program starts")
            .into()
    }

    /// Reports a ring of yesterday's firing at 18:00.
    pub(crate) fn reading(&self, verb: &str, diameters_mm: &str, more: &str) -> Outcome {
        let line = format!("reading {verb} k2 --batch x7 --diameters {diameters_mm} {more}");
        self.said_with(&line, &["--fired", "yesterday 18:00"])
    }

    /// How many readings are on record.
    pub(crate) fn readings(&self) -> usize {
        let listed = self.said("reading list k2 --amended --json").done();
        let listed: serde_json::Value = serde_json::from_str(&listed).expect("JSON");
        listed["readings"].as_array().map_or(0, Vec::len)
    }

    /// Writes a file beside the database.
    pub(crate) fn with_file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let file = self.folder.path().join(name);
        std::fs::write(&file, content).expect("written");
        file
    }

    /// Address of the server.
    pub(crate) fn endpoint(&self) -> String {
        self.server.endpoint()
    }

    pub(crate) fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }
}
