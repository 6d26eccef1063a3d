//! What is known of each furnace's offset: worked out from readings, kept so that a recording need not
//! replay them.

use ringtrue_calibration::offset::OffsetState;
use ringtrue_fleet::key::{BatchId, FurnaceId, FurnaceKey, GaugeId, ReadingId, SiteId};
use ringtrue_fleet::tracking::{TrackPoint, TrackedOffset};
use sqlx::sqlite::SqliteConnection;

use super::readings::chunks;
use crate::columns::{Place, optional_id};
use crate::{Error, Read, Tx};

#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct TrackedRow {
    site_id: String,
    furnace_id: String,
    level_c: f64,
    coefficient_c_per_100c: f64,
    variance_level: f64,
    covariance: f64,
    variance_coefficient: f64,
    shared_c: f64,
    readings: i64,
    lowest_setpoint_c: f64,
    highest_setpoint_c: f64,
    last_reading_id: String,
    last_fired_at: i64,
    last_setpoint_c: f64,
    last_observed_offset_c: f64,
    last_independent_c: f64,
    last_shared_c: f64,
    last_mean_mm: f64,
    last_batch_id: Option<String>,
    last_gauge_id: Option<String>,
    same_mean_run: i64,
}

impl TrackedRow {
    fn of(furnace: &FurnaceKey, tracked: &TrackedOffset) -> Self {
        let (state, last) = (&tracked.state, &tracked.last);
        Self {
            site_id: furnace.site.to_string(),
            furnace_id: furnace.furnace.to_string(),
            level_c: state.level_c,
            coefficient_c_per_100c: state.coefficient_c_per_100c,
            variance_level: state.variance[0][0],
            covariance: state.variance[0][1],
            variance_coefficient: state.variance[1][1],
            shared_c: state.shared_c,
            readings: i64::from(state.readings),
            lowest_setpoint_c: state.lowest_setpoint_c,
            highest_setpoint_c: state.highest_setpoint_c,
            last_reading_id: last.reading.to_string(),
            last_fired_at: last.fired_at.as_microsecond(),
            last_setpoint_c: last.setpoint_c,
            last_observed_offset_c: last.observed_offset_c,
            last_independent_c: last.independent_c,
            last_shared_c: last.shared_c,
            last_mean_mm: last.mean_mm,
            last_batch_id: last.batch.as_ref().map(ToString::to_string),
            last_gauge_id: last.gauge.as_ref().map(ToString::to_string),
            same_mean_run: i64::from(tracked.same_mean_run),
        }
    }

    fn tracked(self) -> Result<(FurnaceKey, TrackedOffset), Error> {
        let place = Place {
            table: "tracked_offset",
            key: &self.furnace_id,
        };
        let count = |column, value: i64| u32::try_from(value).map_err(|_| place.corrupt(column));
        let furnace = FurnaceKey {
            site: place.id("site_id", SiteId::new(&self.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        };
        let tracked = TrackedOffset {
            state: OffsetState {
                level_c: self.level_c,
                coefficient_c_per_100c: self.coefficient_c_per_100c,
                variance: [
                    [self.variance_level, self.covariance],
                    [self.covariance, self.variance_coefficient],
                ],
                shared_c: self.shared_c,
                readings: count("readings", self.readings)?,
                lowest_setpoint_c: self.lowest_setpoint_c,
                highest_setpoint_c: self.highest_setpoint_c,
            },
            last: TrackPoint {
                reading: place.id("last_reading_id", ReadingId::new(&self.last_reading_id))?,
                fired_at: place.moment("last_fired_at", self.last_fired_at)?,
                setpoint_c: self.last_setpoint_c,
                observed_offset_c: self.last_observed_offset_c,
                independent_c: self.last_independent_c,
                shared_c: self.last_shared_c,
                mean_mm: self.last_mean_mm,
                batch: optional_id(self.last_batch_id.as_deref(), BatchId::new, || {
                    place.corrupt("last_batch_id")
                })?,
                gauge: optional_id(self.last_gauge_id.as_deref(), GaugeId::new, || {
                    place.corrupt("last_gauge_id")
                })?,
            },
            same_mean_run: count("same_mean_run", self.same_mean_run)?,
        };
        Ok((furnace, tracked))
    }
}

/// What is known of the given furnaces; `keys` is a JSON list of [site, furnace].
pub(crate) async fn tracked_of(
    connection: &mut SqliteConnection,
    keys: &str,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    const SQL: &str = "SELECT t.* FROM json_each($1) AS wanted CROSS JOIN tracked_offset AS t
        ON t.site_id = json_extract(wanted.value, '$[0]')
        AND t.furnace_id = json_extract(wanted.value, '$[1]')";
    let rows: Vec<TrackedRow> = sqlx::query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(TrackedRow::tracked).collect()
}

/// What is known of every furnace of the given sites; `sites` is a JSON list.
pub(crate) async fn tracked_of_sites(
    connection: &mut SqliteConnection,
    sites: &str,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    const SQL: &str = "SELECT t.* FROM json_each($1) AS wanted CROSS JOIN tracked_offset AS t
        ON t.site_id = wanted.value";
    let rows: Vec<TrackedRow> = sqlx::query_as(SQL)
        .bind(sites)
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(TrackedRow::tracked).collect()
}

pub(crate) async fn tracked_offset(
    connection: &mut SqliteConnection,
    key: &FurnaceKey,
) -> Result<Option<TrackedOffset>, Error> {
    const SQL: &str = "SELECT * FROM tracked_offset WHERE site_id = $1 AND furnace_id = $2";
    let rows: Vec<TrackedRow> = sqlx::query_as(SQL)
        .bind(key.site.as_str())
        .bind(key.furnace.as_str())
        .fetch_all(connection)
        .await?;
    match rows.into_iter().next() {
        Some(row) => Ok(Some(row.tracked()?.1)),
        None => Ok(None),
    }
}

/// Keeps what is known of some furnaces in place of what was.
pub(crate) async fn keep_tracked(
    connection: &mut SqliteConnection,
    all: &[(&FurnaceKey, &TrackedOffset)],
) -> Result<(), Error> {
    for now in chunks(all) {
        let mut query = sqlx::QueryBuilder::new("INSERT INTO tracked_offset ");
        query.push_values(now, |mut row, (furnace, tracked)| {
            let written = TrackedRow::of(furnace, tracked);
            row.push_bind(written.site_id)
                .push_bind(written.furnace_id)
                .push_bind(written.level_c)
                .push_bind(written.coefficient_c_per_100c)
                .push_bind(written.variance_level)
                .push_bind(written.covariance)
                .push_bind(written.variance_coefficient)
                .push_bind(written.shared_c)
                .push_bind(written.readings)
                .push_bind(written.lowest_setpoint_c)
                .push_bind(written.highest_setpoint_c)
                .push_bind(written.last_reading_id)
                .push_bind(written.last_fired_at)
                .push_bind(written.last_setpoint_c)
                .push_bind(written.last_observed_offset_c)
                .push_bind(written.last_independent_c)
                .push_bind(written.last_shared_c)
                .push_bind(written.last_mean_mm)
                .push_bind(written.last_batch_id)
                .push_bind(written.last_gauge_id)
                .push_bind(written.same_mean_run);
        });
        query.push(
            " ON CONFLICT (site_id, furnace_id) DO UPDATE SET
            level_c = excluded.level_c,
            coefficient_c_per_100c = excluded.coefficient_c_per_100c,
            variance_level = excluded.variance_level,
            covariance = excluded.covariance,
            variance_coefficient = excluded.variance_coefficient,
            shared_c = excluded.shared_c,
            readings = excluded.readings,
            lowest_setpoint_c = excluded.lowest_setpoint_c,
            highest_setpoint_c = excluded.highest_setpoint_c,
            last_reading_id = excluded.last_reading_id,
            last_fired_at = excluded.last_fired_at,
            last_setpoint_c = excluded.last_setpoint_c,
            last_observed_offset_c = excluded.last_observed_offset_c,
            last_independent_c = excluded.last_independent_c,
            last_shared_c = excluded.last_shared_c,
            last_mean_mm = excluded.last_mean_mm,
            last_batch_id = excluded.last_batch_id,
            last_gauge_id = excluded.last_gauge_id,
            same_mean_run = excluded.same_mean_run",
        );
        query.build().execute(&mut *connection).await?;
    }
    Ok(())
}

impl Read {
    /// What is known of a furnace's offset; none before its first evaluated reading.
    pub async fn tracked_offset(&self, key: &FurnaceKey) -> Result<Option<TrackedOffset>, Error> {
        self.within(&key.site)?;
        tracked_offset(&mut *self.connection().await?, key).await
    }

    /// What is known of every furnace of a site.
    pub async fn tracked_offsets(
        &self,
        site: &SiteId,
    ) -> Result<Vec<(FurnaceId, TrackedOffset)>, Error> {
        self.within(site)?;
        let sites = crate::columns::json(&[site.as_str()]);
        let all = tracked_of_sites(&mut *self.connection().await?, &sites).await?;
        Ok(all
            .into_iter()
            .map(|(key, tracked)| (key.furnace, tracked))
            .collect())
    }
}

impl Tx {
    /// What is known of a furnace's offset.
    pub async fn tracked_offset(
        &mut self,
        key: &FurnaceKey,
    ) -> Result<Option<TrackedOffset>, Error> {
        self.within(&key.site)?;
        tracked_offset(self.connection(), key).await
    }

    /// Keeps what is known of a furnace's offset in place of what was; none forgets it.
    pub async fn put_tracked_offset(
        &mut self,
        key: &FurnaceKey,
        tracked: Option<&TrackedOffset>,
    ) -> Result<(), Error> {
        const FORGET: &str = "DELETE FROM tracked_offset WHERE site_id = $1 AND furnace_id = $2";
        self.within(&key.site)?;
        if let Some(tracked) = tracked {
            return keep_tracked(self.connection(), &[(key, tracked)]).await;
        }
        sqlx::query(FORGET)
            .bind(key.site.as_str())
            .bind(key.furnace.as_str())
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
