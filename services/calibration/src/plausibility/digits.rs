//! Slips of the hand when a diameter is written down.

use super::{
    Context, Expected, GAIN_WANTED, Question, QuestionCode, UNKNOWN_OFFSET_C, WIDEST_SPREAD_MM,
};
use super::{temperature_c, written};
use crate::ring_table::RingTable;
use crate::rings::median;

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

/// Scatter of diameters of one ring, mm, when the others are to say which value was meant.
const WITHIN_RING_MM: f64 = 0.02;

/// Smallest and largest number a typed diameter may be for a slip to be looked for, mm; any unit and
/// any place of the decimal mark.
const TYPED_RANGE: (f64, f64) = (1e-3, 1e6);

/// A value that may have been meant, with the log-probability of the slip against the likeliest one.
struct Candidate {
    value_mm: f64,
    kind: QuestionCode,
    log_prior: f64,
}

/// Gives the values inside the table that a mistyped diameter may have been, best first: two digits
/// swapped, one digit off by one, the decimal mark elsewhere, inches. The distance from
/// `expected_temperature_c` decides, with offsets of 0 ± 30 °C.
pub fn alternatives(
    diameter_mm: f64,
    table: &RingTable,
    expected_temperature_c: f64,
) -> Vec<Alternative> {
    let expected = Expected {
        temperature_c: expected_temperature_c,
        standard_deviation_c: UNKNOWN_OFFSET_C,
    };
    let mut scored = Vec::new();
    for candidate in candidates(diameter_mm) {
        if let Ok(temperature_c) = table.temperature_at(candidate.value_mm) {
            let score = expected.log_likelihood(temperature_c) + candidate.log_prior;
            let alternative = Alternative {
                value_mm: candidate.value_mm,
                kind: candidate.kind,
                temperature_c,
            };
            scored.push((score, alternative));
        }
    }
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    scored
        .into_iter()
        .map(|(_, alternative)| alternative)
        .collect()
}

/// Asks about the diameters of one ring, the likeliest slip first; each answer is taken as given
/// before the next diameter is looked at.
pub(super) fn ask(
    context: &Context,
    ring: usize,
    expected: Expected,
    questions: &mut Vec<Question>,
) {
    let typed = &context.rings[ring].diameters_mm;
    if ask_about_inches(context, ring, questions) {
        return;
    }
    let mut values = typed.clone();
    let mut settled = vec![false; values.len()];
    loop {
        let mut best: Option<(f64, usize, Candidate)> = None;
        for (place, done) in settled.iter().enumerate() {
            if *done {
                continue;
            }
            if let Some((gain, candidate)) = likeliest_slip(context, &values, place, expected)
                && best.as_ref().is_none_or(|(most, _, _)| gain > *most)
            {
                best = Some((gain, place, candidate));
            }
        }
        let Some((_, place, candidate)) = best else {
            return;
        };
        questions.push(slip_question(
            context,
            ring,
            place,
            typed[place],
            &candidate,
        ));
        values[place] = candidate.value_mm;
        settled[place] = true;
    }
}

/// One question for a ring whose diameters were all read in inches.
fn ask_about_inches(context: &Context, ring: usize, questions: &mut Vec<Question>) -> bool {
    let typed = &context.rings[ring].diameters_mm;
    let Some(first) = typed.first() else {
        return false;
    };
    for diameter in typed {
        let outside = temperature_c(context, context.table, *diameter).is_none();
        let inside = temperature_c(context, context.table, from_inches(*diameter)).is_some();
        if !(outside && inside) {
            return false;
        }
    }
    let suggestion = from_inches(*first);
    let (field, verb) = if typed.len() == 1 {
        (format!("rings[{ring}].diameters_mm[0]"), "Is it")
    } else {
        (
            format!("rings[{ring}].diameters_mm"),
            "Are all of this ring's diameters",
        )
    };
    questions.push(Question {
        code: QuestionCode::Inches,
        field,
        text: format!(
            "{first} mm is too small for this batch's table. {verb} in inches? {first} in is \
             {suggestion:.2} mm."
        ),
        suggestion: Some(suggestion),
        suggestion_unit: "mm",
    });
    true
}

/// The candidate that explains this diameter best, with its gain over what was typed; none when what
/// was typed is plausible enough.
fn likeliest_slip(
    context: &Context,
    values: &[f64],
    place: usize,
    expected: Expected,
) -> Option<(f64, Candidate)> {
    let typed = values[place];
    let mut others = Vec::new();
    for (index, value) in values.iter().enumerate() {
        if index != place && temperature_c(context, context.table, *value).is_some() {
            others.push(*value);
        }
    }
    let inside = temperature_c(context, context.table, typed).is_some();
    // The same slip is not made twice in a row: diameters that agree vouch for each other.
    if inside
        && others
            .iter()
            .any(|other| (other - typed).abs() <= WIDEST_SPREAD_MM + 1e-9)
    {
        return None;
    }
    let middle = if others.is_empty() {
        None
    } else {
        Some(median(&others))
    };
    let typed_score = score(context, typed, middle, expected);
    let mut best: Option<(f64, Candidate)> = None;
    for candidate in candidates(typed) {
        let Some(candidate_score) = score(context, candidate.value_mm, middle, expected) else {
            continue;
        };
        if middle.is_some_and(|middle| !brings_together(typed, candidate.value_mm, middle)) {
            continue;
        }
        let total = candidate_score + candidate.log_prior;
        if best.as_ref().is_none_or(|(most, _)| total > *most) {
            best = Some((total, candidate));
        }
    }
    let (total, candidate) = best?;
    match typed_score {
        // Outside the table anything inside is likelier; the better explained comes first.
        None => Some((total + 1e6, candidate)),
        Some(typed_score) if total - typed_score > GAIN_WANTED => {
            Some((total - typed_score, candidate))
        }
        Some(_) => None,
    }
}

/// Whether a value agrees with the ring's other diameters, and much better than the typed one: else
/// the typed one is rather a bad measurement than a slip of the hand.
fn brings_together(typed: f64, value_mm: f64, middle_mm: f64) -> bool {
    let left = (value_mm - middle_mm).abs();
    left <= WIDEST_SPREAD_MM + 1e-9 && left <= (typed - middle_mm).abs() / 2.0
}

/// How well a value fits the furnace and the ring's other diameters; none outside the table.
fn score(
    context: &Context,
    value_mm: f64,
    middle_mm: Option<f64>,
    expected: Expected,
) -> Option<f64> {
    let temperature = temperature_c(context, context.table, value_mm)?;
    let mut score = expected.log_likelihood(temperature);
    if let Some(middle) = middle_mm {
        let z = (value_mm - middle) / WITHIN_RING_MM;
        score -= 0.5 * z * z;
    }
    Some(score)
}

fn slip_question(
    context: &Context,
    ring: usize,
    place: usize,
    typed: f64,
    candidate: &Candidate,
) -> Question {
    let value = candidate.value_mm;
    let told = match temperature_c(context, context.table, typed) {
        None => format!("{} mm is outside this batch's table.", written(typed)),
        Some(temperature) => format!(
            "{} mm would mean {temperature:.0} °C, which does not fit this furnace and ring.",
            written(typed)
        ),
    };
    let meant = temperature_c(context, context.table, value).unwrap_or(f64::NAN);
    Question {
        code: candidate.kind,
        field: format!("rings[{ring}].diameters_mm[{place}]"),
        text: format!("{told} Did you read {} mm ({meant:.0} °C)?", written(value)),
        suggestion: Some(value),
        suggestion_unit: "mm",
    }
}

/// Inches in hundredths of a millimetre, as finely as a ring table is stepped, mm.
fn from_inches(inches: f64) -> f64 {
    (inches * 25.4 * 100.0).round() / 100.0
}

/// Every value one slip away from what was typed.
fn candidates(typed: f64) -> Vec<Candidate> {
    let mut found = Vec::new();
    if !(TYPED_RANGE.0..=TYPED_RANGE.1).contains(&typed) {
        return found;
    }
    let text: Vec<char> = written(typed).chars().collect();
    let mut digit_places = Vec::new();
    for (place, letter) in text.iter().enumerate() {
        if letter.is_ascii_digit() {
            digit_places.push(place);
        }
    }
    for (nth, first) in digit_places.iter().enumerate() {
        for (further, second) in digit_places.iter().enumerate().skip(nth + 1) {
            let mut swapped = text.clone();
            swapped.swap(*first, *second);
            let log_prior = if further == nth + 1 { 0.0 } else { -1.0 };
            push(
                &mut found,
                typed,
                number(&swapped),
                QuestionCode::DigitsSwapped,
                log_prior,
            );
        }
    }
    for place in &digit_places {
        for change in [1, 9] {
            let mut slipped = text.clone();
            let digit = slipped[*place].to_digit(10).unwrap_or(0);
            // Nine up without a carry is one down; between 0 and 9 there is no step of one.
            if (change == 1 && digit == 9) || (change == 9 && digit == 0) {
                continue;
            }
            let other = (digit + change) % 10;
            slipped[*place] = char::from_digit(other, 10).unwrap_or('0');
            push(
                &mut found,
                typed,
                number(&slipped),
                QuestionCode::DigitSlip,
                -1.0,
            );
        }
    }
    for factor in [0.001, 0.01, 0.1, 10.0, 100.0, 1000.0] {
        let shifted = (typed * factor * 1e6).round() / 1e6;
        push(
            &mut found,
            typed,
            Some(shifted),
            QuestionCode::DecimalShifted,
            -1.0,
        );
    }
    push(
        &mut found,
        typed,
        Some(from_inches(typed)),
        QuestionCode::Inches,
        -0.5,
    );
    found
}

fn number(letters: &[char]) -> Option<f64> {
    let text: String = letters.iter().collect();
    text.parse().ok()
}

/// Keeps a candidate unless it is what was typed or was found before as a likelier slip.
fn push(
    found: &mut Vec<Candidate>,
    typed: f64,
    value: Option<f64>,
    kind: QuestionCode,
    log_prior: f64,
) {
    let Some(value_mm) = value else {
        return;
    };
    if (value_mm - typed).abs() < 1e-9 {
        return;
    }
    for known in found.iter_mut() {
        if (known.value_mm - value_mm).abs() < 1e-9 {
            if log_prior > known.log_prior {
                known.log_prior = log_prior;
                known.kind = kind;
            }
            return;
        }
    }
    found.push(Candidate {
        value_mm,
        kind,
        log_prior,
    });
}
