//! The change feed: what it tells, and how far it has come.
//!
//! Entries are numbered after their commit, by whoever holds the feed's number. One reading of everything at one
//! moment finds what is new, so nothing that was committed before something else comes after it: a chain that grew is
//! found by the count of its site on the agenda, which every entry raises in its own transaction. What was numbered
//! and how far that goes is written in one transaction, so nothing is missed and nothing told twice when a server dies.

mod unfed;

use jiff::Timestamp;
use ringtrue_fleet::change::{ActorKind, Change, Position};
use ringtrue_fleet::key::SiteId;

use super::readings::chunks;
use super::sites::reach;
use crate::columns::{Place, json};
use crate::database::{
    Connection, Sequence, Word, hold_sequence, insert_rows, query, query_as, query_scalar, say,
};
use crate::{Error, Read, Tx};

pub use unfed::Unfed;

/// Which changes are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ChangeFilter {
    /// Of this site; of all that the scope reaches, and those that everybody sees, when none.
    pub site: Option<SiteId>,
    /// Types, or words before their dot; all when empty.
    pub types: Vec<String>,
}

/// What a turn of the feed did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Fed {
    /// Changes that got their numbers.
    pub numbered: usize,
    /// Whether more wait.
    pub has_more: bool,
}

/// A row of `change`.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub(super) struct ChangeRow {
    seq: i64,
    site_id: String,
    sequence: i64,
    kind: String,
    subject: String,
    about: String,
    reading: String,
    at: i64,
    actor_kind: String,
    is_shared: bool,
    mark: String,
}

impl ChangeRow {
    pub(super) fn change(self) -> Result<Change, Error> {
        let key = self.seq.to_string();
        let place = Place {
            table: "change",
            key: &key,
        };
        Ok(Change {
            site: place.site(&self.site_id)?,
            at: place.moment("at", self.at)?,
            actor: ActorKind::parse(&self.actor_kind).ok_or_else(|| place.corrupt("actor_kind"))?,
            position: Position {
                number: self.seq,
                mark: self.mark,
            },
            kind: self.kind,
            name: self.subject,
            is_shared: self.is_shared,
            sequence: self.sequence,
            reading: self.reading,
            subject: self.about,
        })
    }
}

/// How far the feed has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
struct Log {
    last_seq: i64,
    alerts_seq: i64,
}

async fn log(connection: &mut Connection) -> Result<Log, Error> {
    const SQL: &str = "SELECT last_seq, alerts_seq FROM change_log";
    Ok(query_as(SQL).fetch_one(connection).await?)
}

impl Read {
    /// The end of the feed. For the server's own work: it is the same for everybody.
    pub async fn end_of_changes(&self) -> Result<Position, Error> {
        self.everywhere()?;
        let mut connection = self.connection().await?;
        let last = log(&mut connection).await?.last_seq;
        let mark = mark(&mut connection, last).await?;
        Ok(match mark {
            Some(mark) => Position { number: last, mark },
            None => Position::beginning(),
        })
    }

    /// The mark of a change, by its number; none when it is not kept. For the server's own work, as above.
    pub async fn change_mark(&self, number: i64) -> Result<Option<String>, Error> {
        self.everywhere()?;
        mark(&mut self.connection().await?, number).await
    }

    /// The number of the oldest change that is kept; none while there is none. For the server's own work.
    pub async fn oldest_change(&self) -> Result<Option<i64>, Error> {
        const SQL: &str = "SELECT MIN(seq) FROM change";
        self.everywhere()?;
        Ok(query_scalar(SQL)
            .fetch_one(&mut self.connection().await?)
            .await?)
    }

    /// Changes after a number and not beyond another one, oldest first. What everybody sees is given whatever the
    /// scope; the rest of what is the network's only to a scope of all sites.
    pub async fn changes(
        &self,
        filter: &ChangeFilter,
        after: i64,
        until: i64,
        most: u32,
    ) -> Result<Vec<Change>, Error> {
        const SQL: &str = "SELECT * FROM change WHERE seq > $1 AND seq <= $2
                AND ($3 IS NULL OR site_id = $3)
                AND (is_shared OR $4 IS NULL OR site_id IN (SELECT value FROM json_each($4)))
                AND ($5 IS NULL OR EXISTS (SELECT 1 FROM json_each($5) AS wanted
                    WHERE kind = wanted.value OR substr(kind, 1, length(wanted.value) + 1) = wanted.value || '.'))
            ORDER BY seq LIMIT $6";
        if let Some(site) = &filter.site {
            self.within(site)?;
        }
        let types = (!filter.types.is_empty()).then(|| json(&filter.types));
        let rows: Vec<ChangeRow> = query_as(SQL)
            .bind(after)
            .bind(until)
            .bind(filter.site.as_ref().map(SiteId::as_str))
            .bind(reach(&self.scope))
            .bind(types)
            .bind(i64::from(most))
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(ChangeRow::change).collect()
    }
}

async fn mark(connection: &mut Connection, number: i64) -> Result<Option<String>, Error> {
    const SQL: &str = "SELECT mark FROM change WHERE seq = $1";
    let marks: Vec<String> = query_scalar(SQL).bind(number).fetch_all(connection).await?;
    Ok(marks.into_iter().next())
}

impl Tx {
    /// Numbers what was found new. Does nothing when somebody else has numbered since it was looked: it is to be
    /// looked again.
    pub async fn feed_changes(&mut self, unfed: Unfed) -> Result<Fed, Error> {
        const LOG: &str = "UPDATE change_log SET last_seq = $1, alerts_seq = $2";
        const PLACES: &str = "INSERT INTO change_place (site_id, seen_changes, audit_seq, sequence)
            SELECT json_extract(one.value, '$[0]'), CAST(json_extract(one.value, '$[1]') AS BIGINT),
                CAST(json_extract(one.value, '$[2]') AS BIGINT), CAST(json_extract(one.value, '$[3]') AS BIGINT)
                FROM json_each($1) AS one WHERE true
            ON CONFLICT (site_id) DO UPDATE SET seen_changes = excluded.seen_changes,
                audit_seq = excluded.audit_seq, sequence = excluded.sequence";
        self.everywhere()?;
        let connection = self.connection();
        hold_sequence(connection, Sequence::Changes).await?;
        let now = log(connection).await?;
        let again = Fed {
            numbered: 0,
            has_more: true,
        };
        if (now.last_seq, now.alerts_seq) != unfed.found_at() {
            return Ok(again);
        }
        let turn = unfed.numbered();
        for part in chunks(&turn.rows) {
            insert_rows(connection, "INSERT INTO change (seq, site_id, sequence, kind, subject, about, reading, at, actor_kind,
                is_shared, mark) ", "", part, |row, change| {
                row.push(change.seq)
                    .push(&change.site_id)
                    .push(change.sequence)
                    .push(&change.kind)
                    .push(&change.subject)
                    .push(&change.about)
                    .push(&change.reading)
                    .push(change.at)
                    .push(change.actor_kind)
                    .push(change.is_shared)
                    .push(&change.mark);
            })
            .await?;
        }
        query(PLACES)
            .bind(json(&turn.places))
            .execute(connection)
            .await?;
        query(LOG)
            .bind(now.last_seq + i64::try_from(turn.rows.len()).unwrap_or_default())
            .bind(turn.alerts_seq)
            .execute(connection)
            .await?;
        if !turn.rows.is_empty() {
            say(connection, Word::Changes).await?;
        }
        Ok(Fed {
            numbered: turn.rows.len(),
            has_more: turn.has_more,
        })
    }

    /// Puts away changes that happened before a moment, at most so many, oldest first and without gaps; the last change
    /// stays, whenever it was. Gives how many went.
    pub async fn forget_changes(&mut self, before: Timestamp, most: u32) -> Result<u64, Error> {
        const KEPT: &str = "SELECT seq FROM change WHERE at >= $1 ORDER BY seq LIMIT 1";
        const SQL: &str = "DELETE FROM change WHERE seq < $1
            AND seq < (SELECT MIN(seq) FROM change) + $2";
        const SENT: &str =
            "DELETE FROM webhook_delivery WHERE change_seq < (SELECT MIN(seq) FROM change)";
        self.everywhere()?;
        let connection = self.connection();
        let last = log(connection).await?.last_seq;
        let kept: Vec<i64> = query_scalar(KEPT)
            .bind(before.as_microsecond())
            .fetch_all(connection)
            .await?;
        let first_kept = kept.first().map_or(last, |kept| (*kept).min(last));
        let gone = query(SQL)
            .bind(first_kept)
            .bind(i64::from(most))
            .execute(connection)
            .await?;
        if gone > 0 {
            query(SENT).execute(connection).await?;
        }
        Ok(gone)
    }
}
