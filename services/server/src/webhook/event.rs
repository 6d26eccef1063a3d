//! Changes as CloudEvents 1.0 in structured mode: thin, and the same bytes at every attempt.

use jiff::Timestamp;
use ringtrue_fleet::change::Change;
use ringtrue_fleet::key::{SiteId, WebhookKey};
use serde_json::json;

/// An event to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Event {
    /// The same at every attempt.
    pub(crate) id: String,
    /// JSON.
    pub(crate) body: String,
}

impl Event {
    /// The event of a change; `base` is how the installation is reached, or empty.
    pub(crate) fn of(change: &Change, base: &str) -> Self {
        let id = change.position.cursor();
        let site = change.site.as_ref().map_or_else(String::new, SiteId::name);
        let body = json!({
            "specversion": "1.0",
            "id": id,
            "source": source(base, &site),
            "type": change.kind,
            "subject": change.name,
            "time": change.at.to_string(),
            "datacontenttype": "application/json",
            // By the sequence extension of CloudEvents a text that orders as text.
            "sequence": format!("{:020}", change.sequence),
            "data": {
                "name": change.name,
                "site": site,
                "furnace": change.furnace(),
                "reading": change.reading,
                "subject": change.subject,
                "actorKind": change.actor.word(),
            },
        });
        Self {
            id,
            body: body.to_string(),
        }
    }
}

/// An event that only tries the way out.
pub(crate) fn of_test(webhook: &WebhookKey, id: &str, base: &str, now: Timestamp) -> Event {
    let site = webhook.site.as_ref().map_or_else(String::new, SiteId::name);
    let body = json!({
        "specversion": "1.0",
        "id": id,
        "source": source(base, &site),
        "type": "webhook.test",
        "subject": webhook.name(),
        "time": now.to_string(),
        "datacontenttype": "application/json",
        "data": { "name": webhook.name(), "site": site },
    });
    Event {
        id: id.to_owned(),
        body: body.to_string(),
    }
}

fn source(base: &str, site: &str) -> String {
    format!("{}/{site}", base.trim_end_matches('/'))
}
