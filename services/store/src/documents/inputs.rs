//! What an evaluation depended on.

use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::gauge::{BlockCheck, Gauge, Pooled};
use ringtrue_calibration::offset::{Noise, OffsetState};
use ringtrue_calibration::programme::{Cycle, Segment};
use ringtrue_fleet::reading::Inputs;
use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct InputsDocument {
    segments: Vec<[f64; 3]>,
    setpoint_c: f64,
    current_setpoint_c: f64,
    target_c: f64,
    limits: LimitsDocument,
    policy: PolicyDocument,
    prior: Option<StateDocument>,
    confirmed: bool,
    noise: NoiseDocument,
    reference_position: String,
    gauge: Option<GaugeDocument>,
    batch_expanded_uncertainty_c: Option<f64>,
    accepts_assumed_energy: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    superseded: bool,
}

#[expect(clippy::struct_field_names, reason = "the unit belongs in every name")]
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct LimitsDocument {
    setpoint_step_c: f64,
    lowest_setpoint_c: f64,
    highest_setpoint_c: f64,
    largest_step_c: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct PolicyDocument {
    tolerance_c: f64,
    action_band_c: f64,
    guard_factor: f64,
    conformance_wanted: f64,
    full_compensation: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct NoiseDocument {
    wander_c2_per_week: f64,
    drift_c_per_week: f64,
    coefficient_sd_c_per_100c: f64,
    event_sd_c: f64,
    changed_bias_c: f64,
}

/// An offset state; also part of an evaluation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct StateDocument {
    level_c: f64,
    coefficient_c_per_100c: f64,
    variance: [[f64; 2]; 2],
    shared_c: f64,
    readings: u32,
    lowest_setpoint_c: f64,
    highest_setpoint_c: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct GaugeDocument {
    resolution_mm: f64,
    maximum_permissible_error_mm: f64,
    check: Option<CheckDocument>,
    repeatability: Option<PooledDocument>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct CheckDocument {
    bias_mm: f64,
    standard_uncertainty_mm: f64,
    in_date: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct PooledDocument {
    standard_deviation_mm: f64,
    degrees_of_freedom: f64,
}

impl From<&OffsetState> for StateDocument {
    fn from(state: &OffsetState) -> Self {
        Self {
            level_c: state.level_c,
            coefficient_c_per_100c: state.coefficient_c_per_100c,
            variance: state.variance,
            shared_c: state.shared_c,
            readings: state.readings,
            lowest_setpoint_c: state.lowest_setpoint_c,
            highest_setpoint_c: state.highest_setpoint_c,
        }
    }
}

impl From<StateDocument> for OffsetState {
    fn from(document: StateDocument) -> Self {
        Self {
            level_c: document.level_c,
            coefficient_c_per_100c: document.coefficient_c_per_100c,
            variance: document.variance,
            shared_c: document.shared_c,
            readings: document.readings,
            lowest_setpoint_c: document.lowest_setpoint_c,
            highest_setpoint_c: document.highest_setpoint_c,
        }
    }
}

impl From<&Inputs> for InputsDocument {
    fn from(inputs: &Inputs) -> Self {
        Self {
            segments: inputs
                .cycle
                .segments
                .iter()
                .map(|s| [s.ramp_c_per_min, s.temperature_c, s.hold_min])
                .collect(),
            setpoint_c: inputs.setpoint_c,
            current_setpoint_c: inputs.current_setpoint_c,
            target_c: inputs.target_c,
            limits: LimitsDocument {
                setpoint_step_c: inputs.limits.setpoint_step_c,
                lowest_setpoint_c: inputs.limits.lowest_setpoint_c,
                highest_setpoint_c: inputs.limits.highest_setpoint_c,
                largest_step_c: inputs.limits.largest_step_c,
            },
            policy: PolicyDocument {
                tolerance_c: inputs.policy.tolerance_c,
                action_band_c: inputs.policy.action_band_c,
                guard_factor: inputs.policy.guard_factor,
                conformance_wanted: inputs.policy.conformance_wanted,
                full_compensation: inputs.policy.full_compensation,
            },
            prior: inputs.prior.as_ref().map(StateDocument::from),
            confirmed: inputs.confirmed,
            noise: NoiseDocument {
                wander_c2_per_week: inputs.noise.wander_c2_per_week,
                drift_c_per_week: inputs.noise.drift_c_per_week,
                coefficient_sd_c_per_100c: inputs.noise.coefficient_sd_c_per_100c,
                event_sd_c: inputs.noise.event_sd_c,
                changed_bias_c: inputs.noise.changed_bias_c,
            },
            reference_position: inputs.reference_position.clone(),
            gauge: inputs.gauge.map(|gauge| GaugeDocument {
                resolution_mm: gauge.resolution_mm,
                maximum_permissible_error_mm: gauge.maximum_permissible_error_mm,
                check: gauge.check.map(|check| CheckDocument {
                    bias_mm: check.bias_mm,
                    standard_uncertainty_mm: check.standard_uncertainty_mm,
                    in_date: check.in_date,
                }),
                repeatability: gauge.repeatability.map(|pooled| PooledDocument {
                    standard_deviation_mm: pooled.standard_deviation_mm,
                    degrees_of_freedom: pooled.degrees_of_freedom,
                }),
            }),
            batch_expanded_uncertainty_c: inputs.batch_expanded_uncertainty_c,
            accepts_assumed_energy: inputs.accepts_assumed_energy,
            superseded: inputs.superseded,
        }
    }
}

impl From<InputsDocument> for Inputs {
    fn from(document: InputsDocument) -> Self {
        Self {
            cycle: Cycle {
                segments: document
                    .segments
                    .into_iter()
                    .map(|[ramp_c_per_min, temperature_c, hold_min]| Segment {
                        ramp_c_per_min,
                        temperature_c,
                        hold_min,
                    })
                    .collect(),
            },
            setpoint_c: document.setpoint_c,
            current_setpoint_c: document.current_setpoint_c,
            target_c: document.target_c,
            limits: Limits {
                setpoint_step_c: document.limits.setpoint_step_c,
                lowest_setpoint_c: document.limits.lowest_setpoint_c,
                highest_setpoint_c: document.limits.highest_setpoint_c,
                largest_step_c: document.limits.largest_step_c,
            },
            policy: Policy {
                tolerance_c: document.policy.tolerance_c,
                action_band_c: document.policy.action_band_c,
                guard_factor: document.policy.guard_factor,
                conformance_wanted: document.policy.conformance_wanted,
                full_compensation: document.policy.full_compensation,
            },
            prior: document.prior.map(OffsetState::from),
            confirmed: document.confirmed,
            noise: Noise {
                wander_c2_per_week: document.noise.wander_c2_per_week,
                drift_c_per_week: document.noise.drift_c_per_week,
                coefficient_sd_c_per_100c: document.noise.coefficient_sd_c_per_100c,
                event_sd_c: document.noise.event_sd_c,
                changed_bias_c: document.noise.changed_bias_c,
            },
            reference_position: document.reference_position,
            gauge: document.gauge.map(|gauge| Gauge {
                resolution_mm: gauge.resolution_mm,
                maximum_permissible_error_mm: gauge.maximum_permissible_error_mm,
                check: gauge.check.map(|check| BlockCheck {
                    bias_mm: check.bias_mm,
                    standard_uncertainty_mm: check.standard_uncertainty_mm,
                    in_date: check.in_date,
                }),
                repeatability: gauge.repeatability.map(|pooled| Pooled {
                    standard_deviation_mm: pooled.standard_deviation_mm,
                    degrees_of_freedom: pooled.degrees_of_freedom,
                }),
            }),
            batch_expanded_uncertainty_c: document.batch_expanded_uncertainty_c,
            accepts_assumed_energy: document.accepts_assumed_energy,
            superseded: document.superseded,
        }
    }
}
