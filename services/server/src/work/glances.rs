//! Looks at every furnace of a large network, for calls that ask about them all: the first time when somebody asks, then
//! every few minutes while somebody does.

use std::time::{Duration, Instant};

use super::told::causes;
use crate::app::App;
use crate::glances::{SITES_AT_LEISURE, Turned};
use crate::lifecycle::Lifecycle;

/// How often changes are looked at beforehand, while somebody asks.
const EVERY: Duration = Duration::from_secs(1);

/// Pause after a failure.
const PAUSE: Duration = Duration::from_secs(1);

/// At leisure a portion takes at most this share of the time.
const REST_PER_WORK: u32 = 9;

/// A look at leisure takes about so long at most, so that the one before does not get too old meanwhile.
const LONGEST_LOOK: Duration = Duration::from_secs(100);

/// Starts the work; it ends when the life drains. What it has found is this server's alone and kept nowhere, so there
/// is neither a lease nor a run to note.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let (store, clock, glances) = (app.store.clone(), app.clock.clone(), app.glances.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("glances", async move {
        loop {
            let begun = Instant::now();
            let outcome = tokio::select! {
                () = drain.cancelled() => return Ok(()),
                outcome = glances.turn(&store, &clock) => outcome,
            };
            let rest = match outcome {
                Ok(turned) => rest(turned, begun.elapsed()),
                Err(fault) => {
                    // Callers are told that it is being prepared; the next turn is the retry.
                    tracing::warn!(cause = causes(&fault), "furnaces were not looked at");
                    Some(PAUSE)
                }
            };
            let rested = async {
                match rest {
                    Some(rest) => tokio::time::sleep(rest).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = glances.wanted() => {}
                () = rested => {}
            }
        }
    });
}

/// How long to rest after a turn that took so long; none when nothing is to be done before somebody asks.
fn rest(turned: Turned, work: Duration) -> Option<Duration> {
    match turned {
        Turned::Unasked => None,
        Turned::UpToDate => Some(EVERY),
        Turned::InHaste => Some(Duration::ZERO),
        Turned::AtLeisure(sites) => {
            let portions = sites.div_ceil(SITES_AT_LEISURE).max(1);
            let each = LONGEST_LOOK / u32::try_from(portions).unwrap_or(u32::MAX);
            Some((work * REST_PER_WORK).min(each.saturating_sub(work)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_leaves_the_machine_to_others_unless_it_would_come_too_late() {
        let work = Duration::from_millis(20);
        let after = |sites, work| rest(Turned::AtLeisure(sites), work);
        assert_eq!(after(1_000, work), Some(work * REST_PER_WORK));
        // 4,000 portions within 100 s leave 25 ms to each.
        assert_eq!(after(100_000, work), Some(Duration::from_millis(5)));
        let long = Duration::from_secs(1);
        assert_eq!(after(100_000, long), Some(Duration::ZERO));
        assert_eq!(rest(Turned::InHaste, long), Some(Duration::ZERO));
        assert_eq!(rest(Turned::Unasked, long), None);
    }
}
