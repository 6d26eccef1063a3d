//! Makes a webhook.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::{SiteId, WebhookId, WebhookKey};
use ringtrue_fleet::webhook::{Webhook, WebhookDetails};
use ringtrue_store::Request;

use super::update_webhook::{answered, check};
use super::{App, Error};
use crate::webhook::WebhookSecret;

/// Makes a webhook for changes of a site, or of the whole network; gives it with its secret, which is known this once.
/// A repeat gives it without.
pub async fn create_webhook(
    app: &App,
    caller: &Caller,
    site: Option<&SiteId>,
    details: WebhookDetails,
    request: &Request,
) -> Result<(Webhook, Option<WebhookSecret>), Error> {
    let scope = caller.site_or_network(Right::Configure, site)?;
    let (sender, seal) = app.signing()?;
    check(&details, site.is_some(), sender.allowed())?;
    let now = app.clock.now();
    let webhook = Webhook {
        key: WebhookKey {
            site: site.cloned(),
            webhook: WebhookId::from_uuid(app.ids.uuid(now)),
        },
        details,
        generation: 1,
        previous_until: None,
        key_id: seal.key_id(),
        stopped_because: String::new(),
        failing_since: None,
        last_failure: String::new(),
        last_arrived_at: None,
        revision: 1,
        created_at: now,
        updated_at: now,
    };
    let secret = WebhookSecret::of(&seal, &webhook.key.webhook, webhook.generation);
    // What was recorded before and is not in the feed yet is not for it.
    super::feed_changes(&app.store, &app.changes).await?;
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let after = super::end_of_changes(&store).await?;
        let mut tx = store.begin("create_webhook", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((answered(&mut tx, &earlier).await?, None));
        }
        if let Some(site) = &webhook.key.site
            && tx.site(site).await?.is_none()
        {
            return Err(Error::Missing {
                kind: "ringtrue.v1/Site",
                name: site.name(),
            });
        }
        tx.insert_webhook(&webhook, after, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/Webhook", webhook.key.name()))?;
        tx.commit().await?;
        Ok((webhook, Some(secret)))
    })
    .await
}
