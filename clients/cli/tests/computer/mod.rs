//! A computer with a folder for profiles, and a person at it whose answers are known beforehand.

use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use ringtrue::{Conversation, Left, exit};
use tempfile::TempDir;

use crate::gatehouse::CODE;
use crate::in_process::{Outcome, run_in};

/// A person whose answers are known beforehand.
#[derive(Default)]
pub(crate) struct Script {
    pub(crate) answers: VecDeque<&'static str>,
    pub(crate) asked: Vec<String>,
}

impl Script {
    pub(crate) fn of(answers: &[&'static str]) -> Self {
        Self {
            answers: answers.iter().copied().collect(),
            asked: Vec::new(),
        }
    }

    pub(crate) fn next(&mut self, question: &str) -> Result<String, Left> {
        self.asked.push(question.to_owned());
        self.answers.pop_front().map(str::to_owned).ok_or(Left)
    }
}

impl Conversation for Script {
    fn text(&mut self, question: &str, _: &str, _: Option<&str>) -> Result<String, Left> {
        self.next(question)
    }

    fn secret(&mut self, question: &str, _: &str) -> Result<String, Left> {
        self.next(question)
    }

    fn choice(&mut self, question: &str, _: &[String]) -> Result<usize, Left> {
        self.next(question).map(|_| 0)
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        Ok(self.next(question)? == "y")
    }
}

/// A computer with a folder for profiles.
pub(crate) struct Computer {
    pub(crate) home: TempDir,
    pub(crate) environment: BTreeMap<String, String>,
}

impl Computer {
    pub(crate) fn new() -> Self {
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().to_string_lossy().into_owned();
        Self {
            environment: BTreeMap::from([("RINGTRUE_HOME".to_owned(), path)]),
            home,
        }
    }

    pub(crate) fn with(&self, variable: &str, value: &str) -> Self {
        let mut environment = self.environment.clone();
        environment.insert(variable.to_owned(), value.to_owned());
        Self {
            home: tempfile::tempdir().expect("a folder"),
            environment,
        }
    }

    pub(crate) fn said(&self, line: &[&str]) -> Outcome {
        run_in(self.environment.clone(), 100, line, None)
    }

    pub(crate) fn talked(&self, line: &[&str], script: &mut Script) -> Outcome {
        run_in(self.environment.clone(), 100, line, Some(script))
    }

    pub(crate) fn enrolled(&self, server: SocketAddr) -> Outcome {
        let outcome = self.said(&["enrol", &format!("http://{server}"), "--code", CODE]);
        assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
        outcome
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        let folder = self.home.path().join("profiles").join("local");
        folder.join(name)
    }

    pub(crate) fn token(&self) -> String {
        let text = std::fs::read_to_string(self.file("token"));
        text.expect("a token").trim().to_owned()
    }

    /// Names of the files of the profile.
    pub(crate) fn files(&self) -> Vec<String> {
        let folder = self.home.path().join("profiles").join("local");
        let Ok(entries) = std::fs::read_dir(folder) else {
            return Vec::new();
        };
        let mut names: Vec<String> = entries
            .map(|entry| entry.expect("an entry").file_name())
            .map(|name| name.to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

pub(crate) fn mode(path: &Path) -> u32 {
    let metadata = std::fs::metadata(path).expect("it is there");
    metadata.permissions().mode() & 0o777
}

pub(crate) fn set_mode(path: &Path, mode: u32) {
    let permissions = std::fs::Permissions::from_mode(mode);
    std::fs::set_permissions(path, permissions).expect("it is ours");
}
