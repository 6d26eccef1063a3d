//! Keeps note of how each piece of background work does.

use std::future::Future;
use std::time::Instant;

use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Store, WorkRun};

use crate::app::Error;
use crate::clock::Clock;

/// Does a piece of work and notes when it was done, how long it took and how it ended. A run that found
/// another process at it gives none and is not noted.
pub(crate) async fn noted<T>(
    store: &Store,
    clock: &Clock,
    name: &'static str,
    work: impl Future<Output = Result<Option<T>, Error>>,
) -> Result<Option<T>, Error> {
    let began_at = clock.now();
    let begun = Instant::now();
    let outcome = work.await;
    let ended = match &outcome {
        Ok(None) => return outcome,
        Ok(Some(_)) => Ok(()),
        Err(fault) => Err(fault.to_string()),
    };
    let run = WorkRun {
        name,
        began_at,
        duration: begun.elapsed(),
        outcome: ended,
    };
    if let Err(fault) = note(store, name, &run).await {
        // What was done stands; only the note of it is missing.
        let cause = format!("{:#}", anyhow::Error::from(fault));
        tracing::warn!(work = name, cause, "a run was not noted");
    }
    outcome
}

async fn note(
    store: &Store,
    name: &'static str,
    run: &WorkRun<'_>,
) -> Result<(), ringtrue_store::Error> {
    let mut tx = store.begin(name, &Scope::for_work(name)).await?;
    tx.note_run(run).await?;
    tx.commit().await
}
