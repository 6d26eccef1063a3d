//! Makes the partitions of the coming years before readings arrive for them.

use std::time::Duration;

use jiff::tz::TimeZone;

use super::told::causes;
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;

/// How often, once they are there.
const EVERY: Duration = Duration::from_hours(24);

/// How soon again when they could not be made: somebody was reading for long.
const AGAIN: Duration = Duration::from_mins(5);

/// Years made ahead of this one.
const AHEAD: i16 = 2;

/// Starts the work; it ends when the life drains.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let (store, clock) = (app.store.clone(), app.clock.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("partitions", async move {
        loop {
            let year = TimeZone::UTC.to_datetime(clock.now()).year();
            let made = store
                .make_partitions(year..=year.saturating_add(AHEAD))
                .await;
            let rest = match made {
                Ok(made) => {
                    if made > 0 {
                        tracing::info!(made, "partitions were made for the coming years");
                    }
                    EVERY
                }
                Err(fault) => {
                    // Readings of a year without partitions go to a common one meanwhile.
                    let cause = causes(&Error::from(fault));
                    tracing::warn!(cause, "partitions were not made; trying again");
                    AGAIN
                }
            };
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
        }
    });
}
