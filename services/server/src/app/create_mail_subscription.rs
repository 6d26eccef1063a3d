//! Subscribes an address to mail about alerts.

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::delivery::{MailMode, Subscription};
use ringtrue_fleet::key::{SiteId, SubscriptionId, SubscriptionKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;

use super::{App, Error, checked};
use crate::mail::address;

/// Who is to get which mail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailWish {
    /// Address that gets the mail.
    pub address: String,
    /// Alerts that have reached this level are sent.
    pub level: Level,
    /// When mail is sent.
    pub mode: MailMode,
}

impl MailWish {
    /// Checks it; `path` is the request field that holds it.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        if let Err(fault) = address(&self.address) {
            violations.add(
                format!("{path}.address"),
                "NOT_AN_ADDRESS",
                fault.to_string(),
            );
        }
    }
}

/// Subscribes an address to the alerts of a site, or of the whole network. Mail begins with the next change of
/// an alert.
pub async fn create_mail_subscription(
    app: &App,
    caller: &Caller,
    site: Option<&SiteId>,
    wish: MailWish,
    request: &Request,
) -> Result<Subscription, Error> {
    let scope = caller.site_or_network(Right::Configure, site)?;
    checked(|violations| wish.check("subscription", violations))?;
    let now = app.clock.now();
    let subscription = Subscription {
        key: SubscriptionKey {
            site: site.cloned(),
            subscription: SubscriptionId::from_uuid(app.ids.uuid(now)),
        },
        address: wish.address,
        level: wish.level,
        mode: wish.mode,
        unsubscribed: false,
        last_sent_at: None,
        last_failure: String::new(),
        created_at: now,
    };
    let secret = app.ids.secret();
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_mail_subscription", &scope).await?;
        let name = subscription.key.name();
        if let Some(earlier) = tx.answered(&request).await? {
            return tx
                .subscription_answered(&earlier)
                .await?
                .ok_or(Error::Missing {
                    kind: "ringtrue.v1/MailSubscription",
                    name,
                });
        }
        if let Some(site) = &subscription.key.site
            && tx.site(site).await?.is_none()
        {
            return Err(Error::Missing {
                kind: "ringtrue.v1/Site",
                name: site.name(),
            });
        }
        tx.insert_subscription(&subscription, &secret, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/MailSubscription", name))?;
        tx.commit().await?;
        Ok(subscription)
    })
    .await
}
