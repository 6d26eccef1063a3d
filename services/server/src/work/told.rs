//! Notes how background work does, where people can ask for it.

use std::time::{Duration, Instant};

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Over, Store, WorkRun};

use crate::app::Error;
use crate::clock::Clock;
use crate::telemetry::Meters;

/// A turn that had nothing to do is noted this often, so that the work is seen to live.
const IDLE_EVERY: Duration = Duration::from_mins(1);

/// When a turn began.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Began {
    at: Timestamp,
    since: Instant,
}

/// What was noted of one piece of work.
#[derive(Debug)]
pub(crate) struct Told {
    name: &'static str,
    meters: Meters,
    last: Option<Instant>,
}

impl Told {
    /// Nothing was noted yet since this process began.
    pub(crate) fn of(name: &'static str) -> Self {
        Self {
            name,
            meters: Meters::global(),
            last: None,
        }
    }

    /// A turn begins.
    pub(crate) fn begins(clock: &Clock) -> Began {
        Began {
            at: clock.now(),
            since: Instant::now(),
        }
    }

    /// A turn has ended. One that had nothing to do and did not fail is noted once a minute.
    pub(crate) async fn ended(
        &mut self,
        store: &Store,
        began: Began,
        idle: bool,
        fault: Option<&impl std::error::Error>,
    ) {
        let recently = self.last.is_some_and(|last| last.elapsed() < IDLE_EVERY);
        if idle && fault.is_none() && recently {
            return;
        }
        self.last = Some(Instant::now());
        let duration = began.since.elapsed();
        self.meters.work(self.name, duration, fault.is_some());
        let run = WorkRun {
            name: self.name,
            began_at: began.at,
            duration,
            outcome: fault.map_or(Ok(()), |fault| Err(causes(fault))),
        };
        if let Err(fault) = noted(store, &run).await {
            tracing::warn!(
                cause = causes(&fault),
                work = self.name,
                "a run was not noted"
            );
        }
    }
}

async fn noted(store: &Store, run: &WorkRun<'_>) -> Result<(), Error> {
    // One row that stands by itself: no recording waits for it, however long another transaction takes.
    let mut tx = store
        .begin_over("note_run", &Scope::for_work("note_run"), Over::Nothing)
        .await?;
    tx.note_run(run).await?;
    tx.commit().await?;
    Ok(())
}

/// A fault with its causes, in one line.
pub(crate) fn causes(fault: &impl std::error::Error) -> String {
    let mut text = fault.to_string();
    let mut source = fault.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}
