//! One reading from what was measured to what to do: temperature, uncertainty budget, tracked offset,
//! decision.

mod bounds;
mod ring_lines;
mod shared_errors;
mod thermocouple_lines;

use std::borrow::Cow;

pub use shared_errors::{GaugeError, SharedErrors};

use crate::METHOD_VERSION;
use crate::budget::{Budget, LineInput, Source, budget};
use crate::decision::{DOUBTFUL_Z, Decision, Limits, Policy, Reason, Situation, decide};
use crate::gauge::Gauge;
use crate::hold::HoldCorrection;
use crate::inference::{Components, Estimate, Expectation, OffsetState, Weighing};
use crate::programme::Cycle;
use crate::ring_table::{OutOfTable, RingTable};
use crate::rings::{Ring, RingSummary};
use crate::thermocouple::{Kind, OutOfScale};

/// What was observed in a firing.
#[derive(Debug, Clone, PartialEq)]
pub enum Observation<'a> {
    /// Rings were measured.
    Rings(RingObservation<'a>),
    /// A separate thermocouple was read.
    Thermocouple(ThermocoupleObservation),
}

/// Measured rings with what is known about batch and gauge.
#[derive(Debug, Clone, PartialEq)]
pub struct RingObservation<'a> {
    /// The rings.
    pub rings: &'a [Ring],
    /// The batch's tables, one per hold time.
    pub tables: &'a [RingTable],
    /// Expanded uncertainty the batch states (coverage factor 2), °C.
    pub batch_expanded_uncertainty_c: Option<f64>,
    /// The caliper or micrometer.
    pub gauge: &'a Gauge,
    /// True when the site accepts a hold correction with an assumed activation energy.
    pub accepts_assumed_energy: bool,
}

/// What a thermocouple's instrument showed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Indication {
    /// A voltage.
    Millivolts {
        /// Voltage, mV.
        emf_mv: f64,
        /// Temperature of the reference junction, °C.
        reference_junction_c: f64,
    },
    /// A temperature, °C.
    Celsius(f64),
}

/// A separate thermocouple in the chamber.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermocoupleObservation {
    /// Its type.
    pub kind: Kind,
    /// What was shown.
    pub indication: Indication,
    /// Correction from its certificate, added, °C.
    pub correction_c: f64,
    /// Expanded uncertainty of thermocouple and instrument (coverage factor 2), °C.
    pub expanded_uncertainty_c: f64,
    /// Where its junction was.
    pub position: String,
}

/// How a furnace's filter counted a reading.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// Variance added to the reading because it lies far off and nothing confirms it, °C²; 0 at full
    /// weight.
    pub inflation_c2: f64,
    /// Variance added to the history because a second far reading confirms a step, °C².
    pub widened_c2: f64,
}

/// What the observation is judged against.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting<'a> {
    /// The programme as fired.
    pub cycle: &'a Cycle,
    /// Setpoint during the firing, as found, °C.
    pub setpoint_c: f64,
    /// Setpoint on the panel now, °C; advice moves from here.
    pub current_setpoint_c: f64,
    /// True temperature wanted, °C.
    pub target_c: f64,
    /// What furnace and programme allow.
    pub limits: Limits,
    /// How the site decides.
    pub policy: Policy,
    /// What history and network lead to expect, carried forward to the firing.
    pub expectation: Expectation,
    /// How the furnace's filter counted the reading.
    pub counted: Counted,
    /// True when the reading of another firing within 14 days before, with no event between, agrees
    /// about the offset; an adjustment between does not matter, as it leaves the offset alone.
    pub confirmed: bool,
    /// How furnaces are expected to wander and readings to scatter.
    pub components: Components,
    /// The position that stands for the work; the first ring's without one.
    pub reference_position: Option<&'a str>,
}

/// All that one reading says.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// False when the reading says nothing about absolute temperature.
    pub evaluable: bool,
    /// Ring temperature at the reference position, or the thermocouple's, °C.
    pub ring_temperature_c: f64,
    /// Ring temperature less setpoint, °C.
    pub observed_offset_c: f64,
    /// Ring temperature less target, °C.
    pub deviation_c: f64,
    /// Each ring on its own; empty for a thermocouple.
    pub rings: Vec<RingSummary>,
    /// How the hold was treated; none for a thermocouple.
    pub hold: Option<HoldCorrection>,
    /// The uncertainty budget.
    pub budget: Budget,
    /// Hottest less coldest position, °C; none with one position.
    pub position_spread_c: Option<f64>,
    /// What to do; none when not evaluable.
    pub decision: Option<Decision>,
    /// The offset known after this reading; none when not evaluable, then the prior stays.
    pub state: Option<OffsetState>,
    /// Distance between reading and prediction in standard deviations.
    pub innovation_z: Option<f64>,
    /// That standard deviation, °C.
    pub innovation_sd_c: Option<f64>,
    /// Weight of the reading in the offset at its setpoint, 0 to 1; none when not evaluable.
    pub gain: Option<f64>,
    /// The parts of its error that other readings repeat.
    pub shared: SharedErrors,
    /// What people should know besides.
    pub notices: Vec<Reason>,
    /// Version of the mathematics.
    pub method_version: Cow<'static, str>,
}

/// Why a reading cannot be evaluated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EvaluationError {
    /// A ring's diameter is outside the table.
    #[error("ring {}: {fault}", ring + 1)]
    OutOfTable {
        /// The ring, counted from 0.
        ring: usize,
        /// What was asked and what the table reaches.
        fault: OutOfTable,
    },
    /// A number is missing, infinite or not a number.
    #[error("{field} is not a number; type it again")]
    NotFinite {
        /// The field.
        field: String,
    },
    /// A number is outside what it may be.
    #[error("{field} must be {wanted}; check it and type it again")]
    OutOfRange {
        /// The field.
        field: String,
        /// What it must be, in words.
        wanted: &'static str,
    },
    /// No ring or no diameter was given.
    #[error("the reading has no ring diameters; measure at least one ring at two or more places")]
    NoRings,
    /// The batch has no table.
    #[error("the ring batch has no table; enter the table that came with the rings")]
    NoTable,
    /// More were given than one reading may have.
    #[error("{field} has {count} entries and may have {most}; split the reading")]
    TooMany {
        /// The field.
        field: String,
        /// How many were given.
        count: usize,
        /// How many there may be.
        most: usize,
    },
    /// A thermocouple value is outside its scale.
    #[error("{0}")]
    OutOfScale(OutOfScale),
}

impl EvaluationError {
    /// Gives the stable code.
    pub fn reason(&self) -> &'static str {
        match self {
            EvaluationError::OutOfTable { .. } => "OUT_OF_TABLE",
            EvaluationError::NotFinite { .. } => "NOT_FINITE",
            EvaluationError::OutOfRange { .. } => "OUT_OF_RANGE",
            EvaluationError::NoRings => "NO_RINGS",
            EvaluationError::NoTable => "NO_TABLE",
            EvaluationError::TooMany { .. } => "TOO_MANY",
            EvaluationError::OutOfScale(_) => "OUT_OF_SCALE",
        }
    }

    /// Gives the field at fault.
    pub fn field(&self) -> String {
        match self {
            EvaluationError::OutOfTable { ring, .. } => format!("rings[{ring}].diameters_mm"),
            EvaluationError::NotFinite { field }
            | EvaluationError::OutOfRange { field, .. }
            | EvaluationError::TooMany { field, .. } => field.clone(),
            EvaluationError::NoRings => "rings".to_owned(),
            EvaluationError::NoTable => "tables".to_owned(),
            EvaluationError::OutOfScale(_) => "indication".to_owned(),
        }
    }
}

/// What an observation comes to before it is judged.
struct Measured<'a> {
    table: Option<&'a RingTable>,
    temperature_c: f64,
    evaluable: bool,
    rings: Vec<RingSummary>,
    hold: Option<HoldCorrection>,
    lines: Vec<LineInput>,
    position_spread_c: Option<f64>,
    notices: Vec<Reason>,
}

/// Evaluates one reading.
///
/// The temperature is the mean of the rings at the reference position; rings elsewhere only show how
/// much the positions differ and are never averaged in. The reading is weighed against what history and
/// network lead to expect of it, the biases of its gauge and batch included. A reading that a second
/// firing confirms but history did not expect is taken as a real step: the level is widened by an
/// event's variance and follows at full weight.
///
/// Fails when a figure is not a number or out of its range, or when a diameter lies outside the
/// table.
pub fn evaluate(
    observation: &Observation,
    setting: &Setting,
) -> Result<Evaluation, EvaluationError> {
    bounds::check_setting(setting)?;
    let mut measured = match observation {
        Observation::Rings(rings) => {
            bounds::check_rings(rings)?;
            ring_lines::measured(rings, setting)?
        }
        Observation::Thermocouple(thermocouple) => {
            bounds::check_thermocouple(thermocouple)?;
            thermocouple_lines::measured(thermocouple)?
        }
    };
    let step = setting.limits.setpoint_step_c;
    measured.lines.push(LineInput {
        source: Source::SetpointDisplay,
        standard_uncertainty: step / 12.0_f64.sqrt(),
        unit: "°C",
        sensitivity: 1.0,
        degrees_of_freedom: f64::INFINITY,
        shared: false,
        type_a: false,
        basis: format!("step of {step} °C on the controller, rectangular (GUM F.2.2.1)"),
        within_reach: None,
    });
    let budget = budget(measured.lines);
    let observed_offset_c = measured.temperature_c - setting.setpoint_c;
    let shared = shared_errors::shared_errors(
        observation,
        measured.hold.as_ref(),
        measured.table,
        &budget,
        setting.setpoint_c,
    );
    let mut notices = measured.notices;
    let mut outcome = None;
    if measured.evaluable {
        let tracked = tracked(observed_offset_c, &shared, setting, &mut notices);
        let situation = Situation {
            current_setpoint_c: setting.current_setpoint_c,
            target_c: setting.target_c,
            reading: Estimate {
                offset_c: observed_offset_c,
                standard_uncertainty_c: budget.combined_c,
            },
            reading_expanded_c: budget.expanded_c,
            estimate: tracked.state.estimate(setting.target_c),
            innovation_z: tracked.innovation_z,
            confirmed: setting.confirmed,
            drift_c_per_week: certain_slope_c_per_week(&tracked.state),
            position_spread_c: measured.position_spread_c,
            limits: setting.limits,
            policy: setting.policy,
        };
        outcome = Some((tracked, decide(&situation)));
    }
    let (tracked, decision) = outcome.unzip();
    Ok(Evaluation {
        evaluable: measured.evaluable,
        ring_temperature_c: measured.temperature_c,
        observed_offset_c,
        deviation_c: measured.temperature_c - setting.target_c,
        rings: measured.rings,
        hold: measured.hold,
        budget,
        position_spread_c: measured.position_spread_c,
        decision,
        state: tracked.as_ref().map(|tracked| tracked.state),
        innovation_z: tracked.as_ref().and_then(|tracked| tracked.innovation_z),
        innovation_sd_c: tracked.as_ref().and_then(|tracked| tracked.innovation_sd_c),
        gain: tracked.map(|tracked| tracked.gain),
        shared,
        notices,
        method_version: Cow::Borrowed(METHOD_VERSION),
    })
}

/// The part of a drift that its uncertainty leaves (two standard uncertainties), °C/week.
fn certain_slope_c_per_week(state: &OffsetState) -> f64 {
    let slope = state.slope_c_per_week;
    let expanded = 2.0 * state.covariance[1][1].max(0.0).sqrt();
    (slope.abs() - expanded).max(0.0).copysign(slope)
}

/// The offset after a reading, and how far the reading was from what was expected.
struct Tracked {
    state: OffsetState,
    innovation_z: Option<f64>,
    innovation_sd_c: Option<f64>,
    gain: f64,
}

fn tracked(
    observed_offset_c: f64,
    shared: &SharedErrors,
    setting: &Setting,
    notices: &mut Vec<Reason>,
) -> Tracked {
    let Counted {
        inflation_c2,
        widened_c2,
    } = setting.counted;
    let own_c = shared.own_c * setting.components.noise_scale;
    // The network's knowledge of a gauge includes its checks, so it is applied to what the gauge showed.
    let shown_c = observed_offset_c + shared.gauge.map_or(0.0, |gauge| gauge.removed_c);
    let updated = setting.expectation.updated(
        setting.setpoint_c,
        shown_c,
        Weighing {
            variance_c2: own_c * own_c,
            inflation_c2,
            widened_c2,
        },
        &setting.components,
    );
    let z = updated.innovation_z.unwrap_or_default().abs();
    if inflation_c2 > 0.0 {
        // Only a doubtful reading is fired again; to a milder one no second firing is advised.
        let next = if z > DOUBTFUL_Z {
            "a second firing decides"
        } else {
            "the next reading shows whether the furnace has changed"
        };
        notices.push(Reason {
            code: Cow::Borrowed("COUNTED_AT_REDUCED_WEIGHT"),
            text: format!(
                "The reading lies {z:.1} standard deviations from what history leads to expect \
                 and was counted at reduced weight; {next}."
            ),
        });
    } else if widened_c2 > 0.0 {
        notices.push(Reason {
            code: Cow::Borrowed("STEP_CONFIRMED"),
            text: format!(
                "Two firings in a row lie far to the same side of what history led to expect, this \
                 one at {observed_offset_c:+.1} °C; the furnace is taken to have changed. Note what was \
                 done to it."
            ),
        });
    }
    let expected = setting.expectation.predicted_offset(setting.setpoint_c);
    Tracked {
        state: updated.state,
        innovation_z: updated.innovation_z,
        innovation_sd_c: expected.map(|expected| {
            let expected_c = expected.standard_uncertainty_c;
            (expected_c * expected_c + own_c * own_c).sqrt()
        }),
        gain: updated.gain,
    }
}

#[cfg(test)]
mod tests;
