//! What is sent to webhooks: a row for each webhook and change.

use jiff::Timestamp;
use ringtrue_fleet::change::Change;
use ringtrue_fleet::key::{WebhookId, WebhookKey};

use super::chain;
use crate::columns::{Place, json};
use crate::database::{insert_rows, query, query_as, query_scalar};
use crate::tables::agenda::put_on;
use crate::tables::changes::ChangeRow;
use crate::tables::readings::chunks;
use crate::{Error, Page, PagePart, Read, Tx};

/// What became of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeliveryState {
    /// It waits, perhaps for another attempt.
    Waiting,
    /// It arrived.
    Arrived,
    /// It was given up.
    Dead,
}

const STATES: &[(DeliveryState, &str)] = &[
    (DeliveryState::Waiting, "waiting"),
    (DeliveryState::Arrived, "arrived"),
    (DeliveryState::Dead, "dead"),
];

fn word(state: DeliveryState) -> &'static str {
    let known = STATES.iter().find(|(known, _)| *known == state);
    known.map_or("", |(_, word)| word)
}

/// An event as people see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// What it tells.
    pub change: Change,
    /// What became of it.
    pub state: DeliveryState,
    /// How often it was tried.
    pub attempts: i64,
    /// When it was tried last.
    pub tried_at: Option<Timestamp>,
    /// When it may be tried next.
    pub next_at: Timestamp,
    /// Since when it waits or waited.
    pub made_at: Timestamp,
    /// What was said when it last failed.
    pub last_failure: String,
}

/// An event that may be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueEvent {
    /// What it tells.
    pub change: Change,
    /// How often it was tried.
    pub attempts: i64,
    /// Since when it waits.
    pub made_at: Timestamp,
}

/// What is to be sent again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Replay {
    /// Of these changes, by number.
    Of(Vec<i64>),
    /// Of changes that happened from a moment until before another, in a state or in all.
    Between(Timestamp, Timestamp, Option<DeliveryState>),
}

#[derive(sqlx::FromRow)]
struct DeliveryRow {
    #[sqlx(flatten)]
    change: ChangeRow,
    state: String,
    attempts: i64,
    next_at: i64,
    made_at: i64,
    tried_at: Option<i64>,
    last_failure: String,
}

impl DeliveryRow {
    fn delivery(self) -> Result<Delivery, Error> {
        let place = Place {
            table: "webhook_delivery",
            key: "",
        };
        Ok(Delivery {
            state: place.word("state", &self.state, STATES)?,
            attempts: self.attempts,
            tried_at: match self.tried_at {
                Some(at) => Some(place.moment("tried_at", at)?),
                None => None,
            },
            next_at: place.moment("next_at", self.next_at)?,
            made_at: place.moment("made_at", self.made_at)?,
            last_failure: self.last_failure,
            change: self.change.change()?,
        })
    }
}

impl Read {
    /// The webhooks of which something may be sent now: of an ordered one, the first that waits. For the server's own
    /// work.
    pub async fn webhooks_with_due_events(&self, now: Timestamp) -> Result<Vec<String>, Error> {
        const SQL: &str = "SELECT DISTINCT d.webhook_id FROM webhook_delivery AS d
            JOIN webhook AS w ON w.id = d.webhook_id
            WHERE d.state = 'waiting' AND d.next_at <= $1 AND (NOT w.is_ordered OR NOT EXISTS (
                SELECT 1 FROM webhook_delivery AS e
                WHERE e.state = 'waiting' AND e.webhook_id = d.webhook_id AND e.change_seq < d.change_seq))";
        self.everywhere()?;
        Ok(query_scalar(SQL)
            .bind(now.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?)
    }

    /// How many events of a webhook wait.
    pub async fn waiting_events(&self, id: &WebhookId) -> Result<i64, Error> {
        const SQL: &str =
            "SELECT COUNT(*) FROM webhook_delivery WHERE webhook_id = $1 AND state = 'waiting'";
        self.everywhere()?;
        Ok(query_scalar(SQL)
            .bind(id.as_str())
            .fetch_one(&mut self.connection().await?)
            .await?)
    }

    /// Events of a webhook that may be sent now, in the order of changes; of an ordered one none behind one that has to
    /// wait. For the server's own work.
    pub async fn due_events(
        &self,
        id: &WebhookId,
        is_ordered: bool,
        now: Timestamp,
        most: u32,
    ) -> Result<Vec<DueEvent>, Error> {
        const SQL: &str =
            "SELECT c.*, d.state, d.attempts, d.next_at, d.made_at, d.tried_at, d.last_failure
            FROM webhook_delivery AS d JOIN change AS c ON c.seq = d.change_seq
            WHERE d.webhook_id = $1 AND d.state = 'waiting' AND ($3 OR d.next_at <= $2)
            ORDER BY d.change_seq LIMIT $4";
        self.everywhere()?;
        let rows: Vec<DeliveryRow> = query_as(SQL)
            .bind(id.as_str())
            .bind(now.as_microsecond())
            .bind(is_ordered)
            .bind(i64::from(most))
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut due = Vec::with_capacity(rows.len());
        for row in rows {
            let delivery = row.delivery()?;
            if delivery.next_at > now {
                break;
            }
            due.push(DueEvent {
                change: delivery.change,
                attempts: delivery.attempts,
                made_at: delivery.made_at,
            });
        }
        Ok(due)
    }

    /// A page of what is sent to a webhook, the latest change first.
    pub async fn deliveries(
        &self,
        key: &WebhookKey,
        state: Option<DeliveryState>,
        page: &Page,
    ) -> Result<Vec<Delivery>, Error> {
        const SQL: &str =
            "SELECT c.*, d.state, d.attempts, d.next_at, d.made_at, d.tried_at, d.last_failure
            FROM webhook_delivery AS d JOIN change AS c ON c.seq = d.change_seq
            WHERE d.webhook_id = $1 AND ($2 IS NULL OR d.state = $2) AND d.change_seq < $3
            ORDER BY d.change_seq DESC LIMIT $4";
        self.at_place(key.site.as_ref())?;
        let before = match page.after.first() {
            Some(PagePart::Number(before)) => *before,
            _ => i64::MAX,
        };
        let rows: Vec<DeliveryRow> = query_as(SQL)
            .bind(key.webhook.as_str())
            .bind(state.map(word))
            .bind(before)
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(DeliveryRow::delivery).collect()
    }
}

impl Tx {
    /// Makes deliveries of changes for a webhook, and notes up to where. For the server's own work.
    pub async fn put_deliveries(
        &mut self,
        id: &WebhookId,
        changes: &[i64],
        after: i64,
        now: Timestamp,
    ) -> Result<(), Error> {
        const AFTER: &str = "UPDATE webhook SET after_seq = $2 WHERE id = $1 AND after_seq < $2";
        self.everywhere()?;
        let now = now.as_microsecond();
        for part in chunks(changes) {
            insert_rows(self.connection(), "INSERT INTO webhook_delivery (webhook_id, change_seq, state, attempts, next_at, made_at,
                last_failure) ", " ON CONFLICT DO NOTHING", part, |row, change| {
                row.push(id.as_str())
                    .push(*change)
                    .push("waiting")
                    .push(0_i64)
                    .push(now)
                    .push(now)
                    .push("");
            })
            .await?;
        }
        query(AFTER)
            .bind(id.as_str())
            .bind(after)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    /// An event arrived: the webhook no longer fails.
    pub async fn event_arrived(
        &mut self,
        key: &WebhookKey,
        change: i64,
        now: Timestamp,
    ) -> Result<(), Error> {
        const EVENT: &str =
            "UPDATE webhook_delivery SET state = 'arrived', attempts = attempts + 1, tried_at = $3,
            last_failure = '' WHERE webhook_id = $1 AND change_seq = $2";
        const WAS_DEAD: &str =
            "SELECT COUNT(*) FROM webhook WHERE id = $1 AND dead_since IS NOT NULL";
        const WEBHOOK: &str =
            "UPDATE webhook SET failing_since = NULL, dead_since = NULL, last_failure = '',
            last_arrived_at = $2 WHERE id = $1 AND NOT is_deleted";
        self.everywhere()?;
        let was_dead: i64 = query_scalar(WAS_DEAD)
            .bind(key.webhook.as_str())
            .fetch_one(self.connection())
            .await?;
        query(EVENT)
            .bind(key.webhook.as_str())
            .bind(change)
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        query(WEBHOOK)
            .bind(key.webhook.as_str())
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        // Always after the webhook's own row, so that nobody who changes both waits for whom they keep waiting.
        if was_dead > 0 {
            put_on(self.connection(), &[chain(key)]).await?;
        }
        Ok(())
    }

    /// An event did not arrive; it is tried again at `next_at`, or is a dead letter when none, of which people are
    /// told.
    pub async fn event_failed(
        &mut self,
        key: &WebhookKey,
        change: i64,
        failure: &str,
        now: Timestamp,
        next_at: Option<Timestamp>,
    ) -> Result<(), Error> {
        const EVENT: &str = "UPDATE webhook_delivery SET attempts = attempts + 1, tried_at = $3, last_failure = $4,
                state = CASE WHEN $5 IS NULL THEN 'dead' ELSE state END, next_at = COALESCE($5, next_at)
            WHERE webhook_id = $1 AND change_seq = $2 AND state = 'waiting'";
        const WEBHOOK: &str =
            "UPDATE webhook SET failing_since = COALESCE(failing_since, $2), last_failure = $3,
                dead_since = CASE WHEN $4 THEN COALESCE(dead_since, $2) ELSE dead_since END
            WHERE id = $1 AND NOT is_deleted";
        self.everywhere()?;
        query(EVENT)
            .bind(key.webhook.as_str())
            .bind(change)
            .bind(now.as_microsecond())
            .bind(failure)
            .bind(next_at.map(Timestamp::as_microsecond))
            .execute(self.connection())
            .await?;
        query(WEBHOOK)
            .bind(key.webhook.as_str())
            .bind(now.as_microsecond())
            .bind(failure)
            .bind(next_at.is_none())
            .execute(self.connection())
            .await?;
        if next_at.is_none() {
            put_on(self.connection(), &[chain(key)]).await?;
        }
        Ok(())
    }

    /// Lets events of a webhook wait anew from now on; gives how many. More than `most` are too many: then the
    /// transaction is not to be committed, and there is none.
    pub async fn replay(
        &mut self,
        key: &WebhookKey,
        wanted: &Replay,
        most: u64,
        now: Timestamp,
    ) -> Result<Option<u64>, Error> {
        const OF: &str = "UPDATE webhook_delivery SET state = 'waiting', attempts = 0, next_at = $3, made_at = $3
            WHERE webhook_id = $1 AND change_seq IN (SELECT CAST(value AS BIGINT) FROM json_each($2))";
        const BETWEEN: &str = "UPDATE webhook_delivery SET state = 'waiting', attempts = 0, next_at = $3, made_at = $3
            WHERE webhook_id = $1 AND ($2 IS NULL OR state = $2) AND change_seq IN (SELECT seq FROM change
                WHERE at >= $4 AND at < $5)";
        self.at_place(key.site.as_ref())?;
        let now = now.as_microsecond();
        let statement = match wanted {
            Replay::Of(numbers) => query(OF)
                .bind(key.webhook.as_str())
                .bind(json(numbers))
                .bind(now),
            Replay::Between(from, until, state) => query(BETWEEN)
                .bind(key.webhook.as_str())
                .bind(state.map(word))
                .bind(now)
                .bind(from.as_microsecond())
                .bind(until.as_microsecond()),
        };
        let count = statement.execute(self.connection()).await?;
        Ok((count <= most).then_some(count))
    }
}
