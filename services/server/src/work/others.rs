//! Hears what other servers of the same database do, so that streams and the gate know of it at once.

use std::time::Duration;

use ringtrue_store::{Store, Word};

use crate::access::AccessBell;
use crate::alert_feed::AlertFeed;
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;

use super::told::causes;

/// Pause before the database is asked again after it went.
const PAUSE: Duration = Duration::from_secs(1);

/// Starts listening; ends when the life drains.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let (store, feed, access) = (app.store.clone(), app.alerts.clone(), app.access.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("others", async move {
        loop {
            let fault = tokio::select! {
                () = drain.cancelled() => return Ok(()),
                fault = listen(&store, &feed, &access) => Error::from(fault),
            };
            // Streams and the gate look by themselves meanwhile.
            tracing::warn!(
                cause = causes(&fault),
                "other servers cannot be heard; trying again"
            );
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(PAUSE) => {}
            }
        }
    });
}

/// Passes on what is heard until that fails. A database that has no other servers never says anything.
async fn listen(store: &Store, feed: &AlertFeed, access: &AccessBell) -> ringtrue_store::Error {
    let mut listener = match store.listener().await {
        Ok(Some(listener)) => listener,
        Ok(None) => std::future::pending().await,
        Err(fault) => return fault,
    };
    // What was done before is missed by whoever begins to listen.
    pass_on(Word::Anything, feed, access);
    loop {
        match listener.heard().await {
            Ok(word) => pass_on(word, feed, access),
            Err(fault) => return fault,
        }
    }
}

fn pass_on(word: Word, feed: &AlertFeed, access: &AccessBell) {
    if matches!(word, Word::Alerts | Word::Anything) {
        feed.ring();
    }
    if matches!(word, Word::Access | Word::Anything) {
        access.ring();
    }
}
