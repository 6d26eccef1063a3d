//! Exposures and decisions as people read them: temperatures with their uncertainty, and no word about a restoration.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    ExposedFiring, ExposureDecision, ExposureOutcome, ExposureQueue, ExposureSummary, SpanBound,
};

use crate::quantity::{brief, fixed, per_cent};
use crate::{moment, names, output};

/// Headings of the firings.
pub(super) const HEADINGS: [&str; 7] = [
    "ended",
    "firing",
    "cases",
    "true peak",
    "outside",
    "at worst",
    "review",
];

/// Headings of decisions.
pub(super) const DECISION_HEADINGS: [&str; 6] =
    ["decided", "furnace", "outcome", "cases", "by", "id"];

/// A moment as every command takes it, whatever the zone.
pub(super) fn utc(stamp: Option<&prost_types::Timestamp>) -> String {
    let at = moment::received(stamp);
    at.map(|at| at.to_string()).unwrap_or_default()
}

fn shown(stamp: Option<&prost_types::Timestamp>, zone: &TimeZone) -> String {
    let at = moment::received(stamp);
    at.map(|at| moment::shown(at, zone)).unwrap_or_default()
}

fn when(stamp: Option<&prost_types::Timestamp>, zone: &TimeZone) -> String {
    let at = moment::received(stamp);
    at.map(|at| moment::brief(at, zone)).unwrap_or_default()
}

/// Why a span begins or ends there.
fn because(bound: SpanBound) -> &'static str {
    match bound {
        SpanBound::WithinTolerance => " (a reading showed the furnace within tolerance)",
        SpanBound::FirstFiring => " (the first firing on record; no earlier reading was within)",
        SpanBound::Adjusted => " (the setpoint was adjusted)",
        SpanBound::Now => " (now; nothing was mended yet)",
        SpanBound::Asked | SpanBound::Unspecified => "",
    }
}

/// The span as a whole.
pub(super) fn summary(summary: &ExposureSummary, zone: &TimeZone, columns: u16) -> String {
    let bound = |stamp, reason| format!("{}{}", shown(stamp, zone), because(reason));
    let lines = [
        ("Furnace", names::id(&summary.furnace).to_owned()),
        (
            "From",
            bound(summary.start_time.as_ref(), summary.start_reason()),
        ),
        (
            "Until",
            bound(summary.end_time.as_ref(), summary.end_reason()),
        ),
        (
            "Tolerance",
            format!("±{} °C", brief(summary.tolerance_c, 1)),
        ),
        (
            "Firings",
            format!(
                "{}, with {} different cases and {} units as far as reported",
                summary.firings, summary.cases, summary.units
            ),
        ),
        (
            "To review",
            format!(
                "{} first, {} after them; nothing asks for a review of {}",
                summary.review_first, summary.review, summary.no_action
            ),
        ),
    ];
    let card = output::card(&lines, columns);
    format!(
        "{card}\n\n{}",
        output::paragraph(&summary.statement, columns)
    )
}

/// Which true peak was wanted; one for all, or by firing where they differ.
pub(super) fn wanted(firings: &[ExposedFiring]) -> String {
    let mut by_target: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for firing in firings {
        let target = brief(firing.target_c, 1);
        by_target
            .entry(target)
            .or_default()
            .push(&firing.external_id);
    }
    let mut told = Vec::new();
    for (target, ids) in &by_target {
        if by_target.len() == 1 {
            told.push(format!("{target} °C"));
        } else {
            told.push(format!("{target} °C of {}", ids.join(", ")));
        }
    }
    format!("True peak wanted: {}.", told.join("; "))
}

/// A firing in a line.
pub(super) fn row(firing: &ExposedFiring, zone: &TimeZone) -> Vec<String> {
    let peak = match (firing.temperature_c, firing.expanded_uncertainty_c) {
        (Some(peak), Some(spread)) => format!("{} ± {} °C", fixed(peak, 1), fixed(spread, 1)),
        _ => "unknown".to_owned(),
    };
    let chance = |probability: Option<f64>| probability.map(per_cent).unwrap_or_default();
    let worst = match firing.worst_temperature_c {
        Some(worst) => format!(
            "{} °C, {}",
            fixed(worst, 1),
            chance(firing.worst_outside_probability)
        ),
        None => String::new(),
    };
    let review = match (firing.decisions.len(), firing.queue()) {
        (0, ExposureQueue::ReviewFirst) => "FIRST",
        (0, ExposureQueue::Review) => "yes",
        (0, _) => "",
        _ => "decided",
    };
    vec![
        when(firing.end_time.as_ref(), zone),
        firing.external_id.clone(),
        firing.case_ids.join(", "),
        peak,
        chance(firing.outside_probability),
        worst,
        review.to_owned(),
    ]
}

/// What is to be known beside the figures: each remark once, with the firings that it is about.
pub(super) fn notices(firings: &[ExposedFiring]) -> Vec<String> {
    const NAMED: usize = 5;
    let mut about: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for firing in firings {
        for notice in &firing.notices {
            about.entry(notice).or_default().push(&firing.external_id);
        }
    }
    let mut told = Vec::new();
    for (notice, ids) in about {
        let which = if ids.len() > NAMED {
            format!("{} firings", ids.len())
        } else {
            ids.join(", ")
        };
        told.push(format!("- {which}: {notice}"));
    }
    told
}

/// What was decided, in the words of quality systems.
fn outcome(outcome: ExposureOutcome) -> &'static str {
    match outcome {
        ExposureOutcome::NoAction => "reviewed; nothing further",
        ExposureOutcome::UseAsIsConcession => "used as it is under a concession",
        ExposureOutcome::ReworkByInstruction => {
            "reworked as the material maker's instructions allow"
        }
        ExposureOutcome::Remake => "made again",
        ExposureOutcome::InformPrescriber => "the prescriber is informed and decides",
        ExposureOutcome::Unspecified => "",
    }
}

fn cases(decision: &ExposureDecision) -> String {
    if decision.case_ids.is_empty() {
        "all of the span".to_owned()
    } else {
        decision.case_ids.join(", ")
    }
}

/// A decision with all that is known of it.
pub(super) fn decision(decision: &ExposureDecision, zone: &TimeZone, columns: u16) -> String {
    let lines = [
        ("Decided", outcome(decision.outcome()).to_owned()),
        (
            "Furnace",
            names::id(names::parent(&decision.name)).to_owned(),
        ),
        ("Cases", cases(decision)),
        ("Fired from", shown(decision.start_time.as_ref(), zone)),
        ("Until", shown(decision.end_time.as_ref(), zone)),
        ("Why", decision.reason.clone()),
        ("By", decision.decided_by.clone()),
        ("When", shown(decision.decide_time.as_ref(), zone)),
        ("Led to it", names::id(&decision.reading).to_owned()),
        ("Stored", shown(decision.receive_time.as_ref(), zone)),
        ("Decision", decision.name.clone()),
    ];
    output::card(&lines, columns)
}

/// A decision in a line.
pub(super) fn decision_row(decision: &ExposureDecision, zone: &TimeZone) -> Vec<String> {
    vec![
        when(decision.decide_time.as_ref(), zone),
        names::id(names::parent(&decision.name)).to_owned(),
        outcome(decision.outcome()).to_owned(),
        cases(decision),
        decision.decided_by.clone(),
        names::id(&decision.name).to_owned(),
    ]
}
