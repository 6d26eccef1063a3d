//! Reports of firings against their entries, what is kept beside firings against the firings themselves, and
//! decisions about exposures against their entries.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::{Fault, PAGE, Records, Verified};
use crate::Error;
use crate::audit::digest;
use crate::columns::json;
use crate::database::{Connection, query_as};
use crate::tables::exposure_decisions::DecisionRow;
use crate::tables::firings::{FiringRow, ReportRow, firing_digest, report_digest, whole_minutes};

/// A firing's place in its report and its digest.
type Placed = (i64, [u8; 32]);

/// What follows from all firings.
#[derive(Default)]
struct Vouched {
    /// Those of each report, by site and report.
    reports: HashMap<(String, String), Vec<Placed>>,
    /// Firings and minutes of each day, by site, furnace and day.
    days: BTreeMap<(String, String, String), (i64, i64)>,
}

/// Adds what the audit chains vouch for.
pub(super) async fn add_records(
    connection: &mut Connection,
    records: &mut Records,
    verified: &mut Verified,
) -> Result<(), Error> {
    let rows: Vec<DecisionRow> = query_as("SELECT * FROM exposure_decision")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        records.insert(row.name(), digest(&json(&row)));
    }
    let mut vouched = vouched(connection, verified).await?;
    let reports: Vec<ReportRow> = query_as("SELECT * FROM firing_report")
        .fetch_all(&mut *connection)
        .await?;
    for report in reports {
        let key = (report.site_id.clone(), report.id.clone());
        let mut firings = vouched.reports.remove(&key).unwrap_or_default();
        firings.sort_unstable();
        let subject = format!("sites/{}/firingReports/{}", report.site_id, report.id);
        let digests = firings.into_iter().map(|(_, digest)| digest);
        records.insert(subject, report_digest(&report, digests));
    }
    let mut unknown: Vec<(String, String)> = vouched.reports.into_keys().collect();
    unknown.sort_unstable();
    for (site, report) in unknown {
        let subject = format!("sites/{site}/firingReports/{report}");
        verified.faults.push(Fault::RecordUnknown { subject });
    }
    check_days(connection, vouched.days, verified).await?;
    check_beside(connection, verified).await
}

/// The counts of days against the firings that they follow from.
async fn check_days(
    connection: &mut Connection,
    mut days: BTreeMap<(String, String, String), (i64, i64)>,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str = "SELECT site_id, furnace_id, ended_on, firings, minutes_hot FROM firing_day";
    let rows: Vec<(String, String, String, i64, i64)> = query_as(SQL).fetch_all(connection).await?;
    let mut wrong = Vec::new();
    for (site, furnace, day, firings, minutes_hot) in rows {
        let key = (site, furnace, day);
        if days.remove(&key).unwrap_or_default() != (firings, minutes_hot) {
            wrong.push(key);
        }
    }
    wrong.extend(days.into_keys());
    for (site, furnace, day) in wrong {
        let what = format!("the count of firings of sites/{site}/furnaces/{furnace} on {day}");
        verified.faults.push(Fault::NotDerived { what });
    }
    Ok(())
}

/// Reads all firings in the order of their key, some at a time; of each only its digest is kept.
async fn vouched(connection: &mut Connection, verified: &mut Verified) -> Result<Vouched, Error> {
    const SQL: &str = "SELECT * FROM firing
        WHERE (site_id, furnace_id, ended_at, id) > ($1, $2, $3, $4)
        ORDER BY site_id, furnace_id, ended_at, id LIMIT $5";
    const AMENDED: &str = "SELECT site_id, furnace_id, firing_id FROM firing_amendment";
    let amended: Vec<(String, String, String)> =
        query_as(AMENDED).fetch_all(&mut *connection).await?;
    let amended: HashSet<(String, String, String)> = amended.into_iter().collect();
    let mut vouched = Vouched::default();
    let mut after = (String::new(), String::new(), i64::MIN, String::new());
    loop {
        let rows: Vec<FiringRow> = query_as(SQL)
            .bind(&after.0)
            .bind(&after.1)
            .bind(after.2)
            .bind(&after.3)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        let Some(last) = rows.last() else {
            return Ok(vouched);
        };
        after = (
            last.site_id.clone(),
            last.furnace_id.clone(),
            last.ended_at,
            last.id.clone(),
        );
        for row in rows {
            verified.firings += 1;
            let digest = firing_digest(&row);
            let key = (row.site_id.clone(), row.furnace_id.clone(), row.id.clone());
            if row.outcome != "cancelled" && !amended.contains(&key) {
                let day = (key.0, key.1, row.ended_on.clone());
                let counted = vouched.days.entry(day).or_default();
                counted.0 += 1;
                counted.1 += whole_minutes(row.hours_hot);
            }
            vouched
                .reports
                .entry((row.site_id, row.report_id))
                .or_default()
                .push((row.place, digest));
        }
    }
}

/// What is kept beside firings so that they are found: it follows from them, row by row.
async fn check_beside(connection: &mut Connection, verified: &mut Verified) -> Result<(), Error> {
    const AMENDMENTS: &str =
        "SELECT a.site_id, a.furnace_id, a.firing_id FROM firing_amendment AS a
        WHERE NOT EXISTS (SELECT 1 FROM firing AS f WHERE f.site_id = a.site_id
            AND f.furnace_id = a.furnace_id AND f.id = a.amended_by AND f.amends = a.firing_id)
        UNION
        SELECT f.site_id, f.furnace_id, f.amends FROM firing AS f
        WHERE f.amends IS NOT NULL AND NOT EXISTS (SELECT 1 FROM firing_amendment AS a
            WHERE a.site_id = f.site_id AND a.furnace_id = f.furnace_id
            AND a.firing_id = f.amends AND a.amended_by = f.id)
        ORDER BY 1, 2, 3";
    // An id leads to the version that nothing amends, and every such version has its id.
    const EXTERNAL: &str = "SELECT e.site_id, e.furnace_id, e.firing_id FROM firing_external AS e
        WHERE NOT EXISTS (SELECT 1 FROM firing AS f
            LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
                AND a.firing_id = f.id
            WHERE f.site_id = e.site_id AND f.furnace_id = e.furnace_id AND f.ended_at = e.ended_at
                AND f.id = e.firing_id AND f.external_id = e.external_id AND a.amended_by IS NULL)
        UNION
        SELECT f.site_id, f.furnace_id, f.id FROM firing AS f
        LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
            AND a.firing_id = f.id
        LEFT JOIN firing_external AS e ON e.site_id = f.site_id AND e.external_id = f.external_id
        WHERE a.amended_by IS NULL AND (e.firing_id IS NULL OR e.firing_id <> f.id)
        ORDER BY 1, 2, 3";
    const CASES: &str = "SELECT f.site_id, f.furnace_id, f.id FROM firing AS f
        JOIN json_each(f.cases) AS listed ON TRUE
        LEFT JOIN firing_case AS c ON c.site_id = f.site_id AND c.furnace_id = f.furnace_id
            AND c.ended_at = f.ended_at AND c.firing_id = f.id
            AND c.case_id = json_extract(listed.value, '$[0]')
        WHERE c.case_id IS NULL
        UNION
        SELECT c.site_id, c.furnace_id, c.firing_id FROM firing_case AS c
        WHERE NOT EXISTS (SELECT 1 FROM firing AS f JOIN json_each(f.cases) AS listed ON TRUE
            WHERE f.site_id = c.site_id AND f.furnace_id = c.furnace_id AND f.ended_at = c.ended_at
                AND f.id = c.firing_id AND json_extract(listed.value, '$[0]') = c.case_id)
        ORDER BY 1, 2, 3";
    for statement in [AMENDMENTS, EXTERNAL, CASES] {
        let rows: Vec<(String, String, String)> =
            query_as(statement).fetch_all(&mut *connection).await?;
        for (site, furnace, firing) in rows {
            let subject = format!("sites/{site}/furnaces/{furnace}/firings/{firing}");
            verified.faults.push(Fault::RecordAltered { subject });
        }
    }
    Ok(())
}
