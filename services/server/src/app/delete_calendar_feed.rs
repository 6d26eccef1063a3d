//! Revokes a calendar feed.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::FeedKey;
use ringtrue_store::Request;

use super::{App, Error};

/// Revokes a feed: its address is unknown from now on.
pub async fn delete_calendar_feed(
    app: &App,
    caller: &Caller,
    key: &FeedKey,
    request: &Request,
) -> Result<(), Error> {
    let scope = caller.site(Right::Configure, &key.site)?;
    let now = app.clock.now();
    let (store, request, key) = (app.store.clone(), request.clone(), key.clone());
    app.whole(async move {
        let mut tx = store.begin("delete_calendar_feed", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(());
        }
        if !tx.revoke_feed(&key, now, &request).await? {
            return Err(Error::Missing {
                kind: "ringtrue.v1/CalendarFeed",
                name: key.name(),
            });
        }
        tx.commit().await?;
        Ok(())
    })
    .await
}
