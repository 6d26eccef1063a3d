//! Readings: recorded, looked up, tried out, listed, amended.

use ringtrue_proto::v1;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::thermocouple_measurement::Indication;
use ringtrue_remote::Code;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{evaluation_of, reading_of, ring, rings_of};

use crate::close;

async fn looked_up(network: &Network, name: &str) -> v1::Reading {
    let ask = v1::GetReadingRequest {
        name: name.to_owned(),
    };
    let found = network.remote.reading(ask).await.expect("it is on record");
    found.reading.expect("the answer holds the reading")
}

#[tokio::test]
async fn the_first_reading_of_a_furnace_advises_the_plain_setpoint() {
    // Common practice, no source: set 1500 °C, 19.47 mm, 1519 °C in the table, so set 1481 °C.
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let evaluation = evaluation_of(&reading);
    assert!(evaluation.evaluable);
    close(evaluation.ring_temperature_c, 1519.0, 0.05);
    close(evaluation.observed_offset_c, 19.0, 0.05);
    close(evaluation.plain_setpoint_c, 1481.0, 0.05);
    assert_eq!(evaluation.advice(), v1::Advice::Adjust);
    close(evaluation.advised_setpoint_c, 1481.0, 1e-9);
    close(evaluation.present_setpoint_c, 1500.0, 1e-9);
    close(evaluation.offset_c, evaluation.observed_offset_c, 1e-9);
    assert_eq!(evaluation.innovation_z, None);
    assert_eq!(evaluation.questions, []);
    assert!(!evaluation.cautions.is_empty() && !evaluation.reasons.is_empty());
    // Fired on Thursday evening in Lisbon; a fortnight later is a Thursday, the Friday before it.
    let due = evaluation.next_due_date.expect("a due date");
    assert_eq!((due.year, due.month, due.day), (2026, 3, 13));

    assert_eq!(looked_up(&network, &reading.name).await, reading);
    assert_eq!(
        network.readings(&bench.furnace).await,
        std::slice::from_ref(&reading)
    );
    let known = network.furnace_now(&bench.furnace).await.offset;
    let known = known.expect("the furnace has an offset now");
    close(known.offset_c, 19.0, 0.05);
    assert_eq!((known.reading_count, known.last_reading), (1, reading.name));
    network.stop().await;
}

#[tokio::test]
async fn the_second_reading_is_weighed_against_the_first() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network.advance_days(7);
    let second = network
        .record(network.ask(&bench, &[19.482, 19.480, 19.484]))
        .await;
    let evaluation = evaluation_of(&second);
    // 19.482 mm is about 1516.6 °C: the estimate lies between the two readings, nearer to neither end.
    close(evaluation.observed_offset_c, 16.6, 0.15);
    assert!(
        evaluation.offset_c > 17.0 && evaluation.offset_c < 18.6,
        "{}",
        evaluation.offset_c
    );
    let surprise = evaluation.innovation_z.expect("something was expected");
    assert!(surprise < 0.0 && surprise > -2.5, "{surprise}");
    // The plain setpoint is that of this reading alone; the advised one knows both.
    close(evaluation.plain_setpoint_c, 1483.4, 0.15);
    close(
        evaluation.advised_setpoint_c,
        (1500.0 - evaluation.offset_c).round(),
        1e-9,
    );
    let known = network.furnace_now(&bench.furnace).await.offset;
    assert_eq!(known.expect("an offset").reading_count, 2);
    network.stop().await;
}

#[tokio::test]
async fn trying_a_reading_out_gives_the_same_evaluation_and_stores_nothing() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = network.audit_length(&bench.site).await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    ask.validate_only = true;
    let tried = network.record(ask.clone()).await;
    assert_eq!((tried.name.as_str(), tried.receive_time), ("", None));
    assert_eq!(network.readings(&bench.furnace).await, []);
    assert_eq!(network.audit_length(&bench.site).await, before);
    assert_eq!(network.furnace_now(&bench.furnace).await.offset, None);

    ask.validate_only = false;
    let recorded = network.record(ask).await;
    assert_eq!(recorded.evaluation, tried.evaluation);
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    network.stop().await;
}

#[tokio::test]
async fn trying_a_doubtful_reading_out_shows_its_questions_unanswered() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    ask.validate_only = true;
    rings_of(reading_of(&mut ask)).ring_temperature_c = Some(60.0);
    let tried = network.record(ask).await;
    let questions = &evaluation_of(&tried).questions;
    assert_eq!(questions.len(), 1);
    assert_eq!(questions[0].code, "HOT_RING");
    assert!(!questions[0].answered);
    network.stop().await;
}

fn amendment(name: &str, ask: v1::RecordReadingRequest) -> v1::AmendReadingRequest {
    v1::AmendReadingRequest {
        name: name.to_owned(),
        reading: ask.reading,
        reason: "a diameter was written down wrongly".to_owned(),
        ..v1::AmendReadingRequest::default()
    }
}

#[tokio::test]
async fn an_amended_reading_keeps_both_versions_and_works_the_offset_out_again() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let wrong = network
        .record(network.ask_days_ago(&bench, &[19.482, 19.480, 19.484], 3))
        .await;
    network
        .record(network.ask_days_ago(&bench, &[19.476, 19.474, 19.478], 1))
        .await;
    let right = network.ask_days_ago(&bench, &[19.472, 19.470, 19.474], 3);

    // Trying it out stores nothing.
    let mut ask = amendment(&wrong.name, right.clone());
    ask.validate_only = true;
    let before = network.audit_length(&bench.site).await;
    let tried = network
        .remote
        .amend_reading(ask.clone())
        .await
        .expect("it would do");
    let tried = tried.reading.expect("a reading");
    assert_eq!(network.audit_length(&bench.site).await, before);

    ask.validate_only = false;
    let answer = network
        .remote
        .amend_reading(ask)
        .await
        .expect("it is amended");
    let amended = answer.reading.expect("a reading");
    assert_eq!(amended.amends, wrong.name);
    assert_eq!(amended.amend_reason, "a diameter was written down wrongly");
    assert_ne!(amended.name, wrong.name);
    assert_eq!(amended.evaluation, tried.evaluation);

    let earlier = looked_up(&network, &wrong.name).await;
    assert_eq!(earlier.amended_by, amended.name);
    assert_eq!(earlier.evaluation, wrong.evaluation);
    assert_eq!(earlier.method, wrong.method);
    assert_eq!(network.readings(&bench.furnace).await.len(), 2);
    assert_eq!(network.all_readings(&bench.furnace).await.len(), 3);

    // As if the right one had been recorded at first.
    let other = Network::start().await;
    let same = other.bench().await;
    other.record(right).await;
    other
        .record(other.ask_days_ago(&same, &[19.476, 19.474, 19.478], 1))
        .await;
    let found = network.furnace_now(&bench.furnace).await.offset;
    let wanted = other.furnace_now(&same.furnace).await.offset;
    let (found, wanted) = (found.expect("an offset"), wanted.expect("an offset"));
    close(found.offset_c, wanted.offset_c, 1e-9);
    close(
        found.standard_uncertainty_c,
        wanted.standard_uncertainty_c,
        1e-9,
    );
    assert_eq!(found.reading_count, 2);
    other.stop().await;
    network.stop().await;
}

#[tokio::test]
async fn a_reading_is_amended_once_and_then_its_latest_version() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let first = network
        .record(network.ask(&bench, &[19.482, 19.480, 19.484]))
        .await;
    let right = network.ask(&bench, &[19.472, 19.470, 19.474]);
    let ask = amendment(&first.name, right.clone());
    let second = network
        .remote
        .amend_reading(ask.clone())
        .await
        .expect("amended");
    let second = second.reading.expect("a reading");
    let before = network.audit_length(&bench.site).await;
    let refused = network.remote.amend_reading(ask).await.expect_err("twice");
    assert_eq!(refused.code, Code::FailedPrecondition);
    assert_eq!(refused.reason, "AMENDED_ALREADY");
    assert_eq!(refused.metadata.get("by"), Some(&second.name));
    assert_eq!(network.audit_length(&bench.site).await, before);
    let ask = amendment(&second.name, right);
    network
        .remote
        .amend_reading(ask)
        .await
        .expect("the latest version may be amended");
    assert_eq!(network.readings(&bench.furnace).await.len(), 1);
    assert_eq!(network.all_readings(&bench.furnace).await.len(), 3);
    network.stop().await;
}

#[tokio::test]
async fn an_amendment_needs_a_reason_and_a_reading_that_exists() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = network.ask(&bench, &[19.482, 19.480, 19.484]);
    let reading = network.record(ask.clone()).await;
    let mut without = amendment(&reading.name, ask.clone());
    "  ".clone_into(&mut without.reason);
    let refused = network
        .remote
        .amend_reading(without)
        .await
        .expect_err("no reason");
    assert_eq!(refused.code, Code::InvalidArgument);
    assert_eq!(refused.violations[0].field, "reason");
    let missing = format!("{}/readings/none", bench.furnace);
    let refused = network.remote.amend_reading(amendment(&missing, ask)).await;
    let refused = refused.expect_err("no such reading");
    assert_eq!(
        (refused.code, refused.resource.as_deref()),
        (Code::NotFound, Some(missing.as_str()))
    );
    network.stop().await;
}

#[tokio::test]
async fn a_reading_reported_late_gives_the_same_offset_as_in_order() {
    let days = [6, 4, 2];
    let diameters = [
        [19.470, 19.468, 19.472],
        [19.478, 19.476, 19.480],
        [19.464, 19.462, 19.466],
    ];
    let mut offsets = Vec::new();
    for order in [[0, 1, 2], [0, 2, 1], [2, 1, 0]] {
        let network = Network::start().await;
        let bench = network.bench().await;
        for at in order {
            network
                .record(network.ask_days_ago(&bench, &diameters[at], days[at]))
                .await;
        }
        let found = network.furnace_now(&bench.furnace).await.offset;
        let mut found = found.expect("an offset");
        // The name of the last reading depends on when it was recorded; its firing does not.
        found.last_reading.clear();
        offsets.push(found);
        network.stop().await;
    }
    assert_eq!(offsets[0].reading_count, 3);
    assert_eq!(offsets[0], offsets[1]);
    assert_eq!(offsets[0], offsets[2]);
}

#[tokio::test]
async fn a_late_reading_is_evaluated_as_of_its_own_firing() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask_days_ago(&bench, &[19.470, 19.468, 19.472], 2))
        .await;
    let late = network
        .record(network.ask_days_ago(&bench, &[19.478, 19.476, 19.480], 5))
        .await;
    // Nothing was known then, so it stands alone.
    let evaluation = evaluation_of(&late);
    assert_eq!(evaluation.innovation_z, None);
    close(evaluation.offset_c, evaluation.observed_offset_c, 1e-9);
    // By itself it asks for a lower setpoint; but the later firing's advice stands.
    assert_eq!(evaluation.advice(), v1::Advice::Leave);
    close(evaluation.advised_setpoint_c, 1500.0, 1e-9);
    assert_eq!(evaluation.reasons[0].code, "NEWER_READING_DECIDES");
    // Listed by firing, latest first.
    let listed = network.readings(&bench.furnace).await;
    assert_eq!(listed[1].name, late.name);
    network.stop().await;
}

#[tokio::test]
async fn a_reference_thermocouple_is_read_by_its_voltage() {
    // Type B, 10.319 mV at 1519 °C: NIST Monograph 175.
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[]);
    let reading = reading_of(&mut ask);
    reading.method = Some(Method::Thermocouple(v1::ThermocoupleMeasurement {
        r#type: v1::ThermocoupleType::B.into(),
        indication: Some(Indication::EmfMv(10.319)),
        expanded_uncertainty_c: 3.0,
        ..v1::ThermocoupleMeasurement::default()
    }));
    reading.measure_time = None;
    let recorded = network.record(ask).await;
    let evaluation = evaluation_of(&recorded);
    close(evaluation.ring_temperature_c, 1519.0, 0.06);
    close(evaluation.plain_setpoint_c, 1481.0, 0.06);
    assert_eq!(
        (evaluation.rings.len(), evaluation.hold.as_ref()),
        (0, None)
    );
    assert_eq!(recorded.measure_time, recorded.fire_time);
    assert_eq!(looked_up(&network, &recorded.name).await, recorded);
    network.stop().await;
}

#[tokio::test]
async fn a_practice_reading_is_kept_and_does_not_count() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[19.430, 19.428, 19.432]);
    reading_of(&mut ask).purpose = v1::ReadingPurpose::Practice.into();
    let practice = network.record(ask).await;
    let notices = ringtrue_tests::bench::codes(&evaluation_of(&practice).notices);
    assert!(notices.contains(&"PRACTICE"), "{notices:?}");
    assert_eq!(network.furnace_now(&bench.furnace).await.offset, None);
    network.advance_days(1);
    let first = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    assert_eq!(evaluation_of(&first).innovation_z, None);
    close(evaluation_of(&first).offset_c, 19.0, 0.05);
    assert_eq!(network.readings(&bench.furnace).await.len(), 2);
    network.stop().await;
}

#[tokio::test]
async fn rings_elsewhere_show_the_spread_and_are_not_averaged_in() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let rings = rings_of(reading_of(&mut ask));
    rings.rings.push(ring("door", &[19.490, 19.488, 19.492]));
    let reading = network.record(ask).await;
    let evaluation = evaluation_of(&reading);
    close(evaluation.ring_temperature_c, 1519.0, 0.05);
    close(
        evaluation.position_spread_c.expect("two positions"),
        4.0,
        0.1,
    );
    let positions: Vec<&str> = evaluation
        .rings
        .iter()
        .map(|r| r.position.as_str())
        .collect();
    assert_eq!(positions, ["centre", "door"]);
    network.stop().await;
}

#[tokio::test]
async fn pages_of_readings_follow_each_other_without_gap_or_repeat() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut names = Vec::new();
    for (days, last_mm) in [
        (8, 19.470),
        (6, 19.472),
        (4, 19.471),
        (2, 19.473),
        (0, 19.469),
    ] {
        let ask = network.ask_days_ago(&bench, &[19.470, 19.468, last_mm], days);
        names.insert(0, network.record(ask).await.name);
    }
    for parent in [bench.furnace.clone(), format!("{}/furnaces/-", bench.site)] {
        let mut ask = v1::ListReadingsRequest {
            parent,
            page_size: 2,
            ..v1::ListReadingsRequest::default()
        };
        let mut seen = Vec::new();
        let mut pages = 0;
        loop {
            let page = network.remote.readings(ask.clone()).await.expect("a page");
            seen.extend(page.readings.into_iter().map(|reading| reading.name));
            pages += 1;
            if page.next_page_token.is_empty() {
                break;
            }
            ask.page_token = page.next_page_token;
        }
        assert_eq!((pages, &seen), (3, &names));
    }
    network.stop().await;
}

#[tokio::test]
async fn a_firing_before_an_adjustment_counts_at_the_setpoint_it_had() {
    // Fired on Friday at 1500 °C; the setpoint was changed twice before the ring was reported.
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut late = network.ask(&bench, &[19.470, 19.468, 19.472]);
    reading_of(&mut late).setpoint_c = None;
    for setpoint_c in [1490.0, 1481.0] {
        network.advance_h(1);
        network.adjust(&bench, "", setpoint_c).await;
    }
    let reading = network.record(late).await;
    let evaluation = evaluation_of(&reading);
    close(evaluation.observed_offset_c, 19.0, 0.05);
    close(evaluation.plain_setpoint_c, 1481.0, 0.05);
    // The panel shows 1481 °C already: nothing is left to do.
    close(evaluation.present_setpoint_c, 1481.0, 1e-9);
    assert_eq!(evaluation.advice(), v1::Advice::Leave);
    network.stop().await;
}
