//! Notes how background work does, where people can ask for it.

use std::time::{Duration, Instant};

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Store, WorkRun};

use crate::app::Error;
use crate::clock::Clock;

/// A turn that had nothing to do is noted this often, so that the work is seen to live.
const IDLE_EVERY: Duration = Duration::from_mins(1);

/// When a turn began.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Began {
    at: Timestamp,
    since: Instant,
}

/// What was noted of one piece of work.
#[derive(Debug, Default)]
pub(crate) struct Told {
    last: Option<Instant>,
}

impl Told {
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
        name: &str,
        began: Began,
        idle: bool,
        fault: Option<&Error>,
    ) {
        let recently = self.last.is_some_and(|last| last.elapsed() < IDLE_EVERY);
        if idle && fault.is_none() && recently {
            return;
        }
        self.last = Some(Instant::now());
        let run = WorkRun {
            name,
            began_at: began.at,
            duration: began.since.elapsed(),
            outcome: fault.map_or(Ok(()), |fault| Err(causes(fault))),
        };
        if let Err(fault) = noted(store, &run).await {
            tracing::warn!(cause = causes(&fault), work = name, "a run was not noted");
        }
    }
}

async fn noted(store: &Store, run: &WorkRun<'_>) -> Result<(), Error> {
    let mut tx = store
        .begin("note_run", &Scope::for_work("note_run"))
        .await?;
    tx.note_run(run).await?;
    tx.commit().await?;
    Ok(())
}

/// A fault with its causes, in one line.
pub(crate) fn causes(fault: &Error) -> String {
    let mut text = fault.to_string();
    let mut source = std::error::Error::source(fault);
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}
