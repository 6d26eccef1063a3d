//! Keeps the register of alerts up to date.

use std::time::{Duration, Instant};

use super::refit::given_back;
use super::told::{Told, causes};
use crate::app::{self, ALERTS_WORK, App};
use crate::lifecycle::Lifecycle;

/// A look takes at most this share of the time: after a long one the next waits longer.
const REST_PER_WORK: u32 = 9;

/// Starts looking every so often, which costs one question to an index while nothing waits.
pub(crate) fn start(app: &App, every: Duration, lifecycle: &Lifecycle) {
    let (store, clock, ids, feed) = (
        app.store.clone(),
        app.clock.clone(),
        app.ids.clone(),
        app.alerts.clone(),
    );
    let drain = lifecycle.drain.clone();
    let owner = ids.uuid(clock.now()).to_string();
    lifecycle.spawn("alerts", async move {
        let mut told = Told::of(ALERTS_WORK);
        let mut rest = every;
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
            let began = Told::begins(&clock);
            let begun = Instant::now();
            let outcome = tokio::select! {
                // What was begun is not stored; the next server does it again.
                () = drain.cancelled() => return given_back(&store, &owner).await,
                outcome = app::look(&store, &clock, &ids, &feed, &owner) => outcome,
            };
            match &outcome {
                Ok(Some(looked)) if looked.sites > 0 => tracing::debug!(
                    sites = looked.sites,
                    changes = looked.changes,
                    "looked at what is due"
                ),
                Ok(_) => {}
                Err(fault) => {
                    // What is on the register stays as it was; the next turn is the retry.
                    tracing::warn!(cause = causes(fault), "alerts were not looked at");
                }
            }
            let idle = matches!(outcome, Ok(None | Some(app::Looked { sites: 0, .. })));
            rest = every.max(begun.elapsed() * REST_PER_WORK);
            let fault = outcome.as_ref().err();
            told.ended(&store, began, idle, fault).await;
        }
    });
}
