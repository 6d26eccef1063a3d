//! Who calls, and what callers of one site may touch.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::FurnaceDetails;
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_proto::v1;
use ringtrue_server::app;
use ringtrue_server::rpc::status::status;
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;
use tonic::Code;
use tonic::metadata::MetadataValue;

use crate::refusals::Records;

#[tokio::test]
async fn a_staff_code_travels_with_every_call_and_a_wrong_one_is_refused() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = Records::of(&network, &bench).await;
    let mut client = v1::site_service_client::SiteServiceClient::new(network.channel());
    for wrong in ["two words", &"x".repeat(41)] {
        let mut request = tonic::Request::new(v1::ListSitesRequest::default());
        let value = MetadataValue::try_from(wrong).expect("it can travel");
        request.metadata_mut().insert("ringtrue-operator", value);
        let refused = client.list_sites(request).await.expect_err("no staff code");
        let failure = ringtrue_remote::Failure::of(&refused);
        crate::refusals::bad_value(
            &failure,
            "ringtrue-operator",
            "NOT_AN_OPERATOR",
            "send at most 40 letters, digits and signs",
        );
    }
    // None at all is the person at the server's own machine.
    let plain = tonic::Request::new(v1::ListSitesRequest::default());
    client.list_sites(plain).await.expect("answered");
    assert_eq!(Records::of(&network, &bench).await, before);
    network
        .remote_as("ab-7")
        .sites(v1::ListSitesRequest::default())
        .await
        .expect("answered");
    network.stop().await;
}

fn caller_of(sites: &[&str], rights: &[Right]) -> Caller {
    let mut reach = BTreeSet::new();
    for id in sites {
        reach.insert(SiteId::new(id).expect("an id"));
    }
    Caller::of_sites("test".to_owned(), rights.iter().copied().collect(), reach)
}

fn furnace() -> FurnaceDetails {
    FurnaceDetails {
        display_name: "K9".to_owned(),
        maximum_setpoint_c: 1650.0,
        ..FurnaceDetails::default()
    }
}

#[tokio::test]
async fn a_caller_of_one_site_changes_nothing_at_another() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.site("south", site()).await;
    let before = Records::of(&network, &bench).await;
    let north = SiteId::new("north").expect("an id");
    let all = [Right::Read, Right::Record, Right::Configure];
    let (south_only, reader) = (
        caller_of(&["south"], &all),
        caller_of(&["north"], &[Right::Read]),
    );
    for caller in [&south_only, &reader] {
        let fault = app::create_furnace(
            &network.app,
            caller,
            &north,
            furnace(),
            None,
            &app::Request::NONE,
        )
        .await
        .expect_err("denied");
        let denied = status(fault);
        assert_eq!(denied.code(), Code::PermissionDenied);
        let failure = ringtrue_remote::Failure::of(&denied);
        assert_eq!(failure.reason, "DENIED");
        assert!(
            failure.message.contains("ask the administrator"),
            "{failure}"
        );
    }
    assert_eq!(Records::of(&network, &bench).await, before);

    // At home the same caller may.
    let home = SiteId::new("south").expect("an id");
    app::create_furnace(
        &network.app,
        &south_only,
        &home,
        furnace(),
        None,
        &app::Request::NONE,
    )
    .await
    .expect("allowed");
    network.stop().await;
}

#[tokio::test]
async fn a_caller_of_one_site_sees_no_record_of_another() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let south = SiteId::new("south").expect("an id");
    let north = FurnaceKey::parse(&bench.furnace).expect("a name");
    let caller = caller_of(&["south"], &[Right::Read]);
    let read = network
        .app
        .store
        .read(&caller.site(Right::Read, &south).expect("its own"));
    assert!(caller.site(Right::Read, &north.site).is_err());
    assert!(read.furnace(&north).await.is_err());
    assert!(read.tracked_offset(&north).await.is_err());
    let page = ringtrue_store::Page {
        size: 10,
        after: Vec::new(),
    };
    assert!(read.readings(&north.site, None, true, &page).await.is_err());
    network.stop().await;
}
