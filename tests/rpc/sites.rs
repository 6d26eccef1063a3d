//! Sites: a laboratory's zone, its calibration day and its house rules.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{evaluation_of, site};

use crate::close;
use crate::refusals::{bad_value, missing};

#[tokio::test]
async fn a_site_is_added_with_the_stated_defaults_looked_up_and_listed() {
    let network = Network::start().await;
    let made = network.site("south", site()).await;
    assert_eq!(made.name, "sites/south");
    close(made.tolerance_c, 10.0, 1e-12);
    close(made.action_band_c.expect("a band"), 3.0, 1e-12);
    close(made.largest_step_c, 30.0, 1e-12);
    assert!(!made.accepts_assumed_hold_correction && !made.full_compensation);
    let ask = v1::GetSiteRequest {
        name: made.name.clone(),
    };
    assert_eq!(
        network.remote.site(ask).await.expect("found").site,
        Some(made.clone())
    );
    let other = network.site("", site()).await;
    // Without an id it gets a UUID of version 7.
    assert_eq!(other.name.len(), "sites/".len() + 36);
    let found = network
        .remote
        .sites(v1::ListSitesRequest::default())
        .await
        .expect("listed");
    assert_eq!(found.sites, [other, made]);
    network.stop().await;
}

#[tokio::test]
async fn a_site_that_is_not_there_is_not_found() {
    let network = Network::start().await;
    let ask = v1::GetSiteRequest {
        name: "sites/none".to_owned(),
    };
    missing(
        &network.remote.site(ask).await.expect_err("none"),
        "sites/none",
    );
    network.stop().await;
}

#[tokio::test]
async fn new_rules_hold_for_later_readings_and_leave_earlier_ones_alone() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let given = v1::Site {
        name: bench.site.clone(),
        tolerance_c: 6.0,
        action_band_c: Some(20.0),
        ..v1::Site::default()
    };
    let mask = vec!["tolerance_c".to_owned()];
    let ask = v1::UpdateSiteRequest {
        site: Some(given),
        update_mask: Some(prost_types::FieldMask { paths: mask }),
        ..v1::UpdateSiteRequest::default()
    };
    let changed = network
        .remote
        .update_site(ask)
        .await
        .expect("changed")
        .site
        .expect("a site");
    close(changed.tolerance_c, 6.0, 1e-12);
    // What the mask does not name stays.
    close(changed.action_band_c.expect("a band"), 3.0, 1e-12);

    network.advance_days(7);
    let after = network
        .record(network.ask(&bench, &[19.471, 19.469, 19.473]))
        .await;
    close(evaluation_of(&after).tolerance_c, 6.0, 1e-12);
    let kept = network.readings(&bench.furnace).await;
    assert_eq!(kept[1], before);
    close(evaluation_of(&kept[1]).tolerance_c, 10.0, 1e-12);
    network.stop().await;
}

#[tokio::test]
async fn a_site_that_compensates_in_full_follows_the_last_reading_alone() {
    let network = Network::start().await;
    let bench = network
        .bench_with(|rules| rules.full_compensation = true)
        .await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network.advance_days(7);
    let second = network
        .record(network.ask(&bench, &[19.482, 19.480, 19.484]))
        .await;
    let evaluation = evaluation_of(&second);
    close(
        evaluation.advised_setpoint_c,
        evaluation.plain_setpoint_c.round(),
        1e-9,
    );
    close(evaluation.advised_setpoint_c, 1483.0, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn rules_that_cannot_be_are_refused_all_at_once() {
    let network = Network::start().await;
    let wrong = v1::Site {
        display_name: "x".repeat(10_000),
        time_zone: "Mars/Olympus".to_owned(),
        calibration_interval_days: 90,
        tolerance_c: f64::NAN,
        action_band_c: Some(-3.0),
        largest_step_c: 1e9,
        ..site()
    };
    let ask = v1::CreateSiteRequest {
        site: Some(wrong),
        site_id: "North Bench".to_owned(),
        ..v1::CreateSiteRequest::default()
    };
    let failure = network.remote.create_site(ask).await.expect_err("refused");
    bad_value(
        &failure,
        "site.display_name",
        "TOO_LONG",
        "send at most 120",
    );
    bad_value(
        &failure,
        "site.time_zone",
        "UNKNOWN_TIME_ZONE",
        "such as `Europe/Lisbon`",
    );
    bad_value(
        &failure,
        "site.calibration_interval_days",
        "OUT_OF_RANGE",
        "at least monthly",
    );
    bad_value(
        &failure,
        "site.tolerance_c",
        "NOT_FINITE",
        "from 2 to 50 °C",
    );
    bad_value(&failure, "site.action_band_c", "OUT_OF_RANGE", "0 to 20 °C");
    bad_value(
        &failure,
        "site.largest_step_c",
        "OUT_OF_RANGE",
        "1 to 100 °C",
    );
    bad_value(&failure, "site_id", "NOT_AN_ID", "lower-case letters");
    let found = network
        .remote
        .sites(v1::ListSitesRequest::default())
        .await
        .expect("listed");
    assert_eq!(found.sites, []);
    assert_eq!(network.audit_length("").await, 0);
    network.stop().await;
}

#[tokio::test]
async fn what_is_asked_of_a_site_that_is_not_there_is_not_found() {
    let network = Network::start().await;
    let ask = v1::CreateFurnaceRequest {
        parent: "sites/none".to_owned(),
        furnace: Some(ringtrue_tests::bench::furnace()),
        ..v1::CreateFurnaceRequest::default()
    };
    let failure = network
        .remote
        .create_furnace(ask)
        .await
        .expect_err("no site");
    missing(&failure, "sites/none");
    let ask = v1::UpdateSiteRequest {
        site: Some(v1::Site {
            name: "sites/none".to_owned(),
            ..site()
        }),
        ..v1::UpdateSiteRequest::default()
    };
    let failure = network.remote.update_site(ask).await.expect_err("no site");
    assert_eq!(failure.code, Code::NotFound);
    network.stop().await;
}
