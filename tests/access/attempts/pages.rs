//! Tokens of pages, taken over from somebody who sees more.

use prost::Message as _;
use tonic::Code;

use super::leaks;
use crate::scene::{At, Scene};
use crate::table::{Elsewhere, READ, rows};

#[tokio::test]
async fn the_token_of_somebody_who_sees_more_shows_nothing_more() {
    let scene = Scene::set().await;
    let everybody = scene.caller("quality");
    let one = scene.caller("technician");
    for (call, first) in [
        ("SiteService/ListSites", r#"{"page_size":1}"#),
        (
            "FurnaceService/ListFurnaces",
            r#"{"parent":"sites/-","page_size":1}"#,
        ),
        (
            "FleetService/ListFindings",
            r#"{"parent":"sites/-","page_size":1}"#,
        ),
        (
            "AlertService/ListAlerts",
            r#"{"parent":"sites/-","page_size":1}"#,
        ),
        (
            "CareService/ListDueTasks",
            r#"{"parent":"sites/-","page_size":1,"all":true}"#,
        ),
        (
            "FleetService/ListFurnaceStandings",
            r#"{"parent":"sites/-","page_size":1}"#,
        ),
        (
            "FleetService/ListGaugeEffects",
            r#"{"parent":"sites/-","page_size":1}"#,
        ),
    ] {
        let mut token = next(&scene.call_as(everybody, call, first).await.expect("listed"));
        let mut pages = 0;
        while let Some(there) = token.take() {
            let ask = format!(
                r#"{},"page_token":"{there}"}}"#,
                first.trim_end_matches('}')
            );
            match scene.call_as(one, call, &ask).await {
                Ok(answer) => assert!(!leaks(&answer), "{call} shows another's"),
                Err(status) => assert_eq!(status.code(), Code::InvalidArgument, "{call}"),
            }
            let further = scene.call_as(everybody, call, &ask).await;
            token = next(&further.expect("listed"));
            pages += 1;
        }
        assert!(
            pages > 0 || call.ends_with("GaugeEffects"),
            "{call} has one page only"
        );
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn a_token_of_another_list_is_refused() {
    let scene = Scene::set().await;
    let everybody = scene.caller("quality");
    let first = r#"{"parent":"sites/-","page_size":1}"#;
    let listed = scene.call_as(everybody, "FurnaceService/ListFurnaces", first);
    let token = next(&listed.await.expect("listed")).expect("there are several");
    for (call, parent) in [
        ("FurnaceService/ListFurnaces", "sites/north"),
        ("FurnaceService/ListFurnaces", "sites/south"),
        ("FleetService/ListFindings", "sites/-"),
        ("ReadingService/ListReadings", "sites/north/furnaces/k2"),
    ] {
        let ask = format!(r#"{{"parent":"{parent}","page_size":1,"page_token":"{token}"}}"#);
        let status = scene.call_as(everybody, call, &ask).await;
        let status = status.expect_err("of another list");
        assert_eq!(
            status.code(),
            Code::InvalidArgument,
            "{call} {parent}: {status}"
        );
    }
    scene.network.stop().await;
}

/// Every list that shows what is theirs shows both laboratories to those who are there for the whole network: otherwise
/// it proves nothing that others see one only.
#[tokio::test]
async fn what_is_shown_to_some_only_is_there() {
    let scene = Scene::set().await;
    let quality = scene.caller("quality");
    let mut empty = Vec::new();
    for row in rows() {
        if row.elsewhere == Elsewhere::Filtered && row.may == READ {
            let (_, answer) = scene.row_as(quality, &row, At::Own).await;
            if !leaks(&answer.expect("shown")) {
                empty.push(row.call);
            }
        }
    }
    // Effects of batches name no site, and there is nothing to be told of gauges before a network is fitted; alerts are
    // watched one change at a time, the first laboratory's first; changes name what changed and say nothing more.
    let known = [
        "FleetService/GetFleetOverview",
        "FleetService/ListBatchEffects",
        "FleetService/ListGaugeEffects",
        "AlertService/WatchAlerts",
        "ChangeService/ListChanges",
        "ChangeService/WatchChanges",
    ];
    empty.retain(|call| !known.contains(call));
    assert_eq!(empty, [""; 0]);
    scene.network.stop().await;
}

/// What every list's answer has in the same place.
#[derive(Clone, PartialEq, prost::Message)]
struct Listed {
    #[prost(string, tag = "2")]
    next_page_token: String,
}

/// Where a list goes on; none at its end.
fn next(answer: &[u8]) -> Option<String> {
    let listed = Listed::decode(answer).expect("a list's answer");
    (!listed.next_page_token.is_empty()).then_some(listed.next_page_token)
}
