//! The parts of a reading's error that other readings repeat, taken out of its budget one by one, so
//! that many readings can tell them apart.

use super::Observation;
use crate::budget::{Budget, Source};
use crate::gauge::NOMINAL_SLOPE_C_PER_MM;
use crate::hold::{HoldCorrection, HoldTreatment};
use crate::ring_table::RingTable;

/// The parts of a reading's error that other readings repeat.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SharedErrors {
    /// The gauge's part; none for a thermocouple.
    pub gauge: Option<GaugeError>,
    /// Standard deviation of the batch's bias, °C; 0 for a thermocouple.
    pub batch_sd_c: f64,
    /// Standard uncertainty of the correction for another hold, °C; 0 without one. Negative when the hold
    /// was shorter than the table's, because then the same error acts the other way.
    pub hold_c: f64,
    /// Whether an activation energy was assumed, so that all batches share the hold's error.
    pub hold_is_assumed: bool,
    /// Standard deviation of what another position than the reference adds, °C; 0 at the reference.
    pub position_sd_c: f64,
    /// Standard uncertainty of the reference thermocouple and its junction, °C; 0 for rings.
    pub thermocouple_sd_c: f64,
    /// Standard uncertainty of what no other reading repeats, °C, and of shared lines too small to be
    /// told apart.
    pub own_c: f64,
}

/// What a gauge's bias does to a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GaugeError {
    /// °C in the reading for 1 °C of bias at the nominal slope. It is the table's slope at the diameter that
    /// the table gives for the set temperature, never at the measured one: that would make it a function of
    /// the reading itself, and estimates of the gauges' spread then run away.
    pub coefficient: f64,
    /// Standard deviation of the bias of a gauge that was never checked, °C at the nominal slope.
    pub sd_c: f64,
    /// What a check on a reference block took off the reading, °C; 0 without one.
    pub removed_c: f64,
}

/// Takes the shared parts out of a budget.
pub(super) fn shared_errors(
    observation: &Observation,
    hold: Option<&HoldCorrection>,
    table: Option<&RingTable>,
    budget: &Budget,
    setpoint_c: f64,
) -> SharedErrors {
    let mut errors = SharedErrors::default();
    let mut apart_c2 = 0.0;
    // What is left of a hold that matches its table is small and differs from firing to firing.
    let corrected = hold.is_some_and(|hold| {
        matches!(
            hold.treatment,
            HoldTreatment::Fitted { .. } | HoldTreatment::Assumed { .. }
        )
    });
    for line in &budget.lines {
        let variance_c2 = line.contribution_c * line.contribution_c;
        match line.source {
            Source::GaugeBias => {}
            Source::BatchBias => errors.batch_sd_c = line.contribution_c,
            Source::HoldCorrection if corrected => errors.hold_c = line.contribution_c,
            Source::PositionSpread => errors.position_sd_c = line.contribution_c,
            Source::ThermocoupleCalibration | Source::ReferenceJunction => {
                let before = errors.thermocouple_sd_c;
                errors.thermocouple_sd_c = (before * before + variance_c2).sqrt();
            }
            _ => continue,
        }
        apart_c2 += variance_c2;
    }
    if let Some(hold) = hold {
        errors.hold_is_assumed = matches!(hold.treatment, HoldTreatment::Assumed { .. });
        if hold.fired_hold_min < hold.table_hold_min {
            errors.hold_c = -errors.hold_c;
        }
    }
    errors.own_c = (budget.combined_c * budget.combined_c - apart_c2)
        .max(0.0)
        .sqrt();
    if let (Observation::Rings(rings), Some(table)) = (observation, table) {
        let slope = slope_at(table, setpoint_c);
        let bias_mm = rings.gauge.check.map_or(0.0, |check| check.bias_mm);
        errors.gauge = Some(GaugeError {
            coefficient: slope / NOMINAL_SLOPE_C_PER_MM,
            sd_c: rings.gauge.maximum_permissible_error_mm / 3.0_f64.sqrt()
                * NOMINAL_SLOPE_C_PER_MM.abs(),
            // A negative zero would not come back from a database as it was written.
            removed_c: slope * bias_mm + 0.0,
        });
    }
    errors
}

/// The table's slope at the diameter it gives for a set temperature, °C/mm; at its nearer end when the
/// table does not reach that temperature.
fn slope_at(table: &RingTable, set_c: f64) -> f64 {
    let (coldest_c, hottest_c) = table.temperature_range_c();
    let (smallest_mm, largest_mm) = table.diameter_range_mm();
    let diameter_mm = table
        .diameter_at(set_c.max(coldest_c).min(hottest_c))
        .unwrap_or(if set_c > coldest_c {
            smallest_mm
        } else {
            largest_mm
        });
    table
        .slope_c_per_mm(diameter_mm)
        .unwrap_or(NOMINAL_SLOPE_C_PER_MM)
}
