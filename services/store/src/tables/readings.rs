//! Readings and their evaluations.

mod insert;
mod knowledge;
mod latest;
mod past;
mod row;

use std::collections::HashMap;

use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::key::{BatchId, FurnaceKey, GaugeId, ReadingId, ReadingKey};
use ringtrue_fleet::tracking::TrackPoint;

use super::sign_offs::AsItStands;
use crate::columns::{Place, json, optional_id};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Read, Recorded, Tx};

pub(crate) use crate::documents::measurement::Measurement;
pub use insert::NewReading;
pub(crate) use insert::Scatter;
pub use knowledge::Missing;
pub use knowledge::ReadingKnowledge;
pub(crate) use row::{EvaluationRow, PURPOSES, ReadingRow, record_digest, surprise};

/// Most rows that one statement writes.
const MOST_ROWS: usize = 64;

/// Splits rows into what one statement each writes: as many as a multiple of four, then the rest. So a
/// group takes few statements, and few different ones are prepared.
pub(crate) fn chunks<T>(rows: &[T]) -> impl Iterator<Item = &[T]> {
    let mut rest = rows;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let size = if rest.len() < 4 {
            rest.len()
        } else {
            rest.len().min(MOST_ROWS) & !3
        };
        let (now, later) = rest.split_at(size);
        rest = later;
        Some(now)
    })
}

/// A reading, its evaluation, and the version that took its place.
#[derive(sqlx::FromRow)]
struct RecordedRow {
    #[sqlx(flatten)]
    reading: ReadingRow,
    #[sqlx(flatten)]
    evaluation: EvaluationRow,
    amended_by: Option<String>,
}

impl RecordedRow {
    fn recorded(self) -> Result<Recorded, Error> {
        let place = Place {
            table: "amendment",
            key: &self.reading.id,
        };
        let amended_by = match &self.amended_by {
            Some(id) => Some(place.id("amended_by", ReadingId::new(id))?),
            None => None,
        };
        Ok(Recorded {
            evaluated: self.evaluation.evaluated()?,
            reading: self.reading.reading()?,
            amended_by,
        })
    }
}

/// That a reading was not amended, whose row stands under such a name and holds its id in such a column.
macro_rules! unamended_reading {
    ($row:literal, $id:literal) => {
        $crate::tables::unamended!("amendment", "reading_id", $row, $id)
    };
}
pub(crate) use unamended_reading;

// The beginning of a statement that reads readings, named `r` in `$from`, with what belongs to each. The evaluation's key
// columns repeat the reading's under other names, so that one row may hold both.
macro_rules! recorded_from {
    ($from:literal) => {
        concat!(
            "SELECT r.*, e.method_version, e.counts, e.observed_offset_c, e.independent_c, e.shared_c, e.mean_mm,
            e.removed_c, e.effects, e.innovation_z, e.innovation_sd_c, e.gain, e.advised_setpoint_c, e.next_due_on,
            e.inputs, e.result, e.advice, e.conformance, e.reading_id, a.amended_by
            FROM ",
            $from,
            " JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id
                AND e.fired_at = r.fired_at AND e.reading_id = r.id
            LEFT JOIN amendment AS a ON a.site_id = r.site_id AND a.furnace_id = r.furnace_id
                AND a.reading_id = r.id"
        )
    };
}
use recorded_from;

async fn recorded_row(
    connection: &mut Connection,
    key: &ReadingKey,
) -> Result<Option<RecordedRow>, Error> {
    const SQL: &str = concat!(
        recorded_from!("reading AS r"),
        " WHERE r.site_id = $1 AND r.furnace_id = $2 AND r.id = $3"
    );
    let rows: Vec<RecordedRow> = query_as(SQL)
        .bind(key.furnace.site.as_str())
        .bind(key.furnace.furnace.as_str())
        .bind(key.reading.as_str())
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

pub(crate) async fn recorded(
    connection: &mut Connection,
    key: &ReadingKey,
) -> Result<Option<Recorded>, Error> {
    let row = recorded_row(connection, key).await?;
    row.map(RecordedRow::recorded).transpose()
}

/// What a reading says of itself, for signing.
pub(crate) async fn as_it_stands(
    connection: &mut Connection,
    key: &ReadingKey,
) -> Result<Option<AsItStands>, Error> {
    let Some(row) = recorded_row(connection, key).await? else {
        return Ok(None);
    };
    let place = Place {
        table: "amendment",
        key: &row.reading.id,
    };
    Ok(Some(AsItStands {
        digest: record_digest(&row.reading, &row.evaluation),
        amended_by: optional_id(row.amended_by.as_deref(), ReadingId::new, || {
            place.corrupt("amended_by")
        })?,
        performed_by: row.reading.performed_by,
    }))
}

/// The reading that a furnace's filter took last.
pub(crate) async fn recorded_last(
    connection: &mut Connection,
    furnace: &FurnaceKey,
    reading: &str,
) -> Result<Option<Recorded>, Error> {
    let Ok(reading) = ReadingId::new(reading) else {
        return Ok(None);
    };
    let key = ReadingKey {
        furnace: furnace.clone(),
        reading,
    };
    recorded(connection, &key).await
}

/// What each gauge of a site scatters within rings, from all readings that count, in order of their ids.
pub(crate) async fn pooled_scatter(
    connection: &mut Connection,
    site: &str,
) -> Result<HashMap<String, Scatter>, Error> {
    const SQL: &str = concat!(
        "SELECT r.gauge_id, r.measurement FROM reading AS r
        WHERE r.site_id = $1 AND r.gauge_id IS NOT NULL AND r.purpose <> 'practice' AND ",
        unamended_reading!("r", "id"),
        " ORDER BY r.gauge_id, r.id"
    );
    let rows: Vec<(String, String)> = query_as(SQL).bind(site).fetch_all(connection).await?;
    let mut pooled: HashMap<String, Scatter> = HashMap::new();
    for (gauge, measurement) in rows {
        let place = Place {
            table: "reading",
            key: &gauge,
        };
        let scatter = insert::scatter_of(&place.json("measurement", &measurement)?);
        if scatter.degrees_of_freedom > 0.0 {
            pooled.entry(gauge).or_default().add(&scatter);
        }
    }
    Ok(pooled)
}

impl Read {
    /// A reading with its evaluation.
    pub async fn recorded(&self, key: &ReadingKey) -> Result<Option<Recorded>, Error> {
        self.within(&key.furnace.site)?;
        recorded(&mut self.connection().await?, key).await
    }
}

#[derive(sqlx::FromRow)]
struct PointRow {
    reading_id: String,
    fired_at: i64,
    setpoint_c: f64,
    observed_offset_c: f64,
    independent_c: f64,
    shared_c: f64,
    mean_mm: f64,
    removed_c: f64,
    effects: String,
    innovation_z: Option<f64>,
    innovation_sd_c: Option<f64>,
    gain: Option<f64>,
    batch_id: Option<String>,
    gauge_id: Option<String>,
}

impl PointRow {
    fn point(self) -> Result<TrackPoint, Error> {
        let place = Place {
            table: "evaluation",
            key: &self.reading_id,
        };
        Ok(TrackPoint {
            reading: place.id("reading_id", ReadingId::new(&self.reading_id))?,
            fired_at: place.moment("fired_at", self.fired_at)?,
            setpoint_c: self.setpoint_c,
            observed_offset_c: self.observed_offset_c,
            independent_c: self.independent_c,
            shared_c: self.shared_c,
            removed_c: self.removed_c,
            effects: row::read_effects(&place, &self.effects)?,
            surprise: row::surprise(self.innovation_z, self.innovation_sd_c, self.gain),
            mean_mm: self.mean_mm,
            batch: optional_id(self.batch_id.as_deref(), BatchId::new, || {
                place.corrupt("batch_id")
            })?,
            gauge: optional_id(self.gauge_id.as_deref(), GaugeId::new, || {
                place.corrupt("gauge_id")
            })?,
        })
    }
}

// Every reading that a furnace's offset takes into account, in order of firing and id; with more columns
// when asked for.
macro_rules! counted_readings {
    ($more:literal) => {
        concat!(
            "SELECT e.reading_id, e.fired_at, r.setpoint_c, e.observed_offset_c, e.independent_c,
            e.shared_c, e.mean_mm, e.removed_c, e.effects, e.innovation_z, e.innovation_sd_c, e.gain,
            r.batch_id, r.gauge_id",
            $more,
            " FROM evaluation AS e
            JOIN reading AS r ON r.site_id = e.site_id AND r.furnace_id = e.furnace_id
                AND r.fired_at = e.fired_at AND r.id = e.reading_id
            WHERE e.site_id = $1 AND e.furnace_id = $2 AND e.counts AND ",
            $crate::tables::readings::unamended_reading!("e", "reading_id"),
            " ORDER BY e.fired_at, e.reading_id"
        )
    };
}
pub(crate) use counted_readings;

/// Every reading that a furnace's offset takes into account, in order of firing and id.
pub(crate) async fn track_points(
    connection: &mut Connection,
    furnace: &FurnaceKey,
) -> Result<Vec<TrackPoint>, Error> {
    const SQL: &str = counted_readings!("");
    let rows: Vec<PointRow> = query_as(SQL)
        .bind(furnace.site.as_str())
        .bind(furnace.furnace.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(PointRow::point).collect()
}

impl Tx {
    /// A reading with its evaluation.
    pub async fn recorded(&mut self, key: &ReadingKey) -> Result<Option<Recorded>, Error> {
        self.within(&key.furnace.site)?;
        recorded(self.connection(), key).await
    }

    /// Every reading that a furnace's offset takes into account, in order.
    pub async fn track_points(&mut self, furnace: &FurnaceKey) -> Result<Vec<TrackPoint>, Error> {
        self.within(&furnace.site)?;
        track_points(self.connection(), furnace).await
    }

    /// Works a gauge's pooled scatter out again from all readings that count, in order of their ids.
    pub async fn pool_gauge_again(
        &mut self,
        gauge: &ringtrue_fleet::key::GaugeKey,
    ) -> Result<(), Error> {
        const READINGS: &str = concat!(
            "SELECT r.measurement FROM reading AS r
            WHERE r.site_id = $1 AND r.gauge_id = $2 AND r.purpose <> 'practice' AND ",
            unamended_reading!("r", "id"),
            " ORDER BY r.id"
        );
        const FORGET: &str = "DELETE FROM gauge_scatter WHERE site_id = $1 AND gauge_id = $2";
        self.within(&gauge.site)?;
        let measurements: Vec<String> = query_scalar(READINGS)
            .bind(gauge.site.as_str())
            .bind(gauge.gauge.as_str())
            .fetch_all(self.connection())
            .await?;
        query(FORGET)
            .bind(gauge.site.as_str())
            .bind(gauge.gauge.as_str())
            .execute(self.connection())
            .await?;
        let place = Place {
            table: "reading",
            key: gauge.gauge.as_str(),
        };
        for measurement in measurements {
            let scatter = insert::scatter_of(&place.json("measurement", &measurement)?);
            insert::add_scatter(self.connection(), &[(gauge, scatter)]).await?;
        }
        Ok(())
    }

    /// Every event and every counted reading of a furnace: what its offset is worked out from.
    pub async fn history(
        &mut self,
        furnace: &FurnaceKey,
    ) -> Result<(Vec<TrackPoint>, Vec<FurnaceEvent>), Error> {
        let points = self.track_points(furnace).await?;
        let keys = json(&[[furnace.site.as_str(), furnace.furnace.as_str()]]);
        let events = super::events::events_of(self.connection(), &keys).await?;
        Ok((points, events))
    }
}

#[cfg(test)]
mod tests {
    use super::chunks;

    #[test]
    fn every_row_is_in_one_chunk_and_in_order() {
        for count in 0..200_usize {
            let rows: Vec<usize> = (0..count).collect();
            let split: Vec<&[usize]> = chunks(&rows).collect();
            assert_eq!(split.concat(), rows);
            assert!(
                split.iter().all(|chunk| (1..=64).contains(&chunk.len())),
                "{split:?}"
            );
        }
    }

    #[test]
    fn a_group_of_sixty_three_takes_two_statements() {
        let rows = [(); 63];
        let sizes: Vec<usize> = chunks(&rows).map(<[()]>::len).collect();
        assert_eq!(sizes, [60, 3]);
    }
}
