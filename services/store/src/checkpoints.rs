//! Checkpoints: how far each chain had come at a moment, hashed one after the other and signed.
//!
//! A chain proves that nothing within it was altered; it cannot prove that its newest entries were not cut off. A
//! checkpoint names the last entry of each chain that grew. Whoever cuts a chain must forge the checkpoint, for which
//! they lack the key; whoever cuts the checkpoints too is found out by any copy of one that is kept elsewhere.

use jiff::Timestamp;
use ringtrue_fleet::key::SiteId;
use serde::{Deserialize, Serialize};

use crate::audit::digest;
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, PagePart, Read, Tx};

/// The end of a chain.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Head {
    /// The chain: a site's id, or empty for the network's own.
    #[serde(rename = "chain")]
    pub site_id: String,
    /// Place of its last entry.
    pub seq: i64,
    /// Hash of its last entry.
    pub hash: String,
}

/// What is signed; its JSON is kept as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct CheckpointDocument {
    pub(crate) number: i64,
    /// Microseconds since 1970-01-01 UTC.
    pub(crate) at_us: i64,
    /// Hash of the checkpoint before; empty at the first.
    pub(crate) previous: String,
    pub(crate) heads: Vec<Head>,
}

/// A checkpoint.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Checkpoint {
    /// Counts from 1.
    pub number: i64,
    /// Microseconds since 1970-01-01 UTC.
    pub at: i64,
    /// The signed text, JSON.
    pub document: String,
    /// SHA-256 of it, hexadecimal.
    pub hash: String,
    /// Which key signed it; empty for none.
    pub key_id: String,
    /// Ed25519 signature, hexadecimal; empty for none.
    pub signature: String,
}

impl Checkpoint {
    fn place(&self) -> Place<'_> {
        Place {
            table: "audit_checkpoint",
            key: &self.hash,
        }
    }

    pub(crate) fn content(&self) -> Result<CheckpointDocument, Error> {
        self.place().json("document", &self.document)
    }

    /// When it was made.
    pub fn made_at(&self) -> Result<Timestamp, Error> {
        self.place().moment("at", self.at)
    }

    /// The chains that it covers, with their ends; only those that `reaches` says.
    pub fn heads(&self, reaches: impl Fn(&SiteId) -> bool) -> Result<Vec<Head>, Error> {
        let mut heads = self.content()?.heads;
        heads.retain(|head| SiteId::new(&head.site_id).is_ok_and(|site| reaches(&site)));
        Ok(heads)
    }

    /// All chains that it covers, with their ends.
    pub fn all_heads(&self) -> Result<Vec<Head>, Error> {
        Ok(self.content()?.heads)
    }
}

async fn last(connection: &mut Connection) -> Result<Option<Checkpoint>, Error> {
    const SQL: &str = "SELECT * FROM audit_checkpoint ORDER BY number DESC LIMIT 1";
    let rows: Vec<Checkpoint> = query_as(SQL).fetch_all(connection).await?;
    Ok(rows.into_iter().next())
}

impl Read {
    /// The ends of the chains that grew since they were covered last, by name. For the server's own work.
    pub async fn grown_chains(&self) -> Result<Vec<Head>, Error> {
        const SQL: &str = "SELECT a.site_id, a.seq, a.hash
            FROM (SELECT id FROM site UNION ALL SELECT '' AS id) AS c
            CROSS JOIN audit AS a ON a.site_id = c.id
                AND a.seq = (SELECT MAX(seq) FROM audit WHERE site_id = c.id)
            LEFT JOIN audit_covered AS v ON v.site_id = c.id
            WHERE v.seq IS NULL OR v.seq < a.seq ORDER BY a.site_id";
        self.everywhere()?;
        Ok(query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?)
    }

    /// A page of the checkpoints after a number, in order. Whoever reaches some sites sees their ends with
    /// [`Checkpoint::heads`].
    pub async fn checkpoints(&self, after: i64, page: &Page) -> Result<Vec<Checkpoint>, Error> {
        const SQL: &str =
            "SELECT * FROM audit_checkpoint WHERE number > $1 ORDER BY number LIMIT $2";
        let last = match page.after.first() {
            Some(PagePart::Number(last)) => *last,
            _ => after,
        };
        Ok(query_as(SQL)
            .bind(last.max(after))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?)
    }
}

impl Tx {
    /// Stores a checkpoint over the ends of some chains; `sign` gives key and signature for its text, or nothing. For
    /// the server's own work.
    pub async fn put_checkpoint(
        &mut self,
        heads: Vec<Head>,
        now: Timestamp,
        sign: impl FnOnce(&str) -> Option<(String, String)>,
    ) -> Result<Checkpoint, Error> {
        const SQL: &str =
            "INSERT INTO audit_checkpoint (number, at, document, hash, key_id, signature)
            VALUES ($1, $2, $3, $4, $5, $6)";
        const COVER: &str = "INSERT INTO audit_covered (site_id, seq, number)
            SELECT json_extract(one.value, '$.chain'), CAST(json_extract(one.value, '$.seq') AS BIGINT), $2
                FROM json_each($1) AS one WHERE true
            ON CONFLICT (site_id) DO UPDATE SET seq = excluded.seq, number = excluded.number
                WHERE excluded.seq > audit_covered.seq";
        self.everywhere()?;
        let before = last(self.connection()).await?;
        let number = before.as_ref().map_or(1, |before| before.number + 1);
        let covered = json(&heads);
        let document = json(&CheckpointDocument {
            number,
            at_us: now.as_microsecond(),
            previous: before.map_or_else(String::new, |before| before.hash),
            heads,
        });
        let (key_id, signature) = sign(&document).unwrap_or_default();
        let checkpoint = Checkpoint {
            number,
            at: now.as_microsecond(),
            hash: digest(&document),
            document,
            key_id,
            signature,
        };
        query(SQL)
            .bind(checkpoint.number)
            .bind(checkpoint.at)
            .bind(&checkpoint.document)
            .bind(&checkpoint.hash)
            .bind(&checkpoint.key_id)
            .bind(&checkpoint.signature)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        query(COVER)
            .bind(covered)
            .bind(number)
            .execute(self.connection())
            .await?;
        Ok(checkpoint)
    }
}
