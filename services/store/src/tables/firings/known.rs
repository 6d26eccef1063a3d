//! What bears on reported firings: their programmes, what is on record of them, and when their furnaces
//! were at work.

use std::collections::HashMap;

use jiff::Timestamp;
use ringtrue_fleet::firing::{
    Firing, FiringDetails, KnownFirings, KnownPlace, LONGEST_HOURS, OnRecord,
};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeKey, SiteId};
use ringtrue_fleet::site::Site;

use super::row::FiringRow;
use super::unamended_firing;
use crate::columns::{Place, json};
use crate::database::{Connection, planned_anew, query_as};
use crate::tables::{adjustments, furnaces, programmes};
use crate::{Error, Tx};

/// How far apart two firings of one furnace may begin and still overlap, µs.
const LONGEST_US: i64 = LONGEST_HOURS * 3_600_000_000;

impl Tx {
    /// What bears on reported firings of a site.
    pub async fn known_firings(
        &mut self,
        site: &Site,
        reported: &[&FiringDetails],
    ) -> Result<KnownFirings, Error> {
        self.within(&site.key)?;
        let connection = self.connection();
        planned_anew(connection).await?;
        let mut named: Vec<&ProgrammeKey> = reported
            .iter()
            .filter_map(|details| details.programme.as_ref())
            .filter(|programme| programme.furnace.site == site.key)
            .collect();
        named.sort_unstable();
        named.dedup();
        let ids: Vec<&str> = reported
            .iter()
            .map(|details| details.external_id.as_str())
            .collect();
        Ok(KnownFirings {
            site: site.key.clone(),
            zone: site.details.zone(),
            places: places(connection, &named).await?,
            on_record: on_record(connection, &site.key, &ids).await?,
            at_work: at_work(connection, reported).await?,
        })
    }
}

async fn places(
    connection: &mut Connection,
    named: &[&ProgrammeKey],
) -> Result<HashMap<ProgrammeKey, KnownPlace>, Error> {
    let mut keys: Vec<(&str, &str)> = Vec::with_capacity(named.len());
    let mut wanted: Vec<(&str, &str, &str)> = Vec::with_capacity(named.len());
    for programme in named {
        let furnace = &programme.furnace;
        keys.push((furnace.site.as_str(), furnace.furnace.as_str()));
        wanted.push((
            furnace.site.as_str(),
            furnace.furnace.as_str(),
            programme.programme.as_str(),
        ));
    }
    keys.dedup();
    let mut states = HashMap::new();
    for furnace in furnaces::furnaces_of(connection, &json(&keys)).await? {
        states.insert(furnace.key.clone(), furnace.details.state);
    }
    let mut places = HashMap::new();
    for programme in programmes::programmes_of(connection, &json(&wanted)).await? {
        let furnace = &programme.key.furnace;
        let Some(furnace_state) = states.get(furnace).copied() else {
            continue;
        };
        let mut adjusted = Vec::new();
        if programme.details.last_change.is_some() {
            for adjustment in adjustments::adjustments_of(connection, furnace).await? {
                let details = &adjustment.details;
                if details.programme.as_ref() == Some(&programme.key)
                    && let Some(at) = details.adjusted_at
                {
                    adjusted.push((at, adjustment.previous_setpoint_c));
                }
            }
        }
        let place = KnownPlace {
            furnace_state,
            adjusted,
            programme,
        };
        places.insert(place.programme.key.clone(), place);
    }
    Ok(places)
}

/// Firings on record by the reporting system's ids, each with the versions before it.
pub(super) async fn on_record(
    connection: &mut Connection,
    site: &SiteId,
    external_ids: &[&str],
) -> Result<HashMap<String, OnRecord>, Error> {
    // Each id by itself: while many firings come in, what PostgreSQL knows of the table lags behind, and it would
    // read all of the site's ids to find a few.
    const SQL: &str = "WITH wanted AS MATERIALIZED (SELECT
            (SELECT e.furnace_id FROM firing_external AS e
                WHERE e.site_id = $1 AND e.external_id = listed.value) AS furnace_id,
            (SELECT e.ended_at FROM firing_external AS e
                WHERE e.site_id = $1 AND e.external_id = listed.value) AS ended_at,
            (SELECT e.firing_id FROM firing_external AS e
                WHERE e.site_id = $1 AND e.external_id = listed.value) AS firing_id
            FROM json_each($2) AS listed)
        SELECT f.* FROM wanted CROSS JOIN firing AS f ON f.site_id = $1
            AND f.furnace_id = wanted.furnace_id AND f.ended_at = wanted.ended_at
            AND f.id = wanted.firing_id
        WHERE wanted.firing_id IS NOT NULL";
    let rows: Vec<FiringRow> = query_as(SQL)
        .bind(site.as_str())
        .bind(json(&external_ids))
        .fetch_all(&mut *connection)
        .await?;
    let mut found = HashMap::with_capacity(rows.len());
    for row in rows {
        let latest = row.firing()?;
        let mut earlier: Vec<Firing> = Vec::new();
        let mut amends = latest.amends.clone();
        while let Some(firing) = amends.take() {
            let key = ringtrue_fleet::key::FiringKey {
                furnace: latest.key.furnace.clone(),
                firing,
            };
            let Some(version) = super::kept(connection, &key).await? else {
                break;
            };
            amends.clone_from(&version.firing.amends);
            earlier.push(version.firing);
        }
        let external_id = latest.details.external_id.clone();
        found.insert(external_id, OnRecord { latest, earlier });
    }
    Ok(found)
}

#[derive(sqlx::FromRow)]
struct BusyRow {
    site_id: String,
    furnace_id: String,
    started_at: i64,
    ended_at: i64,
    external_id: String,
}

/// When each furnace was at work near the reported firings.
async fn at_work(
    connection: &mut Connection,
    reported: &[&FiringDetails],
) -> Result<HashMap<FurnaceKey, Vec<(Timestamp, Timestamp, String)>>, Error> {
    const SQL: &str = concat!(
        "WITH wanted AS MATERIALIZED (
            SELECT json_extract(value, '$[0]') AS site_id, json_extract(value, '$[1]') AS furnace_id,
                CAST(json_extract(value, '$[2]') AS BIGINT) AS first,
                CAST(json_extract(value, '$[3]') AS BIGINT) AS last
            FROM json_each($1))
        SELECT f.site_id, f.furnace_id, f.started_at, f.ended_at, f.external_id
        FROM wanted CROSS JOIN firing AS f ON f.site_id = wanted.site_id
            AND f.furnace_id = wanted.furnace_id AND f.ended_at > wanted.first
            AND f.ended_at < wanted.last + $2
        WHERE f.started_at < wanted.last AND f.outcome <> 'cancelled' AND ",
        unamended_firing!("f", "id")
    );
    let wanted = spans(reported);
    let rows: Vec<BusyRow> = query_as(SQL)
        .bind(json(&wanted))
        .bind(LONGEST_US)
        .fetch_all(connection)
        .await?;
    let mut at_work: HashMap<FurnaceKey, Vec<(Timestamp, Timestamp, String)>> = HashMap::new();
    for row in rows {
        let place = Place {
            table: "firing",
            key: &row.external_id,
        };
        let furnace = FurnaceKey {
            site: place.id("site_id", SiteId::new(&row.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&row.furnace_id))?,
        };
        let start = place.moment("started_at", row.started_at)?;
        let end = place.moment("ended_at", row.ended_at)?;
        at_work
            .entry(furnace)
            .or_default()
            .push((start, end, row.external_id));
    }
    Ok(at_work)
}

/// The spans that are looked at: those of one furnace that lie close together as one, so that a report in
/// order of time takes one look for each furnace, and one in any order does not read a furnace's whole
/// history.
fn spans<'d>(reported: &[&'d FiringDetails]) -> Vec<(&'d str, &'d str, i64, i64)> {
    let mut single: Vec<(&FurnaceKey, i64, i64)> = Vec::with_capacity(reported.len());
    for details in reported {
        if let (Some(programme), Some(start), Some(end)) =
            (&details.programme, details.started_at, details.ended_at)
        {
            single.push((
                &programme.furnace,
                start.as_microsecond(),
                end.as_microsecond(),
            ));
        }
    }
    single.sort_unstable();
    let mut merged: Vec<(&FurnaceKey, i64, i64)> = Vec::new();
    for (furnace, start, end) in single {
        match merged.last_mut() {
            Some((last, _, until))
                if *last == furnace && start <= until.saturating_add(LONGEST_US) =>
            {
                *until = end.max(*until);
            }
            _ => merged.push((furnace, start, end)),
        }
    }
    let mut wanted = Vec::with_capacity(merged.len());
    for (furnace, start, end) in merged {
        wanted.push((furnace.site.as_str(), furnace.furnace.as_str(), start, end));
    }
    wanted
}
