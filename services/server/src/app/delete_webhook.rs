//! Ends a webhook.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::key::WebhookKey;
use ringtrue_store::Request;

use super::update_webhook::{KIND, scope_of};
use super::{App, Error};

/// Deletes a webhook with its address; what waits for it is not sent.
pub async fn delete_webhook(
    app: &App,
    caller: &Caller,
    key: &WebhookKey,
    request: &Request,
) -> Result<(), Error> {
    let scope = scope_of(caller, key)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("delete_webhook", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(());
        }
        if !tx.delete_webhook(&key, now, &request).await? {
            return Err(Error::Missing {
                kind: KIND,
                name: key.name(),
            });
        }
        tx.commit().await?;
        Ok(())
    })
    .await
}
