//! What bears on the due dates of furnaces.

use std::collections::HashMap;

use ringtrue_fleet::act::ActSubject;
use ringtrue_fleet::due::{Adjusted, Calibrated, FurnaceRecords, Latest};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeId, ReadingId, ReadingKey, SiteId};
use sqlx::sqlite::SqliteConnection;

use super::{Furnaces, moment};
use crate::Error;
use crate::columns::Place;
use crate::documents::evaluation::ADVICE;
use crate::tables::acts::ActRow;
use crate::tables::events;
use crate::tables::furnaces::STATES;
use crate::tables::readings::PURPOSES;

#[derive(sqlx::FromRow)]
struct FurnaceRow {
    site_id: String,
    id: String,
    display_name: String,
    state: String,
    created_at: i64,
    last_fired_at: Option<i64>,
    may_drift: Option<bool>,
}

fn key_of(table: &'static str, site: &str, furnace: &str) -> Result<FurnaceKey, Error> {
    let place = Place {
        table,
        key: furnace,
    };
    Ok(FurnaceKey {
        site: place.id("site_id", SiteId::new(site))?,
        furnace: place.id("furnace_id", FurnaceId::new(furnace))?,
    })
}

/// The furnaces of some sites with the last firing that counts.
pub(super) async fn furnaces(
    connection: &mut SqliteConnection,
    sites: &str,
) -> Result<Furnaces, Error> {
    const SQL: &str = "SELECT f.site_id, f.id, f.display_name, f.state, f.created_at,
            t.last_fired_at, t.may_drift
        FROM json_each($1) AS wanted CROSS JOIN furnace AS f ON f.site_id = wanted.value
        LEFT JOIN tracked_offset AS t ON t.site_id = f.site_id AND t.furnace_id = f.id";
    let rows: Vec<FurnaceRow> = sqlx::query_as(SQL)
        .bind(sites)
        .fetch_all(connection)
        .await?;
    let mut furnaces = HashMap::with_capacity(rows.len());
    for row in rows {
        let place = Place {
            table: "furnace",
            key: &row.id,
        };
        let key = key_of("furnace", &row.site_id, &row.id)?;
        let calibrated = match row.last_fired_at {
            Some(at) => Some(Calibrated {
                fired_at: place.moment("last_fired_at", at)?,
                may_drift: row.may_drift.unwrap_or_default(),
            }),
            None => None,
        };
        let records = FurnaceRecords {
            key: key.clone(),
            state: place.word("state", &row.state, STATES)?,
            created_at: place.moment("created_at", row.created_at)?,
            display_name: row.display_name,
            calibrated,
            latest: None,
            adjusted: None,
            events: Vec::new(),
            acts: Vec::new(),
        };
        furnaces.insert(key, records);
    }
    Ok(furnaces)
}

#[derive(sqlx::FromRow)]
struct LatestRow {
    site_id: String,
    furnace_id: String,
    fired_at: i64,
    id: String,
    programme_id: String,
    measured_at: i64,
    purpose: String,
    counts: bool,
    advised_setpoint_c: Option<f64>,
    advice: Option<String>,
    conformance: Option<f64>,
}

/// The reading of the latest firing of each furnace, the last version where it was amended.
pub(super) async fn add_latest(
    connection: &mut SqliteConnection,
    sites: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const SQL: &str = "SELECT r.site_id, r.furnace_id, r.fired_at, r.id, r.programme_id,
            r.measured_at, r.purpose, e.counts, e.advised_setpoint_c, e.advice, e.conformance
        FROM json_each($1) AS wanted
        CROSS JOIN furnace AS f ON f.site_id = wanted.value
        CROSS JOIN reading AS r ON r.rowid = (SELECT latest.rowid FROM reading AS latest
            WHERE latest.site_id = f.site_id AND latest.furnace_id = f.id
                AND NOT EXISTS (SELECT 1 FROM amendment AS a WHERE a.site_id = latest.site_id
                    AND a.furnace_id = latest.furnace_id AND a.reading_id = latest.id)
            ORDER BY latest.fired_at DESC, latest.id DESC LIMIT 1)
        CROSS JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id
            AND e.fired_at = r.fired_at AND e.reading_id = r.id";
    let rows: Vec<LatestRow> = sqlx::query_as(SQL)
        .bind(sites)
        .fetch_all(connection)
        .await?;
    for row in rows {
        let place = Place {
            table: "reading",
            key: &row.id,
        };
        let key = key_of("reading", &row.site_id, &row.furnace_id)?;
        let Some(furnace) = furnaces.get_mut(&key) else {
            continue;
        };
        furnace.latest = Some(Latest {
            reading: ReadingKey {
                furnace: key,
                reading: place.id("id", ReadingId::new(&row.id))?,
            },
            programme: place.id("programme_id", ProgrammeId::new(&row.programme_id))?,
            fired_at: place.moment("fired_at", row.fired_at)?,
            measured_at: place.moment("measured_at", row.measured_at)?,
            purpose: place.word("purpose", &row.purpose, PURPOSES)?,
            advice: match &row.advice {
                Some(word) => Some(place.word("advice", word, ADVICE)?),
                None => None,
            },
            conformance: row.conformance,
            advised_setpoint_c: row.advised_setpoint_c,
            counts: row.counts,
        });
    }
    Ok(())
}

#[derive(sqlx::FromRow)]
struct AdjustedRow {
    site_id: String,
    furnace_id: String,
    adjusted_at: i64,
    programme_id: String,
    setpoint_c: f64,
}

/// The adjustment of each furnace that was made last.
pub(super) async fn add_adjusted(
    connection: &mut SqliteConnection,
    sites: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const SQL: &str = "SELECT j.site_id, j.furnace_id, j.adjusted_at, j.programme_id, j.setpoint_c
        FROM json_each($1) AS wanted
        CROSS JOIN furnace AS f ON f.site_id = wanted.value
        CROSS JOIN adjustment AS j ON j.rowid = (SELECT latest.rowid FROM adjustment AS latest
            WHERE latest.site_id = f.site_id AND latest.furnace_id = f.id
            ORDER BY latest.adjusted_at DESC, latest.id DESC LIMIT 1)";
    let rows: Vec<AdjustedRow> = sqlx::query_as(SQL)
        .bind(sites)
        .fetch_all(connection)
        .await?;
    for row in rows {
        let place = Place {
            table: "adjustment",
            key: &row.furnace_id,
        };
        let key = key_of("adjustment", &row.site_id, &row.furnace_id)?;
        if let Some(furnace) = furnaces.get_mut(&key) {
            furnace.adjusted = Some(Adjusted {
                at: place.moment("adjusted_at", row.adjusted_at)?,
                programme: place.id("programme_id", ProgrammeId::new(&row.programme_id))?,
                setpoint_c: row.setpoint_c,
            });
        }
    }
    Ok(())
}

/// What happened to each furnace, latest first; `since` is a JSON list of [site, moment].
pub(super) async fn add_events(
    connection: &mut SqliteConnection,
    since: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const SQL: &str = "SELECT e.site_id, e.furnace_id, e.happened_at, e.kind
        FROM json_each($1) AS wanted
        CROSS JOIN furnace_event AS e ON e.site_id = json_extract(wanted.value, '$[0]')
            AND e.happened_at >= json_extract(wanted.value, '$[1]')
        ORDER BY e.happened_at DESC, e.id DESC";
    let rows: Vec<(String, String, i64, String)> = sqlx::query_as(SQL)
        .bind(since)
        .fetch_all(connection)
        .await?;
    for (site, furnace, at, kind) in rows {
        let place = Place {
            table: "furnace_event",
            key: &furnace,
        };
        let key = key_of("furnace_event", &site, &furnace)?;
        if let Some(records) = furnaces.get_mut(&key)
            && let Some(kind) = place.word("kind", &kind, events::KINDS)?
        {
            let at = moment("furnace_event", &furnace, "happened_at", at)?;
            records.events.push((kind, at));
        }
    }
    Ok(())
}

/// Acts on each furnace, latest first; `since` is a JSON list of [site, moment].
pub(super) async fn add_acts(
    connection: &mut SqliteConnection,
    since: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const SQL: &str = "SELECT a.* FROM json_each($1) AS wanted
        CROSS JOIN furnace AS f ON f.site_id = json_extract(wanted.value, '$[0]')
        CROSS JOIN care_act AS a ON a.site_id = f.site_id
            AND a.subject = 'sites/' || f.site_id || '/furnaces/' || f.id
            AND a.acted_at >= json_extract(wanted.value, '$[1]')
        ORDER BY a.acted_at DESC, a.id DESC";
    let rows: Vec<ActRow> = sqlx::query_as(SQL)
        .bind(since)
        .fetch_all(connection)
        .await?;
    for row in rows {
        let act = row.act()?;
        let Some(ActSubject::Furnace(key)) = &act.details.subject else {
            continue;
        };
        if let Some(records) = furnaces.get_mut(key) {
            records.acts.push(act);
        }
    }
    Ok(())
}
