//! Two servers of one network on one database: what one does, the other knows.

use std::collections::BTreeSet;

use futures::future::join_all;
use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::Role;
use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_tests::bench::site;
use ringtrue_tests::credentials::{grant, proved};
use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::{Bench, Network};
use tokio::time::timeout;

use crate::alerts::look;

const ID: &str = "0198c0de-0000-7000-8000-000000000003";

async fn two() -> (Network, Network, Bench) {
    let (one, other) = Network::start_two().await;
    let bench = one.bench().await;
    (one, other, bench)
}

#[tokio::test]
async fn a_request_sent_to_both_at_once_is_one_record_and_one_answer() {
    let (one, other, bench) = two().await;
    let mut ask = one.ask(&bench, &[19.470, 19.468, 19.472]);
    ID.clone_into(&mut ask.request_id);
    let before = one.audit_length(&bench.site).await;
    let calls = (0..20).map(|call| {
        let server = if call % 2 == 0 { &one } else { &other };
        server.remote.record_reading(ask.clone())
    });
    let mut answers = Vec::new();
    for answer in join_all(calls).await {
        answers.push(answer.expect("answered").reading.expect("a reading"));
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]));
    assert_eq!(one.audit_length(&bench.site).await, before + 1);
    assert_eq!(other.readings(&bench.furnace).await, [answers[0].clone()]);
    one.stop().await;
    other.stop().await;
}

#[tokio::test]
async fn readings_of_one_furnace_taken_by_both_are_all_kept_and_follow_each_other() {
    let (one, other, bench) = two().await;
    let mut asks = Vec::new();
    for day in 0..24 {
        let scatter_mm =
            [0.001, -0.003, 0.004, 0.0, -0.002][usize::try_from(day % 5).expect("few")];
        let diameters_mm = [19.470 + scatter_mm, 19.468, 19.472];
        asks.push(one.ask_days_ago(&bench, &diameters_mm, 27 - day));
    }
    let calls = asks.into_iter().enumerate().map(|(call, ask)| {
        let server = if call % 2 == 0 { &one } else { &other };
        server.remote.record_reading(ask)
    });
    let mut acknowledged = BTreeSet::new();
    for answer in join_all(calls).await {
        let reading = answer.expect("answered").reading.expect("a reading");
        acknowledged.insert(reading.name);
    }
    assert_eq!(acknowledged.len(), 24);
    let kept = one.readings(&bench.furnace).await;
    let names: BTreeSet<String> = kept.into_iter().map(|reading| reading.name).collect();
    assert_eq!(names, acknowledged);
    // The offset that is tracked follows from all of them, whichever server took which: a verification works it out.
    let verified = one.database().verified().await;
    assert_eq!((verified.readings, verified.faults), (24, vec![]));
    one.stop().await;
    other.stop().await;
}

#[tokio::test]
async fn a_stream_at_one_server_tells_what_another_found() {
    let (one, other, _) = two().await;
    let ask = v1::WatchAlertsRequest {
        parent: "sites/-".to_owned(),
        ..v1::WatchAlertsRequest::default()
    };
    let mut client = AlertServiceClient::new(other.channel());
    let stream = client.watch_alerts(ask).await.expect("a stream");
    let mut stream = stream.into_inner();
    let looked = look(&one).await;
    assert!(looked.changes > 0);
    let heard = async {
        loop {
            let message = stream.message().await.expect("the stream goes on");
            if let Some(change) = message.expect("it does not end").change {
                return change;
            }
        }
    };
    let change = timeout(PATIENCE, heard).await.expect("it is told");
    assert_eq!(change.kind(), v1::AlertChangeKind::Raised);
    one.stop().await;
    other.stop().await;
}

#[tokio::test]
async fn only_one_of_two_servers_looks_for_what_is_due() {
    let (one, other, _) = two().await;
    let both = tokio::join!(
        ringtrue_server::app::look(
            &one.app.store,
            &one.app.clock,
            &one.app.ids,
            &one.app.alerts,
            "one"
        ),
        ringtrue_server::app::look(
            &other.app.store,
            &other.app.clock,
            &other.app.ids,
            &other.app.alerts,
            "other"
        ),
    );
    let changes = [both.0, both.1].map(|looked| {
        let looked = looked.expect("the store answers");
        looked.map_or(0, |looked| looked.changes)
    });
    assert!(
        changes.contains(&0),
        "both have found the same: {changes:?}"
    );
    assert!(changes.iter().sum::<usize>() > 0);
    one.stop().await;
    other.stop().await;
}

#[tokio::test]
async fn who_is_shut_out_at_one_server_is_shut_out_at_the_other() {
    let (one, other) = Network::start_two().await;
    one.site("north", site()).await;
    let held = one
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let asked = async || {
        let ask = proved(v1::ListSitesRequest::default(), &held.token);
        let mut client = v1::site_service_client::SiteServiceClient::new(other.channel());
        client.list_sites(ask).await
    };
    asked().await.expect("let in");
    let revoked = held.credential.revoked(one.now());
    let mut tx = one.keep_access().await;
    tx.revoke_credential(
        &revoked,
        "lost",
        one.now(),
        &ringtrue_server::app::Request::NONE,
    )
    .await
    .expect("it is revoked");
    tx.commit().await.expect("it is kept");
    let shut_out = async {
        while asked().await.is_ok() {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, shut_out).await.expect("it is shut out");
    one.stop().await;
    other.stop().await;
}
