//! Checks of the way of gauges and their checks into messages and back.

use jiff::Timestamp;
use ringtrue_fleet::key::{CheckId, CheckKey};

use super::*;

fn given() -> v1::Gauge {
    v1::Gauge {
        display_name: "Caliper 1".to_owned(),
        kind: v1::GaugeKind::Caliper.into(),
        resolution_mm: 0.01,
        maximum_permissible_error_mm: 0.03,
        check_interval_days: 180,
        serial_number: "0007".to_owned(),
        state: v1::GaugeState::Withdrawn.into(),
        ..v1::Gauge::default()
    }
}

fn key() -> GaugeKey {
    GaugeKey::parse("sites/north/gauges/g1").expect("a name")
}

fn check_given() -> v1::GaugeCheck {
    v1::GaugeCheck {
        nominal_mm: 20.0,
        measured_mm: vec![20.01, 20.02],
        check_time: Some(prost_types::Timestamp {
            seconds: 1_772_409_600,
            nanos: 0,
        }),
        performed_by: "ab".to_owned(),
        note: "block 7".to_owned(),
        ..v1::GaugeCheck::default()
    }
}

fn check(violations: &mut Violations) -> GaugeCheck {
    GaugeCheck {
        key: CheckKey {
            gauge: key(),
            check: CheckId::new("c1").expect("an id"),
        },
        details: check_details(check_given(), violations),
        bias_mm: 0.015,
        standard_uncertainty_mm: 0.005,
        received_at: Timestamp::UNIX_EPOCH,
    }
}

#[test]
fn a_gauge_survives_the_way_out_and_back() {
    let mut violations = Violations::default();
    let before = details(&given(), &mut violations);
    let gauge = Gauge::first(key(), before.clone(), Timestamp::UNIX_EPOCH);
    let out = message(&gauge, None, &TimeZone::UTC);
    assert_eq!(
        (out.name.as_str(), out.latest_check.is_none()),
        ("sites/north/gauges/g1", true)
    );
    assert_eq!(out.check_due_date, None);
    assert_eq!(details(&out, &mut violations), before);
    assert_eq!(violations, Violations::default());
}

#[test]
fn what_is_left_out_gets_the_defaults_that_the_protocol_states() {
    let mut violations = Violations::default();
    assert_eq!(
        details(&v1::Gauge::default(), &mut violations),
        GaugeDetails::default()
    );
    let block_mm = check_details(check_given(), &mut violations).block_standard_uncertainty_mm;
    assert!((block_mm - 0.0005).abs() < 1e-12);
    assert_eq!(violations, Violations::default());
}

#[test]
fn a_check_goes_out_of_date_on_a_day_of_the_sites_calendar() {
    let mut violations = Violations::default();
    let gauge = Gauge::first(
        key(),
        details(&given(), &mut violations),
        Timestamp::UNIX_EPOCH,
    );
    // 2026-03-02T00:00Z: already the 2nd in Lisbon, still the 1st in Bogota; 180 days later.
    for (zone, month, day) in [("Europe/Lisbon", 8, 29), ("America/Bogota", 8, 28)] {
        let zone = TimeZone::get(zone).expect("a zone");
        let out = message(&gauge, Some(&check(&mut violations)), &zone);
        assert_eq!(
            out.check_due_date,
            Some(ringtrue_proto::Date {
                year: 2026,
                month,
                day
            })
        );
    }
}

#[test]
fn a_check_survives_the_way_out_and_back() {
    let mut violations = Violations::default();
    let check = check(&mut violations);
    let out = check_message(&check);
    assert_eq!(out.name, "sites/north/gauges/g1/checks/c1");
    assert!((out.bias_mm - 0.015).abs() < 1e-12);
    assert_eq!(check_details(out, &mut violations), check.details);
    assert_eq!(violations, Violations::default());
}

#[test]
fn every_changeable_field_can_be_changed_and_a_state_must_be_given() {
    let all: Vec<&str> = changeable(&given())
        .iter()
        .map(|(field, _)| *field)
        .collect();
    assert!(changeable(&given()).iter().all(|(_, is_set)| *is_set));
    let mut violations = Violations::default();
    let after =
        change(&given(), all.clone(), &mut violations)(&GaugeDetails::default()).expect("valid");
    assert_eq!(after, details(&given(), &mut violations));
    assert_eq!(violations, Violations::default());
    let sent = v1::Gauge {
        state: 0,
        ..given()
    };
    drop(change(&sent, all, &mut violations));
    assert_eq!(violations.0[0].field, "gauge.state");
}
