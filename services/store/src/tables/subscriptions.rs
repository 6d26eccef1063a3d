//! Mail subscriptions: who gets mail about alerts.
//!
//! An address is personal data: the audit chain holds its digest, and deleting a subscription deletes the
//! address.

use jiff::Timestamp;
use ringtrue_fleet::alert::Level;
use ringtrue_fleet::delivery::{MailMode, Subscription};
use ringtrue_fleet::key::{SiteId, SubscriptionId, SubscriptionKey};
use serde::{Deserialize, Serialize};

use super::alerts::last_change;
use super::sites::reach;
use crate::audit::{Answered, By, Happening, digest};
use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Read, Request, Tx};

const MODES: &[(MailMode, &str)] = &[
    (MailMode::Immediate, "immediate"),
    (MailMode::Digest, "digest"),
];

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

/// A row of `mail_subscription`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct SubscriptionRow {
    site_id: String,
    id: String,
    address: String,
    level: String,
    mode: String,
    stop_secret_digest: String,
    pub(super) stop_secret: String,
    unsubscribed: bool,
    last_sent_at: Option<i64>,
    last_failure: String,
    failing_since: Option<i64>,
    digested_at: Option<i64>,
    after_seq: i64,
    created_at: i64,
    is_deleted: bool,
}

/// What of a subscription the audit chain vouches for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SubscriptionRecord {
    site_id: String,
    id: String,
    address_digest: String,
    level: String,
    mode: String,
    stop_secret_digest: String,
    unsubscribed: bool,
    created_at: i64,
    is_deleted: bool,
}

impl From<&SubscriptionRow> for SubscriptionRecord {
    fn from(row: &SubscriptionRow) -> Self {
        Self {
            site_id: row.site_id.clone(),
            id: row.id.clone(),
            address_digest: digest(&row.address),
            level: row.level.clone(),
            mode: row.mode.clone(),
            stop_secret_digest: row.stop_secret_digest.clone(),
            unsubscribed: row.unsubscribed,
            created_at: row.created_at,
            is_deleted: row.is_deleted,
        }
    }
}

impl SubscriptionRow {
    fn place(&self) -> Place<'_> {
        Place {
            table: "mail_subscription",
            key: &self.id,
        }
    }

    fn key(&self) -> Result<SubscriptionKey, Error> {
        let place = self.place();
        Ok(SubscriptionKey {
            site: place.site(&self.site_id)?,
            subscription: place.id("id", SubscriptionId::new(&self.id))?,
        })
    }

    pub(crate) fn name(&self) -> Result<String, Error> {
        Ok(self.key()?.name())
    }

    fn moment(&self, column: &'static str, at: Option<i64>) -> Result<Option<Timestamp>, Error> {
        at.map(|at| self.place().moment(column, at)).transpose()
    }

    pub(super) fn subscription(self) -> Result<Subscription, Error> {
        let place = self.place();
        Ok(Subscription {
            key: self.key()?,
            level: Level::parse(&self.level).ok_or_else(|| place.corrupt("level"))?,
            mode: place.word("mode", &self.mode, MODES)?,
            unsubscribed: self.unsubscribed,
            last_sent_at: self.moment("last_sent_at", self.last_sent_at)?,
            created_at: place.moment("created_at", self.created_at)?,
            address: self.address,
            last_failure: self.last_failure,
        })
    }

    fn serving(self) -> Result<Serving, Error> {
        Ok(Serving {
            after_seq: self.after_seq,
            digested_at: self.moment("digested_at", self.digested_at)?,
            secret: self.stop_secret.clone(),
            subscription: self.subscription()?,
        })
    }
}

/// One subscription of a site or of the network, unless it was deleted.
async fn row_of(
    connection: &mut Connection,
    key: &SubscriptionKey,
) -> Result<Option<SubscriptionRow>, Error> {
    const SQL: &str =
        "SELECT * FROM mail_subscription WHERE id = $1 AND site_id = $2 AND NOT is_deleted";
    let rows: Vec<SubscriptionRow> = query_as(SQL)
        .bind(key.subscription.as_str())
        .bind(key.site.as_ref().map_or("", SiteId::as_str))
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

impl Read {
    /// The `site_id` of the rows that are wanted, none for all in reach. Fails when they are out of reach.
    pub(super) fn listed_of<'a>(&self, of: SubscriptionsOf<'a>) -> Result<Option<&'a str>, Error> {
        match of {
            SubscriptionsOf::Network => self.everywhere().map(|()| Some("")),
            SubscriptionsOf::Site(site) => self.within(site).map(|()| Some(site.as_str())),
            SubscriptionsOf::All => Ok(None),
        }
    }

    /// Subscriptions that were not deleted, those of the network first, then by site and id. Those of the
    /// network are shown only to a scope that reaches every site.
    pub async fn subscriptions(&self, of: SubscriptionsOf<'_>) -> Result<Vec<Subscription>, Error> {
        const SQL: &str = "SELECT * FROM mail_subscription
            WHERE NOT is_deleted AND ($1 IS NULL OR site_id = $1)
                AND ($2 IS NULL OR site_id IN (SELECT value FROM json_each($2)))
            ORDER BY site_id, id";
        let site = self.listed_of(of)?;
        let rows: Vec<SubscriptionRow> = query_as(SQL)
            .bind(site)
            .bind(reach(&self.scope))
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter()
            .map(SubscriptionRow::subscription)
            .collect()
    }

    /// One subscription; none when it was deleted.
    pub async fn subscription(&self, key: &SubscriptionKey) -> Result<Option<Subscription>, Error> {
        self.at_place(key.site.as_ref())?;
        let row = row_of(&mut self.connection().await?, key).await?;
        row.map(SubscriptionRow::subscription).transpose()
    }

    /// Subscriptions whose mail does not get through: which, since when, and what the mail server said.
    pub async fn failing_subscriptions(
        &self,
    ) -> Result<Vec<(SubscriptionKey, Timestamp, String)>, Error> {
        const SQL: &str = "SELECT * FROM mail_subscription
            WHERE failing_since IS NOT NULL AND NOT is_deleted AND NOT unsubscribed
            ORDER BY failing_since, id";
        self.everywhere()?;
        let rows: Vec<SubscriptionRow> = query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut failing = Vec::with_capacity(rows.len());
        for row in rows {
            if let Some(since) = row.moment("failing_since", row.failing_since)? {
                failing.push((row.key()?, since, row.last_failure));
            }
        }
        Ok(failing)
    }
}

impl Tx {
    /// Stores a new subscription; `secret` ends it. Mail begins with the next change of an alert. Fails with
    /// [`Error::Exists`] when its id is taken.
    pub async fn insert_subscription(
        &mut self,
        subscription: &Subscription,
        secret: &str,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO mail_subscription (site_id, id, address, level, mode,
                stop_secret_digest, stop_secret, unsubscribed, last_sent_at, last_failure, after_seq,
                created_at, is_deleted)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, FALSE)";
        self.at_place(subscription.key.site.as_ref())?;
        let after_seq = last_change(self.connection()).await?;
        let row = SubscriptionRow {
            site_id: subscription
                .key
                .site
                .as_ref()
                .map_or_else(String::new, ToString::to_string),
            id: subscription.key.subscription.to_string(),
            address: subscription.address.clone(),
            level: subscription.level.word().to_owned(),
            mode: written(&subscription.mode, MODES),
            stop_secret_digest: digest(secret),
            stop_secret: secret.to_owned(),
            unsubscribed: subscription.unsubscribed,
            last_sent_at: subscription.last_sent_at.map(Timestamp::as_microsecond),
            last_failure: subscription.last_failure.clone(),
            failing_since: None,
            digested_at: None,
            after_seq,
            created_at: subscription.created_at.as_microsecond(),
            is_deleted: false,
        };
        query(SQL)
            .bind(&row.site_id)
            .bind(&row.id)
            .bind(&row.address)
            .bind(&row.level)
            .bind(&row.mode)
            .bind(&row.stop_secret_digest)
            .bind(&row.stop_secret)
            .bind(row.unsubscribed)
            .bind(row.last_sent_at)
            .bind(&row.last_failure)
            .bind(row.after_seq)
            .bind(row.created_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let at = subscription.created_at;
        self.subscription_changed(&row, "subscription.create", at, request)
            .await
    }

    /// The subscription that a request was answered with, as it is today; none when it was deleted since.
    pub async fn subscription_answered(
        &mut self,
        earlier: &Answered,
    ) -> Result<Option<Subscription>, Error> {
        let place = Place {
            table: "audit",
            key: &earlier.subject,
        };
        let key = place.id("subject", SubscriptionKey::parse(&earlier.subject))?;
        self.at_place(key.site.as_ref())?;
        let row = row_of(self.connection(), &key).await?;
        row.map(SubscriptionRow::subscription).transpose()
    }

    /// Deletes a subscription with its address; gives whether there was one. Mail that waits is not sent.
    pub async fn delete_subscription(
        &mut self,
        key: &SubscriptionKey,
        now: Timestamp,
        request: &Request,
    ) -> Result<bool, Error> {
        const SQL: &str = "UPDATE mail_subscription SET is_deleted = TRUE, address = '',
            last_failure = '', failing_since = NULL WHERE id = $1";
        self.at_place(key.site.as_ref())?;
        let Some(mut row) = row_of(self.connection(), key).await? else {
            return Ok(false);
        };
        query(SQL).bind(&row.id).execute(self.connection()).await?;
        row.is_deleted = true;
        row.address.clear();
        self.give_up_mail(&row.id).await?;
        self.subscription_changed(&row, "subscription.delete", now, request)
            .await?;
        Ok(true)
    }

    /// Ends the subscription of a secret, at the recipient's wish; none when no such secret was given out.
    /// Doing it again changes nothing. For the server's own work: whoever knows the secret may.
    pub async fn unsubscribe(
        &mut self,
        secret: &str,
        now: Timestamp,
    ) -> Result<Option<Subscription>, Error> {
        const FIND: &str = "SELECT * FROM mail_subscription WHERE stop_secret_digest = $1";
        const SQL: &str = "UPDATE mail_subscription SET unsubscribed = TRUE WHERE id = $1";
        self.everywhere()?;
        let rows: Vec<SubscriptionRow> = query_as(FIND)
            .bind(digest(secret))
            .fetch_all(self.connection())
            .await?;
        let Some(mut row) = rows.into_iter().next() else {
            return Ok(None);
        };
        if row.is_deleted || row.unsubscribed {
            let ended = row.subscription()?;
            return Ok(Some(Subscription {
                unsubscribed: true,
                ..ended
            }));
        }
        query(SQL).bind(&row.id).execute(self.connection()).await?;
        row.unsubscribed = true;
        self.give_up_mail(&row.id).await?;
        self.subscription_changed(&row, "subscription.unsubscribe", now, &Request::NONE)
            .await?;
        row.subscription().map(Some)
    }

    /// Every subscription that wants mail, by id.
    pub async fn subscriptions_to_serve(&mut self) -> Result<Vec<Serving>, Error> {
        const SQL: &str =
            "SELECT * FROM mail_subscription WHERE NOT is_deleted AND NOT unsubscribed
            ORDER BY id";
        self.everywhere()?;
        let rows: Vec<SubscriptionRow> = query_as(SQL).fetch_all(self.connection()).await?;
        rows.into_iter().map(SubscriptionRow::serving).collect()
    }

    /// Mail was made for a subscription up to a change; with `digested_at` also a digest.
    pub async fn served(
        &mut self,
        id: &SubscriptionId,
        after_seq: i64,
        digested_at: Option<Timestamp>,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE mail_subscription SET after_seq = $2,
            digested_at = COALESCE($3, digested_at) WHERE id = $1";
        self.everywhere()?;
        query(SQL)
            .bind(id.as_str())
            .bind(after_seq)
            .bind(digested_at.map(Timestamp::as_microsecond))
            .execute(self.connection())
            .await?;
        Ok(())
    }

    async fn give_up_mail(&mut self, subscription: &str) -> Result<(), Error> {
        const SQL: &str = "UPDATE mail SET state = 'given_up'
            WHERE subscription_id = $1 AND state = 'waiting'";
        query(SQL)
            .bind(subscription)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    async fn subscription_changed(
        &mut self,
        row: &SubscriptionRow,
        action: &'static str,
        at: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        let document = json(&SubscriptionRecord::from(row));
        let happening = Happening {
            chain: row.site_id.clone(),
            at,
            by: By::of(&self.scope),
            action,
            subject: row.name()?,
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        self.append(vec![happening]).await
    }
}
