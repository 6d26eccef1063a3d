//! The live end of a log: one reader follows it for all streams.
//!
//! The log in the database is the truth and its order is the order of commit. The reader is woken by a bell
//! when this process or another server has committed a change, and looks by itself every second, because a
//! word from another server may be lost. Streams share what it read: a change is held once, whatever the number of
//! streams. A stream that falls behind the shared ring is cut off and goes on from its cursor; nothing is buffered
//! for it alone.

use std::sync::Arc;

use ringtrue_fleet::change::Change;
use ringtrue_store::LoggedChange;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, broadcast, watch};

use crate::app::Error;

/// Changes that a stream may fall behind before it is cut off.
const RING: usize = 4096;

/// Most streams at the same time.
const MOST_STREAMS: usize = 20_000;

/// The live end of the log of alerts.
pub type AlertFeed = LiveFeed<LoggedChange>;

/// The live end of the change feed.
pub type ChangeFeed = LiveFeed<Change>;

/// A feed; clones are the same feed.
#[derive(Debug)]
pub struct LiveFeed<T>(Arc<Inner<T>>);

impl<T> Clone for LiveFeed<T> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

#[derive(Debug)]
struct Inner<T> {
    bell: Notify,
    live: broadcast::Sender<Arc<T>>,
    /// Whether the log is followed.
    followed: watch::Sender<bool>,
    room: Arc<Semaphore>,
}

impl<T> Default for LiveFeed<T> {
    fn default() -> Self {
        Self(Arc::new(Inner {
            bell: Notify::new(),
            live: broadcast::Sender::new(RING),
            followed: watch::Sender::new(false),
            room: Arc::new(Semaphore::new(MOST_STREAMS)),
        }))
    }
}

impl<T> LiveFeed<T> {
    /// Says that a change was committed.
    pub fn ring(&self) {
        self.0.bell.notify_one();
    }

    /// Waits until somebody has rung.
    pub async fn rung(&self) {
        self.0.bell.notified().await;
    }

    /// Gives a change to every stream.
    pub fn publish(&self, change: T) {
        // Without a stream nobody listens, and nobody misses it: the log keeps it.
        drop(self.0.live.send(Arc::new(change)));
    }

    /// Says that the log is followed from now on.
    pub fn ready(&self) {
        self.0.followed.send_replace(true);
    }

    /// Listens from now on; holds a place among the streams. Waits until the log is followed: what is committed
    /// after this returns is heard.
    pub(crate) async fn listen(&self) -> Result<Listening<T>, Error> {
        let place = Arc::clone(&self.0.room)
            .try_acquire_owned()
            .map_err(|_| Error::Busy)?;
        let mut followed = self.0.followed.subscribe();
        // The sender lives as long as this does.
        followed
            .wait_for(|followed| *followed)
            .await
            .map_err(|_| Error::Busy)?;
        Ok(Listening {
            changes: self.0.live.subscribe(),
            _place: place,
        })
    }
}

/// A stream's ear.
pub(crate) struct Listening<T> {
    pub(crate) changes: broadcast::Receiver<Arc<T>>,
    _place: OwnedSemaphorePermit,
}
