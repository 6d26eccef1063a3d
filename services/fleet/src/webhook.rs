//! Webhooks: which changes are sent where, and what comes of an attempt.

pub mod address;
pub mod attempt;

use std::collections::BTreeSet;

use jiff::Timestamp;

use crate::change::{Change, is_type, is_wanted};
use crate::key::{SiteId, WebhookKey};
use crate::violation::Violations;

/// Most bytes of an address.
const LONGEST_URL: usize = 2_000;

/// Most types or sites that one names.
const MOST_NAMED: usize = 200;

/// What people say about a webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebhookDetails {
    /// What it is for.
    pub display_name: String,
    /// Where events are sent.
    pub url: String,
    /// Types of changes, or words before their dot; all when empty.
    pub types: Vec<String>,
    /// Of one of the network: only changes of these sites; of all when empty.
    pub sites: BTreeSet<SiteId>,
    /// Whether an event waits until the one before it has arrived.
    pub is_ordered: bool,
    /// Whether anything is sent.
    pub is_active: bool,
}

/// A webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Whose it is, and its id.
    pub key: WebhookKey,
    /// What people say about it.
    pub details: WebhookDetails,
    /// Which of its secrets is in force; counts from 1.
    pub generation: i64,
    /// Until when the secret before is signed with too; none when it is not.
    pub previous_until: Option<Timestamp>,
    /// Which key its secrets follow from.
    pub key_id: String,
    /// Why the server stopped sending; empty when it did not.
    pub stopped_because: String,
    /// Since when nothing arrives; none while events arrive.
    pub failing_since: Option<Timestamp>,
    /// What was said last when nothing arrived.
    pub last_failure: String,
    /// When an event last arrived.
    pub last_arrived_at: Option<Timestamp>,
    /// Counts versions from 1.
    pub revision: i64,
    /// When it was made.
    pub created_at: Timestamp,
    /// When it last changed.
    pub updated_at: Timestamp,
}

impl WebhookDetails {
    /// Checks what does not need the world outside; `path` is the request field that holds it.
    pub fn check(&self, path: &str, is_of_site: bool, violations: &mut Violations) {
        violations.text(&format!("{path}.display_name"), &self.display_name, 1, 120);
        if self.url.is_empty() || self.url.len() > LONGEST_URL {
            violations.add(
                format!("{path}.url"),
                "NOT_A_TARGET",
                format!("has to be an address of at most {LONGEST_URL} characters"),
            );
        }
        if self.types.len() > MOST_NAMED || self.sites.len() > MOST_NAMED {
            violations.add(
                format!("{path}.types"),
                "TOO_MANY",
                format!("name at most {MOST_NAMED} types and as many sites"),
            );
        }
        for (at, kind) in self.types.iter().enumerate() {
            if !is_type(kind) {
                violations.add(
                    format!("{path}.types[{at}]"),
                    "NOT_A_TYPE",
                    "is no type of a change; write words such as reading.recorded, or reading for all about readings",
                );
            }
        }
        if is_of_site && !self.sites.is_empty() {
            violations.add(
                format!("{path}.sites"),
                "OF_ONE_SITE",
                "is for webhooks of the network; this one is of its own site already",
            );
        }
    }
}

impl Webhook {
    /// The version as callers see it.
    pub fn etag(&self) -> String {
        format!("\"{}\"", self.revision)
    }

    /// Whether a change is sent.
    pub fn wants(&self, change: &Change) -> bool {
        let is_at_place = match (&self.key.site, &change.site) {
            (Some(own), Some(site)) => own == site,
            // What everybody sees is sent to everybody.
            (Some(_), None) => change.is_shared,
            (None, Some(site)) => {
                self.details.sites.is_empty() || self.details.sites.contains(site)
            }
            (None, None) => true,
        };
        is_at_place && is_wanted(&change.kind, &self.details.types)
    }

    /// The secrets that are signed with at a moment, by generation, the one in force first.
    pub fn generations(&self, now: Timestamp) -> Vec<i64> {
        let mut all = vec![self.generation];
        if self.previous_until.is_some_and(|until| now < until) && self.generation > 1 {
            all.push(self.generation - 1);
        }
        all
    }
}

#[cfg(test)]
mod tests;
