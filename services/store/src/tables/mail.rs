//! Mail under way: one for each recipient and topic.

use jiff::Timestamp;
use ringtrue_fleet::delivery::Subscription;
use ringtrue_fleet::key::SubscriptionId;

use super::agenda::put_on;
use super::readings::chunks;
use super::subscriptions::SubscriptionRow;
use crate::columns::Place;
use crate::database::{insert_rows, query, query_as, query_scalar};
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

#[derive(sqlx::FromRow)]
struct WaitingRow {
    #[sqlx(flatten)]
    subscription: SubscriptionRow,
    topic: String,
    message_id: String,
    attempts: i64,
    made_at: i64,
    document: String,
}

impl WaitingRow {
    fn waiting(self) -> Result<WaitingMail, Error> {
        let place = Place {
            table: "mail",
            key: &self.topic,
        };
        let made_at = place.moment("made_at", self.made_at)?;
        Ok(WaitingMail {
            secret: self.subscription.stop_secret.clone(),
            subscription: self.subscription.subscription()?,
            topic: self.topic,
            message_id: self.message_id,
            attempts: self.attempts,
            made_at,
            document: self.document,
        })
    }
}

impl Read {
    /// Mail that may go now, what may go longest first; for the server's own work.
    pub async fn mail_waiting(&self, now: Timestamp, most: u32) -> Result<Vec<WaitingMail>, Error> {
        const SQL: &str = "SELECT s.*, m.topic, m.message_id, m.attempts, m.made_at, m.document
            FROM mail AS m JOIN mail_subscription AS s ON s.id = m.subscription_id
            WHERE m.state = 'waiting' AND m.next_at <= $1 AND NOT s.is_deleted AND NOT s.unsubscribed
            ORDER BY m.next_at, m.subscription_id, m.topic LIMIT $2";
        self.everywhere()?;
        let rows: Vec<WaitingRow> = query_as(SQL)
            .bind(now.as_microsecond())
            .bind(i64::from(most))
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(WaitingRow::waiting).collect()
    }

    /// How much mail may go now, and since when the first may.
    pub async fn mail_backlog(&self, now: Timestamp) -> Result<(i64, Option<Timestamp>), Error> {
        const SQL: &str = "SELECT COUNT(*), MIN(next_at) FROM mail
            WHERE state = 'waiting' AND next_at <= $1";
        self.everywhere()?;
        let (count, since): (i64, Option<i64>) = query_as(SQL)
            .bind(now.as_microsecond())
            .fetch_one(&mut self.connection().await?)
            .await?;
        let place = Place {
            table: "mail",
            key: "earliest",
        };
        Ok((
            count,
            match since {
                Some(since) => Some(place.moment("next_at", since)?),
                None => None,
            },
        ))
    }
}

impl Tx {
    /// Stores mail to send; one of a topic that the recipient has already is left out. Gives how many are new.
    pub async fn insert_mail(&mut self, mail: &[Mail]) -> Result<u64, Error> {
        self.everywhere()?;
        let mut new = 0;
        for now in chunks(mail) {
            new += insert_rows(self.connection(), "INSERT INTO mail (subscription_id, topic, message_id, state, attempts, next_at, made_at,
                last_failure, document) ", " ON CONFLICT DO NOTHING", now, |row, one| {
                row.push(one.subscription.as_str())
                    .push(&one.topic)
                    .push(&one.message_id)
                    .push("waiting")
                    .push(0_i64)
                    .push(one.next_at.as_microsecond())
                    .push(one.made_at.as_microsecond())
                    .push("")
                    .push(&one.changes_json);
}).await?;
        }
        Ok(new)
    }

    /// A mail got through: the recipient's mail no longer fails, and alerts that said so are looked at again.
    pub async fn mail_sent(
        &mut self,
        id: &SubscriptionId,
        topic: &str,
        now: Timestamp,
    ) -> Result<(), Error> {
        const MAIL: &str = "UPDATE mail SET state = 'sent', attempts = attempts + 1, sent_at = $3,
            last_failure = '' WHERE subscription_id = $1 AND topic = $2";
        const RECIPIENT: &str = "UPDATE mail_subscription SET last_sent_at = $2, last_failure = '',
            failing_since = NULL WHERE id = $1";
        self.everywhere()?;
        let changing = self.changes_failing(id, false).await?;
        // The recipient, their mail, the agenda: in the order of whoever unsubscribes, so that neither waits for whom
        // they keep waiting.
        query(RECIPIENT)
            .bind(id.as_str())
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        query(MAIL)
            .bind(id.as_str())
            .bind(topic)
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        self.look_at(&changing).await
    }

    /// A mail did not get through; it is tried again at `next_at`, or given up when none. `failing_since` says
    /// since when the recipient's mail counts as failing; none while it may yet be a passing matter.
    pub async fn mail_failed(
        &mut self,
        id: &SubscriptionId,
        topic: &str,
        failure: &str,
        next_at: Option<Timestamp>,
        failing_since: Option<Timestamp>,
    ) -> Result<(), Error> {
        const MAIL: &str = "UPDATE mail SET attempts = attempts + 1, last_failure = $3,
                state = CASE WHEN $4 IS NULL THEN 'given_up' ELSE state END,
                next_at = COALESCE($4, next_at)
            WHERE subscription_id = $1 AND topic = $2";
        const RECIPIENT: &str = "UPDATE mail_subscription SET last_failure = $2,
            failing_since = COALESCE(failing_since, $3) WHERE id = $1";
        self.everywhere()?;
        let changing = match failing_since {
            Some(_) => self.changes_failing(id, true).await?,
            None => Vec::new(),
        };
        query(RECIPIENT)
            .bind(id.as_str())
            .bind(failure)
            .bind(failing_since.map(Timestamp::as_microsecond))
            .execute(self.connection())
            .await?;
        query(MAIL)
            .bind(id.as_str())
            .bind(topic)
            .bind(failure)
            .bind(next_at.map(Timestamp::as_microsecond))
            .execute(self.connection())
            .await?;
        self.look_at(&changing).await
    }

    /// A recipient's place when it is about to change whether their mail fails.
    async fn changes_failing(
        &mut self,
        id: &SubscriptionId,
        fails: bool,
    ) -> Result<Vec<String>, Error> {
        const SQL: &str = "SELECT site_id FROM mail_subscription
            WHERE id = $1 AND (failing_since IS NOT NULL) <> $2";
        Ok(query_scalar(SQL)
            .bind(id.as_str())
            .bind(fails)
            .fetch_all(self.connection())
            .await?)
    }

    /// Puts places on the agenda.
    async fn look_at(&mut self, places: &[String]) -> Result<(), Error> {
        for place in places {
            put_on(self.connection(), &[place]).await?;
        }
        Ok(())
    }

    /// A mail is not needed any more: what it was to tell is mended. Says nothing about its recipient.
    pub async fn mail_dropped(&mut self, id: &SubscriptionId, topic: &str) -> Result<(), Error> {
        const SQL: &str = "UPDATE mail SET state = 'given_up', last_failure = 'no longer needed'
            WHERE subscription_id = $1 AND topic = $2 AND state = 'waiting'";
        self.everywhere()?;
        query(SQL)
            .bind(id.as_str())
            .bind(topic)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
