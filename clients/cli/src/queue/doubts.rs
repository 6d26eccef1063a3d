//! What a bench can ask about a reading by itself: the slips of hand that show without a furnace's history.
//!
//! Codes and words are the service's, so that a confirmation given here holds there. The service asks what needs more
//! knowledge when the reading arrives.

use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::{Gauge, Programme, Question, Reading, Ring, RingBatch, RingTable};
use ringtrue_remote::plain;

use super::known::Known;
use super::provisional;
use crate::quantity::{brief, fixed};

/// Smallest and largest diameter a test ring can have, mm, as the protocol takes them.
const RING_MM: std::ops::RangeInclusive<f64> = 5.0..=40.0;
/// Diameters of one ring that differ by more are measured again, mm.
const WIDEST_SPREAD_MM: f64 = 0.05;
/// Room for binary rounding, mm.
const ROUNDING_MM: f64 = 1e-9;
/// A ring warmer than this has not reached the room's temperature, °C.
const COLD_BELOW_C: f64 = 30.0;
/// A closed gauge may be off by this much, mm.
const ZERO_MM: f64 = 0.02;
const MM_PER_INCH: f64 = 25.4;

/// What was found about a reading.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Doubts {
    /// Questions that may be answered by confirming what was typed.
    pub(crate) questions: Vec<Question>,
    /// What cannot be right: the service would refuse it.
    pub(crate) impossible: Vec<String>,
}

/// Looks a reading over.
pub(crate) fn about(reading: &Reading, known: Option<&Known>) -> Doubts {
    let mut doubts = Doubts::default();
    let Some(Method::Rings(measured)) = &reading.method else {
        return doubts;
    };
    let batch = known.and_then(|known| known.one::<RingBatch>(&measured.ring_batch));
    let programme = known.and_then(|known| known.one::<Programme>(&reading.programme));
    let gauge = known.and_then(|known| known.one::<Gauge>(&measured.gauge));
    let bias_mm = gauge.and_then(|gauge| provisional::bias_mm(&gauge.it, reading));
    let table = match (&batch, &programme) {
        (Some(batch), Some(programme)) => provisional::table(&batch.it, &programme.it).ok(),
        _ => None,
    };
    for (place, ring) in measured.rings.iter().enumerate() {
        about_ring(place, ring, table, bias_mm.unwrap_or(0.0), &mut doubts);
    }
    if measured
        .ring_temperature_c
        .is_some_and(|ring_c| ring_c > COLD_BELOW_C)
    {
        doubts.questions.push(asked(
            "HOT_RING",
            "reading.rings.ring_temperature_c",
            "Was the ring still warm? A warm ring measures larger and reads too cold. Let it reach room temperature and \
             measure again."
                .to_owned(),
            None,
        ));
    }
    if let Some(zero) = measured
        .zero_mm
        .filter(|zero| zero.abs() > ZERO_MM + ROUNDING_MM)
    {
        doubts.questions.push(asked(
            "GAUGE_NOT_ZEROED",
            "reading.rings.zero_mm",
            format!(
                "The closed gauge showed {} mm. Wipe it, set it to zero and measure again?",
                brief(zero, 4)
            ),
            None,
        ));
    }
    doubts
        .questions
        .retain(|question| !reading.answered_questions.contains(&question.code));
    doubts
}

fn about_ring(
    place: usize,
    ring: &Ring,
    table: Option<&RingTable>,
    bias_mm: f64,
    doubts: &mut Doubts,
) {
    let inside = |value: f64| match table {
        Some(table) => plain::table_temperature_c(table, value - bias_mm).is_some(),
        None => RING_MM.contains(&value),
    };
    let before = doubts.questions.len() + doubts.impossible.len();
    for (at, typed) in ring.diameters_mm.iter().enumerate() {
        let named = format!("ring {}, diameter {}", place + 1, at + 1);
        let others: Vec<f64> = ring
            .diameters_mm
            .iter()
            .enumerate()
            .filter(|(other, value)| *other != at && inside(**value))
            .map(|(_, value)| *value)
            .collect();
        let far = others
            .iter()
            .all(|other| (other - typed).abs() > WIDEST_SPREAD_MM + ROUNDING_MM);
        if inside(*typed) && (others.is_empty() || !far) {
            continue;
        }
        let meant = meant(*typed, &others, inside);
        if !RING_MM.contains(typed) {
            let rather = match meant {
                Some((_, value)) => format!(" Is it {} mm? Then type that.", fixed(value, 2)),
                None => String::new(),
            };
            doubts.impossible.push(format!(
                "{named}: {} mm is no ring; a fired ring measures 5 to 40 mm across.{rather}",
                brief(*typed, 4)
            ));
        } else if let Some((code, value)) = meant {
            doubts.questions.push(asked(
                code,
                &format!("reading.rings.rings[{place}].diameters_mm[{at}]"),
                format!(
                    "{} mm does not fit {}. Did you read {} mm?",
                    brief(*typed, 4),
                    if others.is_empty() {
                        "the batch's table"
                    } else {
                        "the ring's other diameters"
                    },
                    fixed(value, 2)
                ),
                Some(value),
            ));
        } else if let Some(table) = table.filter(|_| !inside(*typed)) {
            doubts.impossible.push(format!(
                "{named}: {} mm is outside the batch's table for {} min, {} to {} mm. Measure again, and read the batch's \
                 code from the pouch.",
                brief(*typed, 4),
                brief(table.hold_min, 1),
                fixed(table.smallest_diameter_mm, 2),
                fixed(table.largest_diameter_mm, 2)
            ));
        }
    }
    if doubts.questions.len() + doubts.impossible.len() == before
        && spread_mm(ring) > WIDEST_SPREAD_MM + ROUNDING_MM
    {
        doubts.questions.push(asked(
            "SPREAD_TOO_LARGE",
            &format!("reading.rings.rings[{place}].diameters_mm"),
            format!(
                "The diameters differ by {} mm, more than {WIDEST_SPREAD_MM} mm. Wipe ring and gauge, and measure again?",
                fixed(spread_mm(ring), 3)
            ),
            None,
        ));
    }
}

fn spread_mm(ring: &Ring) -> f64 {
    let mut smallest = f64::INFINITY;
    let mut largest = f64::NEG_INFINITY;
    for diameter in &ring.diameters_mm {
        smallest = smallest.min(*diameter);
        largest = largest.max(*diameter);
    }
    if largest >= smallest {
        largest - smallest
    } else {
        0.0
    }
}

/// The value that may have been meant, with the code of the slip: inside the table, and beside the ring's others.
fn meant(typed: f64, others: &[f64], inside: impl Fn(f64) -> bool) -> Option<(&'static str, f64)> {
    let fits = |value: f64| {
        inside(value)
            && others
                .iter()
                .all(|other| (other - value).abs() <= WIDEST_SPREAD_MM + ROUNDING_MM)
    };
    let mut candidates = vec![("INCHES", typed * MM_PER_INCH)];
    for value in swapped(typed) {
        candidates.push(("DIGITS_SWAPPED", value));
    }
    for factor in [10.0, 100.0, 0.1, 0.01] {
        candidates.push(("DECIMAL_SHIFTED", typed * factor));
    }
    candidates.into_iter().find(|(_, value)| fits(*value))
}

/// The number with two neighbouring digits exchanged, each pair in turn.
fn swapped(typed: f64) -> Vec<f64> {
    let text = brief(typed, 4);
    let digits: Vec<usize> = text
        .char_indices()
        .filter(|(_, letter)| letter.is_ascii_digit())
        .map(|(at, _)| at)
        .collect();
    let mut values = Vec::new();
    for pair in digits.windows(2) {
        let mut bytes = text.clone().into_bytes();
        bytes.swap(pair[0], pair[1]);
        let other = String::from_utf8(bytes)
            .ok()
            .and_then(|text| text.parse().ok());
        values.extend(other.filter(|value: &f64| (value - typed).abs() > ROUNDING_MM));
    }
    values
}

fn asked(code: &str, field: &str, text: String, suggestion: Option<f64>) -> Question {
    Question {
        code: code.to_owned(),
        field: field.to_owned(),
        text,
        suggestion,
        answered: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::RingMeasurement;

    fn reading(diameters_mm: &[f64]) -> Reading {
        Reading {
            method: Some(Method::Rings(RingMeasurement {
                rings: vec![Ring {
                    diameters_mm: diameters_mm.to_vec(),
                    ..Ring::default()
                }],
                ..RingMeasurement::default()
            })),
            ..Reading::default()
        }
    }

    fn codes(diameters_mm: &[f64]) -> Vec<String> {
        let doubts = about(&reading(diameters_mm), None);
        doubts
            .questions
            .into_iter()
            .map(|question| question.code)
            .collect()
    }

    #[test]
    fn a_slip_of_hand_is_asked_about_with_the_value_that_fits() {
        let swapped = about(&reading(&[19.47, 19.74, 19.46]), None);
        assert_eq!(swapped.questions.len(), 1, "{swapped:?}");
        assert_eq!(swapped.questions[0].code, "DIGITS_SWAPPED");
        assert_eq!(
            swapped.questions[0]
                .suggestion
                .map(|value| fixed(value, 2))
                .as_deref(),
            Some("19.47")
        );
        assert!(codes(&[19.47, 19.46, 19.48]).is_empty());
        assert_eq!(codes(&[19.40, 19.49]), ["SPREAD_TOO_LARGE"]);
        let inches = about(&reading(&[0.7665]), None);
        assert!(
            inches.impossible[0].contains("Is it 19.47 mm?"),
            "{inches:?}"
        );
        let shifted = about(&reading(&[194.7]), None);
        assert!(
            shifted.impossible[0].contains("Is it 19.47 mm?"),
            "{shifted:?}"
        );
    }

    #[test]
    fn what_was_confirmed_is_not_asked_again() {
        let mut confirmed = reading(&[19.40, 19.49]);
        confirmed
            .answered_questions
            .push("SPREAD_TOO_LARGE".to_owned());
        assert_eq!(about(&confirmed, None), Doubts::default());
    }

    #[test]
    fn a_warm_ring_and_a_gauge_off_zero_are_asked_about() {
        let mut warm = reading(&[19.47, 19.46]);
        if let Some(Method::Rings(measured)) = &mut warm.method {
            measured.ring_temperature_c = Some(60.0);
            measured.zero_mm = Some(-0.03);
        }
        let found: Vec<String> = about(&warm, None)
            .questions
            .into_iter()
            .map(|question| question.code)
            .collect();
        assert_eq!(found, ["HOT_RING", "GAUGE_NOT_ZEROED"]);
    }
}
