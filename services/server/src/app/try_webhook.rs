//! Tries a webhook out, and lets events be sent to it again.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::key::WebhookKey;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{Replay, Request};

use super::update_webhook::{KIND, found, scope_of};
use super::{App, Error};
use crate::webhook::{Came, of_test};

/// Most events that are let go again at once, as the protocol states.
const MOST_REPLAYED: u64 = 10_000;

/// Sends an event that says nothing, now; gives what came back. Nothing is noted.
pub async fn try_webhook(app: &App, caller: &Caller, key: &WebhookKey) -> Result<Came, Error> {
    let scope = scope_of(caller, key)?;
    let (sender, _) = app.signing()?;
    let webhook = app.store.read(&scope).webhook(key).await?;
    let webhook = webhook.ok_or_else(|| Error::Missing {
        kind: KIND,
        name: key.name(),
    })?;
    let now = app.clock.now();
    let base = app.public_url.as_deref().unwrap_or_default();
    let event = of_test(key, &format!("test-{}", app.ids.uuid(now)), base, now);
    Ok(sender.send(&webhook, &event, now).await)
}

/// Lets events wait anew; gives how many.
pub async fn replay_deliveries(
    app: &App,
    caller: &Caller,
    key: &WebhookKey,
    wanted: Replay,
    request: &Request,
) -> Result<u64, Error> {
    let scope = scope_of(caller, key)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("replay_deliveries", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(0);
        }
        let mut webhook = found(&mut tx, &key).await?;
        let Some(count) = tx.replay(&key, &wanted, MOST_REPLAYED, now).await? else {
            return Err(too_many());
        };
        webhook.revision += 1;
        webhook.updated_at = now;
        tx.update_webhook(&webhook, "webhook.replay", &request)
            .await?;
        tx.commit().await?;
        Ok(count)
    })
    .await
}

fn too_many() -> Error {
    let mut violations = Violations::default();
    violations.add(
        "from_time",
        "TOO_MANY",
        format!(
            "the span holds more than {MOST_REPLAYED} events; name a shorter one, or only a state"
        ),
    );
    violations.into()
}
