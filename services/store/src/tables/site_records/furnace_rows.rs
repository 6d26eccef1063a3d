//! What bears on the due dates of furnaces.

use std::collections::HashMap;

use ringtrue_fleet::act::{ActSubject, Use};
use ringtrue_fleet::due::{Adjusted, Calibrated, FurnaceRecords, Latest};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeId, ReadingId, ReadingKey, SiteId};
use serde::Deserialize;

use super::{Furnaces, rows};
use crate::Error;
use crate::columns::Place;
use crate::database::Connection;
use crate::documents::evaluation::ADVICE;
use crate::tables::acts::ActRow;
use crate::tables::events;
use crate::tables::furnaces::STATES;
use crate::tables::readings::{PURPOSES, unamended_reading};
use crate::tables::sign_offs::gravest;

/// A furnace with the last firing that counts, the latest reading, and the last adjustment. Numbers are text
/// with all their digits.
#[derive(Deserialize)]
struct FurnaceRow {
    site_id: String,
    id: String,
    display_name: String,
    state: String,
    created_at: i64,
    calibrated_at: Option<i64>,
    may_drift: Option<bool>,
    fired_at: Option<i64>,
    reading_id: Option<String>,
    programme_id: Option<String>,
    measured_at: Option<i64>,
    purpose: Option<String>,
    counts: Option<bool>,
    advised_setpoint_c: Option<String>,
    advice: Option<String>,
    conformance: Option<String>,
    adjusted_at: Option<i64>,
    adjusted_programme_id: Option<String>,
    adjusted_setpoint_c: Option<String>,
    received_at: Option<i64>,
    any_rejected: Option<i64>,
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

/// Reads a number as it was written.
fn number(
    place: Place<'_>,
    column: &'static str,
    text: Option<&str>,
) -> Result<Option<f64>, Error> {
    match text {
        Some(text) => place.id(column, text.parse()).map(Some),
        None => Ok(None),
    }
}

impl FurnaceRow {
    fn calibrated(&self) -> Result<Option<Calibrated>, Error> {
        let place = Place {
            table: "tracked_offset",
            key: &self.id,
        };
        let Some(fired_at) = self.calibrated_at else {
            return Ok(None);
        };
        Ok(Some(Calibrated {
            fired_at: place.moment("last_fired_at", fired_at)?,
            may_drift: self.may_drift.unwrap_or_default(),
        }))
    }

    fn latest(&self, furnace: &FurnaceKey) -> Result<Option<Latest>, Error> {
        let (
            Some(id),
            Some(programme),
            Some(fired_at),
            Some(measured_at),
            Some(received_at),
            Some(purpose),
        ) = (
            &self.reading_id,
            &self.programme_id,
            self.fired_at,
            self.measured_at,
            self.received_at,
            &self.purpose,
        )
        else {
            return Ok(None);
        };
        let place = Place {
            table: "reading",
            key: id,
        };
        Ok(Some(Latest {
            reading: ReadingKey {
                furnace: furnace.clone(),
                reading: place.id("id", ReadingId::new(id))?,
            },
            programme: place.id("programme_id", ProgrammeId::new(programme))?,
            fired_at: place.moment("fired_at", fired_at)?,
            measured_at: place.moment("measured_at", measured_at)?,
            purpose: place.word("purpose", purpose, PURPOSES)?,
            advice: match &self.advice {
                Some(word) => Some(place.word("advice", word, ADVICE)?),
                None => None,
            },
            conformance: number(place, "conformance", self.conformance.as_deref())?,
            advised_setpoint_c: number(
                place,
                "advised_setpoint_c",
                self.advised_setpoint_c.as_deref(),
            )?,
            counts: self.counts.unwrap_or_default(),
            received_at: place.moment("received_at", received_at)?,
            signed: gravest(self.any_rejected),
        }))
    }

    fn adjusted(&self) -> Result<Option<Adjusted>, Error> {
        let place = Place {
            table: "adjustment",
            key: &self.id,
        };
        let setpoint_c = number(place, "setpoint_c", self.adjusted_setpoint_c.as_deref())?;
        let (Some(at), Some(programme), Some(setpoint_c)) =
            (self.adjusted_at, &self.adjusted_programme_id, setpoint_c)
        else {
            return Ok(None);
        };
        Ok(Some(Adjusted {
            at: place.moment("adjusted_at", at)?,
            programme: place.id("programme_id", ProgrammeId::new(programme))?,
            setpoint_c,
        }))
    }

    fn records(self) -> Result<FurnaceRecords, Error> {
        let place = Place {
            table: "furnace",
            key: &self.id,
        };
        let key = key_of("furnace", &self.site_id, &self.id)?;
        Ok(FurnaceRecords {
            state: place.word("state", &self.state, STATES)?,
            created_at: place.moment("created_at", self.created_at)?,
            calibrated: self.calibrated()?,
            latest: self.latest(&key)?,
            adjusted: self.adjusted()?,
            events: Vec::new(),
            acts: Vec::new(),
            fired: Vec::new(),
            display_name: self.display_name,
            key,
        })
    }
}

/// The last version of the reading of a furnace's latest firing: never before the last one that its tracked offset took
/// into account, so no partition of earlier years is looked into.
macro_rules! latest_reading {
    () => {
        concat!(
            "FROM reading AS latest WHERE latest.site_id = f.site_id AND latest.furnace_id = f.id
                AND latest.fired_at >= COALESCE(t.last_fired_at, -9223372036854775807) AND ",
            unamended_reading!("latest", "id"),
            " ORDER BY latest.fired_at DESC, latest.id DESC LIMIT 1"
        )
    };
}

/// The adjustment of a furnace that was made last.
macro_rules! latest_adjustment {
    () => {
        "FROM adjustment AS latest WHERE latest.site_id = f.site_id AND latest.furnace_id = f.id
            ORDER BY latest.adjusted_at DESC, latest.id DESC LIMIT 1"
    };
}

/// The furnaces of some sites. The latest reading is the last version where it was amended.
pub(super) async fn furnaces(connection: &mut Connection, sites: &str) -> Result<Furnaces, Error> {
    // The keys of the latest ones first, each by itself: PostgreSQL would ask a comparison of two columns with a
    // sub-select of every reading of the furnace.
    const SQL: &str = concat!(
        "WITH placed AS MATERIALIZED (SELECT f.site_id, f.id, f.display_name, f.state, f.created_at,
            (SELECT latest.fired_at ",
        latest_reading!(),
        ") AS latest_at,
            (SELECT latest.id ",
        latest_reading!(),
        ") AS latest_id,
            (SELECT latest.adjusted_at ",
        latest_adjustment!(),
        ") AS last_adjusted_at,
            (SELECT latest.id ",
        latest_adjustment!(),
        ") AS last_adjustment_id
            FROM json_each($1) AS wanted CROSS JOIN furnace AS f ON f.site_id = wanted.value
            LEFT JOIN tracked_offset AS t ON t.site_id = f.site_id AND t.furnace_id = f.id)
        SELECT COALESCE(CAST(json_group_array(json_array(f.site_id, f.id, f.display_name, f.state,
            f.created_at, t.last_fired_at, truth_json(t.may_drift), r.fired_at, r.id, r.programme_id,
            r.measured_at, r.purpose, truth_json(e.counts), real_text(e.advised_setpoint_c), e.advice,
            real_text(e.conformance), j.adjusted_at, j.programme_id,
            real_text(j.setpoint_c), r.received_at,
            (SELECT MAX(CASE WHEN o.meaning = 'rejected' THEN 1 ELSE 0 END) FROM sign_off AS o
                WHERE o.site_id = r.site_id AND o.furnace_id = r.furnace_id
                    AND o.subject_kind = 'reading' AND o.subject_id = r.id))) AS TEXT), '[]')
        FROM placed AS f
        LEFT JOIN tracked_offset AS t ON t.site_id = f.site_id AND t.furnace_id = f.id
        LEFT JOIN reading AS r ON r.site_id = f.site_id AND r.furnace_id = f.id
            AND r.fired_at = f.latest_at AND r.id = f.latest_id
        LEFT JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id
            AND e.fired_at = r.fired_at AND e.reading_id = r.id
        LEFT JOIN adjustment AS j ON j.site_id = f.site_id AND j.furnace_id = f.id
            AND j.adjusted_at = f.last_adjusted_at AND j.id = f.last_adjustment_id"
    );
    let found: Vec<FurnaceRow> = rows(connection, SQL, sites, "furnace").await?;
    let mut furnaces = HashMap::with_capacity(found.len());
    for row in found {
        let records = row.records()?;
        furnaces.insert(records.key.clone(), records);
    }
    Ok(furnaces)
}

/// Sites, each with a moment and the day of it, out of the JSON list `$1`; apart for the reason that [`wanted_pairs`] has.
macro_rules! wanted_since {
    () => {
        "WITH wanted AS MATERIALIZED (SELECT json_extract(value, '$[0]') AS site_id,
            CAST(json_extract(value, '$[1]') AS BIGINT) AS since, json_extract(value, '$[2]') AS since_day
            FROM json_each($1)) "
    };
}

/// What happened to each furnace, latest first; `since` is a JSON list of [site, moment, day].
pub(super) async fn add_events(
    connection: &mut Connection,
    since: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const SQL: &str = concat!(
        wanted_since!(),
        "SELECT COALESCE(CAST(json_group_array(json_array(e.happened_at, e.id, e.site_id, e.furnace_id, e.kind)) AS TEXT), '[]')
        FROM wanted CROSS JOIN furnace_event AS e ON e.site_id = wanted.site_id AND e.happened_at >= wanted.since"
    );
    let mut found: Vec<(i64, String, String, String, String)> =
        rows(connection, SQL, since, "furnace_event").await?;
    found.sort_unstable_by(|a, b| b.cmp(a));
    for (at, _, site, furnace, kind) in found {
        let place = Place {
            table: "furnace_event",
            key: &furnace,
        };
        let key = key_of("furnace_event", &site, &furnace)?;
        if let Some(records) = furnaces.get_mut(&key)
            && let Some(kind) = place.word("kind", &kind, events::KINDS)?
        {
            records
                .events
                .push((kind, place.moment("happened_at", at)?));
        }
    }
    Ok(())
}

/// Acts on each furnace, latest first; `since` is a JSON list of [site, moment, day].
pub(super) async fn add_acts(
    connection: &mut Connection,
    since: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    // The columns in the order of the row's fields.
    const SQL: &str = concat!(
        wanted_since!(),
        ", subjects AS MATERIALIZED (SELECT f.site_id, 'sites/' || f.site_id || '/furnaces/' || f.id AS subject,
            wanted.since FROM wanted CROSS JOIN furnace AS f ON f.site_id = wanted.site_id)
        SELECT COALESCE(CAST(json_group_array(json_array(a.site_id, a.subject, a.acted_at, a.id,
            a.kind, a.task, a.deferred_until, a.reason, a.from_day, a.until_day, a.firings,
            real_json(a.hours_hot), a.rings_left, truth_json(a.chamber_was_empty),
            a.performed_by, a.received_at)) AS TEXT), '[]')
        FROM subjects AS s CROSS JOIN care_act AS a ON a.site_id = s.site_id AND a.subject = s.subject
            AND a.acted_at >= s.since"
    );
    let found: Vec<ActRow> = rows(connection, SQL, since, "care_act").await?;
    for row in found {
        let act = row.act()?;
        let Some(ActSubject::Furnace(key)) = &act.details.subject else {
            continue;
        };
        if let Some(records) = furnaces.get_mut(key) {
            records.acts.push(act);
        }
    }
    for records in furnaces.values_mut() {
        records.acts.sort_unstable_by(|a, b| {
            (b.details.acted_at, &b.key.act).cmp(&(a.details.acted_at, &a.key.act))
        });
    }
    Ok(())
}

/// Reported firings of each furnace by day, in order; `since` is a JSON list of [site, moment, day].
pub(super) async fn add_firings(
    connection: &mut Connection,
    since: &str,
    furnaces: &mut Furnaces,
) -> Result<(), Error> {
    const MINUTES_PER_HOUR: f64 = 60.0;
    const SQL: &str = concat!(
        wanted_since!(),
        "SELECT COALESCE(CAST(json_group_array(json_array(d.site_id, d.furnace_id, d.ended_on, d.firings,
            d.minutes_hot)) AS TEXT), '[]')
        FROM wanted CROSS JOIN firing_day AS d ON d.site_id = wanted.site_id AND d.ended_on >= wanted.since_day
        WHERE d.firings > 0"
    );
    let found: Vec<(String, String, String, i64, i64)> =
        rows(connection, SQL, since, "firing_day").await?;
    for (site, furnace, day, firings, minutes_hot) in found {
        let place = Place {
            table: "firing_day",
            key: &furnace,
        };
        let key = key_of("firing_day", &site, &furnace)?;
        let day = place.date("ended_on", &day)?;
        if let Some(records) = furnaces.get_mut(&key) {
            records.fired.push(Use {
                from: day,
                until: day,
                firings: place.small("firings", firings)?,
                hours_hot: f64::from(place.small("minutes_hot", minutes_hot)?) / MINUTES_PER_HOUR,
            });
        }
    }
    for records in furnaces.values_mut() {
        records.fired.sort_unstable_by_key(|day| day.from);
    }
    Ok(())
}
