//! What follows from a reading, as a message.

use ringtrue_calibration::budget::Budget;
use ringtrue_calibration::decision::{Advice, Decision, Reason};
use ringtrue_calibration::hold::{HoldCorrection, HoldTreatment};
use ringtrue_calibration::rings::RingSummary;
use ringtrue_fleet::reading::AskedQuestion;
use ringtrue_proto::v1;
use ringtrue_store::Evaluated;

use super::fields::calendar_date;

/// Millimetres in a hundredth of a millimetre.
const HUNDREDTH_MM: f64 = 0.01;

/// Writes an evaluation.
pub(crate) fn message(evaluated: &Evaluated) -> v1::Evaluation {
    let evaluation = &evaluated.evaluation;
    let inputs = &evaluated.inputs;
    let shown = v1::Evaluation {
        evaluable: evaluation.evaluable,
        ring_temperature_c: evaluation.ring_temperature_c,
        observed_offset_c: evaluation.observed_offset_c,
        deviation_c: evaluation.deviation_c,
        rings: evaluation.rings.iter().map(ring_message).collect(),
        hold: evaluation.hold.as_ref().map(hold_message),
        budget: Some(budget_message(&evaluation.budget)),
        position_spread_c: evaluation.position_spread_c,
        // Whoever reads the advised setpoint of a reading without advice must find that nothing is
        // to be changed.
        advised_setpoint_c: inputs.current_setpoint_c,
        tolerance_c: inputs.policy.tolerance_c,
        notices: evaluation.notices.iter().map(reason_message).collect(),
        questions: evaluated.questions.iter().map(question_message).collect(),
        cautions: evaluated.cautions.clone(),
        next_due_date: Some(calendar_date(evaluated.next_due_on)),
        innovation_z: evaluation.innovation_z,
        method_version: evaluation.method_version.to_string(),
        present_setpoint_c: inputs.current_setpoint_c,
        target_c: inputs.target_c,
        ..v1::Evaluation::default()
    };
    match &evaluation.decision {
        Some(decision) => decided(shown, decision),
        None => shown,
    }
}

fn decided(shown: v1::Evaluation, decision: &Decision) -> v1::Evaluation {
    let advice = match decision.advice {
        Advice::Leave => v1::Advice::Leave,
        Advice::Adjust => v1::Advice::Adjust,
        Advice::FireAgain => v1::Advice::FireAgain,
        Advice::Service => v1::Advice::Service,
    };
    v1::Evaluation {
        advice: advice.into(),
        plain_setpoint_c: decision.plain_setpoint_c,
        advised_setpoint_c: decision.advised_setpoint_c,
        provisional_setpoint_c: decision.provisional_setpoint_c,
        offset_c: decision.offset_c,
        offset_standard_uncertainty_c: decision.offset_standard_uncertainty_c,
        present_error_c: decision.error_c,
        conformance_probability: decision.conformance_probability,
        guard_band_c: decision.guard_band_c,
        reasons: decision.reasons.iter().map(reason_message).collect(),
        ..shown
    }
}

fn ring_message(ring: &RingSummary) -> v1::RingResult {
    let mut suspect_diameters = Vec::with_capacity(ring.suspect_diameters.len());
    for at in &ring.suspect_diameters {
        suspect_diameters.push(i32::try_from(*at).unwrap_or(i32::MAX));
    }
    v1::RingResult {
        position: ring.position.clone(),
        mean_diameter_mm: ring.mean_mm,
        corrected_diameter_mm: ring.corrected_mm,
        standard_deviation_mm: ring.standard_deviation_mm,
        ovality_mm: ring.ovality_mm,
        table_temperature_c: ring.table_temperature_c,
        temperature_c: ring.temperature_c,
        slope_c_per_hundredth_mm: ring.slope_c_per_mm * HUNDREDTH_MM,
        suspect_diameters,
    }
}

fn hold_message(hold: &HoldCorrection) -> v1::HoldResult {
    let (treatment, energy) = match &hold.treatment {
        HoldTreatment::Matched => (v1::HoldTreatment::Matched, None),
        HoldTreatment::Fitted { energy } => (v1::HoldTreatment::Fitted, Some(energy.kj_per_mol)),
        HoldTreatment::Assumed { energy } => (v1::HoldTreatment::Assumed, Some(energy.kj_per_mol)),
        HoldTreatment::NotEvaluable { .. } => (v1::HoldTreatment::NotEvaluable, None),
    };
    v1::HoldResult {
        treatment: treatment.into(),
        table_hold_min: hold.table_hold_min,
        fired_hold_min: hold.fired_hold_min,
        correction_c: hold.correction_c,
        standard_uncertainty_c: hold.standard_uncertainty_c,
        activation_energy_kj_per_mol: energy,
        explanation: hold.explanation.clone(),
        statements_still_valid: hold.statements_still_valid.clone(),
    }
}

fn budget_message(budget: &Budget) -> v1::UncertaintyBudget {
    let mut lines = Vec::with_capacity(budget.lines.len());
    for line in &budget.lines {
        lines.push(v1::BudgetLine {
            source: line.source.name().to_owned(),
            standard_uncertainty: line.standard_uncertainty,
            unit: line.unit.to_owned(),
            sensitivity: line.sensitivity,
            contribution_c: line.contribution_c,
            degrees_of_freedom: finite_or_zero(line.degrees_of_freedom),
            share: line.share,
            basis: line.basis.clone(),
            type_a: line.type_a,
            shared: line.shared,
        });
    }
    let biggest = budget.biggest.as_ref();
    v1::UncertaintyBudget {
        lines,
        combined_standard_uncertainty_c: budget.combined_c,
        effective_degrees_of_freedom: finite_or_zero(budget.degrees_of_freedom),
        coverage_factor: budget.coverage_factor,
        expanded_uncertainty_c: budget.expanded_c,
        what_would_help_most: biggest.map(|best| best.words.clone()).unwrap_or_default(),
        expanded_uncertainty_after_c: biggest.map(|best| best.expanded_within_reach_c),
    }
}

fn reason_message(reason: &Reason) -> v1::Reason {
    v1::Reason {
        code: reason.code.to_string(),
        text: reason.text.clone(),
    }
}

fn question_message(asked: &AskedQuestion) -> v1::Question {
    let question = &asked.question;
    v1::Question {
        code: question.code.code().to_owned(),
        field: question.field.clone(),
        text: question.text.clone(),
        suggestion: question.suggestion,
        answered: asked.answered,
    }
}

/// Degrees of freedom as the protocol writes them: 0 stands for infinite.
fn finite_or_zero(degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_finite() {
        degrees_of_freedom
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests;
