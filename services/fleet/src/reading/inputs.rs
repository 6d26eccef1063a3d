//! What an evaluation depends on, kept so that it can be worked out again, bit for bit.

use std::borrow::Cow;

use ringtrue_calibration::decision::{Advice, Limits, Policy, Reason};
use ringtrue_calibration::evaluation::{
    Counted, Evaluation, EvaluationError, Observation, RingObservation, Setting,
    ThermocoupleObservation, evaluate,
};
use ringtrue_calibration::gauge::Gauge as KnownGauge;
use ringtrue_calibration::inference::{Components, Expectation};
use ringtrue_calibration::programme::Cycle;
use ringtrue_calibration::ring_table::RingTable;
use ringtrue_calibration::rings::Ring;

use super::Method;

/// What an evaluation depends on besides the report and the batch's tables.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    /// The schedule.
    pub cycle: Cycle,
    /// Setpoint of the firing, °C.
    pub setpoint_c: f64,
    /// Setpoint on the controller when the advice was given, °C.
    pub current_setpoint_c: f64,
    /// True peak wanted, °C.
    pub target_c: f64,
    /// Limits of the setpoint.
    pub limits: Limits,
    /// The decision rule.
    pub policy: Policy,
    /// What history and network led to expect of this reading.
    pub expectation: Expectation,
    /// How the furnace's filter counted it.
    pub counted: Counted,
    /// Whether the reading before confirms this one.
    pub confirmed: bool,
    /// How furnaces are expected to wander and readings to scatter.
    pub components: Components,
    /// Position whose rings count; the first ring's when empty.
    pub reference_position: String,
    /// The gauge; none for a thermocouple.
    pub gauge: Option<KnownGauge>,
    /// Uncertainty that the batch's papers state, °C.
    pub batch_expanded_uncertainty_c: Option<f64>,
    /// Whether an assumed activation energy may be used.
    pub accepts_assumed_energy: bool,
    /// Whether a later firing was on record: then that one's advice stands.
    pub superseded: bool,
}

/// Works an evaluation out again from what was kept.
pub fn reproduced(
    inputs: &Inputs,
    method: &Method,
    tables: &[RingTable],
) -> Result<Evaluation, EvaluationError> {
    let mut evaluation = evaluated(inputs, method, tables)?;
    if inputs.superseded
        && let Some(decision) = &mut evaluation.decision
    {
        let current_c = inputs.current_setpoint_c;
        decision.advice = Advice::Leave;
        decision.advised_setpoint_c = current_c;
        decision.provisional_setpoint_c = None;
        decision.reasons = vec![Reason {
            code: Cow::Borrowed("NEWER_READING_DECIDES"),
            text: format!(
                "A later firing of this furnace is on record and its advice stands. This reading now \
                 counts in the furnace's offset; leave the setpoint at {current_c} °C."
            ),
        }];
    }
    Ok(evaluation)
}

fn evaluated(
    inputs: &Inputs,
    method: &Method,
    tables: &[RingTable],
) -> Result<Evaluation, EvaluationError> {
    let setting = Setting {
        cycle: &inputs.cycle,
        setpoint_c: inputs.setpoint_c,
        current_setpoint_c: inputs.current_setpoint_c,
        target_c: inputs.target_c,
        limits: inputs.limits,
        policy: inputs.policy,
        expectation: inputs.expectation,
        counted: inputs.counted,
        confirmed: inputs.confirmed,
        components: inputs.components,
        reference_position: (!inputs.reference_position.is_empty())
            .then_some(inputs.reference_position.as_str()),
    };
    match (method, &inputs.gauge) {
        (Method::Thermocouple(thermocouple), _) => evaluate(
            &Observation::Thermocouple(ThermocoupleObservation {
                kind: thermocouple.kind,
                indication: thermocouple.indication,
                correction_c: thermocouple.correction_c,
                expanded_uncertainty_c: thermocouple.expanded_uncertainty_c,
                position: thermocouple.position.clone(),
            }),
            &setting,
        ),
        (Method::Rings(measured), Some(gauge)) => {
            let rings: Vec<Ring> = measured.rings.iter().map(|r| r.ring.clone()).collect();
            evaluate(
                &Observation::Rings(RingObservation {
                    rings: &rings,
                    tables,
                    batch_expanded_uncertainty_c: inputs.batch_expanded_uncertainty_c,
                    gauge,
                    accepts_assumed_energy: inputs.accepts_assumed_energy,
                }),
                &setting,
            )
        }
        (Method::Rings(_), None) => Err(EvaluationError::NotFinite {
            field: "gauge".to_owned(),
        }),
    }
}
