//! Sites: their row, and every statement that touches it.

use jiff::Timestamp;
use jiff::civil::Time;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::{Closure, Site, SiteDetails};
use serde::{Deserialize, Serialize};

use super::sign_offs::optional_moment;
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

/// A row of `site`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct SiteRow {
    pub(crate) id: String,
    display_name: String,
    time_zone: String,
    calibration_day: i64,
    calibration_interval_days: i64,
    closed_days: String,
    tolerance_c: f64,
    action_band_c: f64,
    largest_step_c: f64,
    accepts_assumed_hold_correction: bool,
    full_compensation: bool,
    /// JSON: [first day, last day, reason] each.
    #[serde(default = "no_closures", skip_serializing_if = "is_no_closures")]
    closures: String,
    #[serde(
        default = "usual_firing_time",
        skip_serializing_if = "is_usual_firing_time"
    )]
    firing_time: String,
    #[serde(
        default = "usual_quiet_from",
        skip_serializing_if = "is_usual_quiet_from"
    )]
    quiet_from: String,
    #[serde(
        default = "usual_quiet_until",
        skip_serializing_if = "is_usual_quiet_until"
    )]
    quiet_until: String,
    #[serde(
        default = "usual_manager_days",
        skip_serializing_if = "is_usual_manager_days"
    )]
    manager_after_days: i64,
    #[serde(
        default = "usual_quality_days",
        skip_serializing_if = "is_usual_quality_days"
    )]
    quality_after_days: i64,
    #[serde(
        default = "usual_silent_days",
        skip_serializing_if = "is_usual_silent_days"
    )]
    silent_after_days: i64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    readings_sign_off_since: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    adjustments_sign_off_since: Option<i64>,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

/// A column that came after sites were in the audit chain: left out of a document while it has the value
/// it was added with, so that the digests of earlier versions still hold.
macro_rules! added_later {
    ($($usual:ident, $is_usual:ident: $kind:ty = $value:expr;)+) => { $(
        fn $usual() -> $kind {
            $value.into()
        }

        fn $is_usual(value: &$kind) -> bool {
            *value == $usual()
        }
    )+ };
}

added_later! {
    no_closures, is_no_closures: String = "[]";
    usual_firing_time, is_usual_firing_time: String = "15:00";
    usual_quiet_from, is_usual_quiet_from: String = "19:00";
    usual_quiet_until, is_usual_quiet_until: String = "07:00";
    usual_manager_days, is_usual_manager_days: i64 = 1_i64;
    usual_quality_days, is_usual_quality_days: i64 = 3_i64;
    usual_silent_days, is_usual_silent_days: i64 = 35_i64;
}

fn hours_and_minutes(time: Time) -> String {
    time.strftime("%H:%M").to_string()
}

impl From<&Site> for SiteRow {
    fn from(site: &Site) -> Self {
        let details = &site.details;
        let closed: Vec<i8> = details
            .closed_days
            .iter()
            .map(|d| d.to_monday_one_offset())
            .collect();
        Self {
            id: site.key.to_string(),
            display_name: details.display_name.clone(),
            time_zone: details.time_zone.clone(),
            calibration_day: details
                .calibration_day
                .map_or(0, |day| i64::from(day.to_monday_one_offset())),
            calibration_interval_days: i64::from(details.calibration_interval_days),
            closed_days: json(&closed),
            tolerance_c: details.tolerance_c,
            action_band_c: details.action_band_c,
            largest_step_c: details.largest_step_c,
            accepts_assumed_hold_correction: details.accepts_assumed_hold_correction,
            full_compensation: details.full_compensation,
            closures: json(
                &details
                    .closures
                    .iter()
                    .map(|closure| {
                        (
                            closure.from.to_string(),
                            closure.until.to_string(),
                            closure.reason.as_str(),
                        )
                    })
                    .collect::<Vec<_>>(),
            ),
            firing_time: hours_and_minutes(details.firing_time),
            quiet_from: hours_and_minutes(details.quiet_from),
            quiet_until: hours_and_minutes(details.quiet_until),
            manager_after_days: i64::from(details.manager_after_days),
            quality_after_days: i64::from(details.quality_after_days),
            silent_after_days: i64::from(details.silent_after_days),
            readings_sign_off_since: details
                .readings_sign_off_since
                .map(Timestamp::as_microsecond),
            adjustments_sign_off_since: details
                .adjustments_sign_off_since
                .map(Timestamp::as_microsecond),
            revision: site.revision,
            created_at: site.created_at.as_microsecond(),
            updated_at: site.updated_at.as_microsecond(),
        }
    }
}

impl SiteRow {
    pub(crate) fn site(self) -> Result<Site, Error> {
        let place = Place {
            table: "site",
            key: &self.id,
        };
        let closed: Vec<i64> = place.json("closed_days", &self.closed_days)?;
        let mut closed_days = Vec::with_capacity(closed.len());
        for iso in closed {
            closed_days.push(place.weekday("closed_days", iso)?);
        }
        let closed: Vec<(String, String, String)> = place.json("closures", &self.closures)?;
        let mut closures = Vec::with_capacity(closed.len());
        for (from, until, reason) in closed {
            closures.push(Closure {
                from: place.date("closures", &from)?,
                until: place.date("closures", &until)?,
                reason,
            });
        }
        let time =
            |column, text: &str| Time::strptime("%H:%M", text).map_err(|_| place.corrupt(column));
        let firing_time = time("firing_time", &self.firing_time)?;
        let quiet_from = time("quiet_from", &self.quiet_from)?;
        let quiet_until = time("quiet_until", &self.quiet_until)?;
        Ok(Site {
            key: place.id("id", SiteId::new(&self.id))?,
            details: SiteDetails {
                time_zone: self.time_zone,
                calibration_day: Some(place.weekday("calibration_day", self.calibration_day)?),
                calibration_interval_days: place
                    .small("calibration_interval_days", self.calibration_interval_days)?,
                closed_days,
                tolerance_c: self.tolerance_c,
                action_band_c: self.action_band_c,
                largest_step_c: self.largest_step_c,
                accepts_assumed_hold_correction: self.accepts_assumed_hold_correction,
                full_compensation: self.full_compensation,
                closures,
                firing_time,
                quiet_from,
                quiet_until,
                manager_after_days: place.small("manager_after_days", self.manager_after_days)?,
                quality_after_days: place.small("quality_after_days", self.quality_after_days)?,
                silent_after_days: place.small("silent_after_days", self.silent_after_days)?,
                readings_sign_off_since: optional_moment(
                    place,
                    "readings_sign_off_since",
                    self.readings_sign_off_since,
                )?,
                adjustments_sign_off_since: optional_moment(
                    place,
                    "adjustments_sign_off_since",
                    self.adjustments_sign_off_since,
                )?,
                display_name: self.display_name,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

pub(crate) async fn site(connection: &mut Connection, id: &SiteId) -> Result<Option<Site>, Error> {
    const SQL: &str = "SELECT * FROM site WHERE id = $1";
    let rows: Vec<SiteRow> = query_as(SQL)
        .bind(id.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(SiteRow::site).transpose()
}

/// The sites of the given ids; `ids` is a JSON list.
pub(crate) async fn sites_of(connection: &mut Connection, ids: &str) -> Result<Vec<Site>, Error> {
    const SQL: &str = "SELECT s.* FROM json_each($1) AS wanted CROSS JOIN site AS s
        ON s.id = wanted.value";
    let rows: Vec<SiteRow> = query_as(SQL).bind(ids).fetch_all(connection).await?;
    rows.into_iter().map(SiteRow::site).collect()
}

/// The scope's sites as a JSON list; `null` stands for all.
pub(crate) fn reach(scope: &Scope) -> Option<String> {
    let sites = scope.sites()?;
    let texts: Vec<&str> = sites.iter().map(SiteId::as_str).collect();
    Some(json(&texts))
}

impl Read {
    /// One site.
    pub async fn site(&self, id: &SiteId) -> Result<Option<Site>, Error> {
        self.within(id)?;
        site(&mut self.connection().await?, id).await
    }

    /// Sites that the scope reaches, by id.
    pub async fn sites(&self, page: &Page) -> Result<Vec<Site>, Error> {
        const SQL: &str = "SELECT * FROM site
            WHERE id > $1 AND ($2 IS NULL OR id IN (SELECT value FROM json_each($2)))
            ORDER BY id LIMIT $3";
        let rows: Vec<SiteRow> = query_as(SQL)
            .bind(page.text(0))
            .bind(reach(&self.scope))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(SiteRow::site).collect()
    }
}

impl Tx {
    /// One site.
    pub async fn site(&mut self, id: &SiteId) -> Result<Option<Site>, Error> {
        self.within(id)?;
        site(self.connection(), id).await
    }

    /// Stores a new site. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_site(&mut self, site: &Site, request: &Request) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO site (id, display_name, time_zone, calibration_day,
            calibration_interval_days, closed_days, tolerance_c, action_band_c, largest_step_c,
            accepts_assumed_hold_correction, full_compensation, revision, created_at, updated_at,
            closures, firing_time, quiet_from, quiet_until, manager_after_days, quality_after_days,
            silent_after_days, readings_sign_off_since, adjustments_sign_off_since)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18,
                $19, $20, $21, $22, $23)";
        self.within(&site.key)?;
        self.write_site(SQL, site).await.map_err(Error::of_insert)?;
        let document = json(&SiteRow::from(site));
        self.happened(
            Some(&site.key),
            "site.create",
            site.key.name(),
            document,
            request,
            site.updated_at,
        )
        .await
    }

    /// Stores the next version of a site.
    pub async fn update_site(&mut self, site: &Site, request: &Request) -> Result<(), Error> {
        const SQL: &str = "UPDATE site SET display_name = $2, time_zone = $3, calibration_day = $4,
            calibration_interval_days = $5, closed_days = $6, tolerance_c = $7, action_band_c = $8,
            largest_step_c = $9, accepts_assumed_hold_correction = $10, full_compensation = $11,
            revision = $12, created_at = $13, updated_at = $14, closures = $15, firing_time = $16,
            quiet_from = $17, quiet_until = $18, manager_after_days = $19, quality_after_days = $20,
            silent_after_days = $21, readings_sign_off_since = $22,
            adjustments_sign_off_since = $23 WHERE id = $1";
        self.within(&site.key)?;
        self.write_site(SQL, site).await?;
        let document = json(&SiteRow::from(site));
        self.happened(
            Some(&site.key),
            "site.update",
            site.key.name(),
            document,
            request,
            site.updated_at,
        )
        .await
    }

    async fn write_site(&mut self, sql: &'static str, site: &Site) -> Result<(), sqlx::Error> {
        let row = SiteRow::from(site);
        query(sql)
            .bind(row.id)
            .bind(row.display_name)
            .bind(row.time_zone)
            .bind(row.calibration_day)
            .bind(row.calibration_interval_days)
            .bind(row.closed_days)
            .bind(row.tolerance_c)
            .bind(row.action_band_c)
            .bind(row.largest_step_c)
            .bind(row.accepts_assumed_hold_correction)
            .bind(row.full_compensation)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .bind(row.closures)
            .bind(row.firing_time)
            .bind(row.quiet_from)
            .bind(row.quiet_until)
            .bind(row.manager_after_days)
            .bind(row.quality_after_days)
            .bind(row.silent_after_days)
            .bind(row.readings_sign_off_since)
            .bind(row.adjustments_sign_off_since)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
