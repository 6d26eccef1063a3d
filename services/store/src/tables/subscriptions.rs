//! Mail subscriptions: who gets mail about alerts.

use jiff::Timestamp;
use ringtrue_fleet::delivery::Subscription;
use ringtrue_fleet::key::{SiteId, SubscriptionId, SubscriptionKey};

use crate::audit::Answered;
use crate::{Error, Read, Request, Tx};

/// Whose subscriptions are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SubscriptionsOf<'a> {
    /// Of the whole network.
    Network,
    /// Of a site.
    Site(&'a SiteId),
    /// All that the scope reaches; those of the network only for a scope that reaches every site.
    All,
}

/// A subscription with how far it was served.
#[derive(Debug, Clone, PartialEq)]
pub struct Serving {
    /// The subscription.
    pub subscription: Subscription,
    /// The last change of an alert that mail was made of.
    pub after_seq: i64,
    /// When its last digest was made; none before the first.
    pub digested_at: Option<Timestamp>,
    /// Secret of the link that ends it.
    pub secret: String,
}

impl Read {
    /// Subscriptions that were not deleted, those of the network first, then by site and id.
    pub async fn subscriptions(
        &self,
        _of: SubscriptionsOf<'_>,
    ) -> Result<Vec<Subscription>, Error> {
        Err(Error::OutOfScope)
    }

    /// One subscription; none when it was deleted.
    pub async fn subscription(
        &self,
        _key: &SubscriptionKey,
    ) -> Result<Option<Subscription>, Error> {
        Err(Error::OutOfScope)
    }

    /// Subscriptions whose mail does not get through: which, since when, and what the mail server said.
    pub async fn failing_subscriptions(
        &self,
    ) -> Result<Vec<(SubscriptionKey, Timestamp, String)>, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// Stores a new subscription; `secret` ends it. Mail begins with the next change of an alert.
    pub async fn insert_subscription(
        &mut self,
        _subscription: &Subscription,
        _secret: &str,
        _request: &Request,
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// The subscription as a request was first answered about it; none when it was deleted since.
    pub async fn subscription_answered(
        &mut self,
        _earlier: &Answered,
    ) -> Result<Option<Subscription>, Error> {
        Err(Error::OutOfScope)
    }

    /// Deletes a subscription, with its address; gives whether there was one.
    pub async fn delete_subscription(
        &mut self,
        _key: &SubscriptionKey,
        _now: Timestamp,
        _request: &Request,
    ) -> Result<bool, Error> {
        Err(Error::OutOfScope)
    }

    /// Ends the subscription of a secret, at the recipient's wish; none when no such secret was given out.
    /// Doing it again changes nothing.
    pub async fn unsubscribe(
        &mut self,
        _secret: &str,
        _now: Timestamp,
    ) -> Result<Option<Subscription>, Error> {
        Err(Error::OutOfScope)
    }

    /// Every subscription that wants mail, by id.
    pub async fn subscriptions_to_serve(&mut self) -> Result<Vec<Serving>, Error> {
        Err(Error::OutOfScope)
    }

    /// Mail was made for a subscription up to a change; with `digested_at` also a digest.
    pub async fn served(
        &mut self,
        _id: &SubscriptionId,
        _after_seq: i64,
        _digested_at: Option<Timestamp>,
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
