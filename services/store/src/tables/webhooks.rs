//! Webhooks. An address may hold what only its receiver is to know: the audit chain holds its digest, and deleting a
//! webhook deletes the address. Secrets are kept nowhere; they follow from a key outside the database.

mod deliveries;

use std::collections::BTreeSet;

use jiff::Timestamp;
use ringtrue_fleet::key::{SiteId, WebhookId, WebhookKey};
use ringtrue_fleet::webhook::{Webhook, WebhookDetails};
use serde::{Deserialize, Serialize};

use super::agenda::put_on;
use super::sites::reach;
use super::subscriptions::SubscriptionsOf;
use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as};
use crate::{Error, Read, Request, Tx};

pub use deliveries::{Delivery, DeliveryState, DueEvent, Replay};

/// A row of `webhook`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct WebhookRow {
    site_id: String,
    id: String,
    display_name: String,
    url: String,
    types: String,
    sites: String,
    is_ordered: bool,
    is_active: bool,
    generation: i64,
    previous_until: Option<i64>,
    key_id: String,
    stopped_because: String,
    failing_since: Option<i64>,
    dead_since: Option<i64>,
    last_failure: String,
    last_arrived_at: Option<i64>,
    after_seq: i64,
    revision: i64,
    created_at: i64,
    updated_at: i64,
    is_deleted: bool,
}

/// What of a webhook the audit chain vouches for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct WebhookRecord {
    site_id: String,
    id: String,
    display_name: String,
    url_digest: String,
    types: String,
    sites: String,
    is_ordered: bool,
    is_active: bool,
    generation: i64,
    revision: i64,
    created_at: i64,
    updated_at: i64,
    is_deleted: bool,
}

impl From<&WebhookRow> for WebhookRecord {
    fn from(row: &WebhookRow) -> Self {
        Self {
            site_id: row.site_id.clone(),
            id: row.id.clone(),
            display_name: row.display_name.clone(),
            url_digest: digest(&row.url),
            types: row.types.clone(),
            sites: row.sites.clone(),
            is_ordered: row.is_ordered,
            is_active: row.is_active,
            generation: row.generation,
            revision: row.revision,
            created_at: row.created_at,
            updated_at: row.updated_at,
            is_deleted: row.is_deleted,
        }
    }
}

impl From<&Webhook> for WebhookRow {
    fn from(webhook: &Webhook) -> Self {
        let details = &webhook.details;
        let sites: Vec<&str> = details.sites.iter().map(SiteId::as_str).collect();
        Self {
            site_id: chain(&webhook.key).to_owned(),
            id: webhook.key.webhook.to_string(),
            display_name: details.display_name.clone(),
            url: details.url.clone(),
            types: json(&details.types),
            sites: json(&sites),
            is_ordered: details.is_ordered,
            is_active: details.is_active,
            generation: webhook.generation,
            previous_until: webhook.previous_until.map(Timestamp::as_microsecond),
            key_id: webhook.key_id.clone(),
            stopped_because: webhook.stopped_because.clone(),
            failing_since: webhook.failing_since.map(Timestamp::as_microsecond),
            dead_since: None,
            last_failure: webhook.last_failure.clone(),
            last_arrived_at: webhook.last_arrived_at.map(Timestamp::as_microsecond),
            after_seq: 0,
            revision: webhook.revision,
            created_at: webhook.created_at.as_microsecond(),
            updated_at: webhook.updated_at.as_microsecond(),
            is_deleted: false,
        }
    }
}

fn chain(key: &WebhookKey) -> &str {
    key.site.as_ref().map_or("", SiteId::as_str)
}

impl WebhookRow {
    fn place(&self) -> Place<'_> {
        Place {
            table: "webhook",
            key: &self.id,
        }
    }

    fn key(&self) -> Result<WebhookKey, Error> {
        let place = self.place();
        Ok(WebhookKey {
            site: place.site(&self.site_id)?,
            webhook: place.id("id", WebhookId::new(&self.id))?,
        })
    }

    pub(crate) fn name(&self) -> Result<String, Error> {
        Ok(self.key()?.name())
    }

    fn webhook(self) -> Result<Webhook, Error> {
        let place = self.place();
        let moment = |column, at: Option<i64>| at.map(|at| place.moment(column, at)).transpose();
        let mut sites = BTreeSet::new();
        for site in place.json::<Vec<String>>("sites", &self.sites)? {
            sites.insert(place.id("sites", SiteId::new(&site))?);
        }
        Ok(Webhook {
            key: self.key()?,
            details: WebhookDetails {
                types: place.json("types", &self.types)?,
                sites,
                is_ordered: self.is_ordered,
                is_active: self.is_active,
                display_name: self.display_name.clone(),
                url: self.url.clone(),
            },
            previous_until: moment("previous_until", self.previous_until)?,
            failing_since: moment("failing_since", self.failing_since)?,
            last_arrived_at: moment("last_arrived_at", self.last_arrived_at)?,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
            generation: self.generation,
            key_id: self.key_id.clone(),
            stopped_because: self.stopped_because.clone(),
            last_failure: self.last_failure.clone(),
            revision: self.revision,
        })
    }
}

async fn row_of(
    connection: &mut Connection,
    key: &WebhookKey,
) -> Result<Option<WebhookRow>, Error> {
    const SQL: &str = "SELECT * FROM webhook WHERE id = $1 AND site_id = $2 AND NOT is_deleted";
    let rows: Vec<WebhookRow> = query_as(SQL)
        .bind(key.webhook.as_str())
        .bind(chain(key))
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

impl Read {
    /// One webhook, unless it was deleted.
    pub async fn webhook(&self, key: &WebhookKey) -> Result<Option<Webhook>, Error> {
        self.at_place(key.site.as_ref())?;
        let row = row_of(&mut self.connection().await?, key).await?;
        row.map(WebhookRow::webhook).transpose()
    }

    /// Webhooks that were not deleted, those of the network first, then by site and id. Those of the network are shown
    /// only to a scope that reaches every site.
    pub async fn webhooks(&self, of: SubscriptionsOf<'_>) -> Result<Vec<Webhook>, Error> {
        const SQL: &str =
            "SELECT * FROM webhook WHERE NOT is_deleted AND ($1 IS NULL OR site_id = $1)
                AND ($2 IS NULL OR site_id IN (SELECT value FROM json_each($2)))
            ORDER BY site_id, id";
        let site = self.listed_of(of)?;
        let rows: Vec<WebhookRow> = query_as(SQL)
            .bind(site)
            .bind(reach(&self.scope))
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(WebhookRow::webhook).collect()
    }

    /// Webhooks that are sent events, with the change up to which deliveries were made. For the server's own work.
    pub async fn webhooks_to_serve(&self) -> Result<Vec<(Webhook, i64)>, Error> {
        const SQL: &str =
            "SELECT * FROM webhook WHERE NOT is_deleted AND is_active AND stopped_because = ''
            ORDER BY id";
        self.everywhere()?;
        let rows: Vec<WebhookRow> = query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter()
            .map(|row| {
                let after = row.after_seq;
                Ok((row.webhook()?, after))
            })
            .collect()
    }

    /// Webhooks that gave an event up since one last arrived, or were stopped: since when, and what was said last. For
    /// the server's own work.
    pub async fn failing_webhooks(&self) -> Result<Vec<(WebhookKey, Timestamp, String)>, Error> {
        const SQL: &str = "SELECT * FROM webhook
            WHERE dead_since IS NOT NULL AND NOT is_deleted ORDER BY dead_since, id";
        self.everywhere()?;
        let rows: Vec<WebhookRow> = query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut failing = Vec::with_capacity(rows.len());
        for row in rows {
            if let Some(since) = row.dead_since {
                let since = row.place().moment("dead_since", since)?;
                failing.push((row.key()?, since, row.last_failure));
            }
        }
        Ok(failing)
    }
}

impl Tx {
    /// One webhook, unless it was deleted.
    pub async fn webhook(&mut self, key: &WebhookKey) -> Result<Option<Webhook>, Error> {
        self.at_place(key.site.as_ref())?;
        let row = row_of(self.connection(), key).await?;
        row.map(WebhookRow::webhook).transpose()
    }

    /// Stores a new webhook; it is sent what comes after a change. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_webhook(
        &mut self,
        webhook: &Webhook,
        after: i64,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO webhook (site_id, id, display_name, url, types, sites, is_ordered, is_active,
                generation, key_id, stopped_because, last_failure, after_seq, revision, created_at, updated_at,
                is_deleted)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, '', '', $11, $12, $13, $14, FALSE)";
        self.at_place(webhook.key.site.as_ref())?;
        let row = WebhookRow::from(webhook);
        query(SQL)
            .bind(&row.site_id)
            .bind(&row.id)
            .bind(&row.display_name)
            .bind(&row.url)
            .bind(&row.types)
            .bind(&row.sites)
            .bind(row.is_ordered)
            .bind(row.is_active)
            .bind(row.generation)
            .bind(&row.key_id)
            .bind(after)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        self.webhook_changed(&row, "webhook.create", request).await
    }

    /// Stores a new version of a webhook, its secret's generation included; one that was stopped and is active starts
    /// again.
    pub async fn update_webhook(
        &mut self,
        webhook: &Webhook,
        action: &'static str,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE webhook SET display_name = $2, url = $3, types = $4, sites = $5, is_ordered = $6,
                is_active = $7, generation = $8, previous_until = $9, key_id = $10, revision = $11, updated_at = $12,
                stopped_because = CASE WHEN $7 THEN '' ELSE stopped_because END,
                dead_since = CASE WHEN $7 AND stopped_because <> '' THEN NULL ELSE dead_since END
            WHERE id = $1";
        self.at_place(webhook.key.site.as_ref())?;
        let row = WebhookRow::from(webhook);
        query(SQL)
            .bind(&row.id)
            .bind(&row.display_name)
            .bind(&row.url)
            .bind(&row.types)
            .bind(&row.sites)
            .bind(row.is_ordered)
            .bind(row.is_active)
            .bind(row.generation)
            .bind(row.previous_until)
            .bind(&row.key_id)
            .bind(row.revision)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        self.webhook_changed(&row, action, request).await
    }

    /// Deletes a webhook with its address; gives whether there was one. What waits is not sent.
    pub async fn delete_webhook(
        &mut self,
        key: &WebhookKey,
        now: Timestamp,
        request: &Request,
    ) -> Result<bool, Error> {
        const SQL: &str =
            "UPDATE webhook SET is_deleted = TRUE, is_active = FALSE, url = '', last_failure = '',
            failing_since = NULL, dead_since = NULL, revision = $2, updated_at = $3 WHERE id = $1";
        self.at_place(key.site.as_ref())?;
        let Some(mut row) = row_of(self.connection(), key).await? else {
            return Ok(false);
        };
        row.revision += 1;
        row.updated_at = now.as_microsecond();
        query(SQL)
            .bind(&row.id)
            .bind(row.revision)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        row.is_deleted = true;
        row.is_active = false;
        row.url.clear();
        self.webhook_changed(&row, "webhook.delete", request)
            .await?;
        Ok(true)
    }

    /// Sends a webhook nothing more, because its receiver said so; people are told.
    pub async fn stop_webhook(
        &mut self,
        key: &WebhookKey,
        because: &str,
        now: Timestamp,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE webhook SET stopped_because = $2, last_failure = $2,
            dead_since = COALESCE(dead_since, $3) WHERE id = $1 AND NOT is_deleted";
        self.everywhere()?;
        query(SQL)
            .bind(key.webhook.as_str())
            .bind(because)
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        put_on(self.connection(), &[chain(key)]).await
    }

    async fn webhook_changed(
        &mut self,
        row: &WebhookRow,
        action: &'static str,
        request: &Request,
    ) -> Result<(), Error> {
        let document = json(&WebhookRecord::from(row));
        let happening = Happening {
            chain: row.site_id.clone(),
            at: row.place().moment("updated_at", row.updated_at)?,
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
