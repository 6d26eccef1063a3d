//! Says in the database that this server is at work on it, so that nobody copies it meanwhile and goes on with a copy
//! that lacks what is recorded here.

use std::time::Duration;

use jiff::SignedDuration;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Over, Store, Tx};

use super::told::causes;
use crate::app::{App, Error};
use crate::clock::Clock;
use crate::config::Settings;
use crate::lifecycle::Lifecycle;

/// The work, as transactions name it.
const WORK: &str = "serve";

/// How often it is said.
const EVERY: Duration = Duration::from_secs(20);

/// For how long it holds: a server that was killed is thought to be at work for so long.
const HOLDS_FOR: SignedDuration = SignedDuration::from_secs(70);

/// A server at work; clones are the same.
#[derive(Debug, Clone)]
pub(crate) struct Serving {
    store: Store,
    clock: Clock,
    server: String,
    /// The longest that it goes on after it was told to stop.
    ends_within: SignedDuration,
}

impl Serving {
    pub(crate) fn of(app: &App, settings: &Settings) -> Self {
        let twice = settings.drain_s.saturating_mul(2);
        Self {
            ends_within: SignedDuration::from_secs(i64::try_from(twice).unwrap_or(i64::MAX)),
            store: app.store.clone(),
            clock: app.clock.clone(),
            server: app.ids.uuid(app.clock.now()).to_string(),
        }
    }

    /// Starts saying so, until the life drains.
    pub(crate) fn start(&self, lifecycle: &Lifecycle) {
        let drain = lifecycle.drain.clone();
        let this = self.clone();
        lifecycle.spawn(WORK, async move {
            loop {
                if let Err(fault) = this.said(HOLDS_FOR).await {
                    // The next turn says it again.
                    tracing::debug!(
                        cause = causes(&fault),
                        "it was not said that this server is at work"
                    );
                }
                tokio::select! {
                    () = drain.cancelled() => break,
                    () = tokio::time::sleep(EVERY) => {}
                }
            }
            // What goes on may still record something, for as long as a stopping server waits for it twice.
            if let Err(fault) = this.said(HOLDS_FOR.saturating_add(this.ends_within)).await {
                tracing::debug!(
                    cause = causes(&fault),
                    "it was not said that this server is at work"
                );
            }
            Ok(())
        });
    }

    async fn said(&self, holds_for: SignedDuration) -> Result<(), Error> {
        let now = self.clock.now();
        let until = now.saturating_add(holds_for).unwrap_or(now);
        let mut tx = self.begun().await?;
        tx.says_serving(&self.server, now, until).await?;
        tx.commit().await?;
        Ok(())
    }

    /// Says that it has ended, once nothing is recorded any more.
    pub(crate) async fn ended(&self) {
        let said = async {
            let mut tx = self.begun().await?;
            tx.says_ended(&self.server).await?;
            tx.commit().await
        };
        if let Err(fault) = said.await {
            // It is over by itself soon.
            tracing::debug!(
                cause = causes(&fault),
                "it was not said that this server has ended"
            );
        }
    }

    async fn begun(&self) -> Result<Tx, ringtrue_store::Error> {
        let scope = Scope::for_work(WORK);
        self.store.begin_over(WORK, &scope, Over::Nothing).await
    }
}
