//! Tests of reported firings.

use std::collections::HashMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_calibration::programme::Segment;

use super::*;
use crate::furnace::FurnaceState;
use crate::key::{FiringId, FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, SiteId};
use crate::programme::ProgrammeDetails;
use crate::violation::Violations;

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

const NOW: &str = "2026-03-10T12:00:00Z";

fn site() -> SiteId {
    SiteId::new("porto").expect("an id")
}

fn programme(furnace: &str) -> ProgrammeKey {
    ProgrammeKey {
        furnace: FurnaceKey {
            site: site(),
            furnace: FurnaceId::new(furnace).expect("an id"),
        },
        programme: ProgrammeId::new("std").expect("an id"),
    }
}

fn details(external_id: &str, start: &str, end: &str) -> FiringDetails {
    FiringDetails {
        external_id: external_id.to_owned(),
        programme: Some(programme("k2")),
        started_at: Some(at(start)),
        ended_at: Some(at(end)),
        outcome: Some(Outcome::Completed),
        cases: vec![Case {
            case_id: "C-8841".to_owned(),
            units: 3,
        }],
        ..FiringDetails::default()
    }
}

fn row(external_id: &str, start: &str, end: &str) -> Row {
    Row {
        details: details(external_id, start, end),
        violations: Violations::default(),
    }
}

fn place(furnace: &str, furnace_state: FurnaceState) -> (ProgrammeKey, KnownPlace) {
    let segment = |temperature_c, hold_min| Segment {
        ramp_c_per_min: 10.0,
        temperature_c,
        hold_min,
    };
    let known = ProgrammeDetails {
        segments: vec![
            segment(900.0, 30.0),
            segment(1480.0, 20.0),
            segment(1500.0, 100.0),
        ],
        material_target_c: 1500.0,
        shade_shift_c: 10.0,
        setpoint_c: 1481.0,
        ..ProgrammeDetails::default()
    };
    let key = programme(furnace);
    let place = KnownPlace {
        programme: Programme::first(key.clone(), known, at("2026-01-01T00:00:00Z")),
        furnace_state,
        adjusted: vec![
            (at("2026-03-02T08:00:00Z"), 1500.0),
            (at("2026-03-06T08:00:00Z"), 1490.0),
        ],
    };
    (key, place)
}

fn known() -> KnownFirings {
    KnownFirings {
        site: site(),
        zone: TimeZone::get("Europe/Lisbon").expect("a zone"),
        places: HashMap::from([
            place("k2", FurnaceState::InUse),
            place("k9", FurnaceState::Retired),
        ]),
        on_record: HashMap::new(),
        at_work: HashMap::new(),
    }
}

fn id(details: &FiringDetails) -> FiringId {
    FiringId::new(&details.external_id.to_ascii_lowercase()).expect("an id")
}

fn judge(known: &mut KnownFirings, rows: Vec<Row>) -> Vec<ReportOutcome> {
    let report = ReportId::new("p1").expect("an id");
    judged(known, "firings", rows, &report, at(NOW), id)
}

fn reasons(outcome: &ReportOutcome) -> Vec<(&str, &str)> {
    match outcome {
        ReportOutcome::Refused(violations) => violations
            .0
            .iter()
            .map(|violation| (violation.field.as_str(), violation.reason))
            .collect(),
        ReportOutcome::New(_) | ReportOutcome::Known(_) => Vec::new(),
    }
}

fn new(outcome: &ReportOutcome) -> &Firing {
    match outcome {
        ReportOutcome::New(firing) => firing,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_firing_takes_what_was_not_reported_from_the_programme() {
    let rows = vec![
        row("F1", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z"),
        row("F2", "2026-03-04T18:00:00Z", "2026-03-05T00:30:00Z"),
        row("F3", "2026-03-07T18:00:00Z", "2026-03-08T00:30:00Z"),
    ];
    let outcomes = judge(&mut known(), rows);
    let setpoints: Vec<f64> = outcomes.iter().map(|one| new(one).setpoint_c).collect();
    assert_eq!(
        setpoints.iter().map(|c| c.to_bits()).collect::<Vec<_>>(),
        [1500.0_f64, 1490.0, 1481.0].map(f64::to_bits),
        "as each adjustment found it"
    );
    let firing = new(&outcomes[0]);
    assert!(
        (firing.target_c - 1510.0).abs() < 1e-12,
        "the shade's tuning included"
    );
    assert!(
        (firing.hours_hot - 2.0).abs() < 1e-12,
        "the holds at 1480 and 1500 °C"
    );
    assert_eq!(firing.ended_on.to_string(), "2026-03-02");
    assert_eq!(new(&outcomes[1]).place, 1);
}

#[test]
fn what_is_wrong_with_each_row_is_said_at_once() {
    let mut rows = vec![
        row("F1", "2026-03-01T18:00:00Z", "2026-03-01T17:00:00Z"),
        row("", "2026-03-01T18:00:00Z", "2026-03-05T18:00:00Z"),
        row("F3", "2026-03-10T18:00:00Z", "2026-03-11T02:00:00Z"),
        row("F4", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z"),
        row("F5", "2026-03-02T18:00:00Z", "2026-03-03T02:00:00Z"),
        row("F6", "2026-03-02T18:00:00Z", "2026-03-03T02:00:00Z"),
    ];
    rows[1].details.setpoint_c = Some(f64::NAN);
    rows[1].details.cases[0].case_id = "jane-doe".to_owned();
    rows[3].details.programme = Some(programme("k9"));
    rows[4].details.programme = Some(programme("k7"));
    rows[5].details.outcome = Some(Outcome::Cancelled);
    let outcomes = judge(&mut known(), rows);
    let expected: [&[(&str, &str)]; 6] = [
        &[("firings[0].end_time", "ENDS_BEFORE_IT_STARTS")],
        &[
            ("firings[1].external_id", "REQUIRED"),
            ("firings[1].setpoint_c", "NOT_FINITE"),
            ("firings[1].end_time", "OUT_OF_RANGE"),
            ("firings[1].cases[0].case_id", "LOOKS_PERSONAL"),
        ],
        &[
            ("firings[2].start_time", "IN_THE_FUTURE"),
            ("firings[2].end_time", "IN_THE_FUTURE"),
        ],
        &[("firings[3].programme", "FURNACE_RETIRED")],
        &[("firings[4].programme", "UNKNOWN")],
        &[("firings[5].outcome", "NOT_A_FIRING")],
    ];
    for (outcome, expected) in outcomes.iter().zip(expected) {
        assert_eq!(reasons(outcome), expected);
    }
}

#[test]
fn a_furnace_fires_one_load_at_a_time() {
    let rows = vec![
        row("F1", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z"),
        row("F2", "2026-03-02T01:59:59Z", "2026-03-02T09:00:00Z"),
        row("F3", "2026-03-02T02:00:00Z", "2026-03-02T09:00:00Z"),
    ];
    let mut known = known();
    let furnace = programme("k2").furnace;
    known.at_work.insert(
        furnace,
        vec![(
            at("2026-03-02T08:00:00Z"),
            at("2026-03-02T12:00:00Z"),
            "OLD-7".to_owned(),
        )],
    );
    let outcomes = judge(&mut known, rows);
    assert!(reasons(&outcomes[0]).is_empty());
    assert_eq!(
        reasons(&outcomes[1]),
        [("firings[1].start_time", "OVERLAPS")]
    );
    let ReportOutcome::Refused(violations) = &outcomes[2] else {
        panic!("it overlaps with one on record: {:?}", outcomes[2]);
    };
    assert!(violations.0[0].message.contains("OLD-7"), "{violations}");
}

#[test]
fn a_repeat_changes_nothing_and_other_content_under_the_same_id_is_refused() {
    let once = || row("F1", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z");
    let mut other = once();
    other.details.note = "other".to_owned();
    let mut known = known();
    let outcomes = judge(&mut known, vec![once(), once(), other.clone()]);
    let first = new(&outcomes[0]).clone();
    assert_eq!(outcomes[1], ReportOutcome::Known(first.key.clone()));
    assert_eq!(reasons(&outcomes[2]), [("firings[2].external_id", "TWICE")]);
    let amended = Firing {
        details: other.details.clone(),
        amends: Some(first.key.firing.clone()),
        ..first.clone()
    };
    known.on_record.insert(
        "F1".to_owned(),
        OnRecord {
            latest: amended,
            earlier: vec![first.clone()],
        },
    );
    let again = judge(&mut known, vec![once()]);
    assert_eq!(
        again,
        [ReportOutcome::Known(first.key.clone())],
        "amended since"
    );
    let again = judge(&mut known, vec![other]);
    assert_eq!(again, [ReportOutcome::Known(first.key)]);
    let mut third = once();
    third.details.performed_by = "x".to_owned();
    let again = judge(&mut known, vec![third]);
    assert_eq!(
        reasons(&again[0]),
        [("firings[0].external_id", "ON_RECORD_WITH_OTHER_CONTENT")]
    );
}

#[test]
fn an_amendment_keeps_furnace_and_id_and_says_why() {
    let known = known();
    let mut judged_known = known.clone();
    let rows = vec![row("F1", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z")];
    let before = new(&judge(&mut judged_known, rows)[0]).clone();
    let report = ReportId::new("p2").expect("an id");
    let amend =
        |row: Row, reason: &str| amended(&judged_known, &before, row, reason, &report, at(NOW), id);
    let later = amend(
        row("F1", "2026-03-01T18:00:00Z", "2026-03-02T03:00:00Z"),
        "the end was an hour later",
    )
    .expect("in order, though it overlaps with its own earlier version");
    assert_eq!(later.amends, Some(before.key.firing.clone()));
    let mut cancelled = row("F1", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z");
    cancelled.details.outcome = Some(Outcome::Cancelled);
    assert!(amend(cancelled, "never took place").is_ok());
    let mut wrong = row("F2", "2026-03-01T18:00:00Z", "2026-03-02T02:00:00Z");
    wrong.details.programme = Some(programme("k9"));
    let refused = amend(wrong, " ").expect_err("three faults");
    let found: Vec<&str> = refused.0.iter().map(|one| one.reason).collect();
    assert_eq!(found, ["REQUIRED", "NOT_ITS_OWN", "OF_ANOTHER_FURNACE"]);
}
