//! Everything on record that bears on some reported readings, loaded with one statement per table
//! however many readings there are.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_calibration::gauge::Pooled;
use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::key::{
    FurnaceId, FurnaceKey, GaugeKey, ProgrammeKey, ReadingId, ReadingKey, SiteId,
};
use ringtrue_fleet::knowledge::{Fit, Knowledge};
use ringtrue_fleet::reading::{
    Known, KnownRings, Method, Report, RingMeasurement, SameFiring, Twin,
};
use ringtrue_fleet::rule::RuleBook;
use ringtrue_fleet::tracking::TrackedOffset;

use super::unamended_reading;
use crate::columns::{Place, json};
use crate::database::{Connection, query_as, query_scalar};
use crate::fitted::Fitted;
use crate::reference::{Reference, versions};
use crate::tables::{events, furnaces, gauges, tracked};
use crate::{Error, Read, Store, Tx};

/// Two reports within this time may be of one firing, µs.
const SAME_FIRING_US: i64 = 6 * 3600 * 1_000_000;

/// What is on record about the furnaces, programmes, batches and gauges of some reports.
#[derive(Debug)]
pub struct ReadingKnowledge {
    reference: Arc<Reference>,
    fitted: Fitted,
    pooled: HashMap<GaugeKey, Pooled>,
    tracked: HashMap<FurnaceKey, TrackedOffset>,
    near: Vec<NearFiring>,
    in_force: HashMap<(ProgrammeKey, i64), f64>,
    fired_rings: HashMap<(String, String), ReadingKey>,
}

/// Something that a report names is not on record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// Its resource type, for example `ringtrue.v1/Furnace`.
    pub kind: &'static str,
    /// Its resource name.
    pub name: String,
}

#[derive(Debug)]
struct NearFiring {
    programme: ProgrammeKey,
    fired_at: Timestamp,
    same: SameFiring,
}

/// Of a site whose rules were not asked for: none of these reports is of it.
static NO_RULES: RuleBook = RuleBook(Vec::new());

impl ReadingKnowledge {
    /// The last fit.
    pub fn fit(&self) -> &Fit {
        &self.fitted.fit
    }

    /// What bears on one of the reports. `amended` is the reading that it corrects, which is then not
    /// mistaken for another report of the same firing.
    pub fn known<'a>(
        &'a self,
        report: &Report,
        amended: Option<&ReadingId>,
    ) -> Result<Known<'a>, Missing> {
        let furnace_key = &report.programme.furnace;
        let missing = |kind, name| Missing { kind, name };
        let site = self
            .reference
            .sites
            .get(&furnace_key.site)
            .ok_or_else(|| missing("ringtrue.v1/Site", furnace_key.site.name()))?;
        let (furnace, events) = self
            .reference
            .furnaces
            .get(furnace_key)
            .ok_or_else(|| missing("ringtrue.v1/Furnace", furnace_key.name()))?
            .as_ref();
        let programme = self
            .reference
            .programmes
            .get(&report.programme)
            .ok_or_else(|| missing("ringtrue.v1/Programme", report.programme.name()))?;
        let rings = match &report.method {
            Method::Thermocouple(_) => None,
            Method::Rings(measured) => Some(self.known_rings(report, measured, amended)?),
        };
        let same_firing = self
            .near
            .iter()
            .find(|near| {
                near.programme == report.programme
                    && (near.fired_at.as_microsecond() - report.fired_at.as_microsecond()).abs()
                        <= SAME_FIRING_US
                    && Some(&near.same.reading) != amended
            })
            .map(|near| near.same.clone());
        let site_fit = self.fitted.sites.get(&furnace_key.site);
        let checks = self.reference.checks.get(&furnace_key.site);
        let knowledge = Knowledge {
            site: &site.key,
            fit: &self.fitted.fit,
            site_fit: site_fit.and_then(|fit| fit.as_deref()),
            checks: checks.map_or(&[], |checks| checks.as_slice()),
        };
        Ok(Known {
            rules: self
                .reference
                .rules
                .get(&furnace_key.site)
                .map_or(&NO_RULES, Arc::as_ref),
            site,
            knowledge,
            furnace,
            programme,
            rings,
            tracked: self.tracked.get(furnace_key),
            newer_reading: false,
            setpoint_in_force_c: self
                .in_force
                .get(&(report.programme.clone(), report.fired_at.as_microsecond()))
                .copied(),
            events,
            // Loaded only when a reading looks strange: see `Tx::twins`.
            twins: Vec::new(),
            same_firing,
        })
    }

    fn known_rings<'a>(
        &'a self,
        report: &Report,
        measured: &RingMeasurement,
        amended: Option<&ReadingId>,
    ) -> Result<KnownRings<'a>, Missing> {
        let batch = self
            .reference
            .batches
            .get(&measured.batch)
            .ok_or_else(|| Missing {
                kind: "ringtrue.v1/RingBatch",
                name: measured.batch.name(),
            })?;
        let (gauge, checks) = self
            .reference
            .gauges
            .get(&measured.gauge)
            .ok_or_else(|| Missing {
                kind: "ringtrue.v1/Gauge",
                name: measured.gauge.name(),
            })?
            .as_ref();
        // A check made after the measurement says nothing about the gauge then.
        let check = checks.iter().find(|check| {
            check
                .details
                .checked_at
                .is_some_and(|at| at <= report.measured_at)
        });
        let mut used_ring = None;
        for ring in &measured.rings {
            let key = (measured.batch.to_string(), ring.serial_number.clone());
            if let Some(reading) = self.fired_rings.get(&key)
                && Some(&reading.reading) != amended
            {
                used_ring = Some((ring.serial_number.clone(), reading.clone()));
            }
        }
        Ok(KnownRings {
            batch,
            gauge,
            checks,
            check,
            pooled: self.pooled.get(&measured.gauge).copied(),
            other_batches: self
                .reference
                .released
                .iter()
                .filter(|other| other.key != measured.batch)
                .map(Arc::as_ref)
                .collect(),
            used_ring,
        })
    }
}

#[derive(sqlx::FromRow)]
struct NearRow {
    site_id: String,
    furnace_id: String,
    programme_id: String,
    fired_at: i64,
    id: String,
    performed_by: String,
    measured_at: i64,
}

impl NearRow {
    fn near(self) -> Result<NearFiring, Error> {
        let place = Place {
            table: "reading",
            key: &self.id,
        };
        Ok(NearFiring {
            programme: place.id(
                "programme_id",
                ProgrammeKey::parse(&format!(
                    "sites/{}/furnaces/{}/programmes/{}",
                    self.site_id, self.furnace_id, self.programme_id
                )),
            )?,
            fired_at: place.moment("fired_at", self.fired_at)?,
            same: SameFiring {
                reading: place.id("id", ReadingId::new(&self.id))?,
                measured_at: place.moment("measured_at", self.measured_at)?,
                performed_by: self.performed_by,
            },
        })
    }
}

#[derive(sqlx::FromRow)]
struct FiredRingRow {
    batch_id: String,
    serial_number: String,
    site_id: String,
    furnace_id: String,
    reading_id: String,
}

async fn near_firings(
    connection: &mut Connection,
    reports: &[&Report],
) -> Result<Vec<NearFiring>, Error> {
    // Taken apart first: behind row-level security PostgreSQL looks nothing up in an index by what a function says.
    const SQL: &str = concat!(
        "WITH wanted AS MATERIALIZED (
            SELECT json_extract(value, '$[0]') AS site_id, json_extract(value, '$[1]') AS furnace_id,
                CAST(json_extract(value, '$[2]') AS BIGINT) AS first,
                CAST(json_extract(value, '$[3]') AS BIGINT) AS last
            FROM json_each($1))
        SELECT r.site_id, r.furnace_id, r.programme_id, r.fired_at, r.id, r.performed_by, r.measured_at
        FROM wanted CROSS JOIN reading AS r ON r.site_id = wanted.site_id
            AND r.furnace_id = wanted.furnace_id AND r.fired_at BETWEEN wanted.first AND wanted.last
        WHERE r.purpose <> 'practice' AND ",
        unamended_reading!("r", "id")
    );
    let spans: Vec<(&str, &str, i64, i64)> = reports
        .iter()
        .map(|report| {
            let furnace = &report.programme.furnace;
            let at = report.fired_at.as_microsecond();
            (
                furnace.site.as_str(),
                furnace.furnace.as_str(),
                at - SAME_FIRING_US,
                at + SAME_FIRING_US,
            )
        })
        .collect();
    let rows: Vec<NearRow> = query_as(SQL)
        .bind(json(&spans))
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(NearRow::near).collect()
}

/// What the controller was set to at firings that ended before the programme's latest adjustment, °C:
/// what the first adjustment after the firing found. Rings are fired one day, measured and reported
/// another, and the setpoint may have been changed in between.
async fn setpoints_in_force(
    connection: &mut Connection,
    reference: &Reference,
    reports: &[&Report],
) -> Result<HashMap<(ProgrammeKey, i64), f64>, Error> {
    const SQL: &str = "SELECT previous_setpoint_c FROM adjustment
        WHERE site_id = $1 AND furnace_id = $2 AND programme_id = $3 AND adjusted_at > $4
        ORDER BY adjusted_at, id LIMIT 1";
    let mut in_force = HashMap::new();
    for report in reports {
        let Some(programme) = reference.programmes.get(&report.programme) else {
            continue;
        };
        let changed_since = programme
            .details
            .last_change
            .is_some_and(|change| change.changed_at > report.fired_at);
        if !changed_since || report.setpoint_c.is_some() {
            continue;
        }
        let key = &report.programme;
        let fired_at = report.fired_at.as_microsecond();
        let found: Vec<f64> = query_scalar(SQL)
            .bind(key.furnace.site.as_str())
            .bind(key.furnace.furnace.as_str())
            .bind(key.programme.as_str())
            .bind(fired_at)
            .fetch_all(&mut *connection)
            .await?;
        if let Some(setpoint_c) = found.into_iter().next() {
            in_force.insert((key.clone(), fired_at), setpoint_c);
        }
    }
    Ok(in_force)
}

async fn fired_rings(
    connection: &mut Connection,
    reports: &[&Report],
) -> Result<HashMap<(String, String), ReadingKey>, Error> {
    const SQL: &str = "WITH wanted AS MATERIALIZED (
            SELECT json_extract(value, '$[0]') AS batch_id, json_extract(value, '$[1]') AS serial_number
            FROM json_each($1))
        SELECT f.* FROM wanted CROSS JOIN fired_ring AS f
            ON f.batch_id = wanted.batch_id AND f.serial_number = wanted.serial_number";
    let mut wanted: Vec<(&str, &str)> = Vec::new();
    for report in reports {
        if let Method::Rings(measured) = &report.method {
            for ring in &measured.rings {
                if !ring.serial_number.is_empty() {
                    wanted.push((measured.batch.as_str(), &ring.serial_number));
                }
            }
        }
    }
    let mut found = HashMap::new();
    if wanted.is_empty() {
        return Ok(found);
    }
    let rows: Vec<FiredRingRow> = query_as(SQL)
        .bind(json(&wanted))
        .fetch_all(connection)
        .await?;
    for row in rows {
        let place = Place {
            table: "fired_ring",
            key: &row.serial_number,
        };
        let key = ReadingKey {
            furnace: FurnaceKey {
                site: place.id("site_id", SiteId::new(&row.site_id))?,
                furnace: place.id("furnace_id", FurnaceId::new(&row.furnace_id))?,
            },
            reading: place.id("reading_id", ReadingId::new(&row.reading_id))?,
        };
        found.insert((row.batch_id, row.serial_number), key);
    }
    Ok(found)
}

async fn load(
    connection: &mut Connection,
    store: &Store,
    reports: &[&Report],
) -> Result<ReadingKnowledge, Error> {
    let mut furnaces: Vec<(&str, &str)> = Vec::new();
    let mut gauges: Vec<(&str, &str)> = Vec::new();
    for report in reports {
        let furnace = &report.programme.furnace;
        furnaces.push((furnace.site.as_str(), furnace.furnace.as_str()));
        if let Method::Rings(measured) = &report.method {
            gauges.push((measured.gauge.site.as_str(), measured.gauge.gauge.as_str()));
        }
    }
    gauges.sort_unstable();
    gauges.dedup();
    let (version, fit) = versions(connection).await?;
    let reference = store
        .reference()
        .reference(connection, version, store.batches(), reports)
        .await?;
    let mut sites: Vec<&SiteId> = reports
        .iter()
        .map(|report| &report.programme.furnace.site)
        .collect();
    sites.sort_unstable();
    sites.dedup();
    let fitted = store.fitted().fitted(connection, fit, &sites).await?;
    let in_force = setpoints_in_force(connection, &reference, reports).await?;
    Ok(ReadingKnowledge {
        reference,
        fitted,
        in_force,
        pooled: gauges::pooled_of(connection, &json(&gauges))
            .await?
            .into_iter()
            .collect(),
        tracked: tracked::tracked_of(connection, &json(&furnaces))
            .await?
            .into_iter()
            .collect(),
        near: near_firings(connection, reports).await?,
        fired_rings: fired_rings(connection, reports).await?,
    })
}

/// The other furnaces of a furnace's site whose offset is known, by id.
async fn twins(connection: &mut Connection, furnace: &FurnaceKey) -> Result<Vec<Twin>, Error> {
    let sites = json(&[furnace.site.as_str()]);
    let mut offsets: HashMap<FurnaceKey, TrackedOffset> =
        tracked::tracked_of_sites(connection, &sites)
            .await?
            .into_iter()
            .collect();
    let mut twins = Vec::new();
    for other in furnaces::furnaces_of_site(connection, &furnace.site).await? {
        if &other.key != furnace
            && let Some(tracked) = offsets.remove(&other.key)
        {
            twins.push(Twin {
                display_name: other.details.display_name,
                tracked,
            });
        }
    }
    Ok(twins)
}

impl Tx {
    /// The other furnaces of a furnace's site: for a reading that may be another furnace's.
    pub async fn twins(&mut self, furnace: &FurnaceKey) -> Result<Vec<Twin>, Error> {
        self.within(&furnace.site)?;
        twins(self.connection(), furnace).await
    }

    /// What bears on some reports.
    pub async fn reading_knowledge(
        &mut self,
        reports: &[&Report],
    ) -> Result<ReadingKnowledge, Error> {
        for report in reports {
            self.within(&report.programme.furnace.site)?;
        }
        let store = self.store.clone();
        load(self.connection(), &store, reports).await
    }

    /// The answers already given to some requests, by place in the list.
    pub async fn answered_all(
        &mut self,
        requests: &[&crate::Request],
    ) -> Result<Vec<Option<Result<crate::Answered, Error>>>, Error> {
        crate::audit::answered(self.connection(), requests).await
    }
}

impl Read {
    /// The other furnaces of a furnace's site: for a reading that may be another furnace's.
    pub async fn twins(&self, furnace: &FurnaceKey) -> Result<Vec<Twin>, Error> {
        self.within(&furnace.site)?;
        twins(&mut self.connection().await?, furnace).await
    }

    /// What bears on some reports.
    pub async fn reading_knowledge(&self, reports: &[&Report]) -> Result<ReadingKnowledge, Error> {
        for report in reports {
            self.within(&report.programme.furnace.site)?;
        }
        load(&mut self.connection().await?, self.store(), reports).await
    }

    /// Every event and every counted reading of a furnace: what its offset is worked out from.
    pub async fn history(
        &self,
        furnace: &FurnaceKey,
    ) -> Result<(Vec<ringtrue_fleet::tracking::TrackPoint>, Vec<FurnaceEvent>), Error> {
        self.within(&furnace.site)?;
        let mut connection = self.connection().await?;
        let points = super::track_points(&mut connection, furnace).await?;
        let keys = json(&[[furnace.site.as_str(), furnace.furnace.as_str()]]);
        let events = events::events_of(&mut connection, &keys).await?;
        Ok((points, events))
    }
}
