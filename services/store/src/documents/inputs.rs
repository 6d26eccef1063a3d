//! What an evaluation depended on.

use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::evaluation::Counted;
use ringtrue_calibration::gauge::{BlockCheck, Gauge, Pooled};
use ringtrue_calibration::inference::{Components, Expectation, OffsetState};
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
    expectation: ExpectationDocument,
    #[serde(default, skip_serializing_if = "CountedDocument::is_full")]
    counted: CountedDocument,
    confirmed: bool,
    components: ComponentsDocument,
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

/// Variance components; also part of a fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct ComponentsDocument {
    wander_c2_per_week: f64,
    slope_sd_c_per_week: f64,
    slope_wander_c2_per_week3: f64,
    coefficient_sd_c_per_100c: f64,
    event_scale: f64,
    noise_scale: f64,
    batch_scale: f64,
    gauge_scale: f64,
    initial_sd_c: Option<f64>,
    bound_z: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct ExpectationDocument {
    state: Option<StateDocument>,
    bias_c: f64,
    bias_variance_c2: f64,
    covariance_c2: [f64; 3],
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct CountedDocument {
    inflation_c2: f64,
    widened_c2: f64,
}

impl CountedDocument {
    fn is_full(&self) -> bool {
        *self == Self::default()
    }
}

/// An offset state; also part of an evaluation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct StateDocument {
    reference_c: f64,
    level_c: f64,
    slope_c_per_week: f64,
    coefficient_c_per_100c: f64,
    covariance: [[f64; 3]; 3],
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
            reference_c: state.reference_c,
            level_c: state.level_c,
            slope_c_per_week: state.slope_c_per_week,
            coefficient_c_per_100c: state.coefficient_c_per_100c,
            covariance: state.covariance,
            readings: state.readings,
            lowest_setpoint_c: state.lowest_setpoint_c,
            highest_setpoint_c: state.highest_setpoint_c,
        }
    }
}

impl From<StateDocument> for OffsetState {
    fn from(document: StateDocument) -> Self {
        Self {
            reference_c: document.reference_c,
            level_c: document.level_c,
            slope_c_per_week: document.slope_c_per_week,
            coefficient_c_per_100c: document.coefficient_c_per_100c,
            covariance: document.covariance,
            readings: document.readings,
            lowest_setpoint_c: document.lowest_setpoint_c,
            highest_setpoint_c: document.highest_setpoint_c,
        }
    }
}

impl From<&Components> for ComponentsDocument {
    fn from(components: &Components) -> Self {
        Self {
            wander_c2_per_week: components.wander_c2_per_week,
            slope_sd_c_per_week: components.slope_sd_c_per_week,
            slope_wander_c2_per_week3: components.slope_wander_c2_per_week3,
            coefficient_sd_c_per_100c: components.coefficient_sd_c_per_100c,
            event_scale: components.event_scale,
            noise_scale: components.noise_scale,
            batch_scale: components.batch_scale,
            gauge_scale: components.gauge_scale,
            initial_sd_c: components.initial_sd_c,
            bound_z: components.bound_z,
        }
    }
}

impl From<ComponentsDocument> for Components {
    fn from(document: ComponentsDocument) -> Self {
        Self {
            wander_c2_per_week: document.wander_c2_per_week,
            slope_sd_c_per_week: document.slope_sd_c_per_week,
            slope_wander_c2_per_week3: document.slope_wander_c2_per_week3,
            coefficient_sd_c_per_100c: document.coefficient_sd_c_per_100c,
            event_scale: document.event_scale,
            noise_scale: document.noise_scale,
            batch_scale: document.batch_scale,
            gauge_scale: document.gauge_scale,
            initial_sd_c: document.initial_sd_c,
            bound_z: document.bound_z,
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
            expectation: ExpectationDocument {
                state: inputs.expectation.state.as_ref().map(StateDocument::from),
                bias_c: inputs.expectation.bias_c,
                bias_variance_c2: inputs.expectation.bias_variance_c2,
                covariance_c2: inputs.expectation.covariance_c2,
            },
            counted: CountedDocument {
                inflation_c2: inputs.counted.inflation_c2,
                widened_c2: inputs.counted.widened_c2,
            },
            confirmed: inputs.confirmed,
            components: ComponentsDocument::from(&inputs.components),
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
            expectation: Expectation {
                state: document.expectation.state.map(OffsetState::from),
                bias_c: document.expectation.bias_c,
                bias_variance_c2: document.expectation.bias_variance_c2,
                covariance_c2: document.expectation.covariance_c2,
            },
            counted: Counted {
                inflation_c2: document.counted.inflation_c2,
                widened_c2: document.counted.widened_c2,
            },
            confirmed: document.confirmed,
            components: document.components.into(),
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
