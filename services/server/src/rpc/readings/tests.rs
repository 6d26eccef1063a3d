//! Checks of the way of reported readings into the fleet's words and back.

use super::*;

fn now() -> Timestamp {
    "2026-03-02T12:00:00Z".parse().expect("a valid moment")
}

fn furnace() -> FurnaceKey {
    FurnaceKey::parse("sites/north/furnaces/k2").expect("a name")
}

fn at(text: &str) -> prost_types::Timestamp {
    timestamp(text.parse().expect("a valid moment"))
}

fn rings_given() -> v1::Reading {
    v1::Reading {
        programme: "sites/north/furnaces/k2/programmes/p1".to_owned(),
        setpoint_c: Some(1500.0),
        method: Some(Given::Rings(v1::RingMeasurement {
            ring_batch: "ringBatches/a7".to_owned(),
            gauge: "sites/north/gauges/g1".to_owned(),
            rings: vec![v1::Ring {
                position: "centre".to_owned(),
                diameters_mm: vec![19.46, 19.47, 19.48],
                serial_number: "17".to_owned(),
            }],
            zero_mm: Some(0.0),
            ring_temperature_c: Some(22.0),
        })),
        fire_time: Some(at("2026-03-02T06:00:00Z")),
        measure_time: Some(at("2026-03-02T09:00:00Z")),
        purpose: v1::ReadingPurpose::Verification.into(),
        performed_by: "ab".to_owned(),
        note: "second firing".to_owned(),
        answered_questions: vec!["HOT_RING".to_owned()],
        ..v1::Reading::default()
    }
}

fn thermocouple_given(indication: Shown) -> v1::Reading {
    v1::Reading {
        method: Some(Given::Thermocouple(v1::ThermocoupleMeasurement {
            r#type: v1::ThermocoupleType::S.into(),
            indication: Some(indication),
            reference_junction_c: 0.0,
            correction_c: -0.5,
            expanded_uncertainty_c: 3.0,
            position: "door".to_owned(),
        })),
        ..rings_given()
    }
}

fn refused(given: v1::Reading) -> Vec<String> {
    let mut violations = Violations::default();
    report(Some(furnace()), given, now(), &mut violations);
    violations
        .0
        .into_iter()
        .map(|violation| violation.field)
        .collect()
}

#[test]
fn what_was_measured_survives_the_way_in_and_out() {
    for sent in [
        rings_given(),
        thermocouple_given(Shown::EmfMv(15.6)),
        thermocouple_given(Shown::TemperatureC(1519.0)),
    ] {
        let mut violations = Violations::default();
        let raw = report(Some(furnace()), sent.clone(), now(), &mut violations).expect("a report");
        assert_eq!(violations, Violations::default());
        assert_eq!(raw.purpose, Purpose::Verification);
        assert_eq!(raw.answered, ["HOT_RING"]);
        let checked = raw.checked(now()).expect("nothing is wrong");
        assert_eq!(Some(method_message(&checked.method)), sent.method);
        assert_eq!(Some(timestamp(checked.fired_at)), sent.fire_time);
    }
}

#[test]
fn everything_that_is_wrong_is_told_at_once() {
    let mut sent = rings_given();
    sent.programme = "p1".to_owned();
    sent.purpose = 40;
    sent.fire_time = Some(prost_types::Timestamp {
        seconds: 0,
        nanos: -1,
    });
    sent.method = Some(Given::Rings(v1::RingMeasurement {
        ring_batch: "a7".to_owned(),
        gauge: "sites/south/gauges/g1".to_owned(),
        rings: vec![v1::Ring {
            diameters_mm: vec![1.0, f64::NAN],
            ..v1::Ring::default()
        }],
        ..v1::RingMeasurement::default()
    }));
    let fields = refused(sent);
    for wanted in [
        "reading.programme",
        "reading.purpose",
        "reading.fire_time",
        "reading.rings.ring_batch",
        "reading.rings.gauge",
        "reading.rings.rings[0].diameters_mm[0]",
        "reading.rings.rings[0].diameters_mm[1]",
    ] {
        let count = fields.iter().filter(|field| *field == wanted).count();
        assert_eq!(count, 1, "{wanted} in {fields:?}");
    }
}

#[test]
fn a_reference_junction_belongs_to_a_voltage() {
    let mut sent = thermocouple_given(Shown::TemperatureC(1519.0));
    if let Some(Given::Thermocouple(thermocouple)) = &mut sent.method {
        thermocouple.reference_junction_c = 25.0;
    }
    assert_eq!(refused(sent), ["reading.thermocouple.reference_junction_c"]);
}

#[test]
fn what_is_left_to_the_fleets_rules_is_not_refused_here() {
    let mut violations = Violations::default();
    let raw = report(
        Some(furnace()),
        v1::Reading::default(),
        now(),
        &mut violations,
    );
    assert_eq!(violations, Violations::default());
    let raw = raw.expect("a report");
    assert_eq!(
        (raw.method.is_none(), raw.programme.is_none()),
        (true, true)
    );
    assert_eq!(raw.purpose, Purpose::Routine);
    assert_eq!(report(None, rings_given(), now(), &mut violations), None);
}

#[test]
fn a_reading_that_was_only_looked_at_has_no_name() {
    let stored = v1::Reading {
        name: "sites/north/furnaces/k2/readings/r1".to_owned(),
        receive_time: Some(at("2026-03-02T12:00:00Z")),
        ..rings_given()
    };
    assert_eq!(unnamed(stored), rings_given());
}
