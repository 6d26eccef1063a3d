//! Mail under way: one for each recipient and topic.

use jiff::Timestamp;
use ringtrue_fleet::delivery::Subscription;
use ringtrue_fleet::key::SubscriptionId;

use crate::{Error, Read, Tx};

/// A mail to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mail {
    /// Who gets it.
    pub subscription: SubscriptionId,
    /// Id of the alert, or the local day of a digest: nobody gets two of one topic.
    pub topic: String,
    /// Message-ID (RFC 5322), the same at every attempt.
    pub message_id: String,
    /// When it may go.
    pub next_at: Timestamp,
    /// When it was made.
    pub made_at: Timestamp,
    /// The changes it tells of, JSON.
    pub changes_json: String,
}

/// A mail that waits.
#[derive(Debug, Clone, PartialEq)]
pub struct WaitingMail {
    /// Who gets it.
    pub subscription: Subscription,
    /// Id of the alert, or the local day of a digest.
    pub topic: String,
    /// Message-ID (RFC 5322).
    pub message_id: String,
    /// How often it was tried.
    pub attempts: i64,
    /// When it was made.
    pub made_at: Timestamp,
    /// The changes it tells of, JSON.
    pub document: String,
    /// Secret of the link that ends the subscription.
    pub secret: String,
}

impl Read {
    /// Mail that may go now, what may go longest first.
    pub async fn mail_waiting(
        &self,
        _now: Timestamp,
        _most: u32,
    ) -> Result<Vec<WaitingMail>, Error> {
        Err(Error::OutOfScope)
    }

    /// How much mail may go now, and since when the first may.
    pub async fn mail_backlog(&self, _now: Timestamp) -> Result<(i64, Option<Timestamp>), Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// Stores mail to send; one of a topic that the recipient has already is left out.
    pub async fn insert_mail(&mut self, _mail: &[Mail]) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// A mail got through.
    pub async fn mail_sent(
        &mut self,
        _id: &SubscriptionId,
        _topic: &str,
        _now: Timestamp,
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// A mail did not get through; it is tried again at `next_at`, or given up when none.
    pub async fn mail_failed(
        &mut self,
        _id: &SubscriptionId,
        _topic: &str,
        _now: Timestamp,
        _failure: &str,
        _next_at: Option<Timestamp>,
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
