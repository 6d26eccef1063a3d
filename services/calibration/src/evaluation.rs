//! One reading from what was measured to what to do: temperature, uncertainty budget, tracked offset,
//! decision.

mod bounds;
mod ring_lines;
mod thermocouple_lines;

use std::borrow::Cow;

use crate::METHOD_VERSION;
use crate::budget::{Budget, LineInput, Source, budget};
use crate::decision::{DOUBTFUL_Z, Decision, Limits, Policy, Reason, Situation, decide};
use crate::gauge::Gauge;
use crate::hold::HoldCorrection;
use crate::offset::{Estimate, Noise, Observed, OffsetState, Weight, followed};
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
    /// Offset known before, already predicted to the firing time.
    pub prior: Option<OffsetState>,
    /// True when the reading of another firing within 14 days before, with no event between, agrees
    /// about the offset; an adjustment between does not matter, as it leaves the offset alone.
    pub confirmed: bool,
    /// How the furnace is expected to wander.
    pub noise: Noise,
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
struct Measured {
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
/// much the positions differ and are never averaged in. The reading's independent errors weigh it
/// against the prior, its shared biases stay beside the estimate. A reading that a second firing
/// confirms but history did not expect is taken as a real step: the level is widened by an event's
/// variance and follows at full weight.
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
    let mut notices = measured.notices;
    let mut outcome = None;
    if measured.evaluable {
        let tracked = tracked(observed_offset_c, &budget, setting, &mut notices);
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
            drift_c_per_week: setting.noise.drift_c_per_week,
            position_spread_c: measured.position_spread_c,
            limits: setting.limits,
            policy: setting.policy,
        };
        outcome = Some((tracked, decide(&situation)));
    }
    let (state, innovation_z, decision) = match outcome {
        Some((tracked, decision)) => (Some(tracked.state), tracked.innovation_z, Some(decision)),
        None => (None, None, None),
    };
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
        state,
        innovation_z,
        notices,
        method_version: Cow::Borrowed(METHOD_VERSION),
    })
}

/// The offset after a reading, and how far the reading was from what was expected.
struct Tracked {
    state: OffsetState,
    innovation_z: Option<f64>,
}

fn tracked(
    observed_offset_c: f64,
    budget: &Budget,
    setting: &Setting,
    notices: &mut Vec<Reason>,
) -> Tracked {
    let observed = Observed {
        setpoint_c: setting.setpoint_c,
        offset_c: observed_offset_c,
        independent_c: budget.independent_c,
        shared_c: budget.shared_c,
    };
    let followed = followed(setting.prior, &observed, setting.confirmed, &setting.noise);
    match followed.weight {
        Weight::Full => {}
        Weight::Reduced => {
            let z = followed.innovation_z.unwrap_or_default().abs();
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
        }
        Weight::StepConfirmed => notices.push(Reason {
            code: Cow::Borrowed("STEP_CONFIRMED"),
            text: format!(
                "Two firings agree on {observed_offset_c:+.1} °C, which history did not lead to \
                 expect; the furnace is taken to have changed. Note what was done to it."
            ),
        }),
    }
    Tracked {
        state: followed.state,
        innovation_z: followed.innovation_z,
    }
}

#[cfg(test)]
mod tests;
