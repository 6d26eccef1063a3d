//! Changes a webhook, its secret included.

use jiff::SignedDuration;
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::key::WebhookKey;
use ringtrue_fleet::webhook::address::Network;
use ringtrue_fleet::webhook::{Webhook, WebhookDetails};
use ringtrue_store::{Answered, Request, Tx};

use super::{App, Change, Error, checked, fresh};
use crate::webhook::{Target, WebhookSecret};

/// Resource type, as callers see it.
pub(crate) const KIND: &str = "ringtrue.v1/Webhook";

/// Checks what people say about a webhook.
pub(super) fn check(
    details: &WebhookDetails,
    is_of_site: bool,
    allowed: &[Network],
) -> Result<(), Error> {
    checked(|violations| {
        details.check("webhook", is_of_site, violations);
        if let Err(wrong) = Target::read(&details.url, allowed) {
            violations.add("webhook.url", "NOT_A_TARGET", wrong);
        }
    })
}

/// The webhook that a request was answered with, as it is today.
pub(super) async fn answered(tx: &mut Tx, earlier: &Answered) -> Result<Webhook, Error> {
    let missing = || Error::Missing {
        kind: KIND,
        name: earlier.subject.clone(),
    };
    let key = WebhookKey::parse(&earlier.subject).map_err(|_| missing())?;
    tx.webhook(&key).await?.ok_or_else(missing)
}

/// Access to a webhook for who keeps it.
pub(super) fn scope_of(caller: &Caller, key: &WebhookKey) -> Result<Scope, Error> {
    Ok(caller.site_or_network(Right::Configure, key.site.as_ref())?)
}

/// Changes what people say about a webhook.
pub async fn update_webhook(
    app: &App,
    caller: &Caller,
    key: &WebhookKey,
    etag: Option<String>,
    change: Change<WebhookDetails>,
    request: &Request,
) -> Result<Webhook, Error> {
    let scope = scope_of(caller, key)?;
    let (sender, _) = app.signing()?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_webhook", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return answered(&mut tx, &earlier).await;
        }
        let mut webhook = found(&mut tx, &key).await?;
        fresh(etag.as_deref(), &webhook.etag(), || key.name())?;
        webhook.details = change(&webhook.details)?;
        check(&webhook.details, key.site.is_some(), sender.allowed())?;
        webhook.revision += 1;
        webhook.updated_at = now;
        tx.update_webhook(&webhook, "webhook.update", &request)
            .await?;
        let webhook = found(&mut tx, &key).await?;
        tx.commit().await?;
        Ok(webhook)
    })
    .await
}

/// Gives a webhook a new secret; that before is signed with too for some hours. A repeat gives the webhook alone.
pub async fn rotate_webhook_secret(
    app: &App,
    caller: &Caller,
    key: &WebhookKey,
    overlap: SignedDuration,
    request: &Request,
) -> Result<(Webhook, Option<WebhookSecret>), Error> {
    let scope = scope_of(caller, key)?;
    let (_, seal) = app.signing()?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("rotate_webhook_secret", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((answered(&mut tx, &earlier).await?, None));
        }
        let mut webhook = found(&mut tx, &key).await?;
        webhook.generation += 1;
        // Under another key the secret before is not to be had any more.
        let keeps = webhook.key_id == seal.key_id() && !overlap.is_zero();
        webhook.previous_until = keeps.then(|| now.checked_add(overlap).unwrap_or(now));
        webhook.key_id = seal.key_id();
        webhook.revision += 1;
        webhook.updated_at = now;
        tx.update_webhook(&webhook, "webhook.rotate", &request)
            .await?;
        let webhook = found(&mut tx, &key).await?;
        tx.commit().await?;
        let secret = WebhookSecret::of(&seal, &webhook.key.webhook, webhook.generation);
        Ok((webhook, Some(secret)))
    })
    .await
}

/// The webhook of a name.
pub(super) async fn found(tx: &mut Tx, key: &WebhookKey) -> Result<Webhook, Error> {
    tx.webhook(key).await?.ok_or_else(|| Error::Missing {
        kind: KIND,
        name: key.name(),
    })
}
