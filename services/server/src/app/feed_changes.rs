//! Numbers what was committed for the change feed, and puts away what is old.
//!
//! No lease: whoever numbers holds the feed's lock until the transaction ends, and the lock goes with the connection.
//! So a server that dies leaves nothing behind, and the next one goes on at once.

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Fed, Over, Store};

use super::Error;
use crate::live_feed::ChangeFeed;

/// The piece of work, as its record names it.
pub const CHANGES_WORK: &str = "changes";

/// Changes put away at once.
const FORGOTTEN_AT_ONCE: u32 = 2_000;

/// Gives everything that was committed its place in the change feed; gives how much that was.
pub async fn feed_changes(store: &Store, feed: &ChangeFeed) -> Result<usize, Error> {
    let scope = Scope::for_work(CHANGES_WORK);
    let read = store.read(&scope);
    let mut all = 0;
    // Outside the transaction, so that recordings do not wait for it.
    while let Some(unfed) = read.unfed_changes().await? {
        let mut tx = store
            .begin_over(CHANGES_WORK, &scope, Over::Nothing)
            .await?;
        let Fed { numbered, has_more } = tx.feed_changes(unfed).await?;
        tx.commit().await?;
        if numbered > 0 {
            feed.ring();
        }
        all += numbered;
        if !has_more {
            break;
        }
    }
    Ok(all)
}

/// The number of the last change.
pub(crate) async fn end_of_changes(store: &Store) -> Result<i64, Error> {
    let read = store.read(&Scope::for_work(CHANGES_WORK));
    Ok(read.end_of_changes().await?.number)
}

/// Puts away changes older than so many days; gives how many. The audit chains and the log of alerts keep all.
pub async fn forget_changes(store: &Store, now: Timestamp, keep_days: u64) -> Result<u64, Error> {
    let scope = Scope::for_work(CHANGES_WORK);
    let kept_h = i64::try_from(keep_days)
        .unwrap_or(i64::MAX / 24)
        .saturating_mul(24);
    let Ok(before) = now.checked_sub(SignedDuration::from_hours(kept_h)) else {
        return Ok(0);
    };
    let mut all = 0;
    loop {
        let mut tx = store
            .begin_over(CHANGES_WORK, &scope, Over::Nothing)
            .await?;
        let gone = tx.forget_changes(before, FORGOTTEN_AT_ONCE).await?;
        tx.commit().await?;
        all += gone;
        if gone < u64::from(FORGOTTEN_AT_ONCE) {
            return Ok(all);
        }
    }
}
