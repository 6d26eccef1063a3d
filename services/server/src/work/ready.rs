//! Asks the database whether it is there, and tells whoever watches the server.

use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use ringtrue_store::Store;
use tonic_health::ServingStatus;
use tonic_health::server::HealthReporter;

use super::told::causes;
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;
use crate::rpc;

/// How often.
const EVERY: Duration = Duration::from_secs(1);

/// Longest wait for an answer.
const LONGEST: Duration = Duration::from_secs(5);

/// Starts asking; ends when the life drains, and whoever drains says that the server serves no more.
pub(crate) fn start(app: &App, health: &HealthReporter, lifecycle: &Lifecycle) {
    let (store, readiness, health) = (app.store.clone(), app.readiness.clone(), health.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("ready", async move {
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(EVERY) => {}
            }
            let asked = tokio::time::timeout(LONGEST, asked(&store)).await;
            let cause = match asked {
                Ok(Ok(())) => None,
                Ok(Err(fault)) => Some(causes(&Error::from(fault))),
                Err(_) => Some(format!("no answer in {} s", LONGEST.as_secs())),
            };
            let ready = cause.is_none();
            if drain.is_cancelled() || !readiness.note(ready) {
                continue;
            }
            match cause {
                None => {
                    tracing::info!("the database answers again");
                    rpc::tell_health(&health, ServingStatus::Serving).await;
                }
                Some(cause) => {
                    tracing::error!(
                        cause,
                        "the database does not answer; calls are refused until it does"
                    );
                    rpc::tell_health(&health, ServingStatus::NotServing).await;
                }
            }
        }
    });
}

/// The smallest question there is.
async fn asked(store: &Store) -> Result<(), ringtrue_store::Error> {
    let read = store.read(&Scope::for_work("ready"));
    read.access_version().await?;
    Ok(())
}
