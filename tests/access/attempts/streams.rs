//! Streams that stay open while somebody else's records come in.

use prost::Message as _;
use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_server::app;
use ringtrue_tests::process::PATIENCE;
use tokio::time::timeout;
use tonic::{Code, Request, Streaming};

use super::leaks;
use crate::scene::{At, Scene, bearer};

async fn watched(scene: &Scene, who: &str, after: &str) -> Streaming<v1::WatchAlertsResponse> {
    let mut request = Request::new(v1::WatchAlertsRequest {
        parent: "sites/-".to_owned(),
        after: after.to_owned(),
        ..v1::WatchAlertsRequest::default()
    });
    *request.metadata_mut() = bearer(&scene.caller(who).token);
    let mut client = AlertServiceClient::new(scene.network.channel());
    let stream = client.watch_alerts(request).await;
    stream.expect("a stream").into_inner()
}

/// Reads until an answer speaks of something; whatever came before goes through `seen`.
async fn until(
    stream: &mut Streaming<v1::WatchAlertsResponse>,
    spoken_of: &str,
    seen: impl Fn(&[u8]),
) -> v1::WatchAlertsResponse {
    let reading = timeout(PATIENCE, async {
        loop {
            let next = stream.message().await.expect("it goes on");
            let next = next.expect("it does not end");
            let bytes = next.encode_to_vec();
            seen(&bytes);
            if String::from_utf8_lossy(&bytes).contains(spoken_of) {
                return next;
            }
        }
    });
    reading.await.expect("it is told in time")
}

/// Adds a furnace at both sites, the other one's first, and has it looked at on a Monday morning: both are to be
/// calibrated.
async fn due(scene: &Scene) -> [String; 2] {
    let mut names = Vec::new();
    for at in [At::Foreign, At::Own] {
        let name = format!("{}/furnaces/late", scene.name(at, "site"));
        let ask = scene.filled(
            at,
            r#"{"parent":"{site}","furnace_id":"late","furnace":{"display_name":"{marker}",
                "maximum_setpoint_c":1650,"heating_element":"HEATING_ELEMENT_MOLYBDENUM_DISILICIDE",
                "control_thermocouple":"THERMOCOUPLE_TYPE_B"}}"#,
        );
        let call = "FurnaceService/CreateFurnace";
        let made = scene.call_as(scene.caller("quality"), call, &ask).await;
        assert!(made.is_ok(), "{made:?}");
        names.push(name);
    }
    let app::App {
        store,
        clock,
        ids,
        alerts,
        ..
    } = &scene.network.app;
    let looked = app::look(store, clock, ids, alerts, "test").await;
    looked
        .expect("the store answers")
        .expect("nobody else looks");
    names.try_into().expect("two names")
}

#[tokio::test]
async fn a_stream_tells_of_ones_own_sites_and_of_nothing_that_happens_elsewhere() {
    let scene = Scene::set().await;
    scene.network.advance_h(40);
    let mut everything = watched(&scene, "quality", "").await;
    let mut own = watched(&scene, "technician", "").await;
    let [foreign_late, own_late] = due(&scene).await;
    // It did happen, before what the technician hears of.
    until(&mut everything, &foreign_late, |_| {}).await;
    until(&mut own, &own_late, |answer| assert!(!leaks(answer))).await;
    scene.network.stop().await;
}

#[tokio::test]
async fn the_cursor_of_somebody_who_sees_more_shows_nothing_more() {
    let scene = Scene::set().await;
    scene.network.advance_h(40);
    let mut everything = watched(&scene, "quality", "").await;
    let cursor = timeout(PATIENCE, async {
        loop {
            let next = everything.message().await.expect("it goes on");
            let next = next.expect("it does not end");
            if !next.cursor.is_empty() {
                return next.cursor;
            }
        }
    });
    let cursor = cursor.await.expect("there is one in time");
    let [_, own_late] = due(&scene).await;
    let mut own = watched(&scene, "technician", &cursor).await;
    until(&mut own, &own_late, |answer| assert!(!leaks(answer))).await;
    let made_up = r#"{"parent":"sites/-","after":"-1"}"#;
    let technician = scene.caller("technician");
    let refused = scene
        .call_as(technician, "AlertService/WatchAlerts", made_up)
        .await;
    let status = refused.expect_err("no cursor");
    assert_eq!(status.code(), Code::InvalidArgument, "{status}");
    scene.network.stop().await;
}
