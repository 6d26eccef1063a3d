//! Questions to ask about a reading before it is believed. Each asks one precise thing; none mends
//! anything by itself.
//!
//! Slips of hand outweigh everything in the uncertainty budget: two digits swapped are 50 to 130 °C,
//! an unzeroed caliper 5 to 13 °C. What a slip would explain is weighed by log-likelihood under the
//! furnace's predicted offset, or without a history under 0 ± 30 °C; a question needs a gain of 6,
//! about 400 to 1 (thresholds are assumptions of this program).

mod digits;
mod panel;

pub use digits::{Alternative, alternatives};

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
    pub table: Option<&'a RingTable>,
    /// Temperature by another method than rings, °C; then there are no rings and no table.
    pub indicated_c: Option<f64>,
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
    /// How many readings in a row gave the same mean diameter to the last digit, this one included.
    pub exact_repeats: u32,
}

/// Log-likelihood an explanation must gain before it is asked about.
const GAIN_WANTED: f64 = 6.0;

/// Spread of offsets before a furnace has a history, °C.
const UNKNOWN_OFFSET_C: f64 = 30.0;

/// Beyond this many standard deviations a reading is far from history.
const FAR_Z: f64 = 3.5;

/// Diameters of one ring that differ by more are measured again, mm.
pub const WIDEST_SPREAD_MM: f64 = 0.05;

/// A closed gauge may be off by this much, mm.
const ZERO_MM: f64 = 0.02;

/// A ring measured sooner after firing is still warm, hours.
const COLD_AFTER_HOURS: f64 = 2.0;

/// A ring warmer than this has not reached the room's temperature, °C.
const COLD_BELOW_C: f64 = 30.0;

/// A ring measured later than this may be another ring, hours.
const LATE_AFTER_HOURS: f64 = 7.0 * 24.0;

/// A reading later than this decides nothing, hours.
const TOO_LATE_AFTER_HOURS: f64 = 30.0 * 24.0;

/// So many readings in a row without any spread look copied.
const TOO_MANY_REPEATS: u32 = 5;

/// The temperature a reading should show, and how sure that is.
#[derive(Debug, Clone, Copy)]
struct Expected {
    temperature_c: f64,
    standard_deviation_c: f64,
}

impl Expected {
    fn distance(self, temperature_c: f64) -> f64 {
        (temperature_c - self.temperature_c) / self.standard_deviation_c
    }

    /// Without the constant that every temperature shares.
    fn log_likelihood(self, temperature_c: f64) -> f64 {
        let z = self.distance(temperature_c);
        -0.5 * z * z
    }
}

/// Gives the questions to ask, those about typing first.
pub fn questions(context: &Context) -> Vec<Question> {
    let mut questions = Vec::new();
    let setpoint_c = plausible_setpoint_c(context, &mut questions);
    let expected = expected(context, setpoint_c);
    if outside_but_agreeing(context) {
        panel::ask_about_batch(context, expected, &mut questions);
    }
    if questions.is_empty() {
        for ring in 0..context.rings.len() {
            digits::ask(context, ring, expected, &mut questions);
        }
    }
    if questions.is_empty() {
        panel::ask_about_batch(context, expected, &mut questions);
        panel::ask_about_furnace(context, setpoint_c, &mut questions);
        panel::ask_about_correction(context, setpoint_c, &mut questions);
    }
    let explained = !questions.is_empty();
    for (index, ring) in context.rings.iter().enumerate() {
        ask_about_spread(index, ring, &mut questions);
    }
    ask_about_ring(context, &mut questions);
    ask_about_zero(context, &mut questions);
    if !explained {
        ask_about_history(context, expected, &mut questions);
    }
    questions
}

/// Whether every diameter lies outside the table and each ring's diameters agree: the same slip is
/// seldom made several times, so the batch is asked about before the digits.
fn outside_but_agreeing(context: &Context) -> bool {
    for ring in context.rings {
        if ring.diameters_mm.len() < 2 || ring.ovality_mm() > WIDEST_SPREAD_MM + 1e-9 {
            return false;
        }
        for diameter in &ring.diameters_mm {
            if temperature_c(context, context.table, *diameter).is_some() {
                return false;
            }
        }
    }
    !context.rings.is_empty()
}

/// A question without a suggested value.
fn question(code: QuestionCode, field: String, text: String) -> Question {
    Question {
        code,
        field,
        text,
        suggestion: None,
        suggestion_unit: "",
    }
}

/// The setpoint in °C, asking when it seems to be in °F.
fn plausible_setpoint_c(context: &Context, questions: &mut Vec<Question>) -> f64 {
    let typed = context.setpoint_c;
    let celsius = (typed - 32.0) / 1.8;
    if typed > 1700.0 && (1400.0..=1650.0).contains(&celsius) {
        let suggestion = (celsius * 10.0).round() / 10.0;
        questions.push(Question {
            code: QuestionCode::Fahrenheit,
            field: "setpoint_c".to_owned(),
            text: format!(
                "A setpoint of {typed} °C is hotter than these furnaces go. Is it {typed} °F, \
                 {suggestion} °C?"
            ),
            suggestion: Some(suggestion),
            suggestion_unit: "°C",
        });
        return celsius;
    }
    typed
}

fn expected(context: &Context, setpoint_c: f64) -> Expected {
    match context.prediction {
        Some(prediction) => Expected {
            temperature_c: setpoint_c + prediction.offset_c,
            standard_deviation_c: together(
                prediction.standard_uncertainty_c,
                context.measurement_uncertainty_c,
            ),
        },
        None => Expected {
            temperature_c: setpoint_c,
            standard_deviation_c: UNKNOWN_OFFSET_C,
        },
    }
}

/// Root sum of squares, at least 1 °C so that a claim of perfection does not make everything far.
fn together(one_c: f64, other_c: f64) -> f64 {
    (one_c * one_c + other_c * other_c).sqrt().max(1.0)
}

/// What the stated batch gives for a diameter as the gauge showed it, °C.
fn temperature_c(context: &Context, table: Option<&RingTable>, shown_mm: f64) -> Option<f64> {
    let table_c = table?
        .temperature_at(shown_mm - context.gauge_bias_mm)
        .ok()?;
    Some(table_c + context.hold_correction_c)
}

/// Mean temperature of all rings under a table, none when one lies outside it; or what another method
/// indicated.
fn mean_temperature_c(context: &Context, table: Option<&RingTable>) -> Option<f64> {
    let mut sum = 0.0;
    for ring in context.rings {
        sum += temperature_c(context, table, ring.mean_mm()?)?;
    }
    if context.rings.is_empty() {
        context.indicated_c
    } else {
        Some(sum / crate::rings::count(context.rings.len()))
    }
}

/// A diameter as people write it, with at least two decimals.
fn written(diameter_mm: f64) -> String {
    let shortest = diameter_mm.to_string();
    let decimals = shortest
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    if decimals < 2 {
        format!("{diameter_mm:.2}")
    } else {
        shortest
    }
}

fn ask_about_spread(index: usize, ring: &Ring, questions: &mut Vec<Question>) {
    let ovality = ring.ovality_mm();
    // A difference of decimal figures carries rounding dust; 0.05 itself is still allowed.
    if ovality <= WIDEST_SPREAD_MM + 1e-9 {
        return;
    }
    let odd = odd_one_out(&ring.diameters_mm);
    if let Some(place) = odd {
        let field = format!("rings[{index}].diameters_mm[{place}]");
        let asked = questions.iter().any(|q| q.field == field);
        if !asked {
            let text = format!(
                "{} mm lies far from the ring's other diameters. Wipe ring and gauge, and measure \
                 this diameter again?",
                written(ring.diameters_mm[place])
            );
            questions.push(question(QuestionCode::SpreadTooLarge, field, text));
        }
        return;
    }
    let prefix = format!("rings[{index}].");
    if questions.iter().any(|q| q.field.starts_with(&prefix)) {
        return;
    }
    let field = format!("rings[{index}].diameters_mm");
    if ring.diameters_mm.len() == 2 {
        let text = format!(
            "The two diameters differ by {ovality:.3} mm, more than {WIDEST_SPREAD_MM} mm. Which one \
             is right? Measure both again, and a third."
        );
        questions.push(question(QuestionCode::SpreadTooLarge, field, text));
    } else {
        let text = format!(
            "The diameters differ by {ovality:.3} mm, more than {WIDEST_SPREAD_MM} mm, and no single \
             one stands out. Is the ring out of round, chipped or dirty? Then fire another ring."
        );
        questions.push(question(QuestionCode::Ovality, field, text));
    }
}

/// The diameter without which the others agree; none when there is no such one.
fn odd_one_out(diameters_mm: &[f64]) -> Option<usize> {
    if diameters_mm.len() < 3 {
        return None;
    }
    for left_out in 0..diameters_mm.len() {
        let mut smallest = f64::INFINITY;
        let mut largest = f64::NEG_INFINITY;
        for (index, diameter) in diameters_mm.iter().enumerate() {
            if index != left_out {
                smallest = smallest.min(*diameter);
                largest = largest.max(*diameter);
            }
        }
        if largest - smallest <= WIDEST_SPREAD_MM + 1e-9 {
            return Some(left_out);
        }
    }
    None
}

fn ask_about_ring(context: &Context, questions: &mut Vec<Question>) {
    let soon = context
        .hours_since_firing
        .is_some_and(|hours| hours < COLD_AFTER_HOURS);
    let warm = context
        .ring_temperature_c
        .is_some_and(|ring_c| ring_c > COLD_BELOW_C);
    if soon || warm {
        let text = "Was the ring still warm? A warm ring measures larger and reads too cold. Let it \
                    reach room temperature and measure again. A ring looks cold while it still \
                    burns: use tongs and gloves, and follow the furnace maker's instructions.";
        let field = if soon {
            "hours_since_firing"
        } else {
            "ring_temperature_c"
        };
        questions.push(question(
            QuestionCode::HotRing,
            field.to_owned(),
            text.to_owned(),
        ));
    }
    if let Some(earlier) = &context.same_ring_seen {
        let text = format!(
            "This ring was already reported by {earlier}. A ring shrinks once: was it fired again? \
             Then fire a new one."
        );
        questions.push(question(QuestionCode::UsedRing, "rings".to_owned(), text));
    }
    if let Some(earlier) = &context.same_firing {
        let text = format!(
            "Is this the firing already reported by {earlier}: a replicate, a duplicate, or a \
             different firing?"
        );
        questions.push(question(
            QuestionCode::SameFiring,
            "firing".to_owned(),
            text,
        ));
    }
    if let Some(hours) = context.hours_since_firing
        && hours > LATE_AFTER_HOURS
    {
        let days = hours / 24.0;
        let consequence = if hours > TOO_LATE_AFTER_HOURS {
            " After more than 30 days nothing should be decided from it; fire a new ring."
        } else {
            ""
        };
        let text = format!(
            "The ring was measured {days:.0} days after its firing. Is it certain that it is the \
             ring of that firing?{consequence}"
        );
        questions.push(question(
            QuestionCode::LateReport,
            "fired_at".to_owned(),
            text,
        ));
    }
    if context.exact_repeats >= TOO_MANY_REPEATS {
        let text = format!(
            "{} readings in a row gave the same mean diameter to the last digit. Was this ring measured, \
             or an earlier value copied? Measure it again, turning it in between.",
            context.exact_repeats
        );
        questions.push(question(QuestionCode::TooGood, "rings".to_owned(), text));
    }
}

fn ask_about_zero(context: &Context, questions: &mut Vec<Question>) {
    let field = "zero_mm".to_owned();
    match context.zero_mm {
        Some(zero) if zero.abs() > ZERO_MM + 1e-9 => {
            let mean = context.rings.first().and_then(Ring::mean_mm);
            let corrected = mean.map(|mean| ((mean - zero) * 1e6).round() / 1e6);
            let offer = match (mean, corrected) {
                (Some(mean), Some(corrected)) => {
                    format!(
                        " Taken off, the first ring's mean of {mean:.3} mm is {corrected:.3} mm."
                    )
                }
                _ => String::new(),
            };
            questions.push(Question {
                code: QuestionCode::GaugeNotZeroed,
                field,
                text: format!(
                    "The closed gauge showed {zero:+} mm instead of zero.{offer} Zero the gauge and \
                     measure again?"
                ),
                suggestion: corrected,
                suggestion_unit: if corrected.is_some() { "mm" } else { "" },
            });
        }
        None if !context.zero_recorded => {
            let text = "What did the gauge show when closed? Wipe its faces, close it, and note the \
                        figure.";
            questions.push(question(
                QuestionCode::GaugeNotZeroed,
                field,
                text.to_owned(),
            ));
        }
        _ => {}
    }
}

fn ask_about_history(context: &Context, expected: Expected, questions: &mut Vec<Question>) {
    if context.prediction.is_none() {
        return;
    }
    let Some(temperature) = mean_temperature_c(context, context.table) else {
        return;
    };
    if expected.distance(temperature).abs() > FAR_Z {
        let text = format!(
            "The reading says {temperature:.0} °C where this furnace's history leads to expect {:.0} °C. \
             Are furnace, programme and what was measured right, or was something done to the furnace?",
            expected.temperature_c
        );
        questions.push(question(
            QuestionCode::FarFromHistory,
            "rings".to_owned(),
            text,
        ));
    }
}

impl QuestionCode {
    /// Every code, in the order in which they are declared.
    pub const ALL: &'static [QuestionCode] = &[
        QuestionCode::DigitsSwapped,
        QuestionCode::DigitSlip,
        QuestionCode::DecimalShifted,
        QuestionCode::Inches,
        QuestionCode::Fahrenheit,
        QuestionCode::WrongBatch,
        QuestionCode::WrongFurnace,
        QuestionCode::HotRing,
        QuestionCode::UsedRing,
        QuestionCode::GaugeNotZeroed,
        QuestionCode::SpreadTooLarge,
        QuestionCode::Ovality,
        QuestionCode::SameFiring,
        QuestionCode::CorrectionNotApplied,
        QuestionCode::CorrectionAppliedTwice,
        QuestionCode::CorrectionOpposite,
        QuestionCode::TooGood,
        QuestionCode::FarFromHistory,
        QuestionCode::LateReport,
    ];

    /// The question of a stable code; none when no question has it.
    pub fn known(code: &str) -> Option<QuestionCode> {
        Self::ALL.iter().copied().find(|one| one.code() == code)
    }

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

#[cfg(test)]
mod tests;
