//! Checks of the way of furnaces and events into messages and back.

use jiff::Timestamp;
use ringtrue_calibration::inference::OffsetState;
use ringtrue_fleet::key::{EventId, EventKey, ReadingId};
use ringtrue_fleet::tracking::TrackPoint;

use super::*;

fn given() -> v1::Furnace {
    v1::Furnace {
        display_name: "K2".to_owned(),
        maximum_setpoint_c: 1600.0,
        setpoint_step_c: 5.0,
        heating_element: v1::HeatingElement::SiliconCarbide.into(),
        control_thermocouple: v1::ThermocoupleType::R.into(),
        tolerance_c: Some(8.0),
        reference_position: "centre".to_owned(),
        serial_number: "0042".to_owned(),
        state: v1::FurnaceState::InService.into(),
        ..v1::Furnace::default()
    }
}

fn key() -> FurnaceKey {
    FurnaceKey::parse("sites/north/furnaces/k2").expect("a name")
}

#[test]
fn a_furnace_survives_the_way_out_and_back() {
    let mut violations = Violations::default();
    let before = details(&given(), &mut violations);
    let out = message(
        &Furnace::first(key(), before.clone(), Timestamp::UNIX_EPOCH),
        None,
    );
    assert_eq!(out.name, "sites/north/furnaces/k2");
    assert_eq!(out.offset, None);
    assert_eq!(details(&out, &mut violations), before);
    assert_eq!(violations, Violations::default());
}

#[test]
fn every_kind_of_element_thermocouple_and_state_survives() {
    let mut violations = Violations::default();
    for number in 0..4 {
        let mut sent = given();
        sent.heating_element = number;
        sent.control_thermocouple = number;
        sent.state = number.max(1);
        let before = details(&sent, &mut violations);
        let out = message(&Furnace::first(key(), before, Timestamp::UNIX_EPOCH), None);
        assert_eq!(
            (out.heating_element, out.control_thermocouple, out.state),
            (sent.heating_element, sent.control_thermocouple, sent.state)
        );
    }
    assert_eq!(violations, Violations::default());
}

#[test]
fn what_is_left_out_gets_the_defaults_that_the_protocol_states() {
    let mut violations = Violations::default();
    let details = details(&v1::Furnace::default(), &mut violations);
    assert_eq!(details, FurnaceDetails::default());
    assert_eq!(violations, Violations::default());
}

#[test]
fn every_changeable_field_can_be_changed() {
    let all: Vec<&str> = changeable(&given())
        .iter()
        .map(|(field, _)| *field)
        .collect();
    assert!(changeable(&given()).iter().all(|(_, is_set)| *is_set));
    let mut violations = Violations::default();
    let after = change(&given(), all, &mut violations)(&FurnaceDetails::default()).expect("valid");
    assert_eq!(after, details(&given(), &mut violations));
    assert_eq!(violations, Violations::default());
}

#[test]
fn a_furnace_may_lose_its_own_tolerance() {
    let sent = v1::Furnace {
        tolerance_c: None,
        ..given()
    };
    let before = FurnaceDetails {
        tolerance_c: Some(8.0),
        ..FurnaceDetails::default()
    };
    let mut violations = Violations::default();
    let after = change(&sent, vec!["tolerance_c"], &mut violations)(&before).expect("valid");
    assert_eq!(after, FurnaceDetails::default());
}

#[test]
fn a_state_that_is_to_be_changed_must_be_given() {
    let sent = v1::Furnace {
        state: 0,
        ..given()
    };
    let mut violations = Violations::default();
    drop(change(&sent, vec!["state"], &mut violations));
    assert_eq!(violations.0[0].field, "furnace.state");
}

#[test]
fn an_offset_is_told_for_the_setpoint_that_was_read_last() {
    // What was read leaves 2 °C, what gauge and batch share 1 °C; the coefficient is what is believed.
    let mut tracked = KnownOffset {
        state: OffsetState {
            reference_c: 1500.0,
            level_c: 19.0,
            slope_c_per_week: 0.0,
            coefficient_c_per_100c: 0.0,
            covariance: [[4.0 + 1.0, 0.0, 0.0], [0.0, 0.0144, 0.0], [0.0, 0.0, 9.0]],
            readings: 1,
            lowest_setpoint_c: 1500.0,
            highest_setpoint_c: 1500.0,
        },
        last: TrackPoint {
            reading: ReadingId::new("r1").expect("an id"),
            fired_at: Timestamp::UNIX_EPOCH,
            setpoint_c: 1500.0,
            observed_offset_c: 19.0,
            removed_c: 0.0,
            independent_c: 2.0,
            shared_c: 1.0,
            effects: Vec::new(),
            surprise: None,
            mean_mm: 19.47,
            batch: None,
            gauge: None,
        },
    };
    let told = offset_message(&key(), &tracked);
    assert!((told.offset_c - 19.0).abs() < 1e-9);
    // Independent and shared parts in quadrature: sqrt(4 + 1) (GUM 5.1.2).
    assert!((told.standard_uncertainty_c - 5.0_f64.sqrt()).abs() < 1e-9);
    assert!((told.at_temperature_c - 1500.0).abs() < 1e-9);
    assert_eq!(told.reading_count, 1);
    assert_eq!(told.last_reading, "sites/north/furnaces/k2/readings/r1");
    tracked.state.coefficient_c_per_100c = 2.5;
    assert!(
        offset_message(&key(), &tracked)
            .coefficient_c_per_100c
            .abs()
            < 1e-12
    );
    tracked.state.lowest_setpoint_c = 1400.0;
    assert!((offset_message(&key(), &tracked).coefficient_c_per_100c - 2.5).abs() < 1e-12);
}

#[test]
fn an_event_of_every_kind_survives_the_way_out_and_back() {
    let mut violations = Violations::default();
    for kind in 0..8 {
        let sent = v1::FurnaceEvent {
            kind,
            event_time: Some(prost_types::Timestamp {
                seconds: 1_800_000_000,
                nanos: 5_000,
            }),
            offset_shift_c: Some(-3.0),
            note: "door seal".to_owned(),
            performed_by: "ab".to_owned(),
            ..v1::FurnaceEvent::default()
        };
        let before = event_details(sent, &mut violations);
        let event = FurnaceEvent {
            key: EventKey {
                furnace: key(),
                event: EventId::new("e1").expect("an id"),
            },
            details: before.clone(),
            received_at: Timestamp::UNIX_EPOCH,
        };
        let out = event_message(&event);
        assert_eq!(
            (out.kind, out.name.as_str()),
            (kind, "sites/north/furnaces/k2/events/e1")
        );
        assert_eq!(event_details(out, &mut violations), before);
    }
    assert_eq!(violations, Violations::default());
}
