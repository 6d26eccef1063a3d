//! What would be added, shown and not stored.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{furnace, micrometer, site};

#[tokio::test]
async fn a_site_a_furnace_and_a_gauge_are_tried_out_and_not_stored() {
    let network = Network::start().await;
    let mut ask = v1::CreateSiteRequest {
        site: Some(site()),
        site_id: "north".to_owned(),
        validate_only: true,
        ..v1::CreateSiteRequest::default()
    };
    let tried = network
        .remote
        .create_site(ask.clone())
        .await
        .expect("in order");
    let tried = tried.site.expect("a site");
    assert_eq!(
        (tried.name.as_str(), tried.etag.as_str()),
        ("sites/north", "")
    );
    assert_eq!(tried.create_time, None);
    let absent = network
        .remote
        .site(v1::GetSiteRequest {
            name: tried.name.clone(),
        })
        .await;
    assert_eq!(absent.expect_err("not stored").code, Code::NotFound);
    let mut furnace_ask = v1::CreateFurnaceRequest {
        parent: "sites/north".to_owned(),
        furnace: Some(furnace()),
        furnace_id: "k2".to_owned(),
        validate_only: true,
        ..v1::CreateFurnaceRequest::default()
    };
    let homeless = network.remote.create_furnace(furnace_ask.clone()).await;
    assert_eq!(homeless.expect_err("no site").code, Code::NotFound);
    ask.validate_only = false;
    network
        .remote
        .create_site(ask.clone())
        .await
        .expect("stored");
    ask.validate_only = true;
    ask.request_id = "0f8fad5b-d9cb-469f-a165-70867728950e".to_owned();
    let taken = network.remote.create_site(ask).await.expect_err("taken");
    assert_eq!(taken.code, Code::AlreadyExists);
    let tried = network
        .remote
        .create_furnace(furnace_ask.clone())
        .await
        .expect("in order");
    assert_eq!(tried.furnace.expect("a furnace").etag, "");
    let mut gauge_ask = v1::CreateGaugeRequest {
        parent: "sites/north".to_owned(),
        gauge: Some(micrometer()),
        gauge_id: "g1".to_owned(),
        validate_only: true,
        ..v1::CreateGaugeRequest::default()
    };
    let tried = network
        .remote
        .create_gauge(gauge_ask.clone())
        .await
        .expect("in order");
    assert_eq!(tried.gauge.expect("a gauge").name, "sites/north/gauges/g1");
    for (asked, listed) in [("furnaces", 0), ("furnaces", 1)] {
        let list = v1::ListFurnacesRequest {
            parent: "sites/north".to_owned(),
            ..v1::ListFurnacesRequest::default()
        };
        let page = network.remote.furnaces(list).await.expect("a list");
        assert_eq!(page.furnaces.len(), listed, "{asked}");
        let list = v1::ListGaugesRequest {
            parent: "sites/north".to_owned(),
            ..v1::ListGaugesRequest::default()
        };
        let page = network.remote.gauges(list).await.expect("a list");
        assert_eq!(page.gauges.len(), listed);
        furnace_ask.validate_only = listed == 1;
        gauge_ask.validate_only = listed == 1;
        let furnace = network.remote.create_furnace(furnace_ask.clone()).await;
        let gauge = network.remote.create_gauge(gauge_ask.clone()).await;
        if listed == 1 {
            assert_eq!(furnace.expect_err("taken").code, Code::AlreadyExists);
            assert_eq!(gauge.expect_err("taken").code, Code::AlreadyExists);
        } else {
            furnace.expect("stored");
            gauge.expect("stored");
        }
    }
    network.stop().await;
}

#[tokio::test]
async fn a_reading_tried_out_under_the_id_of_one_on_record_is_that_one() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = network.ask(&bench, &[19.47]);
    ask.request_id = "0f8fad5b-d9cb-469f-a165-70867728950e".to_owned();
    ask.validate_only = true;
    let tried = network
        .remote
        .record_reading(ask.clone())
        .await
        .expect("in order");
    assert_eq!(tried.reading.expect("a reading").name, "");
    ask.validate_only = false;
    let stored = network
        .remote
        .record_reading(ask.clone())
        .await
        .expect("stored");
    ask.validate_only = true;
    let known = network
        .remote
        .record_reading(ask.clone())
        .await
        .expect("known");
    let name = known.reading.expect("a reading").name;
    assert_eq!(name, stored.reading.expect("a reading").name);
    if let Some(reading) = &mut ask.reading {
        reading.note = "Another one.".to_owned();
    }
    let other = network
        .remote
        .record_reading(ask)
        .await
        .expect_err("another reading");
    assert_eq!(other.reason, "REQUEST_ID_REUSED");
    network.stop().await;
}
