//! Ends a subscription at its recipient's wish, by the secret in a mail.

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::Store;

use super::Error;

/// Ends the subscription of a secret; gives whether there is one. Doing it again changes nothing.
pub async fn unsubscribe(store: &Store, now: Timestamp, secret: &str) -> Result<bool, Error> {
    // The secret is all that a recipient has: whoever holds it may end this one subscription.
    let scope = Scope::for_work("unsubscribe");
    let mut tx = store.begin("unsubscribe", &scope).await?;
    let ended = tx.unsubscribe(secret, now).await?;
    tx.commit().await?;
    Ok(ended.is_some())
}
