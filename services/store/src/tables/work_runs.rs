//! How each piece of background work does.

use std::time::Duration;

use jiff::Timestamp;

use crate::columns::Place;
use crate::database::{query, query_as};
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

#[derive(sqlx::FromRow)]
struct RunRow {
    name: String,
    began_at: i64,
    duration_us: i64,
    succeeded_at: Option<i64>,
    runs: i64,
    failures: i64,
    last_failure: String,
}

impl RunRow {
    fn record(self) -> Result<WorkRecord, Error> {
        let place = Place {
            table: "work_run",
            key: &self.name,
        };
        let duration = u64::try_from(self.duration_us).map_err(|_| place.corrupt("duration_us"))?;
        Ok(WorkRecord {
            began_at: place.moment("began_at", self.began_at)?,
            duration: Duration::from_micros(duration),
            succeeded_at: match self.succeeded_at {
                Some(at) => Some(place.moment("succeeded_at", at)?),
                None => None,
            },
            runs: self.runs,
            failures: self.failures,
            last_failure: self.last_failure,
            name: self.name,
        })
    }
}

impl Read {
    /// How every piece of background work does, by name; for a scope that reaches every site.
    pub async fn work_runs(&self) -> Result<Vec<WorkRecord>, Error> {
        const SQL: &str = "SELECT * FROM work_run ORDER BY name";
        self.everywhere()?;
        let rows: Vec<RunRow> = query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(RunRow::record).collect()
    }
}

impl Tx {
    /// Notes a finished run. One that succeeded is taken to have done so when it ended.
    pub async fn note_run(&mut self, run: &WorkRun<'_>) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO work_run (name, began_at, duration_us, succeeded_at, runs,
                failures, last_failure)
            VALUES ($1, $2, $3, $4, $5, $6, $7)
            ON CONFLICT (name) DO UPDATE SET began_at = excluded.began_at,
                duration_us = excluded.duration_us,
                succeeded_at = COALESCE(excluded.succeeded_at, work_run.succeeded_at),
                runs = work_run.runs + excluded.runs,
                failures = work_run.failures + excluded.failures,
                last_failure = excluded.last_failure";
        self.everywhere()?;
        let duration_us = i64::try_from(run.duration.as_micros()).unwrap_or(i64::MAX);
        let began_at = run.began_at.as_microsecond();
        let (succeeded_at, failure) = match &run.outcome {
            Ok(()) => (Some(began_at.saturating_add(duration_us)), ""),
            Err(failure) => (None, failure.as_str()),
        };
        query(SQL)
            .bind(run.name)
            .bind(began_at)
            .bind(duration_us)
            .bind(succeeded_at)
            .bind(i64::from(run.outcome.is_ok()))
            .bind(i64::from(run.outcome.is_err()))
            .bind(failure)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
