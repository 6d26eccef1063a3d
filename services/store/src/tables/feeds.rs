//! Calendar feeds. The secret in a feed's address is kept nowhere, only its digest.

use jiff::Timestamp;
use ringtrue_fleet::delivery::Feed;
use ringtrue_fleet::key::{FeedId, FeedKey, SiteId};
use serde::{Deserialize, Serialize};

use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{query, query_as};
use crate::{Error, Read, Request, Tx};

/// A row of `calendar_feed`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct FeedRow {
    site_id: String,
    id: String,
    display_name: String,
    secret_digest: String,
    is_revoked: bool,
    created_at: i64,
}

impl FeedRow {
    pub(crate) fn name(&self) -> String {
        format!("sites/{}/calendarFeeds/{}", self.site_id, self.id)
    }

    pub(crate) fn feed(self) -> Result<Feed, Error> {
        let place = Place {
            table: "calendar_feed",
            key: &self.id,
        };
        Ok(Feed {
            key: FeedKey {
                site: place.id("site_id", SiteId::new(&self.site_id))?,
                feed: place.id("id", FeedId::new(&self.id))?,
            },
            created_at: place.moment("created_at", self.created_at)?,
            display_name: self.display_name,
        })
    }
}

impl Read {
    /// A site's feeds that were not revoked, by id.
    pub async fn feeds(&self, site: &SiteId) -> Result<Vec<Feed>, Error> {
        const SQL: &str = "SELECT * FROM calendar_feed WHERE site_id = $1 AND NOT is_revoked
            ORDER BY id";
        self.within(site)?;
        let rows: Vec<FeedRow> = query_as(SQL)
            .bind(site.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(FeedRow::feed).collect()
    }

    /// The feed of a secret by the secret's SHA-256, hexadecimal; none when it was revoked. For the server's
    /// own work: whoever knows the secret may read the feed.
    pub async fn feed_of_secret(&self, digest: &str) -> Result<Option<Feed>, Error> {
        const SQL: &str = "SELECT * FROM calendar_feed WHERE secret_digest = $1 AND NOT is_revoked";
        self.everywhere()?;
        let rows: Vec<FeedRow> = query_as(SQL)
            .bind(digest)
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().next().map(FeedRow::feed).transpose()
    }
}

impl Tx {
    /// Stores a new feed with the SHA-256 of its secret, hexadecimal. Fails with [`Error::Exists`] when its
    /// id is taken.
    pub async fn insert_feed(
        &mut self,
        feed: &Feed,
        secret_digest: &str,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO calendar_feed (site_id, id, display_name, secret_digest,
                is_revoked, created_at)
            VALUES ($1, $2, $3, $4, FALSE, $5)";
        self.within(&feed.key.site)?;
        let row = FeedRow {
            site_id: feed.key.site.to_string(),
            id: feed.key.feed.to_string(),
            display_name: feed.display_name.clone(),
            secret_digest: secret_digest.to_owned(),
            is_revoked: false,
            created_at: feed.created_at.as_microsecond(),
        };
        query(SQL)
            .bind(&row.site_id)
            .bind(&row.id)
            .bind(&row.display_name)
            .bind(&row.secret_digest)
            .bind(row.created_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        self.feed_changed(&row, "feed.create", feed.created_at, request)
            .await
    }

    /// Revokes a feed; gives whether there was one.
    pub async fn revoke_feed(
        &mut self,
        key: &FeedKey,
        now: Timestamp,
        request: &Request,
    ) -> Result<bool, Error> {
        const FEED: &str =
            "SELECT * FROM calendar_feed WHERE site_id = $1 AND id = $2 AND NOT is_revoked";
        const SQL: &str =
            "UPDATE calendar_feed SET is_revoked = TRUE WHERE site_id = $1 AND id = $2";
        self.within(&key.site)?;
        let rows: Vec<FeedRow> = query_as(FEED)
            .bind(key.site.as_str())
            .bind(key.feed.as_str())
            .fetch_all(self.connection())
            .await?;
        let Some(mut row) = rows.into_iter().next() else {
            return Ok(false);
        };
        query(SQL)
            .bind(key.site.as_str())
            .bind(key.feed.as_str())
            .execute(self.connection())
            .await?;
        row.is_revoked = true;
        self.feed_changed(&row, "feed.revoke", now, request).await?;
        Ok(true)
    }

    async fn feed_changed(
        &mut self,
        row: &FeedRow,
        action: &'static str,
        at: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        let document = json(row);
        let happening = Happening {
            chain: row.site_id.clone(),
            at,
            by: By::of(&self.scope),
            action,
            subject: row.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        self.append(vec![happening]).await
    }
}
