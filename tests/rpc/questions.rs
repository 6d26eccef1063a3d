//! Readings that are doubtful: refused with one precise question each, taken once the question is
//! answered, and the answer kept.

use std::fmt::Write as _;

use futures::future::LocalBoxFuture;
use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::bench::{
    batch, evaluation_of, furnace, programme, reading_of, ring, rings_of, stamp, table_file,
};
use ringtrue_tests::{Bench, Network};

use crate::refusals::Records;

/// Sends a doubtful reading: it is refused with this one question at this field, leaves no trace, is
/// taken with the question answered, and keeps the answer.
fn is_asked<'a>(
    network: &'a Network,
    bench: &'a Bench,
    ask: v1::RecordReadingRequest,
    code: &'a str,
    field: &'a str,
    words: &'a str,
) -> LocalBoxFuture<'a, v1::Reading> {
    Box::pin(async move {
        let before = Records::of(network, bench).await;
        let failure = network
            .remote
            .record_reading(ask.clone())
            .await
            .expect_err(code);
        open(&failure, code, field, words);
        assert_eq!(Records::of(network, bench).await, before);

        // Another answer does not open this door.
        let mut other = ask.clone();
        let another = if code == "TOO_GOOD" {
            "HOT_RING"
        } else {
            "TOO_GOOD"
        };
        reading_of(&mut other).answered_questions = vec![another.to_owned()];
        let again = network.remote.record_reading(other).await.expect_err(code);
        open(&again, code, field, words);

        let mut answered = ask;
        reading_of(&mut answered).answered_questions = vec![code.to_owned()];
        let reading = network.record(answered).await;
        assert_eq!(reading.answered_questions, [code]);
        let kept = network
            .remote
            .reading(v1::GetReadingRequest {
                name: reading.name.clone(),
            })
            .await;
        let kept = kept.expect("it is on record").reading.expect("a reading");
        let question = evaluation_of(&kept)
            .questions
            .iter()
            .find(|one| one.code == code);
        let question = question.expect("the question is kept");
        assert!(question.answered);
        assert_eq!(question.field, field);
        assert!(question.text.contains(words), "{}", question.text);
        kept
    })
}

#[track_caller]
fn open(failure: &Failure, code: &str, field: &str, words: &str) {
    assert_eq!(failure.code, Code::FailedPrecondition, "{failure}");
    assert_eq!(failure.reason, "OPEN_QUESTIONS", "{failure}");
    assert!(
        failure.message.contains("reading.answered_questions"),
        "{failure}"
    );
    assert_eq!(failure.preconditions.len(), 1, "{failure:?}");
    let asked = &failure.preconditions[0];
    assert_eq!((asked.kind.as_str(), asked.subject.as_str()), (code, field));
    assert!(asked.description.contains(words), "{}", asked.description);
}

async fn started() -> (Network, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    (network, bench)
}

/// A bench whose furnace is known to run 19 °C hot.
async fn with_history() -> (Network, Bench) {
    let (network, bench) = started().await;
    for days in [21, 14] {
        let shown_mm = 19.470 + f64::from(u8::from(days == 14)) * 0.001;
        network
            .record(network.ask_days_ago(&bench, &[shown_mm, 19.468, 19.472], days))
            .await;
    }
    (network, bench)
}

#[tokio::test]
async fn digits_swapped_inside_the_table_are_asked_about() {
    let (network, bench) = started().await;
    let ask = network.ask(&bench, &[19.470, 19.740, 19.468]);
    let field = "reading.rings.rings[0].diameters_mm[1]";
    is_asked(
        &network,
        &bench,
        ask.clone(),
        "DIGITS_SWAPPED",
        field,
        "Did you read 19.47",
    )
    .await;
    // The suggested value comes apart from the words.
    let mut again = ask;
    let earlier = stamp(network.now() - SignedDuration::from_hours(48));
    reading_of(&mut again).fire_time = Some(earlier);
    let failure = network
        .remote
        .record_reading(again)
        .await
        .expect_err("asked again");
    let suggestion = failure.metadata.get("suggestion.0").expect("a suggestion");
    crate::close(suggestion.parse().expect("a number"), 19.47, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn rings_of_another_batch_are_asked_about() {
    let (network, bench) = with_history().await;
    // The same rings, 40 °C more at each diameter: 19.67 mm is 1476 °C of b1 and 1516 °C of b2.
    let mut text = String::from("diameter mm,temperature C\n");
    for row in ringtrue_tests::bench::TABLE_CSV.lines().skip(1) {
        let (diameter, temperature) = row.trim().split_once(',').expect("two columns");
        let temperature: i32 = temperature.parse().expect("a temperature");
        writeln!(text, "{diameter},{}", temperature + 40).expect("a string takes it");
    }
    let other = v1::RingBatch {
        code: "B2".to_owned(),
        ..batch()
    };
    network
        .batch_of("b2", other, vec![table_file(120.0, &text)])
        .await;
    let ask = network.ask(&bench, &[19.670, 19.668, 19.672]);
    let field = "reading.rings.ring_batch";
    is_asked(
        &network,
        &bench,
        ask,
        "WRONG_BATCH",
        field,
        "Is the ring of batch B2?",
    )
    .await;
    network.stop().await;
}

#[tokio::test]
async fn a_ring_of_the_furnace_beside_is_asked_about() {
    let (network, bench) = with_history().await;
    let twin = v1::Furnace {
        display_name: "K3".to_owned(),
        ..furnace()
    };
    let twin = network.furnace(&bench.site, "k3", twin).await.name;
    let twin = Bench {
        programme: network.programme(&twin, "p1", programme()).await.name,
        furnace: twin,
        ..bench.clone()
    };
    // K3 runs right: 1500 °C at 19.56 mm.
    for (days, last_mm) in [(20, 19.562), (13, 19.563)] {
        network
            .record(network.ask_days_ago(&twin, &[19.560, 19.558, last_mm], days))
            .await;
    }
    let ask = network.ask(&bench, &[19.560, 19.559, 19.562]);
    is_asked(
        &network,
        &bench,
        ask,
        "WRONG_FURNACE",
        "parent",
        "Was this measured in K3?",
    )
    .await;
    network.stop().await;
}

#[tokio::test]
async fn a_hot_ring_is_asked_about() {
    let (network, bench) = started().await;
    let mut warm = network.ask(&bench, &[19.470, 19.468, 19.472]);
    rings_of(reading_of(&mut warm)).ring_temperature_c = Some(60.0);
    let field = "reading.rings.ring_temperature_c";
    is_asked(
        &network,
        &bench,
        warm,
        "HOT_RING",
        field,
        "use tongs and gloves",
    )
    .await;

    let mut soon = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let reading = reading_of(&mut soon);
    reading.fire_time = Some(stamp(network.now() - SignedDuration::from_mins(30)));
    rings_of(reading).ring_temperature_c = None;
    let field = "reading.measure_time";
    is_asked(&network, &bench, soon, "HOT_RING", field, "reads too cold").await;
    network.stop().await;
}

#[tokio::test]
async fn a_ring_that_was_fired_before_is_asked_about() {
    let (network, bench) = started().await;
    let numbered = |network: &Network, last_mm| {
        let mut ask = network.ask(&bench, &[19.470, 19.468, last_mm]);
        "R-17".clone_into(&mut rings_of(reading_of(&mut ask)).rings[0].serial_number);
        ask
    };
    network.record(numbered(&network, 19.472)).await;
    network.advance_days(7);
    let ask = numbered(&network, 19.473);
    is_asked(
        &network,
        &bench,
        ask,
        "USED_RING",
        "reading.rings.rings",
        "R-17",
    )
    .await;
    network.stop().await;
}

#[tokio::test]
async fn a_gauge_that_was_not_zeroed_is_asked_about_with_what_it_would_have_read() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.520, 19.518, 19.522]);
    rings_of(reading_of(&mut ask)).zero_mm = Some(0.05);
    let field = "reading.rings.zero_mm";
    let kept = is_asked(
        &network,
        &bench,
        ask,
        "GAUGE_NOT_ZEROED",
        field,
        "Zero the gauge",
    )
    .await;
    let suggestion = evaluation_of(&kept).questions[0].suggestion;
    crate::close(suggestion.expect("a suggestion"), 19.47, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn the_same_firing_reported_twice_is_asked_about() {
    let (network, bench) = started().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network.advance_h(1);
    let mut ask = network.ask(&bench, &[19.471, 19.469, 19.473]);
    let fired = network.now() - SignedDuration::from_hours(15);
    reading_of(&mut ask).fire_time = Some(stamp(fired));
    let field = "reading.fire_time";
    let words = "already reported by t1 at 12:00 on 2026-03-06";
    is_asked(&network, &bench, ask, "SAME_FIRING", field, words).await;
    network.stop().await;
}

#[tokio::test]
async fn a_correction_that_did_not_reach_the_panel_is_asked_about() {
    let (network, bench) = started().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network.adjust(&bench, &reading.name, 1481.0).await;
    network.advance_days(7);
    // The ring says 1519 °C again, as if the panel still stood at 1500.
    let ask = network.ask(&bench, &[19.471, 19.469, 19.472]);
    let field = "reading.setpoint_c";
    let kept = is_asked(
        &network,
        &bench,
        ask,
        "CORRECTION_NOT_APPLIED",
        field,
        "were not entered",
    )
    .await;
    let suggestion = evaluation_of(&kept).questions[0].suggestion;
    crate::close(suggestion.expect("a suggestion"), 1500.0, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn a_spread_a_late_report_and_a_leap_from_history_are_asked_about() {
    let (network, bench) = with_history().await;
    let spread = network.ask(&bench, &[19.470, 19.468, 19.530]);
    let field = "reading.rings.rings[0].diameters_mm[2]";
    is_asked(
        &network,
        &bench,
        spread,
        "SPREAD_TOO_LARGE",
        field,
        "measure this diameter again",
    )
    .await;

    network.advance_days(1);
    let mut late = network.ask(&bench, &[19.470, 19.469, 19.472]);
    let fired = network.now() - SignedDuration::from_hours(24 * 9);
    reading_of(&mut late).fire_time = Some(stamp(fired));
    let field = "reading.fire_time";
    is_asked(
        &network,
        &bench,
        late,
        "LATE_REPORT",
        field,
        "9 days after its firing",
    )
    .await;

    network.advance_days(7);
    let leap = network.ask(&bench, &[19.370, 19.368, 19.372]);
    is_asked(
        &network,
        &bench,
        leap,
        "FAR_FROM_HISTORY",
        "reading.rings.rings",
        "history",
    )
    .await;
    network.stop().await;
}

#[tokio::test]
async fn two_doubts_are_two_questions_and_both_want_an_answer() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let rings = rings_of(reading_of(&mut ask));
    rings.ring_temperature_c = Some(60.0);
    rings.zero_mm = Some(0.05);
    rings.rings.push(ring("door", &[19.480]));
    let failure = network
        .remote
        .record_reading(ask.clone())
        .await
        .expect_err("two doubts");
    let kinds: Vec<&str> = failure
        .preconditions
        .iter()
        .map(|one| one.kind.as_str())
        .collect();
    assert_eq!(kinds, ["HOT_RING", "GAUGE_NOT_ZEROED"]);
    reading_of(&mut ask).answered_questions = vec!["HOT_RING".to_owned()];
    let failure = network
        .remote
        .record_reading(ask.clone())
        .await
        .expect_err("one doubt");
    let kinds: Vec<&str> = failure
        .preconditions
        .iter()
        .map(|one| one.kind.as_str())
        .collect();
    assert_eq!(kinds, ["GAUGE_NOT_ZEROED"]);
    reading_of(&mut ask)
        .answered_questions
        .push("GAUGE_NOT_ZEROED".to_owned());
    network.record(ask).await;
    network.stop().await;
}

fn by_thermocouple(
    network: &Network,
    bench: &Bench,
    temperature_c: f64,
) -> v1::RecordReadingRequest {
    let mut ask = network.ask(bench, &[]);
    let reading = reading_of(&mut ask);
    reading.method = Some(v1::reading::Method::Thermocouple(
        v1::ThermocoupleMeasurement {
            r#type: v1::ThermocoupleType::S.into(),
            indication: Some(v1::thermocouple_measurement::Indication::TemperatureC(
                temperature_c,
            )),
            expanded_uncertainty_c: 3.0,
            ..v1::ThermocoupleMeasurement::default()
        },
    ));
    reading.measure_time = None;
    ask
}

#[tokio::test]
async fn a_thermocouple_reading_of_the_same_firing_is_asked_about_too() {
    let (network, bench) = started().await;
    network
        .record(by_thermocouple(&network, &bench, 1519.0))
        .await;
    let again = by_thermocouple(&network, &bench, 1519.0);
    is_asked(
        &network,
        &bench,
        again,
        "SAME_FIRING",
        "reading.fire_time",
        "already reported",
    )
    .await;
    network.stop().await;
}

#[tokio::test]
async fn a_thermocouple_reading_far_from_history_is_asked_about_too() {
    let (network, bench) = started().await;
    network
        .record(by_thermocouple(&network, &bench, 1519.0))
        .await;
    network.advance_days(7);
    let far = by_thermocouple(&network, &bench, 1560.0);
    is_asked(
        &network,
        &bench,
        far,
        "FAR_FROM_HISTORY",
        "reading.thermocouple",
        "history",
    )
    .await;
    network.stop().await;
}
