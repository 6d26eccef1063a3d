//! Gauges and their checks on a reference block.

use ringtrue_proto::v1;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{caliper, codes, evaluation_of, reading_of, rings_of, stamp};

use crate::close;
use crate::refusals::{Records, bad_value, missing};

#[tokio::test]
async fn a_gauge_is_added_looked_up_listed_and_changed() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let made = network.gauge(&bench.site, "c1", caliper()).await;
    assert_eq!(made.name, "sites/north/gauges/c1");
    assert_eq!(
        (made.state(), made.check_interval_days),
        (v1::GaugeState::InUse, 365)
    );
    assert_eq!(
        (made.latest_check.as_ref(), made.check_due_date),
        (None, None)
    );
    let ask = v1::GetGaugeRequest {
        name: made.name.clone(),
    };
    assert_eq!(
        network.remote.gauge(ask).await.expect("found").gauge,
        Some(made.clone())
    );
    let ask = v1::ListGaugesRequest {
        parent: bench.site.clone(),
        ..v1::ListGaugesRequest::default()
    };
    let found = network.remote.gauges(ask).await.expect("listed").gauges;
    let names: Vec<&str> = found.iter().map(|gauge| gauge.name.as_str()).collect();
    assert_eq!(names, ["sites/north/gauges/c1", "sites/north/gauges/g1"]);

    let changed = v1::Gauge {
        name: made.name.clone(),
        check_interval_days: 180,
        ..v1::Gauge::default()
    };
    let ask = v1::UpdateGaugeRequest {
        gauge: Some(changed),
        ..v1::UpdateGaugeRequest::default()
    };
    let changed = network
        .remote
        .update_gauge(ask)
        .await
        .expect("changed")
        .gauge;
    let changed = changed.expect("a gauge");
    assert_eq!(changed.check_interval_days, 180);
    assert_eq!(changed.display_name, made.display_name);
    let ask = v1::GetGaugeRequest {
        name: "sites/north/gauges/none".to_owned(),
    };
    missing(
        &network.remote.gauge(ask).await.expect_err("none"),
        "sites/north/gauges/none",
    );
    network.stop().await;
}

#[tokio::test]
async fn a_check_finds_the_bias_and_takes_it_out_of_readings_that_follow() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let gauge = network.gauge(&bench.site, "c1", caliper()).await.name;
    let measured_with = |diameters_mm: &[f64]| {
        let mut ask = network.ask(&bench, diameters_mm);
        rings_of(reading_of(&mut ask)).gauge.clone_from(&gauge);
        ask
    };
    // 19.50 mm as shown is 1513 °C.
    let mut unchecked = measured_with(&[19.50, 19.50, 19.51]);
    unchecked.validate_only = true;
    let unchecked = network.record(unchecked).await;
    let notices = codes(&evaluation_of(&unchecked).notices);
    assert!(notices.contains(&"GAUGE_NEVER_CHECKED"), "{notices:?}");

    let check = network.check(&gauge, &[19.53, 19.53, 19.53]).await;
    close(check.bias_mm, 0.03, 1e-9);
    assert!(check.standard_uncertainty_mm > 0.002 && check.standard_uncertainty_mm < 0.01);
    let ask = v1::ListGaugeChecksRequest {
        parent: gauge.clone(),
        ..v1::ListGaugeChecksRequest::default()
    };
    let listed = network
        .remote
        .gauge_checks(ask)
        .await
        .expect("listed")
        .checks;
    assert_eq!(listed, std::slice::from_ref(&check));
    let ask = v1::GetGaugeRequest {
        name: gauge.clone(),
    };
    let known = network
        .remote
        .gauge(ask)
        .await
        .expect("found")
        .gauge
        .expect("a gauge");
    assert_eq!(known.latest_check, Some(check));
    let due = known.check_due_date.expect("a date");
    assert_eq!((due.year, due.month, due.day), (2027, 3, 6));

    // The same figures less 0.03 mm: 19.473 mm, 6 °C hotter than as shown.
    let checked = network.record(measured_with(&[19.50, 19.50, 19.51])).await;
    let evaluation = evaluation_of(&checked);
    close(
        evaluation.rings[0].corrected_diameter_mm,
        19.5033 - 0.03,
        1e-3,
    );
    close(
        evaluation.ring_temperature_c - evaluation_of(&unchecked).ring_temperature_c,
        6.0,
        0.3,
    );
    let expanded = |reading: &v1::Reading| {
        evaluation_of(reading)
            .budget
            .as_ref()
            .expect("a budget")
            .expanded_uncertainty_c
    };
    assert!(
        expanded(&checked) < expanded(&unchecked),
        "{}",
        expanded(&checked)
    );
    network.stop().await;
}

#[tokio::test]
async fn a_check_made_after_the_measurement_says_nothing_about_it() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let gauge = network.gauge(&bench.site, "c1", caliper()).await.name;
    let mut ask = network.ask_days_ago(&bench, &[19.47, 19.47, 19.48], 2);
    rings_of(reading_of(&mut ask)).gauge.clone_from(&gauge);
    network.check(&gauge, &[19.53, 19.53, 19.53]).await;
    let reading = network.record(ask).await;
    let ring = &evaluation_of(&reading).rings[0];
    close(ring.corrected_diameter_mm, ring.mean_diameter_mm, 1e-12);
    network.stop().await;
}

#[tokio::test]
async fn a_check_or_gauge_that_cannot_be_is_refused_by_its_field() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = Records::of(&network, &bench).await;
    let check = |measured_mm: Vec<f64>| v1::RecordGaugeCheckRequest {
        parent: bench.gauge.clone(),
        check: Some(v1::GaugeCheck {
            nominal_mm: 19.5,
            measured_mm,
            check_time: Some(stamp(network.now())),
            ..v1::GaugeCheck::default()
        }),
        ..v1::RecordGaugeCheckRequest::default()
    };
    let remote = &network.remote;
    for (values, field, reason, next_step) in [
        (
            vec![],
            "check.measured_mm",
            "WRONG_COUNT",
            "send 1 to 24 of the same block",
        ),
        (
            vec![19.5; 10_000],
            "check.measured_mm",
            "WRONG_COUNT",
            "send 1 to 24",
        ),
        (
            vec![19.5, f64::NAN],
            "check.measured_mm[1]",
            "NOT_FINITE",
            "must be a number in mm",
        ),
        (
            vec![0.7677],
            "check.measured_mm[0]",
            "NOT_THIS_BLOCK",
            "check the block",
        ),
    ] {
        let failure = remote
            .record_gauge_check(check(values))
            .await
            .expect_err("refused");
        bad_value(&failure, field, reason, next_step);
    }
    let wrong = v1::Gauge {
        display_name: "x".repeat(10_000),
        resolution_mm: f64::INFINITY,
        maximum_permissible_error_mm: 30.0,
        check_interval_days: -1,
        ..caliper()
    };
    let ask = v1::CreateGaugeRequest {
        parent: bench.site.clone(),
        gauge: Some(wrong),
        ..v1::CreateGaugeRequest::default()
    };
    let failure = remote.create_gauge(ask).await.expect_err("refused");
    bad_value(
        &failure,
        "gauge.display_name",
        "TOO_LONG",
        "send at most 120",
    );
    bad_value(
        &failure,
        "gauge.resolution_mm",
        "NOT_FINITE",
        "0.0001 to 0.1 mm",
    );
    bad_value(
        &failure,
        "gauge.maximum_permissible_error_mm",
        "OUT_OF_RANGE",
        "0.0005 to 0.2 mm",
    );
    bad_value(
        &failure,
        "gauge.check_interval_days",
        "OUT_OF_RANGE",
        "1 to 1100",
    );
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}
