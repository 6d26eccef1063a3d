//! Fits the network anew after readings were recorded, checks made or events noted.

use std::time::{Duration, Instant};

use ringtrue_calibration::inference::Learnt;
use ringtrue_fleet::learning;
use ringtrue_store::Store;

use super::told::{Told, causes};
use crate::app::{self, Because, Refitted};
use crate::clock::Clock;
use crate::ids::Ids;
use crate::lifecycle::Lifecycle;

/// A fit takes at most this share of the time: after a long one the next waits longer.
const REST_PER_WORK: u32 = 19;

/// Starts the work; it ends when the life drains. Every so often it looks whether anything changed.
pub(crate) fn start(store: Store, clock: Clock, ids: &Ids, every: Duration, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    let owner = ids.uuid(clock.now()).to_string();
    lifecycle.spawn("refit", async move {
        let mut told = Told::of("refit");
        let mut rest = every;
        // The server before may have ended between a fit and the filters that it changed.
        let mut because = Because::Started;
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
            let begun = Instant::now();
            let began = Told::begins(&clock);
            let outcome = tokio::select! {
                // What was begun is not stored; the next server does it again.
                () = drain.cancelled() => return given_back(&store, &owner).await,
                outcome = app::refit(&store, &clock, &owner, because) => outcome,
            };
            let mut learns = false;
            if let Ok(Some(done)) = &outcome {
                because = Because::Changes;
                learns = learning::is_due(&done.fit, clock.now());
            }
            if learns {
                tokio::select! {
                    () = drain.cancelled() => return given_back(&store, &owner).await,
                    outcome = app::learn(&store, &clock, &owner) => tell_learnt(outcome),
                }
            }
            let took = begun.elapsed();
            let idle = matches!(outcome, Ok(None));
            told.ended(&store, began, idle, outcome.as_ref().err())
                .await;
            rest = every.max(took * REST_PER_WORK);
            match outcome {
                Ok(None) => {}
                Ok(Some(done)) => tracing::debug!(
                    fit = done.fit.number,
                    sites = done.sites,
                    furnaces = done.furnaces,
                    readings = done.fit.readings,
                    duration_ms = took.as_millis(),
                    "the network was fitted"
                ),
                Err(fault) => {
                    // What is known stays as it was; the next turn is the retry.
                    tracing::warn!(cause = causes(&fault), "the network was not fitted");
                }
            }
        }
    });
}

/// Lets the next server begin at once with what this one leaves.
pub(super) async fn given_back(store: &Store, owner: &str) -> anyhow::Result<()> {
    if let Err(fault) = app::give_back(store, owner).await {
        // The lease runs out by itself.
        tracing::warn!(cause = causes(&fault), "a lease was not given back");
    }
    Ok(())
}

fn tell_learnt(outcome: Result<Option<(Learnt, Refitted)>, app::Error>) {
    match outcome {
        Ok(None) => tracing::info!("the readings do not tell the variance components"),
        Ok(Some((learnt, done))) => tracing::info!(
            fit = done.fit.number,
            readings = learnt.readings,
            wander_c2_per_week = learnt.components.wander_c2_per_week,
            slope_sd_c_per_week = learnt.components.slope_sd_c_per_week,
            noise_scale = learnt.components.noise_scale,
            batch_scale = learnt.components.batch_scale,
            gauge_scale = learnt.components.gauge_scale,
            "the network's variance components were learnt"
        ),
        Err(fault) => {
            tracing::warn!(cause = causes(&fault), "nothing was learnt");
        }
    }
}
