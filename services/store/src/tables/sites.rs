//! Sites: their row, and every statement that touches it.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::{Site, SiteDetails};
use serde::{Deserialize, Serialize};
use sqlx::sqlite::SqliteConnection;

use crate::columns::{Place, json};
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
    revision: i64,
    created_at: i64,
    updated_at: i64,
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
                display_name: self.display_name,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

pub(crate) async fn site(
    connection: &mut SqliteConnection,
    id: &SiteId,
) -> Result<Option<Site>, Error> {
    const SQL: &str = "SELECT * FROM site WHERE id = $1";
    let rows: Vec<SiteRow> = sqlx::query_as(SQL)
        .bind(id.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(SiteRow::site).transpose()
}

/// The sites of the given ids; `ids` is a JSON list.
pub(crate) async fn sites_of(
    connection: &mut SqliteConnection,
    ids: &str,
) -> Result<Vec<Site>, Error> {
    const SQL: &str = "SELECT s.* FROM json_each($1) AS wanted CROSS JOIN site AS s
        ON s.id = wanted.value";
    let rows: Vec<SiteRow> = sqlx::query_as(SQL).bind(ids).fetch_all(connection).await?;
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
        site(&mut *self.connection().await?, id).await
    }

    /// Sites that the scope reaches, by id.
    pub async fn sites(&self, page: &Page) -> Result<Vec<Site>, Error> {
        const SQL: &str = "SELECT * FROM site
            WHERE id > $1 AND ($2 IS NULL OR id IN (SELECT value FROM json_each($2)))
            ORDER BY id LIMIT $3";
        let rows: Vec<SiteRow> = sqlx::query_as(SQL)
            .bind(page.text(0))
            .bind(reach(&self.scope))
            .bind(page.limit())
            .fetch_all(&mut *self.connection().await?)
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
            accepts_assumed_hold_correction, full_compensation, revision, created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)";
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
            revision = $12, created_at = $13, updated_at = $14 WHERE id = $1";
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
        sqlx::query(sql)
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
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
