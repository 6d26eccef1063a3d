//! How each piece of background work does.

use std::time::Duration;

use jiff::Timestamp;

use crate::{Error, Read, Tx};

/// A finished run of a piece of background work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkRun<'a> {
    /// The piece of work.
    pub name: &'a str,
    /// When it began.
    pub began_at: Timestamp,
    /// How long it took.
    pub duration: Duration,
    /// What went wrong, if anything.
    pub outcome: Result<(), String>,
}

/// How a piece of background work does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkRecord {
    /// The piece of work.
    pub name: String,
    /// When its last finished run began.
    pub began_at: Timestamp,
    /// How long that took.
    pub duration: Duration,
    /// When a run last succeeded; none before the first.
    pub succeeded_at: Option<Timestamp>,
    /// Runs that succeeded.
    pub runs: i64,
    /// Runs that failed.
    pub failures: i64,
    /// What went wrong last; empty once a run succeeded after it.
    pub last_failure: String,
}

impl Read {
    /// How every piece of background work does, by name.
    pub async fn work_runs(&self) -> Result<Vec<WorkRecord>, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// Notes a finished run.
    pub async fn note_run(&mut self, _run: &WorkRun<'_>) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
