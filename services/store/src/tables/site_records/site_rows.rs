//! What bears on the due dates of gauges and rings, open findings, and when a site was last heard of.

use std::collections::HashMap;

use jiff::Timestamp;
use ringtrue_fleet::due::{GaugeRecords, OpenFinding, SiteRecords, StockRecords};
use ringtrue_fleet::finding::{FindingKind, Subject};
use ringtrue_fleet::key::{BatchId, FindingId, SiteId};
use ringtrue_fleet::ring_batch::BatchState;
use ringtrue_fleet::site::Site;
use serde::Deserialize;

use super::{moment, rows};
use crate::Error;
use crate::columns::Place;
use crate::database::{Connection, query_as};
use crate::tables::gauges::GaugeRow;
use crate::tables::readings::unamended_reading;
use crate::tables::ring_batches::STATES;
use crate::tables::sites::SiteRow;

/// Sites by id.
type Sites = HashMap<SiteId, SiteRecords>;

fn of<'s>(
    sites: &'s mut Sites,
    table: &'static str,
    id: &str,
) -> Result<Option<&'s mut SiteRecords>, Error> {
    let place = Place { table, key: id };
    let id = place.id("site_id", SiteId::new(id))?;
    Ok(sites.get_mut(&id))
}

pub(super) fn moment_of_audit(site: &Site, at: i64) -> Result<Timestamp, Error> {
    moment("audit", site.key.as_str(), "at", at)
}

/// The sites of the given ids.
pub(super) async fn sites(connection: &mut Connection, sites: &str) -> Result<Vec<Site>, Error> {
    // The columns in the order of the row's fields.
    const SQL: &str = "SELECT COALESCE(CAST(json_group_array(json_array(s.id, s.display_name, s.time_zone,
            s.calibration_day, s.calibration_interval_days, s.closed_days, real_json(s.tolerance_c),
            real_json(s.action_band_c), real_json(s.largest_step_c),
            truth_json(s.accepts_assumed_hold_correction),
            truth_json(s.full_compensation), s.closures, s.firing_time, s.quiet_from,
            s.quiet_until, s.manager_after_days, s.quality_after_days, s.silent_after_days,
            s.readings_sign_off_since, s.adjustments_sign_off_since, s.revision, s.created_at, s.updated_at)) AS TEXT), '[]')
        FROM json_each($1) AS wanted CROSS JOIN site AS s ON s.id = wanted.value";
    let found: Vec<SiteRow> = rows(connection, SQL, sites, "site").await?;
    found.into_iter().map(SiteRow::site).collect()
}

/// When the last reading, act, event, check or adjustment of each site came in. The last entry of its chain
/// is nearly always one of these, so few are looked at.
pub(super) async fn last_records(
    connection: &mut Connection,
    sites: &str,
) -> Result<HashMap<String, i64>, Error> {
    const SQL: &str =
        "SELECT COALESCE(CAST(json_group_array(json_array(wanted.value, (SELECT a.at FROM audit AS a
            WHERE a.site_id = wanted.value AND a.action IN ('reading.record', 'reading.amend',
                'care.act', 'furnace.event', 'gauge.check', 'adjustment.confirm')
            ORDER BY a.seq DESC LIMIT 1))) AS TEXT), '[]')
        FROM json_each($1) AS wanted";
    let found: Vec<(String, Option<i64>)> = rows(connection, SQL, sites, "audit").await?;
    Ok(found
        .into_iter()
        .filter_map(|(site, at)| Some((site, at?)))
        .collect())
}

/// Gauges by id, with their last check.
pub(super) async fn add_gauges(
    connection: &mut Connection,
    sites: &str,
    records: &mut Sites,
) -> Result<(), Error> {
    // The columns of the gauge in the order of the row's fields.
    const SQL: &str = "SELECT COALESCE(CAST(json_group_array(json_array(json_array(g.site_id, g.id, g.display_name,
            g.kind, real_json(g.resolution_mm), real_json(g.maximum_permissible_error_mm), g.check_interval_days,
            g.serial_number, truth_json(g.in_use), g.revision, g.created_at,
            g.updated_at), (SELECT MAX(c.checked_at) FROM gauge_check AS c
                WHERE c.site_id = g.site_id AND c.gauge_id = g.id))) AS TEXT), '[]')
        FROM json_each($1) AS wanted CROSS JOIN gauge AS g ON g.site_id = wanted.value";
    let found: Vec<(GaugeRow, Option<i64>)> = rows(connection, SQL, sites, "gauge").await?;
    for (row, checked_at) in found {
        let gauge = row.gauge()?;
        let checked_at = match checked_at {
            Some(at) => Some(moment(
                "gauge_check",
                gauge.key.gauge.as_str(),
                "checked_at",
                at,
            )?),
            None => None,
        };
        if let Some(site) = records.get_mut(&gauge.key.site) {
            site.gauges.push(GaugeRecords {
                key: gauge.key,
                details: gauge.details,
                created_at: gauge.created_at,
                checked_at,
            });
        }
    }
    for site in records.values_mut() {
        site.gauges.sort_unstable_by(|a, b| a.key.cmp(&b.key));
    }
    Ok(())
}

#[derive(Deserialize)]
struct StockRow {
    site_id: String,
    batch_id: String,
    code: String,
    expires_on: Option<String>,
    state: String,
    acted_at: i64,
    rings_left: i64,
    fired_since: i64,
}

/// The rings of each batch that were counted at each site, as counted last; by batch. Rings of every reading
/// of the batch fired after that are gone, practice included; an amended reading is one firing.
pub(super) async fn add_stocks(
    connection: &mut Connection,
    sites: &str,
    records: &mut Sites,
) -> Result<(), Error> {
    const SQL: &str = concat!(
        "SELECT COALESCE(CAST(json_group_array(json_array(c.site_id, b.id, b.code, b.expires_on,
            b.state, c.acted_at, c.rings_left, (SELECT CAST(COALESCE(SUM(json_array_length(r.measurement, '$.rings.rings')), 0) AS BIGINT)
                FROM furnace AS f
                CROSS JOIN reading AS r ON r.site_id = f.site_id AND r.furnace_id = f.id
                    AND r.fired_at > c.acted_at
                WHERE f.site_id = c.site_id AND r.batch_id = b.id
                    AND ",
        unamended_reading!("r", "id"),
        "))) AS TEXT), '[]')
        FROM json_each($1) AS wanted
        CROSS JOIN care_act AS c ON c.site_id = wanted.value
            AND c.subject >= 'ringBatches/' AND c.subject < 'ringBatches0'
        CROSS JOIN ring_batch AS b ON b.id = substr(c.subject, 13)
        WHERE c.kind = 'rings_counted' AND NOT EXISTS (SELECT 1 FROM care_act AS later
            WHERE later.site_id = c.site_id AND later.subject = c.subject
                AND later.kind = 'rings_counted' AND (later.acted_at, later.id) > (c.acted_at, c.id))"
    );
    let found: Vec<StockRow> = rows(connection, SQL, sites, "care_act").await?;
    for row in found {
        let place = Place {
            table: "care_act",
            key: &row.batch_id,
        };
        let stock = StockRecords {
            batch: place.id("subject", BatchId::new(&row.batch_id))?,
            expires_on: match &row.expires_on {
                Some(day) => Some(place.date("expires_on", day)?),
                None => None,
            },
            released: place.word("state", &row.state, STATES)? == BatchState::Released,
            counted_at: place.moment("acted_at", row.acted_at)?,
            left_then: place.small("rings_left", row.rings_left)?,
            fired_since: place.small("fired_since", row.fired_since)?,
            code: row.code,
        };
        if let Some(site) = of(records, "care_act", &row.site_id)? {
            site.stocks.push(stock);
        }
    }
    for site in records.values_mut() {
        site.stocks.sort_unstable_by(|a, b| a.batch.cmp(&b.batch));
    }
    Ok(())
}

#[derive(sqlx::FromRow)]
struct FoundRow {
    id: String,
    kind: String,
    site_id: String,
    subject: String,
    subject_display_name: String,
    statement: String,
    next_step: String,
    first_seen_at: i64,
}

/// Findings about each site that are not resolved, by id.
pub(super) async fn add_findings(
    connection: &mut Connection,
    sites: &str,
    records: &mut Sites,
) -> Result<(), Error> {
    const SQL: &str = "SELECT fi.id, fi.kind, fi.site_id, fi.subject, fi.statement, fi.next_step,
            fi.first_seen_at, COALESCE(f.display_name, g.display_name, s.display_name, '')
                AS subject_display_name
        FROM json_each($1) AS wanted
        CROSS JOIN finding AS fi ON fi.site_id = wanted.value
            AND fi.state IN ('open', 'acknowledged')
        LEFT JOIN site AS s ON s.id = fi.site_id
        LEFT JOIN furnace AS f ON f.site_id = fi.site_id
            AND f.id = substr(fi.subject, 17 + length(fi.site_id))
            AND fi.subject = 'sites/' || f.site_id || '/furnaces/' || f.id
        LEFT JOIN gauge AS g ON g.site_id = fi.site_id
            AND g.id = substr(fi.subject, 15 + length(fi.site_id))
            AND fi.subject = 'sites/' || g.site_id || '/gauges/' || g.id
        ORDER BY fi.site_id, fi.id";
    let rows: Vec<FoundRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    for row in rows {
        let place = Place {
            table: "finding",
            key: &row.id,
        };
        let finding = OpenFinding {
            id: place.id("id", FindingId::new(&row.id))?,
            kind: FindingKind::parse(&row.kind).ok_or_else(|| place.corrupt("kind"))?,
            subject: place.id("subject", Subject::parse(&row.subject))?,
            first_seen_at: place.moment("first_seen_at", row.first_seen_at)?,
            subject_display_name: row.subject_display_name,
            statement: row.statement,
            next_step: row.next_step,
        };
        if let Some(site) = of(records, "finding", &row.site_id)? {
            site.findings.push(finding);
        }
    }
    Ok(())
}
