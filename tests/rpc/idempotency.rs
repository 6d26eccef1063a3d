//! The same request twice: done once, answered twice with the first answer.

use futures::future::join_all;
use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::bench::{furnace, reading_of, site, stamp};
use ringtrue_tests::{Bench, Network};

use crate::refusals::{Records, bad_value};

const ID: &str = "0198c0de-0000-7000-8000-000000000001";
const OTHER_ID: &str = "0198c0de-0000-7000-8000-000000000002";

async fn started() -> (Network, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    (network, bench)
}

#[tokio::test]
async fn a_reading_sent_again_is_recorded_once_and_answered_alike() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    ID.clone_into(&mut ask.request_id);
    let first = network.record(ask.clone()).await;
    let before = Records::of(&network, &bench).await;
    assert_eq!(network.record(ask.clone()).await, first);

    // Also a week and a reading later, when it would be evaluated differently.
    network.advance_days(7);
    network
        .record(network.ask(&bench, &[19.480, 19.478, 19.482]))
        .await;
    let again = network.record(ask).await;
    assert_eq!(again, first);
    assert_ne!(Records::of(&network, &bench).await, before);
    assert_eq!(network.readings(&bench.furnace).await.len(), 2);
    network.stop().await;
}

#[tokio::test]
async fn twenty_of_the_same_at_once_are_one_record() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    ID.clone_into(&mut ask.request_id);
    let before = network.audit_length(&bench.site).await;
    let calls = (0..20).map(|_| network.remote.record_reading(ask.clone()));
    let mut names = Vec::new();
    for answer in join_all(calls).await {
        let reading = answer.expect("answered").reading.expect("a reading");
        names.push(reading.name);
    }
    assert_eq!(names.len(), 20);
    names.dedup();
    assert_eq!(names.len(), 1);
    assert_eq!(network.readings(&bench.furnace).await.len(), 1);
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    network.stop().await;
}

#[tokio::test]
async fn an_id_that_was_used_for_something_else_is_refused() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    ID.clone_into(&mut ask.request_id);
    network.record(ask.clone()).await;
    let before = Records::of(&network, &bench).await;
    let next_step = "send a new UUID for a new change";

    let mut other = ask.clone();
    "remeasured".clone_into(&mut reading_of(&mut other).note);
    let failure = network
        .remote
        .record_reading(other)
        .await
        .expect_err("other content");
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::AlreadyExists, "REQUEST_ID_REUSED")
    );
    assert_eq!(
        failure.metadata.get("field").map(String::as_str),
        Some("request_id")
    );
    assert!(failure.message.contains(next_step), "{failure}");

    // Another call with the same id, too.
    let ask = v1::CreateSiteRequest {
        site: Some(site()),
        site_id: "south".to_owned(),
        request_id: ID.to_owned(),
        validate_only: false,
    };
    let failure = network
        .remote
        .create_site(ask)
        .await
        .expect_err("another call");
    assert_eq!(failure.reason, "REQUEST_ID_REUSED", "{failure}");
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn an_id_that_is_no_uuid_is_refused() {
    let (network, bench) = started().await;
    let before = Records::of(&network, &bench).await;
    for id in ["7", "not-a-uuid", &"f".repeat(10_000)] {
        let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
        id.clone_into(&mut ask.request_id);
        let failure = network
            .remote
            .record_reading(ask)
            .await
            .expect_err("no UUID");
        bad_value(
            &failure,
            "request_id",
            "NOT_A_UUID",
            "the same one for each repeat of it",
        );
    }
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_refused_request_may_be_sent_again_once_it_is_right() {
    let (network, bench) = started().await;
    let mut ask = network.ask(&bench, &[19.470, 19.740, 19.468]);
    ID.clone_into(&mut ask.request_id);
    network
        .remote
        .record_reading(ask.clone())
        .await
        .expect_err("an open question");
    // The id was not used up: the answered request is other content under the same id.
    reading_of(&mut ask).answered_questions = vec!["DIGITS_SWAPPED".to_owned()];
    network.record(ask).await;
    assert_eq!(network.readings(&bench.furnace).await.len(), 1);
    network.stop().await;
}

#[tokio::test]
async fn a_site_added_again_is_answered_as_it_was_although_it_changed_since() {
    let (network, _) = started().await;
    let ask = v1::CreateSiteRequest {
        site: Some(site()),
        site_id: "south".to_owned(),
        request_id: ID.to_owned(),
        validate_only: false,
    };
    let first = network
        .remote
        .create_site(ask.clone())
        .await
        .expect("added");
    network.advance_h(1);
    let changed = v1::Site {
        name: "sites/south".to_owned(),
        tolerance_c: 6.0,
        ..v1::Site::default()
    };
    let update = v1::UpdateSiteRequest {
        site: Some(changed),
        request_id: OTHER_ID.to_owned(),
        ..v1::UpdateSiteRequest::default()
    };
    let updated = network
        .remote
        .update_site(update.clone())
        .await
        .expect("changed");
    let again = network
        .remote
        .create_site(ask.clone())
        .await
        .expect("answered");
    assert_eq!(again, first);
    let once_more = network.remote.update_site(update).await.expect("answered");
    assert_eq!(once_more, updated);

    // Without the id it is a second site of the same name, which is refused.
    let plain = v1::CreateSiteRequest {
        request_id: String::new(),
        ..ask
    };
    let failure = network.remote.create_site(plain).await.expect_err("exists");
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::AlreadyExists, "EXISTS_ALREADY")
    );
    assert_eq!(failure.resource.as_deref(), Some("sites/south"));
    network.stop().await;
}

#[tokio::test]
async fn adjustments_events_checks_and_amendments_are_done_once_each() {
    let (network, bench) = started().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let now = Some(stamp(network.now()));

    let adjust = v1::ConfirmAdjustmentRequest {
        parent: bench.furnace.clone(),
        adjustment: Some(v1::Adjustment {
            programme: bench.programme.clone(),
            reading: reading.name.clone(),
            setpoint_c: 1481.0,
            adjust_time: now,
            ..v1::Adjustment::default()
        }),
        request_id: "0198c0de-0000-7000-8000-000000000011".to_owned(),
    };
    let event = v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(v1::FurnaceEvent {
            kind: v1::FurnaceEventKind::MainsWork.into(),
            event_time: now,
            ..v1::FurnaceEvent::default()
        }),
        request_id: "0198c0de-0000-7000-8000-000000000012".to_owned(),
    };
    let check = v1::RecordGaugeCheckRequest {
        parent: bench.gauge.clone(),
        check: Some(v1::GaugeCheck {
            nominal_mm: 19.5,
            measured_mm: vec![19.501],
            check_time: now,
            ..v1::GaugeCheck::default()
        }),
        request_id: "0198c0de-0000-7000-8000-000000000013".to_owned(),
    };
    let amend = v1::AmendReadingRequest {
        name: reading.name.clone(),
        reading: network.ask(&bench, &[19.472, 19.470, 19.474]).reading,
        reason: "misread".to_owned(),
        request_id: "0198c0de-0000-7000-8000-000000000014".to_owned(),
        ..v1::AmendReadingRequest::default()
    };
    let remote = &network.remote;
    let mut first = None;
    let mut length = 0;
    for _ in 0..3 {
        let answers = (
            remote
                .confirm_adjustment(adjust.clone())
                .await
                .expect("confirmed"),
            remote
                .record_furnace_event(event.clone())
                .await
                .expect("recorded"),
            remote
                .record_gauge_check(check.clone())
                .await
                .expect("recorded")
                .check,
            remote.amend_reading(amend.clone()).await.expect("amended"),
        );
        match &first {
            None => {
                first = Some(answers);
                length = network.audit_length(&bench.site).await;
            }
            Some(first) => assert_eq!(&answers, first),
        }
    }
    assert_eq!(network.audit_length(&bench.site).await, length);
    assert_eq!(network.all_readings(&bench.furnace).await.len(), 2);
    network.stop().await;
}

#[tokio::test]
async fn furnaces_added_twice_at_once_with_one_id_are_one_furnace() {
    let (network, bench) = started().await;
    let ask = v1::CreateFurnaceRequest {
        parent: bench.site.clone(),
        furnace: Some(furnace()),
        request_id: ID.to_owned(),
        ..v1::CreateFurnaceRequest::default()
    };
    let calls = (0..10).map(|_| network.remote.create_furnace(ask.clone()));
    let mut names: Vec<String> = Vec::new();
    for answer in join_all(calls).await {
        names.push(answer.expect("answered").furnace.expect("a furnace").name);
    }
    names.dedup();
    assert_eq!(names.len(), 1);
    let ask = v1::ListFurnacesRequest {
        parent: bench.site.clone(),
        ..v1::ListFurnacesRequest::default()
    };
    assert_eq!(
        network
            .remote
            .furnaces(ask)
            .await
            .expect("listed")
            .furnaces
            .len(),
        2
    );
    network.stop().await;
}
