//! What followed from a reading.

use std::borrow::Cow;

use ringtrue_calibration::budget::{Budget, Improvement, Line, Source};
use ringtrue_calibration::decision::{Advice, Decision, Reason};
use ringtrue_calibration::evaluation::{Evaluation, GaugeError, SharedErrors};
use ringtrue_calibration::hold::{HoldCorrection, HoldTreatment};
use ringtrue_calibration::plausibility::{Question, QuestionCode};
use ringtrue_calibration::rings::RingSummary;
use ringtrue_calibration::thermal_work::Energy;
use ringtrue_fleet::reading::AskedQuestion;
use serde::{Deserialize, Serialize};

use super::MaybeInfinite;
use super::inputs::StateDocument;
use crate::Error;
use crate::columns::{Place, written};

const SOURCES: &[(Source, &str)] = &[
    (Source::Repeatability, "repeatability"),
    (Source::Resolution, "resolution"),
    (Source::GaugeBias, "gauge_bias"),
    (Source::RingToRing, "ring_to_ring"),
    (Source::BatchBias, "batch_bias"),
    (Source::TableRounding, "table_rounding"),
    (Source::HoldCorrection, "hold_correction"),
    (Source::SetpointDisplay, "setpoint_display"),
    (Source::PositionSpread, "position_spread"),
    (Source::ThermocoupleCalibration, "thermocouple_calibration"),
    (Source::ReferenceJunction, "reference_junction"),
    (Source::Other, "other"),
];

pub(crate) const ADVICE: &[(Advice, &str)] = &[
    (Advice::Leave, "leave"),
    (Advice::Adjust, "adjust"),
    (Advice::FireAgain, "fire_again"),
    (Advice::Service, "service"),
];

const UNITS: &[(&str, &str)] = &[
    ("mm", "mm"),
    ("°C", "°C"),
    ("°F", "°F"),
    ("in", "in"),
    ("nm", "nm"),
    ("h", "h"),
    ("", ""),
];

/// An evaluation with its questions and cautions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct EvaluationDocument {
    evaluable: bool,
    ring_temperature_c: f64,
    observed_offset_c: f64,
    deviation_c: f64,
    rings: Vec<SummaryDocument>,
    hold: Option<HoldDocument>,
    budget: BudgetDocument,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    position_spread_c: Option<f64>,
    decision: Option<DecisionDocument>,
    state: Option<StateDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    innovation_z: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    innovation_sd_c: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gain: Option<f64>,
    shared: SharedDocument,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notices: Vec<ReasonDocument>,
    method_version: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    questions: Vec<QuestionDocument>,
    cautions: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct SharedDocument {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gauge: Option<[f64; 3]>,
    batch_sd_c: f64,
    hold_c: f64,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    hold_is_assumed: bool,
    position_sd_c: f64,
    thermocouple_sd_c: f64,
    own_c: f64,
}

impl From<&SharedErrors> for SharedDocument {
    fn from(shared: &SharedErrors) -> Self {
        Self {
            gauge: shared
                .gauge
                .map(|gauge| [gauge.coefficient, gauge.sd_c, gauge.removed_c]),
            batch_sd_c: shared.batch_sd_c,
            hold_c: shared.hold_c,
            hold_is_assumed: shared.hold_is_assumed,
            position_sd_c: shared.position_sd_c,
            thermocouple_sd_c: shared.thermocouple_sd_c,
            own_c: shared.own_c,
        }
    }
}

impl From<SharedDocument> for SharedErrors {
    fn from(document: SharedDocument) -> Self {
        Self {
            gauge: document
                .gauge
                .map(|[coefficient, sd_c, removed_c]| GaugeError {
                    coefficient,
                    sd_c,
                    removed_c,
                }),
            batch_sd_c: document.batch_sd_c,
            hold_c: document.hold_c,
            hold_is_assumed: document.hold_is_assumed,
            position_sd_c: document.position_sd_c,
            thermocouple_sd_c: document.thermocouple_sd_c,
            own_c: document.own_c,
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct SummaryDocument {
    position: String,
    mean_mm: f64,
    corrected_mm: f64,
    standard_deviation_mm: Option<f64>,
    ovality_mm: f64,
    table_temperature_c: f64,
    temperature_c: f64,
    slope_c_per_mm: f64,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    suspect_diameters: Vec<usize>,
    measurements: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct HoldDocument {
    treatment: TreatmentDocument,
    table_hold_min: f64,
    fired_hold_min: f64,
    correction_c: f64,
    standard_uncertainty_c: f64,
    explanation: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    statements_still_valid: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum TreatmentDocument {
    Matched,
    Fitted {
        kj_per_mol: f64,
        standard_uncertainty_kj_per_mol: f64,
    },
    Assumed {
        kj_per_mol: f64,
        standard_uncertainty_kj_per_mol: f64,
    },
    NotEvaluable {
        reason: String,
    },
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct BudgetDocument {
    lines: Vec<LineDocument>,
    combined_c: f64,
    degrees_of_freedom: MaybeInfinite,
    coverage_factor: f64,
    expanded_c: f64,
    independent_c: f64,
    shared_c: f64,
    biggest: Option<ImprovementDocument>,
}

/// A budget line. Its contribution and its share follow from the rest, to the last bit, and are left
/// out; so is what is usual.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct LineDocument {
    source: String,
    #[serde(rename = "u")]
    standard_uncertainty: f64,
    unit: String,
    #[serde(rename = "c")]
    sensitivity: f64,
    #[serde(
        rename = "dof",
        default,
        skip_serializing_if = "MaybeInfinite::is_infinite"
    )]
    degrees_of_freedom: MaybeInfinite,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    shared: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    type_a: bool,
    basis: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct ImprovementDocument {
    source: String,
    expanded_without_c: f64,
    expanded_within_reach_c: f64,
    words: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct DecisionDocument {
    advice: String,
    plain_setpoint_c: f64,
    advised_setpoint_c: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    provisional_setpoint_c: Option<f64>,
    offset_c: f64,
    offset_standard_uncertainty_c: f64,
    error_c: f64,
    conformance_probability: f64,
    guard_band_c: f64,
    acceptance_limit_c: f64,
    reasons: Vec<ReasonDocument>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct ReasonDocument {
    code: String,
    text: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct QuestionDocument {
    code: String,
    field: String,
    text: String,
    suggestion: Option<f64>,
    suggestion_unit: String,
    answered: bool,
}

impl From<&Reason> for ReasonDocument {
    fn from(reason: &Reason) -> Self {
        Self {
            code: reason.code.clone().into_owned(),
            text: reason.text.clone(),
        }
    }
}

impl From<ReasonDocument> for Reason {
    fn from(document: ReasonDocument) -> Self {
        Self {
            code: Cow::Owned(document.code),
            text: document.text,
        }
    }
}

impl EvaluationDocument {
    pub(crate) fn of(
        evaluation: &Evaluation,
        questions: &[AskedQuestion],
        cautions: &[String],
    ) -> Self {
        Self {
            evaluable: evaluation.evaluable,
            ring_temperature_c: evaluation.ring_temperature_c,
            observed_offset_c: evaluation.observed_offset_c,
            deviation_c: evaluation.deviation_c,
            rings: evaluation.rings.iter().map(summary).collect(),
            hold: evaluation.hold.as_ref().map(hold),
            budget: budget(&evaluation.budget),
            position_spread_c: evaluation.position_spread_c,
            decision: evaluation.decision.as_ref().map(decision),
            state: evaluation.state.as_ref().map(StateDocument::from),
            innovation_z: evaluation.innovation_z,
            innovation_sd_c: evaluation.innovation_sd_c,
            gain: evaluation.gain,
            shared: SharedDocument::from(&evaluation.shared),
            notices: evaluation
                .notices
                .iter()
                .map(ReasonDocument::from)
                .collect(),
            method_version: evaluation.method_version.clone().into_owned(),
            questions: questions.iter().map(question).collect(),
            cautions: cautions.to_vec(),
        }
    }

    /// The evaluation, its questions and its cautions.
    pub(crate) fn read(
        self,
        key: &str,
    ) -> Result<(Evaluation, Vec<AskedQuestion>, Vec<String>), Error> {
        let place = Place {
            table: "evaluation",
            key,
        };
        let mut questions = Vec::with_capacity(self.questions.len());
        for document in self.questions {
            questions.push(read_question(document, place)?);
        }
        let evaluation = Evaluation {
            evaluable: self.evaluable,
            ring_temperature_c: self.ring_temperature_c,
            observed_offset_c: self.observed_offset_c,
            deviation_c: self.deviation_c,
            rings: self.rings.into_iter().map(read_summary).collect(),
            hold: self.hold.map(read_hold),
            budget: read_budget(self.budget, place)?,
            position_spread_c: self.position_spread_c,
            decision: self
                .decision
                .map(|document| read_decision(document, place))
                .transpose()?,
            state: self.state.map(Into::into),
            innovation_z: self.innovation_z,
            innovation_sd_c: self.innovation_sd_c,
            gain: self.gain,
            shared: self.shared.into(),
            notices: self.notices.into_iter().map(Reason::from).collect(),
            method_version: Cow::Owned(self.method_version),
        };
        Ok((evaluation, questions, self.cautions))
    }
}

fn summary(ring: &RingSummary) -> SummaryDocument {
    SummaryDocument {
        position: ring.position.clone(),
        mean_mm: ring.mean_mm,
        corrected_mm: ring.corrected_mm,
        standard_deviation_mm: ring.standard_deviation_mm,
        ovality_mm: ring.ovality_mm,
        table_temperature_c: ring.table_temperature_c,
        temperature_c: ring.temperature_c,
        slope_c_per_mm: ring.slope_c_per_mm,
        suspect_diameters: ring.suspect_diameters.clone(),
        measurements: ring.measurements,
    }
}

fn read_summary(document: SummaryDocument) -> RingSummary {
    RingSummary {
        position: document.position,
        mean_mm: document.mean_mm,
        corrected_mm: document.corrected_mm,
        standard_deviation_mm: document.standard_deviation_mm,
        ovality_mm: document.ovality_mm,
        table_temperature_c: document.table_temperature_c,
        temperature_c: document.temperature_c,
        slope_c_per_mm: document.slope_c_per_mm,
        suspect_diameters: document.suspect_diameters,
        measurements: document.measurements,
    }
}

fn hold(hold: &HoldCorrection) -> HoldDocument {
    HoldDocument {
        treatment: match &hold.treatment {
            HoldTreatment::Matched => TreatmentDocument::Matched,
            HoldTreatment::Fitted { energy } => TreatmentDocument::Fitted {
                kj_per_mol: energy.kj_per_mol,
                standard_uncertainty_kj_per_mol: energy.standard_uncertainty_kj_per_mol,
            },
            HoldTreatment::Assumed { energy } => TreatmentDocument::Assumed {
                kj_per_mol: energy.kj_per_mol,
                standard_uncertainty_kj_per_mol: energy.standard_uncertainty_kj_per_mol,
            },
            HoldTreatment::NotEvaluable { reason } => TreatmentDocument::NotEvaluable {
                reason: reason.clone(),
            },
        },
        table_hold_min: hold.table_hold_min,
        fired_hold_min: hold.fired_hold_min,
        correction_c: hold.correction_c,
        standard_uncertainty_c: hold.standard_uncertainty_c,
        explanation: hold.explanation.clone(),
        statements_still_valid: hold.statements_still_valid.clone(),
    }
}

fn read_hold(document: HoldDocument) -> HoldCorrection {
    HoldCorrection {
        treatment: match document.treatment {
            TreatmentDocument::Matched => HoldTreatment::Matched,
            TreatmentDocument::Fitted {
                kj_per_mol,
                standard_uncertainty_kj_per_mol,
            } => HoldTreatment::Fitted {
                energy: Energy {
                    kj_per_mol,
                    standard_uncertainty_kj_per_mol,
                },
            },
            TreatmentDocument::Assumed {
                kj_per_mol,
                standard_uncertainty_kj_per_mol,
            } => HoldTreatment::Assumed {
                energy: Energy {
                    kj_per_mol,
                    standard_uncertainty_kj_per_mol,
                },
            },
            TreatmentDocument::NotEvaluable { reason } => HoldTreatment::NotEvaluable { reason },
        },
        table_hold_min: document.table_hold_min,
        fired_hold_min: document.fired_hold_min,
        correction_c: document.correction_c,
        standard_uncertainty_c: document.standard_uncertainty_c,
        explanation: document.explanation,
        statements_still_valid: document.statements_still_valid,
    }
}

fn budget(budget: &Budget) -> BudgetDocument {
    BudgetDocument {
        lines: budget
            .lines
            .iter()
            .map(|line| LineDocument {
                source: written(&line.source, SOURCES),
                standard_uncertainty: line.standard_uncertainty,
                unit: line.unit.to_owned(),
                sensitivity: line.sensitivity,
                degrees_of_freedom: line.degrees_of_freedom.into(),
                shared: line.shared,
                type_a: line.type_a,
                basis: line.basis.clone(),
            })
            .collect(),
        combined_c: budget.combined_c,
        degrees_of_freedom: budget.degrees_of_freedom.into(),
        coverage_factor: budget.coverage_factor,
        expanded_c: budget.expanded_c,
        independent_c: budget.independent_c,
        shared_c: budget.shared_c,
        biggest: budget.biggest.as_ref().map(|biggest| ImprovementDocument {
            source: written(&biggest.source, SOURCES),
            expanded_without_c: biggest.expanded_without_c,
            expanded_within_reach_c: biggest.expanded_within_reach_c,
            words: biggest.words.clone(),
        }),
    }
}

fn read_budget(document: BudgetDocument, place: Place) -> Result<Budget, Error> {
    let mut lines = Vec::with_capacity(document.lines.len());
    for line in document.lines {
        lines.push(Line {
            source: place.word("result", &line.source, SOURCES)?,
            standard_uncertainty: line.standard_uncertainty,
            unit: place.word("result", &line.unit, UNITS)?,
            sensitivity: line.sensitivity,
            contribution_c: 0.0,
            degrees_of_freedom: line.degrees_of_freedom.into(),
            share: 0.0,
            shared: line.shared,
            type_a: line.type_a,
            basis: line.basis,
        });
    }
    Line::fill_shares(&mut lines);
    let biggest = match document.biggest {
        Some(biggest) => Some(Improvement {
            source: place.word("result", &biggest.source, SOURCES)?,
            expanded_without_c: biggest.expanded_without_c,
            expanded_within_reach_c: biggest.expanded_within_reach_c,
            words: biggest.words,
        }),
        None => None,
    };
    Ok(Budget {
        lines,
        combined_c: document.combined_c,
        degrees_of_freedom: document.degrees_of_freedom.into(),
        coverage_factor: document.coverage_factor,
        expanded_c: document.expanded_c,
        independent_c: document.independent_c,
        shared_c: document.shared_c,
        biggest,
    })
}

fn decision(decision: &Decision) -> DecisionDocument {
    DecisionDocument {
        advice: written(&decision.advice, ADVICE),
        plain_setpoint_c: decision.plain_setpoint_c,
        advised_setpoint_c: decision.advised_setpoint_c,
        provisional_setpoint_c: decision.provisional_setpoint_c,
        offset_c: decision.offset_c,
        offset_standard_uncertainty_c: decision.offset_standard_uncertainty_c,
        error_c: decision.error_c,
        conformance_probability: decision.conformance_probability,
        guard_band_c: decision.guard_band_c,
        acceptance_limit_c: decision.acceptance_limit_c,
        reasons: decision.reasons.iter().map(ReasonDocument::from).collect(),
    }
}

fn read_decision(document: DecisionDocument, place: Place) -> Result<Decision, Error> {
    Ok(Decision {
        advice: place.word("result", &document.advice, ADVICE)?,
        plain_setpoint_c: document.plain_setpoint_c,
        advised_setpoint_c: document.advised_setpoint_c,
        provisional_setpoint_c: document.provisional_setpoint_c,
        offset_c: document.offset_c,
        offset_standard_uncertainty_c: document.offset_standard_uncertainty_c,
        error_c: document.error_c,
        conformance_probability: document.conformance_probability,
        guard_band_c: document.guard_band_c,
        acceptance_limit_c: document.acceptance_limit_c,
        reasons: document.reasons.into_iter().map(Reason::from).collect(),
    })
}

fn question(asked: &AskedQuestion) -> QuestionDocument {
    QuestionDocument {
        code: asked.question.code.code().to_owned(),
        field: asked.question.field.clone(),
        text: asked.question.text.clone(),
        suggestion: asked.question.suggestion,
        suggestion_unit: asked.question.suggestion_unit.to_owned(),
        answered: asked.answered,
    }
}

fn read_question(document: QuestionDocument, place: Place) -> Result<AskedQuestion, Error> {
    let code = QuestionCode::known(&document.code).ok_or_else(|| place.corrupt("result"))?;
    Ok(AskedQuestion {
        question: Question {
            code,
            field: document.field,
            text: document.text,
            suggestion: document.suggestion,
            suggestion_unit: place.word("result", &document.suggestion_unit, UNITS)?,
        },
        answered: document.answered,
    })
}
