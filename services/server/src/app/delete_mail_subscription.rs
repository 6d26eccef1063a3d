//! Ends a subscription to mail.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::SubscriptionKey;
use ringtrue_store::Request;

use super::{App, Error};

/// Deletes a subscription with its address; what waited for it is not sent.
pub async fn delete_mail_subscription(
    app: &App,
    caller: &Caller,
    key: &SubscriptionKey,
    request: &Request,
) -> Result<(), Error> {
    let scope = caller.site_or_network(Right::Configure, key.site.as_ref())?;
    let now = app.clock.now();
    let (store, request, key) = (app.store.clone(), request.clone(), key.clone());
    app.whole(async move {
        let mut tx = store.begin("delete_mail_subscription", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(());
        }
        if !tx.delete_subscription(&key, now, &request).await? {
            return Err(Error::Missing {
                kind: "ringtrue.v1/MailSubscription",
                name: key.name(),
            });
        }
        tx.commit().await?;
        Ok(())
    })
    .await
}
