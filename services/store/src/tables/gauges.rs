//! Gauges, their checks, and their pooled scatter.

use std::collections::HashMap;

use jiff::Timestamp;
use ringtrue_calibration::gauge::Pooled;
use ringtrue_fleet::gauge::{CheckDetails, Gauge, GaugeCheck, GaugeDetails, GaugeKind};
use ringtrue_fleet::key::{CheckId, CheckKey, GaugeId, GaugeKey, SiteId};
use serde::{Deserialize, Serialize};

use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

const KINDS: &[(Option<GaugeKind>, &str)] = &[
    (Some(GaugeKind::Caliper), "caliper"),
    (Some(GaugeKind::Micrometer), "micrometer"),
];

/// A row of `gauge`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct GaugeRow {
    site_id: String,
    id: String,
    display_name: String,
    kind: String,
    resolution_mm: f64,
    maximum_permissible_error_mm: f64,
    check_interval_days: i64,
    serial_number: String,
    in_use: bool,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

impl From<&Gauge> for GaugeRow {
    fn from(gauge: &Gauge) -> Self {
        let details = &gauge.details;
        Self {
            site_id: gauge.key.site.to_string(),
            id: gauge.key.gauge.to_string(),
            display_name: details.display_name.clone(),
            kind: written(&details.kind, KINDS),
            resolution_mm: details.resolution_mm,
            maximum_permissible_error_mm: details.maximum_permissible_error_mm,
            check_interval_days: i64::from(details.check_interval_days),
            serial_number: details.serial_number.clone(),
            in_use: details.in_use,
            revision: gauge.revision,
            created_at: gauge.created_at.as_microsecond(),
            updated_at: gauge.updated_at.as_microsecond(),
        }
    }
}

impl GaugeRow {
    pub(crate) fn gauge(self) -> Result<Gauge, Error> {
        let place = Place {
            table: "gauge",
            key: &self.id,
        };
        Ok(Gauge {
            key: GaugeKey {
                site: place.id("site_id", SiteId::new(&self.site_id))?,
                gauge: place.id("id", GaugeId::new(&self.id))?,
            },
            details: GaugeDetails {
                kind: place.word("kind", &self.kind, KINDS)?,
                resolution_mm: self.resolution_mm,
                maximum_permissible_error_mm: self.maximum_permissible_error_mm,
                check_interval_days: place
                    .small("check_interval_days", self.check_interval_days)?,
                serial_number: self.serial_number,
                in_use: self.in_use,
                display_name: self.display_name,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

/// A row of `gauge_check`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct CheckRow {
    site_id: String,
    gauge_id: String,
    checked_at: i64,
    id: String,
    nominal_mm: f64,
    measured_mm: String,
    block_standard_uncertainty_mm: f64,
    performed_by: String,
    note: String,
    bias_mm: f64,
    standard_uncertainty_mm: f64,
    received_at: i64,
}

impl From<&GaugeCheck> for CheckRow {
    fn from(check: &GaugeCheck) -> Self {
        let details = &check.details;
        Self {
            site_id: check.key.gauge.site.to_string(),
            gauge_id: check.key.gauge.gauge.to_string(),
            checked_at: details.checked_at.map_or(0, Timestamp::as_microsecond),
            id: check.key.check.to_string(),
            nominal_mm: details.nominal_mm,
            measured_mm: json(&details.measured_mm),
            block_standard_uncertainty_mm: details.block_standard_uncertainty_mm,
            performed_by: details.performed_by.clone(),
            note: details.note.clone(),
            bias_mm: check.bias_mm,
            standard_uncertainty_mm: check.standard_uncertainty_mm,
            received_at: check.received_at.as_microsecond(),
        }
    }
}

impl CheckRow {
    pub(crate) fn name(&self) -> String {
        format!(
            "sites/{}/gauges/{}/checks/{}",
            self.site_id, self.gauge_id, self.id
        )
    }

    pub(crate) fn check(self) -> Result<GaugeCheck, Error> {
        let place = Place {
            table: "gauge_check",
            key: &self.id,
        };
        Ok(GaugeCheck {
            key: CheckKey {
                gauge: GaugeKey {
                    site: place.id("site_id", SiteId::new(&self.site_id))?,
                    gauge: place.id("gauge_id", GaugeId::new(&self.gauge_id))?,
                },
                check: place.id("id", CheckId::new(&self.id))?,
            },
            details: CheckDetails {
                nominal_mm: self.nominal_mm,
                measured_mm: place.json("measured_mm", &self.measured_mm)?,
                block_standard_uncertainty_mm: self.block_standard_uncertainty_mm,
                checked_at: Some(place.moment("checked_at", self.checked_at)?),
                performed_by: self.performed_by,
                note: self.note,
            },
            bias_mm: self.bias_mm,
            standard_uncertainty_mm: self.standard_uncertainty_mm,
            received_at: place.moment("received_at", self.received_at)?,
        })
    }
}

pub(crate) async fn gauge(
    connection: &mut Connection,
    key: &GaugeKey,
) -> Result<Option<Gauge>, Error> {
    const SQL: &str = "SELECT * FROM gauge WHERE site_id = $1 AND id = $2";
    let rows: Vec<GaugeRow> = query_as(SQL)
        .bind(key.site.as_str())
        .bind(key.gauge.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(GaugeRow::gauge).transpose()
}

/// The given gauges; `keys` is a JSON list of [site, gauge].
pub(crate) async fn gauges_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<Gauge>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT g.* FROM wanted CROSS JOIN gauge AS g ON g.site_id = wanted.site_id AND g.id = wanted.id"
    );
    let rows: Vec<GaugeRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(GaugeRow::gauge).collect()
}

pub(crate) async fn latest_check(
    connection: &mut Connection,
    key: &GaugeKey,
) -> Result<Option<GaugeCheck>, Error> {
    const SQL: &str = "SELECT * FROM gauge_check WHERE site_id = $1 AND gauge_id = $2
        ORDER BY checked_at DESC, id DESC LIMIT 1";
    let rows: Vec<CheckRow> = query_as(SQL)
        .bind(key.site.as_str())
        .bind(key.gauge.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(CheckRow::check).transpose()
}

/// Each gauge's checks, latest first; `keys` is a JSON list of [site, gauge].
pub(crate) async fn checks_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<GaugeCheck>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT c.* FROM wanted CROSS JOIN gauge_check AS c
            ON c.site_id = wanted.site_id AND c.gauge_id = wanted.id
        ORDER BY c.site_id, c.gauge_id, c.checked_at DESC, c.id DESC"
    );
    let rows: Vec<CheckRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(CheckRow::check).collect()
}

/// The checks of every gauge of a site that has any, gauges by id, checks with the latest first.
pub(crate) async fn checks_of_site(
    connection: &mut Connection,
    site: &SiteId,
) -> Result<Vec<(GaugeId, Vec<GaugeCheck>)>, Error> {
    const SQL: &str = "SELECT * FROM gauge_check WHERE site_id = $1
        ORDER BY gauge_id, checked_at DESC, id DESC";
    let rows: Vec<CheckRow> = query_as(SQL)
        .bind(site.as_str())
        .fetch_all(connection)
        .await?;
    let mut gauges: Vec<(GaugeId, Vec<GaugeCheck>)> = Vec::new();
    for row in rows {
        let check = row.check()?;
        let gauge = check.key.gauge.gauge.clone();
        match gauges.last_mut() {
            Some((last, checks)) if *last == gauge => checks.push(check),
            _ => gauges.push((gauge, vec![check])),
        }
    }
    Ok(gauges)
}

/// The checks of every gauge of some sites that has any, as in [`checks_of_site`]; `sites` is a JSON list.
pub(crate) async fn checks_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<HashMap<SiteId, Vec<(GaugeId, Vec<GaugeCheck>)>>, Error> {
    const SQL: &str = "SELECT c.* FROM json_each($1) AS wanted CROSS JOIN gauge_check AS c
        ON c.site_id = wanted.value
        ORDER BY c.site_id, c.gauge_id, c.checked_at DESC, c.id DESC";
    let rows: Vec<CheckRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    let mut found: HashMap<SiteId, Vec<(GaugeId, Vec<GaugeCheck>)>> = HashMap::new();
    for row in rows {
        let check = row.check()?;
        let gauges = found.entry(check.key.gauge.site.clone()).or_default();
        let gauge = check.key.gauge.gauge.clone();
        match gauges.last_mut() {
            Some((last, checks)) if *last == gauge => checks.push(check),
            _ => gauges.push((gauge, vec![check])),
        }
    }
    Ok(found)
}

#[derive(sqlx::FromRow)]
struct ScatterRow {
    site_id: String,
    gauge_id: String,
    sum_of_squares_mm2: f64,
    degrees_of_freedom: f64,
}

/// Fewest degrees of freedom before a gauge's own scatter is believed more than the assumption.
const LEAST_DEGREES_OF_FREEDOM: f64 = 4.0;

/// Pooled scatter of each gauge that has enough of it; `keys` is a JSON list of [site, gauge].
pub(crate) async fn pooled_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<(GaugeKey, Pooled)>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT s.* FROM wanted CROSS JOIN gauge_scatter AS s
            ON s.site_id = wanted.site_id AND s.gauge_id = wanted.id"
    );
    let rows: Vec<ScatterRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    let mut pooled = Vec::with_capacity(rows.len());
    for row in rows {
        if row.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM {
            continue;
        }
        let place = Place {
            table: "gauge_scatter",
            key: &row.gauge_id,
        };
        let key = GaugeKey {
            site: place.id("site_id", SiteId::new(&row.site_id))?,
            gauge: place.id("gauge_id", GaugeId::new(&row.gauge_id))?,
        };
        let variance = row.sum_of_squares_mm2 / row.degrees_of_freedom;
        pooled.push((
            key,
            Pooled {
                standard_deviation_mm: variance.sqrt(),
                degrees_of_freedom: row.degrees_of_freedom,
            },
        ));
    }
    Ok(pooled)
}

impl Read {
    /// One gauge.
    pub async fn gauge(&self, key: &GaugeKey) -> Result<Option<Gauge>, Error> {
        self.within(&key.site)?;
        gauge(&mut self.connection().await?, key).await
    }

    /// Gauges of a site, by id.
    pub async fn gauges(&self, site: &SiteId, page: &Page) -> Result<Vec<Gauge>, Error> {
        const SQL: &str = "SELECT * FROM gauge WHERE site_id = $1 AND id > $2 ORDER BY id LIMIT $3";
        self.within(site)?;
        let rows: Vec<GaugeRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(page.text(0))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(GaugeRow::gauge).collect()
    }

    /// A gauge's latest check.
    pub async fn latest_gauge_check(&self, key: &GaugeKey) -> Result<Option<GaugeCheck>, Error> {
        self.within(&key.site)?;
        latest_check(&mut self.connection().await?, key).await
    }

    /// A gauge's checks, latest first.
    pub async fn gauge_checks(
        &self,
        key: &GaugeKey,
        page: &Page,
    ) -> Result<Vec<GaugeCheck>, Error> {
        const SQL: &str = "SELECT * FROM gauge_check WHERE site_id = $1 AND gauge_id = $2
            AND (checked_at, id) < ($3, $4) ORDER BY checked_at DESC, id DESC LIMIT $5";
        self.within(&key.site)?;
        let rows: Vec<CheckRow> = query_as(SQL)
            .bind(key.site.as_str())
            .bind(key.gauge.as_str())
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(CheckRow::check).collect()
    }
}

impl Tx {
    /// One gauge.
    pub async fn gauge(&mut self, key: &GaugeKey) -> Result<Option<Gauge>, Error> {
        self.within(&key.site)?;
        gauge(self.connection(), key).await
    }

    /// Stores a new gauge. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_gauge(&mut self, gauge: &Gauge, request: &Request) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO gauge (site_id, id, display_name, kind, resolution_mm,
            maximum_permissible_error_mm, check_interval_days, serial_number, in_use, revision,
            created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
        self.within(&gauge.key.site)?;
        self.write_gauge(SQL, gauge)
            .await
            .map_err(Error::of_insert)?;
        let document = json(&GaugeRow::from(gauge));
        self.happened(
            Some(&gauge.key.site),
            "gauge.create",
            gauge.key.name(),
            document,
            request,
            gauge.updated_at,
        )
        .await
    }

    /// Stores the next version of a gauge.
    pub async fn update_gauge(&mut self, gauge: &Gauge, request: &Request) -> Result<(), Error> {
        const SQL: &str = "UPDATE gauge SET display_name = $3, kind = $4, resolution_mm = $5,
            maximum_permissible_error_mm = $6, check_interval_days = $7, serial_number = $8,
            in_use = $9, revision = $10, created_at = $11, updated_at = $12
            WHERE site_id = $1 AND id = $2";
        self.within(&gauge.key.site)?;
        self.write_gauge(SQL, gauge).await?;
        let document = json(&GaugeRow::from(gauge));
        self.happened(
            Some(&gauge.key.site),
            "gauge.update",
            gauge.key.name(),
            document,
            request,
            gauge.updated_at,
        )
        .await
    }

    async fn write_gauge(&mut self, sql: &'static str, gauge: &Gauge) -> Result<(), sqlx::Error> {
        let row = GaugeRow::from(gauge);
        query(sql)
            .bind(row.site_id)
            .bind(row.id)
            .bind(row.display_name)
            .bind(row.kind)
            .bind(row.resolution_mm)
            .bind(row.maximum_permissible_error_mm)
            .bind(row.check_interval_days)
            .bind(row.serial_number)
            .bind(row.in_use)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    /// Stores a gauge check.
    pub async fn insert_gauge_check(
        &mut self,
        check: &GaugeCheck,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO gauge_check (site_id, gauge_id, checked_at, id, nominal_mm,
            measured_mm, block_standard_uncertainty_mm, performed_by, note, bias_mm,
            standard_uncertainty_mm, received_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
        self.within(&check.key.gauge.site)?;
        let row = CheckRow::from(check);
        query(SQL)
            .bind(row.site_id)
            .bind(row.gauge_id)
            .bind(row.checked_at)
            .bind(row.id)
            .bind(row.nominal_mm)
            .bind(row.measured_mm)
            .bind(row.block_standard_uncertainty_mm)
            .bind(row.performed_by)
            .bind(row.note)
            .bind(row.bias_mm)
            .bind(row.standard_uncertainty_mm)
            .bind(row.received_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let document = json(&CheckRow::from(check));
        self.happened(
            Some(&check.key.gauge.site),
            "gauge.check",
            check.key.name(),
            document,
            request,
            check.received_at,
        )
        .await
    }

    /// A gauge's latest check.
    pub async fn latest_gauge_check(
        &mut self,
        key: &GaugeKey,
    ) -> Result<Option<GaugeCheck>, Error> {
        self.within(&key.site)?;
        latest_check(self.connection(), key).await
    }
}
