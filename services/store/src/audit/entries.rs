//! Entries of a chain as people read them.

use jiff::Timestamp;
use ringtrue_fleet::key::SiteId;

use super::AuditRow;
use crate::columns::Place;
use crate::database::query_as;
use crate::{Error, Page, PagePart, Read};

/// An entry of a chain, with what its subject was before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The chain; none for the network's own.
    pub site: Option<SiteId>,
    /// Its place in the chain.
    pub seq: i64,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub actor: String,
    /// From where; empty for the server's own work.
    pub origin: String,
    /// What was done.
    pub action: String,
    /// Resource name of what it was done to.
    pub subject: String,
    /// The subject after it, JSON; none for records, which never change.
    pub after: Option<String>,
    /// The subject before it; none at its first.
    pub before: Option<String>,
    /// SHA-256 of the record or document, hexadecimal.
    pub digest: String,
    /// Hash of the entry before.
    pub previous: String,
    /// Its hash.
    pub hash: String,
}

/// Which entries of a chain are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct EntryFilter {
    /// Only about this resource.
    pub subject: Option<String>,
    /// Only from this moment on.
    pub from: Option<Timestamp>,
    /// Only before this moment.
    pub until: Option<Timestamp>,
}

#[derive(sqlx::FromRow)]
struct EntryRow {
    #[sqlx(flatten)]
    entry: AuditRow,
    before: Option<String>,
}

impl EntryRow {
    fn entry(self) -> Result<Entry, Error> {
        let AuditRow {
            site_id,
            seq,
            at,
            actor,
            action,
            subject,
            document,
            digest,
            previous,
            hash,
            origin,
        } = self.entry;
        let place = Place {
            table: "audit",
            key: &subject,
        };
        let site = match site_id.as_str() {
            "" => None,
            id => Some(place.id("site_id", SiteId::new(id))?),
        };
        Ok(Entry {
            site,
            seq,
            at: place.moment("at", at)?,
            actor,
            origin,
            action,
            after: document,
            before: self.before,
            digest,
            previous,
            hash,
            subject,
        })
    }
}

impl Read {
    /// A page of a chain in its order; `None` asks for the network's own, which needs a scope that reaches every site.
    pub async fn entries(
        &self,
        site: Option<&SiteId>,
        filter: &EntryFilter,
        page: &Page,
    ) -> Result<Vec<Entry>, Error> {
        const SQL: &str =
            "SELECT a.*, (SELECT b.document FROM audit AS b WHERE b.site_id = a.site_id
                AND b.subject = a.subject AND b.seq < a.seq AND b.document IS NOT NULL
                AND a.document IS NOT NULL ORDER BY b.seq DESC LIMIT 1) AS before
            FROM audit AS a WHERE a.site_id = $1 AND a.seq > $2
            AND ($3 = '' OR a.subject = $3) AND a.at >= $4 AND a.at < $5
            ORDER BY a.seq LIMIT $6";
        self.at_place(site)?;
        let after = match page.after.first() {
            Some(PagePart::Number(seq)) => *seq,
            _ => 0,
        };
        let rows: Vec<EntryRow> = query_as(SQL)
            .bind(site.map_or("", SiteId::as_str))
            .bind(after)
            .bind(filter.subject.as_deref().unwrap_or_default())
            .bind(filter.from.map_or(i64::MIN, Timestamp::as_microsecond))
            .bind(filter.until.map_or(i64::MAX, Timestamp::as_microsecond))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(EntryRow::entry).collect()
    }
}
