//! What a watch shows.

use super::*;
use ringtrue_proto::v1::{Alert, AlertKind, AlertStage};

fn change(kind: AlertChangeKind) -> AlertChange {
    AlertChange {
        cursor: "c7".to_owned(),
        kind: kind.into(),
        alert: Some(Alert {
            name: "alerts/a1".to_owned(),
            kind: AlertKind::CalibrationDue.into(),
            site: "sites/porto".to_owned(),
            subject: "sites/porto/furnaces/k2".to_owned(),
            site_display_name: "Porto".to_owned(),
            subject_display_name: "K2".to_owned(),
            stage: AlertStage::Overdue.into(),
            statement: "The calibration of K2 was due on Friday.".to_owned(),
            next_step: "Fire a ring of batch X7 with programme Standard today.".to_owned(),
            note: "a ring is in".to_owned(),
            noted_by: "AB".to_owned(),
            close_reason: "Calibrated on Monday.".to_owned(),
            time_zone: "Europe/Lisbon".to_owned(),
            ..Alert::default()
        }),
        change_time: Some(prost_types::Timestamp {
            seconds: 1_795_449_600,
            nanos: 0,
        }),
    }
}

#[test]
fn a_change_says_when_what_and_what_to_do_next() {
    let expected = "\
Mon 2026-11-23 16:00 WET  K2 at Porto: calibration due, OVERDUE (escalated)
  The calibration of K2 was due on Friday.
  Next: Fire a ring of batch X7 with programme Standard today.
  Alert: a1";
    let escalated = change(AlertChangeKind::Escalated);
    assert_eq!(drawn(&escalated, true, 100, false), expected);
}

#[test]
fn a_closed_alert_says_what_mended_it_and_a_noted_one_by_whom() {
    let closed = drawn(&change(AlertChangeKind::Closed), false, 100, false);
    assert!(
        closed.contains("K2: calibration due, mended (closed)"),
        "{closed}"
    );
    assert!(closed.contains("Calibrated on Monday."), "{closed}");
    assert!(!closed.contains("Next:"), "{closed}");
    let noted = drawn(&change(AlertChangeKind::Acknowledged), false, 100, false);
    assert!(noted.contains("a ring is in (AB)"), "{noted}");
}

#[test]
fn a_narrow_terminal_is_never_overrun() {
    for kind in [AlertChangeKind::Raised, AlertChangeKind::Closed] {
        for line in drawn(&change(kind), true, 44, false).lines() {
            assert!(line.chars().count() <= 44, "{line}");
        }
    }
}

#[test]
fn a_program_is_given_one_line_with_the_cursor() {
    let line = line(&change(AlertChangeKind::Raised), "c9").expect("JSON");
    assert!(!line.contains('\n'), "{line}");
    let value: serde_json::Value = serde_json::from_str(&line).expect("JSON");
    assert_eq!(value["cursor"], "c9");
    assert_eq!(value["change"]["kind"], "ALERT_CHANGE_KIND_RAISED");
    assert_eq!(value["change"]["alert"]["subjectDisplayName"], "K2");
}

#[test]
fn every_change_that_the_protocol_knows_has_a_word() {
    let last = i32::from(AlertChangeKind::Present);
    for number in 1..=last {
        let kind = AlertChangeKind::try_from(number).expect("the numbers have no gap");
        let drawn = drawn(&change(kind), false, 100, false);
        assert!(!drawn.contains("(-)"), "{kind:?} in\n{drawn}");
    }
    assert!(
        AlertChangeKind::try_from(last + 1).is_err(),
        "a new one needs a word"
    );
}
