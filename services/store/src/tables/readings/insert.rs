//! Storing readings, many in one transaction: the lever behind durable throughput.

use ringtrue_fleet::key::{FurnaceKey, GaugeKey};
use ringtrue_fleet::reading::{Assessed, Method, Purpose, Reading};
use ringtrue_fleet::tracking::TrackedOffset;
use sqlx::sqlite::SqliteConnection;

use super::row::{EvaluationRow, ReadingRow, record_digest};
use super::{Measurement, chunks};
use crate::audit::{By, Happening, append};
use crate::columns::json;
use crate::tables::fits::count_changes;
use crate::tables::tracked::keep_tracked;
use crate::{Error, Request, Tx};

/// A reading to store, with what follows from it.
#[derive(Debug, Clone)]
pub struct NewReading {
    /// The reading.
    pub reading: Reading,
    /// What follows from it.
    pub assessed: Assessed,
    /// The request that reported it.
    pub request: Request,
    /// Who reported it, and from where, for the audit chain.
    pub by: By,
}

/// Scatter of the diameters within a reading's rings.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Scatter {
    pub(crate) sum_of_squares_mm2: f64,
    pub(crate) degrees_of_freedom: f64,
}

impl Scatter {
    pub(crate) fn add(&mut self, more: &Self) {
        self.sum_of_squares_mm2 += more.sum_of_squares_mm2;
        self.degrees_of_freedom += more.degrees_of_freedom;
    }
}

/// Scatter within the rings of a stored measurement.
pub(crate) fn scatter_of(measurement: &Measurement) -> Scatter {
    let mut scatter = Scatter {
        sum_of_squares_mm2: 0.0,
        degrees_of_freedom: 0.0,
    };
    for ring in measurement.rings() {
        let (squares, freedom) = ring.scatter();
        scatter.sum_of_squares_mm2 += squares;
        scatter.degrees_of_freedom += freedom;
    }
    scatter
}

impl Tx {
    /// Stores readings with their evaluations, audit entries and answers, and keeps what is now known
    /// of their furnaces' offsets. No two may be of the same furnace. Nothing is durable before
    /// [`Tx::commit`].
    pub async fn insert_readings(&mut self, readings: Vec<NewReading>) -> Result<(), Error> {
        let mut rows = Vec::with_capacity(readings.len());
        for new in &readings {
            self.within(&new.reading.key.furnace.site)?;
            let reading = ReadingRow::from(&new.reading);
            let evaluation = EvaluationRow::of(&new.reading.key.reading, &new.assessed);
            rows.push((reading, evaluation));
        }
        insert_reading_rows(self.connection(), &rows).await?;
        insert_evaluation_rows(self.connection(), &rows).await?;
        insert_amendments(self.connection(), &rows).await?;
        insert_fired_rings(self.connection(), &readings).await?;
        let tracked: Vec<(&FurnaceKey, &TrackedOffset)> = readings
            .iter()
            .filter_map(|new| Some((&new.reading.key.furnace, new.assessed.tracked.as_ref()?)))
            .collect();
        keep_tracked(self.connection(), &tracked).await?;
        count_changes(self.connection(), rows.len()).await?;
        let scatters = scatters(&readings);
        add_scatter(self.connection(), &scatters).await?;
        let mut happenings = Vec::with_capacity(rows.len());
        for (new, (reading, evaluation)) in readings.iter().zip(&rows) {
            happenings.push(Happening {
                chain: reading.site_id.clone(),
                at: new.reading.received_at,
                by: new.by.clone(),
                action: if reading.amends.is_some() {
                    "reading.amend"
                } else {
                    "reading.record"
                },
                subject: reading.name(),
                document: None,
                digest: record_digest(reading, evaluation),
                request: Some(new.request.clone()),
            });
        }
        append(self.connection(), happenings).await
    }
}

fn scatters(readings: &[NewReading]) -> Vec<(&GaugeKey, Scatter)> {
    let mut scatters = Vec::new();
    for new in readings {
        if new.reading.report.purpose == Purpose::Practice {
            continue;
        }
        if let Method::Rings(measured) = &new.reading.report.method {
            let scatter = scatter_of(&Measurement::from(&new.reading.report.method));
            if scatter.degrees_of_freedom > 0.0 {
                scatters.push((&measured.gauge, scatter));
            }
        }
    }
    scatters
}

async fn insert_reading_rows(
    connection: &mut SqliteConnection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    for now in chunks(rows) {
        let mut query = sqlx::QueryBuilder::new(
            "INSERT INTO reading (site_id, furnace_id, fired_at, id, programme_id, setpoint_c,
            setpoint_reported, batch_id, gauge_id, measurement, measured_at, purpose, performed_by,
            note, answered, received_at, amends, amend_reason) ",
        );
        query.push_values(now, |mut row, (reading, _)| {
            row.push_bind(&reading.site_id)
                .push_bind(&reading.furnace_id)
                .push_bind(reading.fired_at)
                .push_bind(&reading.id)
                .push_bind(&reading.programme_id)
                .push_bind(reading.setpoint_c)
                .push_bind(reading.setpoint_reported)
                .push_bind(&reading.batch_id)
                .push_bind(&reading.gauge_id)
                .push_bind(&reading.measurement)
                .push_bind(reading.measured_at)
                .push_bind(&reading.purpose)
                .push_bind(&reading.performed_by)
                .push_bind(&reading.note)
                .push_bind(&reading.answered)
                .push_bind(reading.received_at)
                .push_bind(&reading.amends)
                .push_bind(&reading.amend_reason);
        });
        query
            .build()
            .execute(&mut *connection)
            .await
            .map_err(Error::of_insert)?;
    }
    Ok(())
}

async fn insert_evaluation_rows(
    connection: &mut SqliteConnection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    for now in chunks(rows) {
        let mut query = sqlx::QueryBuilder::new(
            "INSERT INTO evaluation (site_id, furnace_id, fired_at, reading_id, method_version,
            counts, observed_offset_c, independent_c, shared_c, mean_mm, removed_c, effects,
            innovation_z, innovation_sd_c, gain, advised_setpoint_c, next_due_on, inputs, result,
            advice, conformance) ",
        );
        query.push_values(now, |mut row, (reading, evaluation)| {
            row.push_bind(&reading.site_id)
                .push_bind(&reading.furnace_id)
                .push_bind(reading.fired_at)
                .push_bind(&evaluation.reading_id)
                .push_bind(&evaluation.method_version)
                .push_bind(evaluation.counts)
                .push_bind(evaluation.observed_offset_c)
                .push_bind(evaluation.independent_c)
                .push_bind(evaluation.shared_c)
                .push_bind(evaluation.mean_mm)
                .push_bind(evaluation.removed_c)
                .push_bind(&evaluation.effects)
                .push_bind(evaluation.innovation_z)
                .push_bind(evaluation.innovation_sd_c)
                .push_bind(evaluation.gain)
                .push_bind(evaluation.advised_setpoint_c)
                .push_bind(&evaluation.next_due_on)
                .push_bind(&evaluation.inputs)
                .push_bind(&evaluation.result)
                .push_bind(&evaluation.advice)
                .push_bind(evaluation.conformance);
        });
        query
            .build()
            .execute(&mut *connection)
            .await
            .map_err(Error::of_insert)?;
    }
    Ok(())
}

async fn insert_amendments(
    connection: &mut SqliteConnection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    const SQL: &str = "INSERT INTO amendment (site_id, furnace_id, reading_id, amended_by)
        VALUES ($1, $2, $3, $4)";
    for (reading, _) in rows {
        if let Some(amends) = &reading.amends {
            sqlx::query(SQL)
                .bind(&reading.site_id)
                .bind(&reading.furnace_id)
                .bind(amends)
                .bind(&reading.id)
                .execute(&mut *connection)
                .await
                .map_err(Error::of_insert)?;
        }
    }
    Ok(())
}

/// Marks numbered rings as fired. The first reading that used a ring keeps it: a later one was asked
/// about and confirmed.
async fn insert_fired_rings(
    connection: &mut SqliteConnection,
    readings: &[NewReading],
) -> Result<(), Error> {
    const SQL: &str =
        "INSERT INTO fired_ring (batch_id, serial_number, site_id, furnace_id, reading_id)
        VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING";
    for new in readings {
        let Method::Rings(measured) = &new.reading.report.method else {
            continue;
        };
        for ring in &measured.rings {
            if ring.serial_number.is_empty() {
                continue;
            }
            sqlx::query(SQL)
                .bind(measured.batch.as_str())
                .bind(&ring.serial_number)
                .bind(new.reading.key.furnace.site.as_str())
                .bind(new.reading.key.furnace.furnace.as_str())
                .bind(new.reading.key.reading.as_str())
                .execute(&mut *connection)
                .await?;
        }
    }
    Ok(())
}

/// Adds scatter to what each gauge has.
pub(crate) async fn add_scatter(
    connection: &mut SqliteConnection,
    scatters: &[(&GaugeKey, Scatter)],
) -> Result<(), Error> {
    const SQL: &str =
        "INSERT INTO gauge_scatter (site_id, gauge_id, sum_of_squares_mm2, degrees_of_freedom)
        SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]'),
            CAST(json_extract(value, '$[2]') AS REAL), CAST(json_extract(value, '$[3]') AS REAL)
        FROM json_each($1) WHERE true
        ON CONFLICT (site_id, gauge_id) DO UPDATE SET
            sum_of_squares_mm2 = gauge_scatter.sum_of_squares_mm2 + excluded.sum_of_squares_mm2,
            degrees_of_freedom = gauge_scatter.degrees_of_freedom + excluded.degrees_of_freedom";
    if scatters.is_empty() {
        return Ok(());
    }
    let list: Vec<(&str, &str, f64, f64)> = scatters
        .iter()
        .map(|(gauge, scatter)| {
            (
                gauge.site.as_str(),
                gauge.gauge.as_str(),
                scatter.sum_of_squares_mm2,
                scatter.degrees_of_freedom,
            )
        })
        .collect();
    sqlx::query(SQL)
        .bind(json(&list))
        .execute(connection)
        .await?;
    Ok(())
}
