//! Storing readings, many in one transaction: the lever behind durable throughput.

use std::collections::BTreeMap;

use ringtrue_fleet::key::{FurnaceKey, GaugeKey};
use ringtrue_fleet::reading::{Assessed, Method, Purpose, Reading};
use ringtrue_fleet::tracking::TrackedOffset;

use super::row::{EvaluationRow, ReadingRow, record_digest};
use super::{Measurement, chunks};
use crate::audit::{By, Happening};
use crate::columns::json;
use crate::database::{Connection, insert_rows, query};
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
        self.append(happenings).await?;
        // Last, because every transaction waits here for the one before it.
        count_changes(self.connection(), rows.len()).await
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
    connection: &mut Connection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    for now in chunks(rows) {
        insert_rows(
            connection,
            "INSERT INTO reading (site_id, furnace_id, fired_at, id, programme_id, setpoint_c,
            setpoint_reported, batch_id, gauge_id, measurement, measured_at, purpose, performed_by,
            note, answered, received_at, amends, amend_reason) ",
            "",
            now,
            |row, (reading, _)| {
                row.push(&reading.site_id)
                    .push(&reading.furnace_id)
                    .push(reading.fired_at)
                    .push(&reading.id)
                    .push(&reading.programme_id)
                    .push(reading.setpoint_c)
                    .push(reading.setpoint_reported)
                    .push(&reading.batch_id)
                    .push(&reading.gauge_id)
                    .push(&reading.measurement)
                    .push(reading.measured_at)
                    .push(&reading.purpose)
                    .push(&reading.performed_by)
                    .push(&reading.note)
                    .push(&reading.answered)
                    .push(reading.received_at)
                    .push(&reading.amends)
                    .push(&reading.amend_reason);
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    Ok(())
}

async fn insert_evaluation_rows(
    connection: &mut Connection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    for now in chunks(rows) {
        insert_rows(
            connection,
            "INSERT INTO evaluation (site_id, furnace_id, fired_at, reading_id, method_version,
            counts, observed_offset_c, independent_c, shared_c, mean_mm, removed_c, effects,
            innovation_z, innovation_sd_c, gain, advised_setpoint_c, next_due_on, inputs, result,
            advice, conformance) ",
            "",
            now,
            |row, (reading, evaluation)| {
                row.push(&reading.site_id)
                    .push(&reading.furnace_id)
                    .push(reading.fired_at)
                    .push(&evaluation.reading_id)
                    .push(&evaluation.method_version)
                    .push(evaluation.counts)
                    .push(evaluation.observed_offset_c)
                    .push(evaluation.independent_c)
                    .push(evaluation.shared_c)
                    .push(evaluation.mean_mm)
                    .push(evaluation.removed_c)
                    .push(&evaluation.effects)
                    .push(evaluation.innovation_z)
                    .push(evaluation.innovation_sd_c)
                    .push(evaluation.gain)
                    .push(evaluation.advised_setpoint_c)
                    .push(&evaluation.next_due_on)
                    .push(&evaluation.inputs)
                    .push(&evaluation.result)
                    .push(&evaluation.advice)
                    .push(evaluation.conformance);
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    Ok(())
}

async fn insert_amendments(
    connection: &mut Connection,
    rows: &[(ReadingRow, EvaluationRow)],
) -> Result<(), Error> {
    const SQL: &str = "INSERT INTO amendment (site_id, furnace_id, reading_id, amended_by)
        VALUES ($1, $2, $3, $4)";
    for (reading, _) in rows {
        if let Some(amends) = &reading.amends {
            query(SQL)
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
    connection: &mut Connection,
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
            query(SQL)
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
    connection: &mut Connection,
    scatters: &[(&GaugeKey, Scatter)],
) -> Result<(), Error> {
    const SQL: &str =
        "INSERT INTO gauge_scatter (site_id, gauge_id, sum_of_squares_mm2, degrees_of_freedom)
        SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]'),
            CAST(json_extract(value, '$[2]') AS DOUBLE PRECISION), CAST(json_extract(value, '$[3]') AS DOUBLE PRECISION)
        FROM json_each($1) WHERE true
        ON CONFLICT (site_id, gauge_id) DO UPDATE SET
            sum_of_squares_mm2 = gauge_scatter.sum_of_squares_mm2 + excluded.sum_of_squares_mm2,
            degrees_of_freedom = gauge_scatter.degrees_of_freedom + excluded.degrees_of_freedom";
    if scatters.is_empty() {
        return Ok(());
    }
    // One row of a statement may not change what another one has changed.
    let mut sums: BTreeMap<&GaugeKey, Scatter> = BTreeMap::new();
    for (gauge, scatter) in scatters {
        let sum = sums.entry(gauge).or_default();
        sum.sum_of_squares_mm2 += scatter.sum_of_squares_mm2;
        sum.degrees_of_freedom += scatter.degrees_of_freedom;
    }
    let list: Vec<(&str, &str, f64, f64)> = sums
        .iter()
        .map(|(gauge, sum)| {
            (
                gauge.site.as_str(),
                gauge.gauge.as_str(),
                sum.sum_of_squares_mm2,
                sum.degrees_of_freedom,
            )
        })
        .collect();
    query(SQL).bind(json(&list)).execute(connection).await?;
    Ok(())
}
