//! Looks for findings after readings were recorded, and every hour: time alone brings a furnace nearer to its
//! due date.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use ringtrue_store::Store;

use crate::app::{self, Found};
use crate::clock::Clock;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;

/// Shortest time between two looks; fits are made more often, and a finding is not so urgent.
const AT_MOST_EVERY: Duration = Duration::from_mins(1);

/// Longest time between two looks.
const AT_LEAST_EVERY: SignedDuration = SignedDuration::from_hours(1);

/// A look takes at most this share of the time: after a long one the next waits longer.
const REST_PER_WORK: u32 = 19;

/// Starts the work; it ends when the life drains. `first` is how long it waits at the start, so that a first
/// fit is there.
pub(crate) fn start(store: Store, clock: Clock, ids: Ids, first: Duration, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    let owner = ids.uuid(clock.now()).to_string();
    lifecycle.spawn("find", async move {
        let mut rest = first;
        let mut looked_at = None;
        let mut last = clock.now();
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
            rest = AT_MOST_EVERY;
            let seen = app::changes(&store).await;
            let same = matches!((&seen, &looked_at), (Ok(seen), Some(before)) if seen == before);
            if same && clock.now().duration_since(last) < AT_LEAST_EVERY {
                continue;
            }
            let begun = clock.now();
            let outcome = tokio::select! {
                // What was begun is not stored; the next server does it again.
                () = drain.cancelled() => return Ok(()),
                outcome = app::find(&store, &clock, &ids, &owner) => outcome,
            };
            if let (Ok(Some(_)), Ok(seen)) = (&outcome, seen) {
                looked_at = Some(seen);
                last = begun;
            }
            let took = took(begun, clock.now());
            tell(outcome, took);
            rest = AT_MOST_EVERY.max(took * REST_PER_WORK);
        }
    });
}

/// How long it took; nothing when the clock was set back meanwhile.
fn took(begun: Timestamp, ended: Timestamp) -> Duration {
    Duration::try_from(ended.duration_since(begun)).unwrap_or_default()
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
            let cause = anyhow::Error::from(fault);
            tracing::warn!(cause = format!("{cause:#}"), "findings were not looked for");
        }
    }
}
