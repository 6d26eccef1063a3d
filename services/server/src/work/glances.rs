//! Looks at every furnace of a large network, for calls that ask about them all: the first time when somebody asks, then
//! every few minutes while somebody does.

use std::time::Duration;

use super::told::causes;
use crate::app::App;
use crate::lifecycle::Lifecycle;

/// Pause after a failure.
const PAUSE: Duration = Duration::from_secs(1);

/// Starts the work; it ends when the life drains. What it has found is this server's alone and kept nowhere, so there
/// is neither a lease nor a run to note.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let (store, clock, glances) = (app.store.clone(), app.clock.clone(), app.glances.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("glances", async move {
        loop {
            let outcome = tokio::select! {
                () = drain.cancelled() => return Ok(()),
                outcome = glances.turn(&store, &clock) => outcome,
            };
            let rest = match outcome {
                Ok(rest) => rest,
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
