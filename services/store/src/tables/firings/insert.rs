//! Storing a report of firings: as many rows in a statement as it takes.

use std::collections::BTreeMap;

use ringtrue_fleet::firing::{Firing, Outcome};
use ringtrue_fleet::key::{FurnaceKey, ReportId, SiteId};

use super::row::{FiringRow, ReportRow, firing_digest, report_digest};
use crate::audit::{By, Happening};
use crate::columns::json;
use crate::database::{Connection, insert_rows, query};
use crate::{Error, Request, Tx};

/// Most firings in one statement; SQLite takes 32,766 values.
const FIRINGS_AT_ONCE: usize = 500;

/// Most cases in one statement.
const CASES_AT_ONCE: usize = 2000;

impl Tx {
    /// Stores firings that came in one report, with the entry that vouches for all of them. Fails with
    /// [`Error::Exists`] when one of them is on record. What an amendment corrects is uncounted by
    /// [`Tx::uncount_firing`].
    pub async fn insert_firings(
        &mut self,
        site: &SiteId,
        report: &ReportId,
        firings: &[&Firing],
        request: &Request,
    ) -> Result<(), Error> {
        self.within(site)?;
        let Some(first) = firings.first() else {
            return Ok(());
        };
        let rows: Vec<FiringRow> = firings.iter().map(|one| FiringRow::from(*one)).collect();
        let kept = ReportRow {
            site_id: site.to_string(),
            id: report.to_string(),
            firings: i64::try_from(rows.len()).unwrap_or(i64::MAX),
            names: json(
                &rows
                    .iter()
                    .map(|row| (&row.furnace_id, row.ended_at, &row.id))
                    .collect::<Vec<_>>(),
            ),
            received_at: first.received_at.as_microsecond(),
        };
        insert_report(self.connection(), &kept).await?;
        insert_firing_rows(self.connection(), &rows).await?;
        insert_external(self.connection(), &rows).await?;
        insert_cases(self.connection(), firings).await?;
        insert_amendments(self.connection(), &rows).await?;
        count_days(self.connection(), firings, 1).await?;
        let happening = Happening {
            chain: site.to_string(),
            at: first.received_at,
            by: By::of(&self.scope),
            action: if first.amends.is_some() {
                "firing.amend"
            } else {
                "firing.report"
            },
            subject: format!("sites/{site}/firingReports/{report}"),
            digest: report_digest(&kept, rows.iter().map(firing_digest)),
            document: None,
            request: Some(request.clone()),
        };
        // Not through `happened`: no recording refers to a firing.
        self.append(vec![happening]).await
    }
}

impl Tx {
    /// Takes a version that is being amended out of the count of its day.
    pub async fn uncount_firing(&mut self, firing: &Firing) -> Result<(), Error> {
        self.within(&firing.key.furnace.site)?;
        count_days(self.connection(), &[firing], -1).await
    }
}

/// Hours as minutes, rounded.
pub(crate) fn whole_minutes(hours: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "at most 72 hours, and a cast saturates"
    )]
    let minutes = (hours * 60.0).round() as i64;
    minutes
}

/// Adds firings to the counts of their days, or takes them off.
async fn count_days(
    connection: &mut Connection,
    firings: &[&Firing],
    times: i64,
) -> Result<(), Error> {
    let mut days: BTreeMap<(&FurnaceKey, String), (i64, i64)> = BTreeMap::new();
    for firing in firings {
        if firing.details.outcome == Some(Outcome::Cancelled) {
            continue;
        }
        let day = (&firing.key.furnace, firing.ended_on.to_string());
        let counted = days.entry(day).or_default();
        counted.0 += times;
        counted.1 += times * whole_minutes(firing.hours_hot);
    }
    insert_rows(
        connection,
        "INSERT INTO firing_day (site_id, furnace_id, ended_on, firings, minutes_hot) ",
        " ON CONFLICT (site_id, furnace_id, ended_on) DO UPDATE SET
            firings = firing_day.firings + excluded.firings,
            minutes_hot = firing_day.minutes_hot + excluded.minutes_hot",
        days,
        |row, ((furnace, day), (counted, minutes))| {
            row.push(furnace.site.as_str())
                .push(furnace.furnace.as_str())
                .push(day)
                .push(counted)
                .push(minutes);
        },
    )
    .await?;
    Ok(())
}

async fn insert_report(connection: &mut Connection, report: &ReportRow) -> Result<(), Error> {
    const SQL: &str = "INSERT INTO firing_report (site_id, id, firings, names, received_at) VALUES ($1, $2, $3, $4, $5)";
    query(SQL)
        .bind(&report.site_id)
        .bind(&report.id)
        .bind(report.firings)
        .bind(&report.names)
        .bind(report.received_at)
        .execute(connection)
        .await
        .map_err(Error::of_insert)?;
    Ok(())
}

async fn insert_firing_rows(connection: &mut Connection, rows: &[FiringRow]) -> Result<(), Error> {
    for now in rows.chunks(FIRINGS_AT_ONCE) {
        insert_rows(
            connection,
            "INSERT INTO firing (site_id, furnace_id, ended_at, id, report_id, place, external_id,
            programme_id, setpoint_c, setpoint_reported, target_c, started_at, ended_on, hours_hot,
            hours_reported, outcome, cases, segments, performed_by, note, received_at, amends,
            amend_reason) ",
            "",
            now,
            |row, firing| {
                row.push(&firing.site_id)
                    .push(&firing.furnace_id)
                    .push(firing.ended_at)
                    .push(&firing.id)
                    .push(&firing.report_id)
                    .push(firing.place)
                    .push(&firing.external_id)
                    .push(&firing.programme_id)
                    .push(firing.setpoint_c)
                    .push(firing.setpoint_reported)
                    .push(firing.target_c)
                    .push(firing.started_at)
                    .push(&firing.ended_on)
                    .push(firing.hours_hot)
                    .push(firing.hours_reported)
                    .push(&firing.outcome)
                    .push(&firing.cases)
                    .push(&firing.segments)
                    .push(&firing.performed_by)
                    .push(&firing.note)
                    .push(firing.received_at)
                    .push(&firing.amends)
                    .push(&firing.amend_reason);
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    Ok(())
}

/// The reporting system's ids: new ones, and those of amended firings, which now lead to the new version.
async fn insert_external(connection: &mut Connection, rows: &[FiringRow]) -> Result<(), Error> {
    const AMENDED: &str =
        "UPDATE firing_external SET furnace_id = $1, ended_at = $2, firing_id = $3
        WHERE site_id = $4 AND external_id = $5";
    let (amended, fresh): (Vec<&FiringRow>, Vec<&FiringRow>) =
        rows.iter().partition(|row| row.amends.is_some());
    for now in fresh.chunks(CASES_AT_ONCE) {
        insert_rows(
            connection,
            "INSERT INTO firing_external (site_id, external_id, furnace_id, ended_at, firing_id) ",
            "",
            now,
            |row, firing| {
                row.push(&firing.site_id)
                    .push(&firing.external_id)
                    .push(&firing.furnace_id)
                    .push(firing.ended_at)
                    .push(&firing.id);
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    for row in amended {
        query(AMENDED)
            .bind(&row.furnace_id)
            .bind(row.ended_at)
            .bind(&row.id)
            .bind(&row.site_id)
            .bind(&row.external_id)
            .execute(&mut *connection)
            .await?;
    }
    Ok(())
}

async fn insert_cases(connection: &mut Connection, firings: &[&Firing]) -> Result<(), Error> {
    let mut cases = Vec::with_capacity(firings.len());
    for firing in firings {
        let ended_at = firing
            .details
            .ended_at
            .map_or(0, jiff::Timestamp::as_microsecond);
        for case in &firing.details.cases {
            cases.push((&firing.key, ended_at, case.case_id.as_str()));
        }
    }
    for now in cases.chunks(CASES_AT_ONCE) {
        insert_rows(
            connection,
            "INSERT INTO firing_case (site_id, case_id, furnace_id, ended_at, firing_id) ",
            "",
            now,
            |row, (key, ended_at, case_id)| {
                row.push(key.furnace.site.as_str())
                    .push(*case_id)
                    .push(key.furnace.furnace.as_str())
                    .push(*ended_at)
                    .push(key.firing.as_str());
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    Ok(())
}

async fn insert_amendments(connection: &mut Connection, rows: &[FiringRow]) -> Result<(), Error> {
    const SQL: &str = "INSERT INTO firing_amendment (site_id, furnace_id, firing_id, amended_by)
        VALUES ($1, $2, $3, $4)";
    for row in rows {
        if let Some(amends) = &row.amends {
            query(SQL)
                .bind(&row.site_id)
                .bind(&row.furnace_id)
                .bind(amends)
                .bind(&row.id)
                .execute(&mut *connection)
                .await
                .map_err(Error::of_insert)?;
        }
    }
    Ok(())
}
