//! Readings that cannot be right: each is refused by its field, with what to do next, and leaves no
//! trace.

use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_remote::Failure;
use ringtrue_tests::bench::{
    batch, codes, evaluation_of, furnace, programme, reading_of, rings_of, stamp,
};
use ringtrue_tests::{Bench, Network};

use crate::refusals::{Records, bad_value, forbidden, missing};

const DIAMETERS: &str = "reading.rings.rings[0].diameters_mm";

struct Desk {
    network: Network,
    bench: Bench,
}

impl Desk {
    async fn new() -> Self {
        let network = Network::start().await;
        let bench = network.bench().await;
        Self { network, bench }
    }

    /// Makes a good reading wrong, and gives the refusal after checking that nothing was stored.
    async fn refused(&self, spoil: impl FnOnce(&mut v1::RecordReadingRequest)) -> Failure {
        let mut ask = self.network.ask(&self.bench, &[19.470, 19.468, 19.472]);
        spoil(&mut ask);
        let before = Records::of(&self.network, &self.bench).await;
        let answer = self.network.remote.record_reading(ask.clone()).await;
        let failure = answer.expect_err("it cannot be right");
        // Trying it out says the same.
        ask.validate_only = true;
        let tried = self
            .network
            .remote
            .record_reading(ask)
            .await
            .expect_err("nor tried out");
        assert_eq!(tried, failure);
        assert_eq!(Records::of(&self.network, &self.bench).await, before);
        *failure
    }

    async fn refused_diameters(&self, diameters_mm: Vec<f64>) -> Failure {
        let spoil = |ask: &mut v1::RecordReadingRequest| {
            rings_of(reading_of(ask)).rings[0].diameters_mm = diameters_mm;
        };
        self.refused(spoil).await
    }
}

#[tokio::test]
async fn what_is_no_diameter_is_refused_by_its_place() {
    let desk = Desk::new().await;
    let cases = [
        (f64::NAN, "NOT_FINITE", "send a value from 5 to 40 mm"),
        (f64::INFINITY, "NOT_FINITE", "send a value from 5 to 40 mm"),
        (
            f64::NEG_INFINITY,
            "NOT_FINITE",
            "send a value from 5 to 40 mm",
        ),
        (-19.47, "OUT_OF_RANGE", "check the value and its unit"),
        (0.0, "OUT_OF_RANGE", "check the value and its unit"),
        (194.7, "OUT_OF_RANGE", "check the value and its unit"),
        // 0.7665 in is 19.47 mm.
        (0.7665, "INCHES", "send mm"),
    ];
    for (value, reason, next_step) in cases {
        let failure = desk.refused_diameters(vec![19.470, value, 19.472]).await;
        bad_value(&failure, &format!("{DIAMETERS}[1]"), reason, next_step);
    }
    desk.network.stop().await;
}

#[tokio::test]
async fn transposed_digits_outside_the_table_are_told_as_what_was_meant() {
    let desk = Desk::new().await;
    let failure = desk.refused_diameters(vec![17.49]).await;
    bad_value(
        &failure,
        DIAMETERS,
        "OUT_OF_TABLE",
        "did you read 19.47 mm (1519 °C)?",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn a_diameter_outside_the_table_is_never_extrapolated() {
    let desk = Desk::new().await;
    for (diameter_mm, next_step) in [(20.4, "table"), (18.9, "table")] {
        let failure = desk.refused_diameters(vec![diameter_mm; 3]).await;
        bad_value(&failure, DIAMETERS, "OUT_OF_TABLE", next_step);
    }
    desk.network.stop().await;
}

#[tokio::test]
async fn ten_thousand_diameters_are_one_fault_and_not_ten_thousand() {
    let desk = Desk::new().await;
    let failure = desk.refused_diameters(vec![19.47; 10_000]).await;
    bad_value(&failure, DIAMETERS, "WRONG_COUNT", "send 1 to 24 diameters");
    assert_eq!(failure.violations.len(), 1);
    let failure = desk.refused_diameters(Vec::new()).await;
    bad_value(&failure, DIAMETERS, "WRONG_COUNT", "send 1 to 24 diameters");
    let failure = desk
        .refused(|ask| {
            let rings = rings_of(reading_of(ask));
            rings.rings = vec![rings.rings[0].clone(); 1000];
        })
        .await;
    bad_value(
        &failure,
        "reading.rings.rings",
        "WRONG_COUNT",
        "send 1 to 12",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn a_setpoint_in_fahrenheit_or_none_at_all_is_refused() {
    let desk = Desk::new().await;
    let cases = [
        (2732.0, "FAHRENHEIT", "send °C"),
        (f64::NAN, "NOT_FINITE", "send a value from 900 to 1800 °C"),
        (-1500.0, "OUT_OF_RANGE", "check the value and its unit"),
        (15_000.0, "OUT_OF_RANGE", "check the value and its unit"),
    ];
    for (setpoint_c, reason, next_step) in cases {
        let failure = desk
            .refused(|ask| reading_of(ask).setpoint_c = Some(setpoint_c))
            .await;
        bad_value(&failure, "reading.setpoint_c", reason, next_step);
    }
    desk.network.stop().await;
}

#[tokio::test]
async fn moments_that_cannot_be_are_refused() {
    let desk = Desk::new().await;
    let now = desk.network.now();
    let failure = desk
        .refused(|ask| {
            let fired = stamp(now + SignedDuration::from_hours(1));
            reading_of(ask).fire_time = Some(fired);
            reading_of(ask).measure_time = Some(fired);
        })
        .await;
    bad_value(
        &failure,
        "reading.fire_time",
        "IN_THE_FUTURE",
        "check date, time and zone",
    );
    bad_value(
        &failure,
        "reading.measure_time",
        "IN_THE_FUTURE",
        "check date, time and zone",
    );
    let failure = desk
        .refused(|ask| {
            let reading = reading_of(ask);
            reading.fire_time = Some(stamp(now - SignedDuration::from_hours(2)));
            reading.measure_time = Some(stamp(now - SignedDuration::from_hours(3)));
        })
        .await;
    bad_value(
        &failure,
        "reading.measure_time",
        "MEASURED_BEFORE_FIRED",
        "check both",
    );
    let failure = desk.refused(|ask| reading_of(ask).fire_time = None).await;
    bad_value(&failure, "reading.fire_time", "REQUIRED", "send the moment");
    let failure = desk
        .refused(|ask| {
            let impossible = prost_types::Timestamp {
                seconds: i64::MAX,
                nanos: -1,
            };
            reading_of(ask).fire_time = Some(impossible);
        })
        .await;
    bad_value(
        &failure,
        "reading.fire_time",
        "NOT_A_MOMENT",
        "check the date",
    );
    let failure = desk
        .refused(|ask| {
            let reading = reading_of(ask);
            reading.fire_time = Some(prost_types::Timestamp {
                seconds: 12,
                nanos: 0,
            });
        })
        .await;
    bad_value(
        &failure,
        "reading.fire_time",
        "TOO_LONG_AGO",
        "check the date",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn names_of_things_that_are_not_there_or_not_of_this_furnace_are_refused() {
    let desk = Desk::new().await;
    let other = desk
        .network
        .furnace(&desk.bench.site, "k3", furnace())
        .await
        .name;
    let elsewhere = desk.network.programme(&other, "p1", programme()).await.name;

    let failure = desk
        .refused(|ask| reading_of(ask).programme = elsewhere)
        .await;
    bad_value(
        &failure,
        "reading.programme",
        "PROGRAMME_OF_ANOTHER_FURNACE",
        "name a programme of this furnace",
    );
    let nowhere = "sites/north/furnaces/none";
    let failure = desk
        .refused(|ask| {
            nowhere.clone_into(&mut ask.parent);
            reading_of(ask).programme = format!("{nowhere}/programmes/p1");
        })
        .await;
    missing(&failure, nowhere);
    let nothing = format!("{}/programmes/none", desk.bench.furnace);
    let failure = desk
        .refused(|ask| reading_of(ask).programme.clone_from(&nothing))
        .await;
    missing(&failure, &nothing);
    let failure = desk
        .refused(|ask| "ringBatches/none".clone_into(&mut rings_of(reading_of(ask)).ring_batch))
        .await;
    missing(&failure, "ringBatches/none");
    let failure = desk
        .refused(|ask| "sites/north/gauges/none".clone_into(&mut rings_of(reading_of(ask)).gauge))
        .await;
    missing(&failure, "sites/north/gauges/none");
    let failure = desk
        .refused(|ask| "sites/south/gauges/g1".clone_into(&mut rings_of(reading_of(ask)).gauge))
        .await;
    bad_value(
        &failure,
        "reading.rings.gauge",
        "GAUGE_OF_ANOTHER_SITE",
        "name a gauge of sites/north",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn texts_of_ten_kilobytes_are_refused_and_not_sent_back_whole() {
    let desk = Desk::new().await;
    let long = "x".repeat(10_000);
    let failure = desk
        .refused(|ask| reading_of(ask).performed_by.clone_from(&long))
        .await;
    bad_value(
        &failure,
        "reading.performed_by",
        "TOO_LONG",
        "send at most 40",
    );
    let failure = desk
        .refused(|ask| ask.parent = format!("sites/{long}/furnaces/k2"))
        .await;
    bad_value(
        &failure,
        "parent",
        "NOT_A_NAME",
        "1 to 63 lower-case letters",
    );
    assert!(
        failure.message.len() < 2_500,
        "{} bytes came back",
        failure.message.len()
    );
    let failure = desk
        .refused(|ask| reading_of(ask).answered_questions = vec![long.clone(); 3])
        .await;
    bad_value(
        &failure,
        "reading.answered_questions",
        "WRONG_COUNT",
        "send at most 32",
    );
    let failure = desk
        .refused(|ask| {
            reading_of(ask).answered_questions =
                vec!["HOT_RING".to_owned(), "ALL_IS_WELL".to_owned()];
        })
        .await;
    bad_value(
        &failure,
        "reading.answered_questions[1]",
        "UNKNOWN_QUESTION",
        "ALL_IS_WELL",
    );
    let failure = desk
        .refused(|ask| "a\u{7}b".clone_into(&mut reading_of(ask).note))
        .await;
    bad_value(
        &failure,
        "reading.note",
        "CONTROL_CHARACTER",
        "send plain text",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn everything_that_is_wrong_is_told_at_once() {
    let desk = Desk::new().await;
    let failure = desk
        .refused(|ask| {
            "not a uuid".clone_into(&mut ask.request_id);
            let reading = reading_of(ask);
            reading.setpoint_c = Some(2732.0);
            reading.purpose = 99;
            reading.measure_time = None;
            rings_of(reading).rings[0].diameters_mm[2] = f64::NAN;
        })
        .await;
    bad_value(
        &failure,
        "request_id",
        "NOT_A_UUID",
        "send a new one for each change",
    );
    bad_value(&failure, "reading.setpoint_c", "FAHRENHEIT", "send °C");
    bad_value(
        &failure,
        "reading.purpose",
        "UNKNOWN_VALUE",
        "values that the protocol lists",
    );
    bad_value(
        &failure,
        "reading.measure_time",
        "REQUIRED",
        "send the moment",
    );
    bad_value(
        &failure,
        &format!("{DIAMETERS}[2]"),
        "NOT_FINITE",
        "from 5 to 40 mm",
    );
    desk.network.stop().await;
}

async fn set_state(desk: &Desk, state: v1::RingBatchState, reason: &str) {
    let ask = v1::SetRingBatchStateRequest {
        name: desk.bench.batch.clone(),
        state: state.into(),
        reason: reason.to_owned(),
        ..v1::SetRingBatchStateRequest::default()
    };
    desk.network
        .remote
        .set_ring_batch_state(ask)
        .await
        .expect("the state is set");
}

#[tokio::test]
async fn rings_of_a_batch_on_hold_or_withdrawn_are_refused_with_the_reason() {
    let desk = Desk::new().await;
    let field = "reading.rings.ring_batch";
    set_state(&desk, v1::RingBatchState::OnHold, "a ring was chipped").await;
    let failure = desk.refused(|_| {}).await;
    forbidden(
        &failure,
        "BATCH_ON_HOLD",
        field,
        "fire a ring of a released batch",
    );
    assert!(failure.message.contains("a ring was chipped"), "{failure}");
    set_state(&desk, v1::RingBatchState::Withdrawn, "the table was wrong").await;
    let failure = desk.refused(|_| {}).await;
    forbidden(
        &failure,
        "BATCH_WITHDRAWN",
        field,
        "fire a ring of a released batch",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn rings_fired_after_the_batch_expired_are_refused_by_the_sites_own_date() {
    let desk = Desk::new().await;
    // Fired on 2026-03-05 at 22:00 in Lisbon.
    let dated = |day| v1::RingBatch {
        expiry_date: Some(ringtrue_proto::Date {
            year: 2026,
            month: 3,
            day,
        }),
        ..batch()
    };
    let yesterday = desk.network.batch("old", dated(4)).await.name;
    let today = desk.network.batch("last-day", dated(5)).await.name;
    let failure = desk
        .refused(|ask| rings_of(reading_of(ask)).ring_batch = yesterday)
        .await;
    let next_step = "fire a ring of a batch in date";
    forbidden(
        &failure,
        "BATCH_EXPIRED",
        "reading.rings.ring_batch",
        next_step,
    );
    assert_eq!(
        failure.metadata.get("expires_on").map(String::as_str),
        Some("2026-03-04")
    );
    assert_eq!(
        failure.metadata.get("fired_on").map(String::as_str),
        Some("2026-03-05")
    );
    // On its last day a ring may be fired.
    let mut ask = desk.network.ask(&desk.bench, &[19.470, 19.468, 19.472]);
    rings_of(reading_of(&mut ask)).ring_batch = today;
    desk.network.record(ask).await;
    desk.network.stop().await;
}

#[tokio::test]
async fn a_gauge_past_its_check_date_is_told_and_costs_uncertainty_but_is_not_refused() {
    let desk = Desk::new().await;
    let in_date = desk.network.ask(&desk.bench, &[19.470, 19.468, 19.472]);
    let in_date = desk.network.record(in_date).await;
    desk.network.advance_days(366);
    let past_date = desk.network.ask(&desk.bench, &[19.471, 19.469, 19.473]);
    let past_date = desk.network.record(past_date).await;
    let notices = codes(&evaluation_of(&past_date).notices);
    assert!(
        notices.iter().any(|code| code.contains("CHECK")),
        "{notices:?}"
    );
    assert!(codes(&evaluation_of(&in_date).notices).is_empty());
    let bias_c = |reading: &v1::Reading| {
        let budget = evaluation_of(reading).budget.as_ref().expect("a budget");
        let line = budget.lines.iter().find(|line| line.source == "gauge bias");
        line.expect("a line for the gauge").contribution_c
    };
    assert!(
        bias_c(&past_date) > 1.5 * bias_c(&in_date),
        "{}",
        bias_c(&past_date)
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn a_withdrawn_gauge_measures_nothing() {
    let desk = Desk::new().await;
    let withdrawn = v1::Gauge {
        name: desk.bench.gauge.clone(),
        state: v1::GaugeState::Withdrawn.into(),
        ..v1::Gauge::default()
    };
    let ask = v1::UpdateGaugeRequest {
        gauge: Some(withdrawn),
        ..v1::UpdateGaugeRequest::default()
    };
    desk.network
        .remote
        .update_gauge(ask)
        .await
        .expect("withdrawn");
    let failure = desk.refused(|_| {}).await;
    forbidden(
        &failure,
        "GAUGE_WITHDRAWN",
        "reading.rings.gauge",
        "measure with a gauge in use",
    );
    desk.network.stop().await;
}

#[tokio::test]
async fn a_thermocouple_that_cannot_be_read_is_refused_by_its_field() {
    use ringtrue_proto::v1::reading::Method;
    use ringtrue_proto::v1::thermocouple_measurement::Indication;

    let desk = Desk::new().await;
    let good = v1::ThermocoupleMeasurement {
        r#type: v1::ThermocoupleType::B.into(),
        indication: Some(Indication::EmfMv(10.319)),
        expanded_uncertainty_c: 3.0,
        ..v1::ThermocoupleMeasurement::default()
    };
    let cases = [
        (
            v1::ThermocoupleMeasurement {
                r#type: v1::ThermocoupleType::R.into(),
                ..good.clone()
            },
            "type",
            "REQUIRED",
            "send type B or S",
        ),
        (
            v1::ThermocoupleMeasurement {
                indication: None,
                ..good.clone()
            },
            "temperature_c",
            "REQUIRED",
            "send emf_mv or temperature_c",
        ),
        (
            v1::ThermocoupleMeasurement {
                indication: Some(Indication::EmfMv(f64::NAN)),
                ..good.clone()
            },
            "emf_mv",
            "NOT_FINITE",
            "send a value",
        ),
        (
            v1::ThermocoupleMeasurement {
                expanded_uncertainty_c: 0.0,
                ..good.clone()
            },
            "expanded_uncertainty_c",
            "OUT_OF_RANGE",
            "check the value",
        ),
        (
            v1::ThermocoupleMeasurement {
                reference_junction_c: 95.0,
                ..good
            },
            "reference_junction_c",
            "OUT_OF_RANGE",
            "check the value",
        ),
    ];
    for (measured, field, reason, next_step) in cases {
        let failure = desk
            .refused(|ask| reading_of(ask).method = Some(Method::Thermocouple(measured)))
            .await;
        bad_value(
            &failure,
            &format!("reading.thermocouple.{field}"),
            reason,
            next_step,
        );
    }
    desk.network.stop().await;
}
