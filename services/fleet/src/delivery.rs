//! Deliveries: who gets mail about alerts, and calendar feeds.

use jiff::Timestamp;

use crate::alert::Level;
use crate::key::{FeedKey, SubscriptionKey};

/// A subscription to mail.
#[derive(Debug, Clone, PartialEq)]
pub struct Subscription {
    /// What tells it apart.
    pub key: SubscriptionKey,
    /// Address that gets the mail.
    pub address: String,
    /// Alerts that have reached this level are sent.
    pub level: Level,
    /// When mail is sent.
    pub mode: MailMode,
    /// Whether the recipient ended it.
    pub unsubscribed: bool,
    /// When mail last got through.
    pub last_sent_at: Option<Timestamp>,
    /// What the mail server said when it last failed; empty once mail gets through.
    pub last_failure: String,
    /// When it was made.
    pub created_at: Timestamp,
}

/// When mail is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailMode {
    /// As soon as an alert reaches the recipient's level.
    Immediate,
    /// Each working morning.
    Digest,
}

/// A calendar feed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Feed {
    /// What tells it apart.
    pub key: FeedKey,
    /// What it is for.
    pub display_name: String,
    /// When it was made.
    pub created_at: Timestamp,
}
