//! Readings: what people report, what is kept, and what follows from it.

mod assessment;
mod inputs;
mod report;

use std::collections::BTreeSet;

use jiff::Timestamp;
use ringtrue_calibration::evaluation::Indication;
use ringtrue_calibration::plausibility::Question;
use ringtrue_calibration::rings::Ring;
use ringtrue_calibration::thermocouple::Kind;

use crate::key::{BatchId, FurnaceKey, GaugeKey, ProgrammeKey, ReadingId, ReadingKey};

pub use assessment::{Assessed, Known, KnownRings, Refused, SameFiring, Twin, assess};
pub use inputs::{Inputs, reproduced};

/// A reading as kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// What tells it apart.
    pub key: ReadingKey,
    /// What was reported.
    pub report: Report,
    /// Setpoint of the firing, °C: the reported one, else the programme's.
    pub setpoint_c: f64,
    /// When the server stored it.
    pub received_at: Timestamp,
    /// The earlier version that this one corrects.
    pub amends: Option<ReadingId>,
    /// Why it was amended.
    pub amend_reason: String,
}

/// What was reported, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// The programme that was fired.
    pub programme: ProgrammeKey,
    /// Setpoint of the firing as reported, °C.
    pub setpoint_c: Option<f64>,
    /// What was measured.
    pub method: Method,
    /// When the firing ended.
    pub fired_at: Timestamp,
    /// When it was measured.
    pub measured_at: Timestamp,
    /// Why it was made.
    pub purpose: Purpose,
    /// Who measured.
    pub performed_by: String,
    /// Remarks.
    pub note: String,
    /// Codes of questions that the reporter confirmed.
    pub answered: BTreeSet<String>,
}

/// What was reported, unchecked: everything may be missing or wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct RawReport {
    /// The furnace that the request names.
    pub furnace: FurnaceKey,
    /// The programme; none when the request names none.
    pub programme: Option<ProgrammeKey>,
    /// Setpoint of the firing, °C.
    pub setpoint_c: Option<f64>,
    /// What was measured; none when the request holds nothing.
    pub method: Option<RawMethod>,
    /// When the firing ended.
    pub fired_at: Option<Timestamp>,
    /// When it was measured.
    pub measured_at: Option<Timestamp>,
    /// Why it was made.
    pub purpose: Purpose,
    /// Who measured.
    pub performed_by: String,
    /// Remarks.
    pub note: String,
    /// Codes of questions confirmed.
    pub answered: Vec<String>,
}

/// What was measured, unchecked.
#[derive(Debug, Clone, PartialEq)]
pub enum RawMethod {
    /// Rings; batch and gauge may be missing.
    Rings {
        /// The batch.
        batch: Option<BatchId>,
        /// The gauge.
        gauge: Option<GaugeKey>,
        /// The rings.
        rings: Vec<MeasuredRing>,
        /// Zero reading of the gauge, mm.
        zero_mm: Option<f64>,
        /// Temperature of the rings, °C.
        ring_temperature_c: Option<f64>,
    },
    /// A thermocouple; type and indication may be missing.
    Thermocouple {
        /// Its type, when it is one that is known here.
        kind: Option<Kind>,
        /// What was shown.
        indication: Option<Indication>,
        /// Correction from its certificate, °C.
        correction_c: f64,
        /// Expanded uncertainty (k = 2), °C.
        expanded_uncertainty_c: f64,
        /// Chamber position.
        position: String,
    },
}

/// What was measured.
#[derive(Debug, Clone, PartialEq)]
pub enum Method {
    /// Rings of one firing.
    Rings(RingMeasurement),
    /// A reference thermocouple.
    Thermocouple(ThermocoupleMeasurement),
}

/// Rings of one firing.
#[derive(Debug, Clone, PartialEq)]
pub struct RingMeasurement {
    /// Their batch.
    pub batch: BatchId,
    /// The gauge that measured them.
    pub gauge: GaugeKey,
    /// The rings.
    pub rings: Vec<MeasuredRing>,
    /// Zero reading of the gauge, mm.
    pub zero_mm: Option<f64>,
    /// Temperature of the rings, °C.
    pub ring_temperature_c: Option<f64>,
}

/// One ring.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredRing {
    /// Position and diameters.
    pub ring: Ring,
    /// Number printed on it.
    pub serial_number: String,
}

/// A reference thermocouple beside the load.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermocoupleMeasurement {
    /// Its type.
    pub kind: Kind,
    /// What was shown.
    pub indication: Indication,
    /// Correction from its certificate, °C.
    pub correction_c: f64,
    /// Expanded uncertainty (k = 2), °C.
    pub expanded_uncertainty_c: f64,
    /// Chamber position.
    pub position: String,
}

/// Why a reading was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// On the calibration day.
    Routine,
    /// To confirm an adjustment or a doubtful reading.
    Verification,
    /// After a furnace event.
    AfterEvent,
    /// For training; never part of a furnace's offset.
    Practice,
}

/// A question with its standing.
#[derive(Debug, Clone, PartialEq)]
pub struct AskedQuestion {
    /// The question; its field is the path in the request.
    pub question: Question,
    /// Whether the reporter confirmed the values.
    pub answered: bool,
}
