//! What every figure of a reading must be before anything is computed from it.

use super::{EvaluationError, Indication, RingObservation, Setting, ThermocoupleObservation};
use crate::inference::Expectation;
use crate::rings::{MAX_DIAMETERS, MAX_RINGS};

/// Hottest temperature a firing may claim, °C; far above any furnace of the trade, so that only slips
/// meet it.
const HOTTEST_C: f64 = 2500.0;

/// Largest length a gauge figure may claim, mm.
const LONGEST_MM: f64 = 100.0;

/// Largest temperature difference a setting may claim, °C.
const WIDEST_C: f64 = 1000.0;

/// Refuses a figure that is not a number or lies outside `low` to `high`.
fn check(
    field: &str,
    value: f64,
    low: f64,
    high: f64,
    wanted: &'static str,
) -> Result<(), EvaluationError> {
    if !value.is_finite() {
        return Err(EvaluationError::NotFinite {
            field: field.to_owned(),
        });
    }
    if value < low || value > high {
        return Err(EvaluationError::OutOfRange {
            field: field.to_owned(),
            wanted,
        });
    }
    Ok(())
}

fn temperature(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(field, value, 0.0, HOTTEST_C, "between 0 and 2500 °C")
}

fn width(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(field, value, 0.0, WIDEST_C, "between 0 and 1000 °C")
}

fn difference(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(
        field,
        value,
        -HOTTEST_C,
        HOTTEST_C,
        "between -2500 and 2500 °C",
    )
}

fn length(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(field, value, 0.0, LONGEST_MM, "between 0 and 100 mm")
}

/// Checks everything an observation is judged against.
pub(super) fn check_setting(setting: &Setting) -> Result<(), EvaluationError> {
    temperature("setpoint_c", setting.setpoint_c)?;
    temperature("current_setpoint_c", setting.current_setpoint_c)?;
    temperature("target_c", setting.target_c)?;
    let limits = &setting.limits;
    width("limits.setpoint_step_c", limits.setpoint_step_c)?;
    temperature("limits.lowest_setpoint_c", limits.lowest_setpoint_c)?;
    temperature("limits.highest_setpoint_c", limits.highest_setpoint_c)?;
    width("limits.largest_step_c", limits.largest_step_c)?;
    let policy = &setting.policy;
    check(
        "policy.tolerance_c",
        policy.tolerance_c,
        0.1,
        WIDEST_C,
        "between 0.1 and 1000 °C",
    )?;
    width("policy.action_band_c", policy.action_band_c)?;
    check(
        "policy.guard_factor",
        policy.guard_factor,
        0.0,
        10.0,
        "between 0 and 10",
    )?;
    check(
        "policy.conformance_wanted",
        policy.conformance_wanted,
        0.0,
        1.0,
        "between 0 and 1",
    )?;
    let components = &setting.components;
    for (field, value) in [
        (
            "components.wander_c2_per_week",
            components.wander_c2_per_week,
        ),
        (
            "components.slope_sd_c_per_week",
            components.slope_sd_c_per_week,
        ),
        (
            "components.slope_wander_c2_per_week3",
            components.slope_wander_c2_per_week3,
        ),
        (
            "components.coefficient_sd_c_per_100c",
            components.coefficient_sd_c_per_100c,
        ),
        ("components.noise_scale", components.noise_scale),
    ] {
        width(field, value)?;
    }
    let counted = &setting.counted;
    variance("counted.inflation_c2", counted.inflation_c2)?;
    variance("counted.widened_c2", counted.widened_c2)?;
    check_expectation(&setting.expectation)
}

fn variance(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(field, value, 0.0, 1e9, "between 0 and 1e9 °C²")
}

fn covariance(field: &str, value: f64) -> Result<(), EvaluationError> {
    check(field, value, -1e9, 1e9, "between -1e9 and 1e9 °C²")
}

fn check_expectation(expectation: &Expectation) -> Result<(), EvaluationError> {
    difference("expectation.bias_c", expectation.bias_c)?;
    variance("expectation.bias_variance_c2", expectation.bias_variance_c2)?;
    for shared in expectation.covariance_c2 {
        covariance("expectation.covariance_c2", shared)?;
    }
    let Some(state) = &expectation.state else {
        return Ok(());
    };
    difference("expectation.level_c", state.level_c)?;
    difference("expectation.slope_c_per_week", state.slope_c_per_week)?;
    difference(
        "expectation.coefficient_c_per_100c",
        state.coefficient_c_per_100c,
    )?;
    for (at, row) in state.covariance.iter().enumerate() {
        for (other, value) in row.iter().enumerate() {
            if at == other {
                variance("expectation.covariance", *value)?;
            } else {
                covariance("expectation.covariance", *value)?;
            }
        }
    }
    Ok(())
}

/// Checks measured rings, their gauge and their batch.
pub(super) fn check_rings(observation: &RingObservation) -> Result<(), EvaluationError> {
    let rings = observation.rings;
    if rings.is_empty() {
        return Err(EvaluationError::NoRings);
    }
    if observation.tables.is_empty() {
        return Err(EvaluationError::NoTable);
    }
    if rings.len() > MAX_RINGS {
        let field = "rings".to_owned();
        return Err(EvaluationError::TooMany {
            field,
            count: rings.len(),
            most: MAX_RINGS,
        });
    }
    for (index, ring) in rings.iter().enumerate() {
        let diameters = &ring.diameters_mm;
        if diameters.is_empty() {
            return Err(EvaluationError::NoRings);
        }
        if diameters.len() > MAX_DIAMETERS {
            return Err(EvaluationError::TooMany {
                field: format!("rings[{index}].diameters_mm"),
                count: diameters.len(),
                most: MAX_DIAMETERS,
            });
        }
        for (place, diameter) in diameters.iter().enumerate() {
            if !diameter.is_finite() {
                let field = format!("rings[{index}].diameters_mm[{place}]");
                return Err(EvaluationError::NotFinite { field });
            }
        }
    }
    if let Some(expanded) = observation.batch_expanded_uncertainty_c {
        width("batch_expanded_uncertainty_c", expanded)?;
    }
    let gauge = observation.gauge;
    length("gauge.resolution_mm", gauge.resolution_mm)?;
    length(
        "gauge.maximum_permissible_error_mm",
        gauge.maximum_permissible_error_mm,
    )?;
    if let Some(check) = &gauge.check {
        length("gauge.check.bias_mm", check.bias_mm.abs())?;
        length(
            "gauge.check.standard_uncertainty_mm",
            check.standard_uncertainty_mm,
        )?;
    }
    if let Some(pooled) = &gauge.repeatability {
        length(
            "gauge.repeatability.standard_deviation_mm",
            pooled.standard_deviation_mm,
        )?;
    }
    Ok(())
}

/// Checks a thermocouple's figures; its scale is checked where it is read.
pub(super) fn check_thermocouple(
    observation: &ThermocoupleObservation,
) -> Result<(), EvaluationError> {
    match observation.indication {
        Indication::Celsius(shown_c) => temperature("indication.celsius", shown_c)?,
        Indication::Millivolts {
            emf_mv,
            reference_junction_c,
        } => {
            check(
                "indication.emf_mv",
                emf_mv,
                -100.0,
                100.0,
                "between -100 and 100 mV",
            )?;
            let wanted = "between -50 and 100 °C";
            check(
                "indication.reference_junction_c",
                reference_junction_c,
                -50.0,
                100.0,
                wanted,
            )?;
        }
    }
    difference("correction_c", observation.correction_c)?;
    width("expanded_uncertainty_c", observation.expanded_uncertainty_c)
}
