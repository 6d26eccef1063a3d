//! Firings between messages and the fleet's words.

use ringtrue_fleet::firing::{Case, FiringDetails, Outcome, RecordedSegment};
use ringtrue_fleet::key::{FiringKey, ProgrammeKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::KeptFiring;

use super::super::fields::{choice, moment, name, timestamp};

/// Reads a firing; `path` is the request field that holds it.
pub(super) fn details(path: &str, given: v1::Firing, violations: &mut Violations) -> FiringDetails {
    let outcome = choice(&format!("{path}.outcome"), given.outcome, violations);
    let cases = given.cases.into_iter().map(|case| Case {
        case_id: case.case_id,
        units: case.units,
    });
    let segments = given.segments.into_iter().map(|segment| RecordedSegment {
        indicated_c: segment.indicated_c,
        duration_min: segment.duration_min,
    });
    FiringDetails {
        programme: name(
            &format!("{path}.programme"),
            &given.programme,
            ProgrammeKey::parse,
            violations,
        ),
        setpoint_c: given.setpoint_c,
        started_at: moment(&format!("{path}.start_time"), given.start_time, violations),
        ended_at: moment(&format!("{path}.end_time"), given.end_time, violations),
        // A negative zero is zero.
        hours_hot: given.hours_hot.map(|hours| hours + 0.0),
        outcome: match outcome {
            None | Some(v1::FiringOutcome::Unspecified) => None,
            Some(v1::FiringOutcome::Completed) => Some(Outcome::Completed),
            Some(v1::FiringOutcome::Aborted) => Some(Outcome::Aborted),
            Some(v1::FiringOutcome::PowerLost) => Some(Outcome::PowerLost),
            Some(v1::FiringOutcome::Cancelled) => Some(Outcome::Cancelled),
        },
        cases: cases.collect(),
        segments: segments.collect(),
        external_id: given.external_id,
        performed_by: given.performed_by,
        note: given.note,
    }
}

/// Writes a firing.
pub(in crate::rpc) fn message(kept: &KeptFiring) -> v1::Firing {
    let firing = &kept.firing;
    let details = &firing.details;
    let outcome = match details.outcome {
        None | Some(Outcome::Completed) => v1::FiringOutcome::Completed,
        Some(Outcome::Aborted) => v1::FiringOutcome::Aborted,
        Some(Outcome::PowerLost) => v1::FiringOutcome::PowerLost,
        Some(Outcome::Cancelled) => v1::FiringOutcome::Cancelled,
    };
    let earlier = firing.amends.as_ref().map(|earlier| FiringKey {
        furnace: firing.key.furnace.clone(),
        firing: earlier.clone(),
    });
    let mut cases = Vec::with_capacity(details.cases.len());
    for case in &details.cases {
        cases.push(v1::FiringCase {
            case_id: case.case_id.clone(),
            units: case.units,
        });
    }
    let mut segments = Vec::with_capacity(details.segments.len());
    for segment in &details.segments {
        segments.push(v1::FiringSegment {
            indicated_c: segment.indicated_c,
            duration_min: segment.duration_min,
        });
    }
    v1::Firing {
        name: firing.key.name(),
        external_id: details.external_id.clone(),
        programme: details
            .programme
            .as_ref()
            .map(ProgrammeKey::name)
            .unwrap_or_default(),
        setpoint_c: Some(firing.setpoint_c),
        target_c: firing.target_c,
        start_time: details.started_at.map(timestamp),
        end_time: details.ended_at.map(timestamp),
        hours_hot: Some(firing.hours_hot),
        outcome: outcome.into(),
        cases,
        segments,
        performed_by: details.performed_by.clone(),
        note: details.note.clone(),
        receive_time: Some(timestamp(firing.received_at)),
        amends: earlier.as_ref().map(FiringKey::name).unwrap_or_default(),
        amended_by: kept
            .amended_by
            .as_ref()
            .map(FiringKey::name)
            .unwrap_or_default(),
        amend_reason: firing.amend_reason.clone(),
    }
}
