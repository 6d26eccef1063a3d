//! Hears what other servers of the same database do, so that streams and the gate know of it at once.

use std::time::Duration;

use ringtrue_store::{Store, Word};

use crate::access::AccessBell;
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;
use crate::live_feed::{AlertFeed, ChangeFeed};

use super::told::causes;

/// Pause before the database is asked again after it went.
const PAUSE: Duration = Duration::from_secs(1);

/// Starts listening; ends when the life drains.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let store = app.store.clone();
    let bells = Bells {
        alerts: app.alerts.clone(),
        changes: app.changes.clone(),
        access: app.access.clone(),
    };
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("others", async move {
        loop {
            let fault = tokio::select! {
                () = drain.cancelled() => return Ok(()),
                fault = listen(&store, &bells) => Error::from(fault),
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
async fn listen(store: &Store, bells: &Bells) -> ringtrue_store::Error {
    let mut listener = match store.listener().await {
        Ok(Some(listener)) => listener,
        Ok(None) => std::future::pending().await,
        Err(fault) => return fault,
    };
    // What was done before is missed by whoever begins to listen.
    bells.ring(Word::Anything);
    loop {
        match listener.heard().await {
            Ok(word) => bells.ring(word),
            Err(fault) => return fault,
        }
    }
}

/// Who wakes at a word.
struct Bells {
    alerts: AlertFeed,
    changes: ChangeFeed,
    access: AccessBell,
}

impl Bells {
    fn ring(&self, word: Word) {
        if matches!(word, Word::Alerts | Word::Anything) {
            self.alerts.ring();
        }
        if matches!(word, Word::Changes | Word::Anything) {
            self.changes.ring();
        }
        if matches!(word, Word::Access | Word::Anything) {
            self.access.ring();
        }
    }
}
