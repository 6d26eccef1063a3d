//! Folds the store's write-ahead log, so that no caller's commit has to.

use std::time::Duration;

use ringtrue_store::Store;

use crate::lifecycle::Lifecycle;

/// How often.
const EVERY: Duration = Duration::from_secs(1);

/// Starts the work; it ends when the life drains.
pub(crate) fn start(store: Store, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("fold_log", async move {
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(EVERY) => {}
            }
            if let Err(fault) = store.fold_log().await {
                // The log only grows meanwhile; the next turn is the retry.
                let cause = anyhow::Error::from(fault);
                tracing::warn!(cause = format!("{cause:#}"), "the log was not folded");
            }
        }
    });
}
