//! Looks for findings after readings were recorded, and every hour: time alone brings a furnace nearer to its
//! due date.

use std::time::{Duration, Instant};

use ringtrue_store::Store;

use super::refit::given_back;
use super::told::{Told, causes};

use crate::app::{self, Found};
use crate::clock::Clock;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;

/// Shortest time between two looks; fits are made more often, and a finding is not so urgent.
const AT_MOST_EVERY: Duration = Duration::from_mins(1);

/// Longest time between two looks.
const AT_LEAST_EVERY: Duration = Duration::from_hours(1);

/// A look takes at most this share of the time: after a long one the next waits longer.
const REST_PER_WORK: u32 = 19;

/// Starts the work; it ends when the life drains. `first` is how long it waits at the start, so that a first
/// fit is there.
pub(crate) fn start(store: Store, clock: Clock, ids: Ids, first: Duration, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    let owner = ids.uuid(clock.now()).to_string();
    lifecycle.spawn("find", async move {
        let mut told = Told::of("find");
        let mut rest = first;
        let mut looked_at = None;
        let mut last = Instant::now();
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
            rest = AT_MOST_EVERY;
            let seen = app::changes(&store).await;
            let same = matches!((&seen, &looked_at), (Ok(seen), Some(before)) if seen == before);
            if same && last.elapsed() < AT_LEAST_EVERY {
                continue;
            }
            let begun = Instant::now();
            let began = Told::begins(&clock);
            let outcome = tokio::select! {
                // What was begun is not stored; the next server does it again.
                () = drain.cancelled() => return given_back(&store, &owner).await,
                outcome = app::find(&store, &clock, &ids, &owner) => outcome,
            };
            if let (Ok(Some(_)), Ok(seen)) = (&outcome, seen) {
                looked_at = Some(seen);
                last = begun;
            }
            let took = begun.elapsed();
            let idle = matches!(outcome, Ok(None));
            told.ended(&store, began, idle, outcome.as_ref().err())
                .await;
            tell(outcome, took);
            rest = AT_MOST_EVERY.max(took * REST_PER_WORK);
        }
    });
}

fn tell(outcome: Result<Option<Found>, app::Error>, took: Duration) {
    match outcome {
        Ok(None) => {}
        Ok(Some(found)) => tracing::debug!(
            sites = found.sites,
            opened = found.opened,
            closed = found.closed,
            refreshed = found.refreshed,
            duration_ms = took.as_millis(),
            "looked for findings"
        ),
        Err(fault) => {
            // What is on the register stays as it was; the next turn is the retry.
            tracing::warn!(cause = causes(&fault), "findings were not looked for");
        }
    }
}
