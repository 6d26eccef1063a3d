//! From a separate thermocouple's indication to one temperature and the lines of its budget.

use super::{EvaluationError, Indication, Measured, ThermocoupleObservation};
use crate::budget::{LineInput, Source};
use crate::thermocouple::{sensitivity_mv_per_c, temperature_c};

/// Scatter of one furnace's temperature from firing to firing as a thermocouple sees it, °C.
const FIRING_TO_FIRING_C: f64 = 1.0;

/// Half-width of the reference junction's temperature as labs measure it, °C.
const REFERENCE_JUNCTION_C: f64 = 0.5;

/// Reads the indication on its scale and collects the budget's lines.
pub(super) fn measured(
    observation: &ThermocoupleObservation,
) -> Result<Measured<'static>, EvaluationError> {
    let mut lines = Vec::with_capacity(4);
    lines.push(LineInput {
        source: Source::Repeatability,
        standard_uncertainty: FIRING_TO_FIRING_C,
        unit: "°C",
        sensitivity: 1.0,
        degrees_of_freedom: f64::INFINITY,
        shared: false,
        type_a: false,
        basis: format!(
            "{FIRING_TO_FIRING_C} °C from firing to firing, assumption until the network has learnt \
             it"
        ),
        within_reach: Some(FIRING_TO_FIRING_C / 2.0_f64.sqrt()),
    });
    lines.push(LineInput {
        source: Source::ThermocoupleCalibration,
        standard_uncertainty: observation.expanded_uncertainty_c / 2.0,
        unit: "°C",
        sensitivity: 1.0,
        degrees_of_freedom: f64::INFINITY,
        shared: true,
        type_a: false,
        basis: format!(
            "certificate of thermocouple and instrument, {} °C, coverage factor 2",
            observation.expanded_uncertainty_c
        ),
        within_reach: None,
    });
    let shown_c = match observation.indication {
        Indication::Celsius(shown_c) => shown_c,
        Indication::Millivolts {
            emf_mv,
            reference_junction_c,
        } => {
            let kind = observation.kind;
            let read_c = temperature_c(kind, emf_mv, reference_junction_c)
                .map_err(EvaluationError::OutOfScale)?;
            let there = sensitivity_mv_per_c(kind, reference_junction_c)
                .map_err(EvaluationError::OutOfScale)?;
            let here = sensitivity_mv_per_c(kind, read_c).map_err(EvaluationError::OutOfScale)?;
            lines.push(LineInput {
                source: Source::ReferenceJunction,
                standard_uncertainty: REFERENCE_JUNCTION_C / 3.0_f64.sqrt(),
                unit: "°C",
                sensitivity: there / here,
                degrees_of_freedom: f64::INFINITY,
                shared: true,
                type_a: false,
                basis: format!(
                    "reference junction known to ±{REFERENCE_JUNCTION_C} °C, rectangular, an \
                     assumption"
                ),
                within_reach: None,
            });
            read_c
        }
    };
    Ok(Measured {
        table: None,
        temperature_c: shown_c + observation.correction_c,
        evaluable: true,
        rings: Vec::new(),
        hold: None,
        lines,
        position_spread_c: None,
        notices: Vec::new(),
    })
}
