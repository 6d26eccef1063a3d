//! Mix-ups around the firing: another batch, another furnace, a setpoint change that did not reach
//! the panel as meant.

use super::{Context, Expected, FAR_Z, GAIN_WANTED, Prediction, Question, QuestionCode};
use super::{mean_temperature_c, question, together};

/// Asks when the stated batch makes the ring implausible and another open batch does not.
pub(super) fn ask_about_batch(
    context: &Context,
    expected: Expected,
    questions: &mut Vec<Question>,
) {
    let stated = mean_temperature_c(context, context.table);
    if stated.is_some_and(|stated_c| expected.distance(stated_c).abs() <= FAR_Z) {
        return;
    }
    let mut best: Option<(f64, &str, f64)> = None;
    for (code, table) in context.other_batches {
        let Some(other_c) = mean_temperature_c(context, Some(*table)) else {
            continue;
        };
        let score = expected.log_likelihood(other_c);
        let gain = match stated {
            Some(stated_c) => score - expected.log_likelihood(stated_c),
            None => f64::INFINITY,
        };
        let plausible = expected.distance(other_c).abs() <= FAR_Z;
        if plausible && gain > GAIN_WANTED && best.is_none_or(|(most, _, _)| score > most) {
            best = Some((score, code, other_c));
        }
    }
    if let Some((_, code, other_c)) = best {
        let told = match stated {
            Some(stated_c) => format!("The stated batch's table gives {stated_c:.0} °C"),
            None => "The ring is outside the stated batch's table".to_owned(),
        };
        let text = format!(
            "{told}; batch {code} would give {other_c:.0} °C, which fits. Is the ring of batch {code}?"
        );
        questions.push(question(
            QuestionCode::WrongBatch,
            "ring_batch".to_owned(),
            text,
        ));
    }
}

/// Asks when another furnace of the site explains the reading much better.
pub(super) fn ask_about_furnace(context: &Context, setpoint_c: f64, questions: &mut Vec<Question>) {
    let Some(own) = context.prediction else {
        return;
    };
    let Some(temperature_c) = mean_temperature_c(context, context.table) else {
        return;
    };
    let offset_c = temperature_c - setpoint_c;
    let u = context.measurement_uncertainty_c;
    let own_score = log_likelihood(offset_c, own, u);
    let mut best: Option<(f64, &str)> = None;
    for (name, twin) in context.twins {
        let score = log_likelihood(offset_c, *twin, u);
        let spread_c = (twin.standard_uncertainty_c.powi(2) + u * u).sqrt();
        // A reading that no furnace explains is rather a slip of another kind.
        let fits = (offset_c - twin.offset_c).abs() <= FAR_Z * spread_c;
        if fits && score - own_score > GAIN_WANTED && best.is_none_or(|(most, _)| score > most) {
            best = Some((score, name));
        }
    }
    if let Some((_, name)) = best {
        // Adding zero turns a rounded -0 into 0.
        let whole_c = offset_c.round() + 0.0;
        let text = format!(
            "The offset of {whole_c:+.0} °C fits furnace {name} much better than this one. Was this \
             measured in {name}?"
        );
        questions.push(question(
            QuestionCode::WrongFurnace,
            "furnace".to_owned(),
            text,
        ));
    }
}

/// With its width, because two furnaces may be known differently well.
fn log_likelihood(offset_c: f64, prediction: Prediction, u: f64) -> f64 {
    let deviation = together(prediction.standard_uncertainty_c, u);
    let z = (offset_c - prediction.offset_c) / deviation;
    -0.5 * z * z - libm::log(deviation)
}

/// Asks when the offset jumped as if the last change had not been entered, had been entered twice, or
/// the other way round. With the change C and the furnace as before, the offset computed from the
/// reported setpoint jumps by -C, +C or -2C.
pub(super) fn ask_about_correction(
    context: &Context,
    setpoint_c: f64,
    questions: &mut Vec<Question>,
) {
    let (Some(change), Some(previous_c)) = (context.last_change, context.previous_offset_c) else {
        return;
    };
    let Some(temperature_c) = mean_temperature_c(context, context.table) else {
        return;
    };
    if (setpoint_c - change.to_c).abs() > 0.5 {
        // Someone has reported yet another setpoint: the change is not what this reading is about.
        return;
    }
    let size = change.to_c - change.from_c;
    let jump = temperature_c - setpoint_c - previous_c;
    let u = context.measurement_uncertainty_c;
    let deviation = together(u, u);
    let explanations = [
        (QuestionCode::CorrectionNotApplied, -size, change.from_c),
        (
            QuestionCode::CorrectionAppliedTwice,
            size,
            change.to_c + size,
        ),
        (
            QuestionCode::CorrectionOpposite,
            -2.0 * size,
            change.from_c - size,
        ),
    ];
    let mut best: Option<(f64, QuestionCode, f64)> = None;
    for (code, explained, panel_c) in explanations {
        let gain =
            (jump * jump - (jump - explained) * (jump - explained)) / (2.0 * deviation * deviation);
        if gain > GAIN_WANTED && best.is_none_or(|(most, _, _)| gain > most) {
            best = Some((gain, code, panel_c));
        }
    }
    let Some((_, code, panel_c)) = best else {
        return;
    };
    let told = match code {
        QuestionCode::CorrectionNotApplied => "were not entered",
        QuestionCode::CorrectionAppliedTwice => "were entered twice",
        _ => "were entered the other way round",
    };
    questions.push(Question {
        code,
        field: "setpoint_c".to_owned(),
        text: format!(
            "The reading looks as if the last {size:+} °C {told}. Does the panel show {panel_c} °C \
             instead of {} °C?",
            change.to_c
        ),
        suggestion: Some(panel_c),
        suggestion_unit: "°C",
    });
}
