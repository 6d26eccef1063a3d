//! Questions to ask about a reading before it is believed; none mends anything by itself.

use crate::ring_table::RingTable;
use crate::rings::Ring;

/// What a question is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuestionCode {
    /// Two digits of a diameter seem to have changed places.
    DigitsSwapped,
    /// One digit of a diameter seems to be one too high or too low.
    DigitSlip,
    /// The decimal mark of a diameter seems to be in the wrong place.
    DecimalShifted,
    /// A diameter seems to be in inches.
    Inches,
    /// A setpoint seems to be in °F.
    Fahrenheit,
    /// The ring seems to be of another batch.
    WrongBatch,
    /// The ring seems to have been fired in another furnace.
    WrongFurnace,
    /// The ring was measured before it was cold.
    HotRing,
    /// The ring seems to have been used before.
    UsedRing,
    /// The gauge does not show zero when closed, or nobody wrote down that it does.
    GaugeNotZeroed,
    /// One diameter lies far from the others.
    SpreadTooLarge,
    /// The ring is out of round.
    Ovality,
    /// The reading may be of a firing that was already reported.
    SameFiring,
    /// The last setpoint change seems not to be on the panel.
    CorrectionNotApplied,
    /// The last setpoint change seems to be on the panel twice.
    CorrectionAppliedTwice,
    /// The last setpoint change seems to have been made the other way round.
    CorrectionOpposite,
    /// The figures repeat too exactly.
    TooGood,
    /// The reading lies far from the furnace's history and nothing else explains it.
    FarFromHistory,
    /// The ring was measured long after it was fired.
    LateReport,
}

/// One question about one field.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// What it is about.
    pub code: QuestionCode,
    /// The field asked about, for example `rings[0].diameters_mm[1]`.
    pub field: String,
    /// The question in words.
    pub text: String,
    /// The value it suggests, in `suggestion_unit`.
    pub suggestion: Option<f64>,
    /// Unit of the suggestion, "mm" or "°C"; empty without one.
    pub suggestion_unit: &'static str,
}

/// The offset a furnace is expected to show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// Expected offset, °C.
    pub offset_c: f64,
    /// Its standard uncertainty, °C.
    pub standard_uncertainty_c: f64,
}

/// A confirmed change of the setpoint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetpointChange {
    /// Setpoint before, °C.
    pub from_c: f64,
    /// Setpoint after, °C.
    pub to_c: f64,
}

/// All that the questions rest on.
#[derive(Debug, Clone, PartialEq)]
pub struct Context<'a> {
    /// The rings as typed.
    pub rings: &'a [Ring],
    /// The table of the stated batch that fits the firing's hold.
    pub table: &'a RingTable,
    /// Other batches open at the site: code and table.
    pub other_batches: &'a [(String, &'a RingTable)],
    /// The setpoint as typed, °C.
    pub setpoint_c: f64,
    /// Bias of the gauge found on the reference block, mm; 0 without a check.
    pub gauge_bias_mm: f64,
    /// Correction added to the table's temperature for the hold, °C; usually 0.
    pub hold_correction_c: f64,
    /// What the furnace's history leads to expect; none before the first reading.
    pub prediction: Option<Prediction>,
    /// Other furnaces of the site: name for people and prediction.
    pub twins: &'a [(String, Prediction)],
    /// Hours between the end of the firing and the measurement.
    pub hours_since_firing: Option<f64>,
    /// Temperature of the ring when it was measured, °C.
    pub ring_temperature_c: Option<f64>,
    /// What the closed gauge showed, mm.
    pub zero_mm: Option<f64>,
    /// False when nobody wrote down a zero check.
    pub zero_recorded: bool,
    /// Words naming an earlier reading of the same ring.
    pub same_ring_seen: Option<String>,
    /// Words naming an earlier reading of the same firing, such as "M. at 08:12 on 2026-03-02".
    pub same_firing: Option<String>,
    /// The setpoint change confirmed since the last reading.
    pub last_change: Option<SetpointChange>,
    /// Offset of the last reading, °C.
    pub previous_offset_c: Option<f64>,
    /// Standard uncertainty of this measurement, °C, independent errors only.
    pub measurement_uncertainty_c: f64,
    /// How many readings in a row had no spread at all.
    pub exact_repeats: u32,
}

/// Another value a diameter may have been.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alternative {
    /// The other value, mm.
    pub value_mm: f64,
    /// What went wrong if it is the right one.
    pub kind: QuestionCode,
    /// What the table gives for it, °C.
    pub temperature_c: f64,
}

/// Gives the questions to ask.
pub fn questions(context: &Context) -> Vec<Question> {
    let _ = context;
    Vec::new()
}

/// Gives other values a diameter may have been, best first.
pub fn alternatives(diameter_mm: f64, table: &RingTable, expected_temperature_c: f64) -> Vec<Alternative> {
    let _ = (diameter_mm, table, expected_temperature_c);
    Vec::new()
}

impl QuestionCode {
    /// Gives the stable code.
    pub fn code(self) -> &'static str {
        match self {
            QuestionCode::DigitsSwapped => "DIGITS_SWAPPED",
            QuestionCode::DigitSlip => "DIGIT_SLIP",
            QuestionCode::DecimalShifted => "DECIMAL_SHIFTED",
            QuestionCode::Inches => "INCHES",
            QuestionCode::Fahrenheit => "FAHRENHEIT",
            QuestionCode::WrongBatch => "WRONG_BATCH",
            QuestionCode::WrongFurnace => "WRONG_FURNACE",
            QuestionCode::HotRing => "HOT_RING",
            QuestionCode::UsedRing => "USED_RING",
            QuestionCode::GaugeNotZeroed => "GAUGE_NOT_ZEROED",
            QuestionCode::SpreadTooLarge => "SPREAD_TOO_LARGE",
            QuestionCode::Ovality => "OVALITY",
            QuestionCode::SameFiring => "SAME_FIRING",
            QuestionCode::CorrectionNotApplied => "CORRECTION_NOT_APPLIED",
            QuestionCode::CorrectionAppliedTwice => "CORRECTION_APPLIED_TWICE",
            QuestionCode::CorrectionOpposite => "CORRECTION_OPPOSITE",
            QuestionCode::TooGood => "TOO_GOOD",
            QuestionCode::FarFromHistory => "FAR_FROM_HISTORY",
            QuestionCode::LateReport => "LATE_REPORT",
        }
    }
}
