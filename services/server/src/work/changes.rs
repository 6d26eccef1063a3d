//! Numbers what is committed for the change feed: soon after this process committed something, and every second for
//! what others did and died before they told it.

use std::time::{Duration, Instant};

use super::told::{Told, causes};
use crate::app::{self, App, CHANGES_WORK};
use crate::lifecycle::Lifecycle;

/// How often it is looked without a bell.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// How long a turn waits after the bell at least, so that what is recorded meanwhile comes with it.
const GATHER: Duration = Duration::from_millis(20);

/// Turns take at most a twentieth of the time.
const REST_PER_WORK: u32 = 19;

/// Longest rest: even a long turn is followed by the next one soon.
const LONGEST_REST: Duration = Duration::from_millis(400);

/// How often old changes are put away.
const FORGET_EVERY: Duration = Duration::from_hours(1);

/// Starts the work; changes are kept for so many days.
pub(crate) fn start(app: &App, keep_days: u64, lifecycle: &Lifecycle) {
    let (store, clock, feed) = (app.store.clone(), app.clock.clone(), app.changes.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("changes", async move {
        let mut told = Told::of(CHANGES_WORK);
        let mut forgot: Option<Instant> = None;
        loop {
            let began = Told::begins(&clock);
            let begun = Instant::now();
            let mut outcome = app::feed_changes(&store, &feed).await;
            if outcome.is_ok() && forgot.is_none_or(|last| last.elapsed() >= FORGET_EVERY) {
                forgot = Some(Instant::now());
                if let Err(fault) = app::forget_changes(&store, clock.now(), keep_days).await {
                    outcome = Err(fault);
                }
            }
            if let Err(fault) = &outcome {
                // What waits stays as it was; the next turn is the retry.
                tracing::warn!(cause = causes(fault), "changes were not numbered");
            }
            let rest = (begun.elapsed() * REST_PER_WORK).clamp(GATHER, LONGEST_REST);
            // Noted once a minute: it would be more than the work itself.
            told.ended(&store, began, true, outcome.as_ref().err())
                .await;
            let woken = async {
                tokio::select! {
                    () = store.grown() => {}
                    () = tokio::time::sleep(LOOK_EVERY) => {}
                }
                tokio::time::sleep(rest).await;
            };
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = woken => {}
            }
        }
    });
}
