//! Which sites have something to look at: a record since the last look, or a moment that was foreseen.
//!
//! Every entry in an audit chain puts its site on the agenda, in the same transaction; a look takes it off
//! only when no record came in between. So no record is missed, whichever process made it and whichever
//! looks.

use jiff::Timestamp;
use ringtrue_fleet::key::{FurnaceKey, SiteId};

use super::sites::reach;
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Read, Tx};

/// When nothing is foreseen.
const NEVER: i64 = i64::MAX;

/// Puts sites on the agenda after a record; the empty text stands for the network.
pub(crate) async fn put_on(connection: &mut Connection, sites: &[&str]) -> Result<(), Error> {
    const SQL: &str = "INSERT INTO site_agenda (site_id, next_at, changes)
        SELECT value, 0, 1 FROM json_each($1) WHERE true
        ON CONFLICT (site_id) DO UPDATE SET next_at = 0, changes = site_agenda.changes + 1";
    if sites.is_empty() {
        return Ok(());
    }
    query(SQL).bind(json(&sites)).execute(connection).await?;
    Ok(())
}

/// Puts every site on the agenda: after a change of what the network shares.
pub(crate) async fn look_everywhere(connection: &mut Connection) -> Result<(), Error> {
    const SQL: &str = "UPDATE site_agenda SET next_at = 0, changes = changes + 1";
    query(SQL).execute(connection).await?;
    Ok(())
}

/// Puts a furnace's site on the agenda when it is about to be known anew whether the furnace may drift.
pub(crate) async fn put_on_when_drift_changes(
    connection: &mut Connection,
    furnace: &FurnaceKey,
    may_drift: bool,
) -> Result<(), Error> {
    const SQL: &str = "UPDATE site_agenda SET next_at = 0, changes = changes + 1
        WHERE site_id = $1 AND EXISTS (SELECT 1 FROM tracked_offset AS t
            WHERE t.site_id = $1 AND t.furnace_id = $2 AND t.may_drift <> $3)";
    query(SQL)
        .bind(furnace.site.as_str())
        .bind(furnace.furnace.as_str())
        .bind(may_drift)
        .execute(connection)
        .await?;
    Ok(())
}

impl Read {
    /// Sites to look at now with the number of their changes: first those with a record since the last
    /// look, then those whose moment came first. None stands for what the network shares.
    pub async fn agenda(
        &self,
        now: Timestamp,
        most: u32,
    ) -> Result<Vec<(Option<SiteId>, i64)>, Error> {
        const SQL: &str = "SELECT site_id, changes FROM site_agenda WHERE next_at <= $1
            ORDER BY next_at, site_id LIMIT $2";
        self.everywhere()?;
        let rows: Vec<(String, i64)> = query_as(SQL)
            .bind(now.as_microsecond())
            .bind(i64::from(most))
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut agenda = Vec::with_capacity(rows.len());
        for (site, changes) in rows {
            let place = Place {
                table: "site_agenda",
                key: &site,
            };
            let site = place.site(&site)?;
            agenda.push((site, changes));
        }
        Ok(agenda)
    }

    /// How many sites the scope reaches, and how many changes they had in all. No change ever takes one away, so the
    /// sum stays the same only while nothing has changed.
    pub async fn changes_in_all(&self) -> Result<(i64, i64), Error> {
        const SQL: &str =
            "SELECT COUNT(*), CAST(COALESCE(SUM(changes), 0) AS BIGINT) FROM site_agenda
            WHERE site_id <> '' AND ($1 IS NULL OR site_id IN (SELECT value FROM json_each($1)))";
        Ok(query_as(SQL)
            .bind(reach(&self.scope))
            .fetch_one(&mut self.connection().await?)
            .await?)
    }

    /// The sites that the scope reaches, by id, with the number of their changes.
    pub async fn changes_of_sites(&self) -> Result<Vec<(SiteId, i64)>, Error> {
        // One text: the driver takes longer for each row than the databases do.
        const SQL: &str =
            "SELECT COALESCE(string_agg(site_id || ' ' || CAST(changes AS TEXT), ','), '')
            FROM site_agenda
            WHERE site_id <> '' AND ($1 IS NULL OR site_id IN (SELECT value FROM json_each($1)))";
        let text: String = query_scalar(SQL)
            .bind(reach(&self.scope))
            .fetch_one(&mut self.connection().await?)
            .await?;
        let mut sites = Vec::new();
        for one in text.split_terminator(',') {
            let place = Place {
                table: "site_agenda",
                key: one,
            };
            let (site, changes) = one.split_once(' ').unwrap_or((one, ""));
            let changes = place.id("changes", changes.parse::<i64>())?;
            sites.push((place.id("site_id", SiteId::new(site))?, changes));
        }
        sites.sort_unstable();
        Ok(sites)
    }

    /// How many sites wait to be looked at, and the earliest foreseen moment that has passed; none when all
    /// wait because of records, whose moment is not kept.
    pub async fn agenda_waiting(&self, now: Timestamp) -> Result<(i64, Option<Timestamp>), Error> {
        const SQL: &str =
            "SELECT COUNT(*), MIN(NULLIF(next_at, 0)) FROM site_agenda WHERE next_at <= $1";
        self.everywhere()?;
        let (count, since): (i64, Option<i64>) = query_as(SQL)
            .bind(now.as_microsecond())
            .fetch_one(&mut self.connection().await?)
            .await?;
        let place = Place {
            table: "site_agenda",
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
    /// Sites were looked at when they had so many changes, and are next to be looked at those moments; where a
    /// record came in between, a site stays on the agenda.
    pub async fn looked_at(
        &mut self,
        looks: &[(Option<SiteId>, i64, Option<Timestamp>)],
    ) -> Result<(), Error> {
        const SQL: &str =
            "UPDATE site_agenda SET next_at = CAST(json_extract(look.value, '$[2]') AS BIGINT)
            FROM json_each($1) AS look
            WHERE site_agenda.site_id = json_extract(look.value, '$[0]')
                AND site_agenda.changes = CAST(json_extract(look.value, '$[1]') AS BIGINT)";
        let mut rows = Vec::with_capacity(looks.len());
        for (site, changes, next_at) in looks {
            self.at_place(site.as_ref())?;
            rows.push((
                site.as_ref().map_or("", SiteId::as_str),
                changes,
                next_at.map_or(NEVER, Timestamp::as_microsecond),
            ));
        }
        query(SQL)
            .bind(json(&rows))
            .execute(self.connection())
            .await?;
        Ok(())
    }

    /// Every site is to be looked at again.
    pub async fn look_everywhere(&mut self) -> Result<(), Error> {
        self.everywhere()?;
        look_everywhere(self.connection()).await
    }
}
