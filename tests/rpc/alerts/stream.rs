//! The stream of alert changes: nothing is lost, nothing comes out of order, and no reader harms another.

use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::Network;
use ringtrue_tests::process::PATIENCE;
use tokio::time::timeout;
use tonic::Streaming;
use tonic::transport::Endpoint;

use super::{alerted, look, put, raised, seen};
use crate::refusals::{bad_value, missing};

type Stream = Streaming<v1::WatchAlertsResponse>;

fn ask(after: &str) -> v1::WatchAlertsRequest {
    v1::WatchAlertsRequest {
        parent: "sites/-".to_owned(),
        after: after.to_owned(),
        ..v1::WatchAlertsRequest::default()
    }
}

async fn watch(network: &Network, ask: v1::WatchAlertsRequest) -> Result<Stream, Failure> {
    let mut client = AlertServiceClient::new(network.channel());
    let stream = client.watch_alerts(ask).await;
    stream
        .map(tonic::Response::into_inner)
        .map_err(|refused| Failure::of(&refused))
}

async fn watching(network: &Network, after: &str) -> Stream {
    watch(network, ask(after)).await.expect("a stream")
}

/// The next message.
async fn next(stream: &mut Stream) -> v1::WatchAlertsResponse {
    let heard = timeout(PATIENCE, stream.message()).await;
    let heard = heard.expect("something is heard in time");
    heard.expect("the stream goes on").expect("it does not end")
}

/// The next change, heartbeats passed over: its kind, what it says, and its cursor.
async fn change(stream: &mut Stream) -> (v1::AlertChangeKind, String, String) {
    loop {
        let heard = next(stream).await;
        if let Some(change) = heard.change {
            assert_eq!(heard.cursor, change.cursor);
            let kind = change.kind();
            let alert = change.alert.expect("a change holds its alert");
            return (kind, alert.statement, change.cursor);
        }
    }
}

/// The failure with which a stream ends; what comes before is passed over.
async fn end(stream: &mut Stream) -> Failure {
    loop {
        match timeout(PATIENCE, stream.message())
            .await
            .expect("it ends in time")
        {
            Ok(Some(_)) => {}
            Ok(None) => panic!("it ended without a word"),
            Err(refused) => return Failure::of(&refused),
        }
    }
}

/// Puts so many alerts on the register, numbered from a number on, one commit each.
async fn put_one_by_one(network: &Network, numbers: std::ops::Range<u32>) {
    for number in numbers {
        put(network, &[raised(number, Some("north"), network.now())]).await;
    }
}

#[tokio::test]
async fn a_stream_begins_with_what_stands_open_and_goes_on_with_what_happens() {
    let (network, bench, alert) = alerted().await;
    let mut stream = watching(&network, "").await;
    let (kind, statement, cursor) = change(&mut stream).await;
    assert_eq!((kind, cursor.as_str()), (v1::AlertChangeKind::Present, ""));
    assert_eq!(statement, alert.statement);
    // After all that stood open the cursor says where to go on.
    let heard = next(&mut stream).await;
    assert!(
        heard.change.is_none() && !heard.cursor.is_empty(),
        "{heard:?}"
    );

    network
        .remote
        .acknowledge_alert(seen(&alert.name))
        .await
        .expect("noted");
    let (kind, _, first) = change(&mut stream).await;
    assert_eq!(kind, v1::AlertChangeKind::Acknowledged);
    assert_ne!(first, heard.cursor);
    network.record(network.ask(&bench, &[19.557; 3])).await;
    look(&network).await;
    // The reading asks for something of its own, and mends what stood open.
    let mut kinds = Vec::new();
    let second = loop {
        let (kind, _, cursor) = change(&mut stream).await;
        kinds.push(kind);
        if kind == v1::AlertChangeKind::Closed {
            break cursor;
        }
    };
    assert!(kinds.len() <= 3, "{kinds:?}");

    // Whoever comes back behind a cursor misses nothing after it and hears nothing before it.
    drop(stream);
    let mut again = watching(&network, &heard.cursor).await;
    assert_eq!(change(&mut again).await.2, first);
    for kind in kinds {
        assert_eq!(change(&mut again).await.0, kind);
    }
    let mut last = watching(&network, &second).await;
    put_one_by_one(&network, 1..2).await;
    assert_eq!(change(&mut last).await.1, "number 1");
    assert_eq!(change(&mut again).await.1, "number 1");
    // A fresh one no longer hears of the closed alert.
    let mut fresh = watching(&network, "").await;
    loop {
        let heard = next(&mut fresh).await;
        let Some(change) = heard.change else {
            break;
        };
        assert_eq!(change.kind(), v1::AlertChangeKind::Present);
        assert_ne!(change.alert.expect("an alert").name, alert.name);
    }
    network.stop().await;
}

#[tokio::test]
async fn changes_come_in_the_order_of_commit_however_often_a_reader_breaks_off() {
    const CHANGES: u32 = 1_500;
    let network = Network::start().await;
    network.bench().await;
    let mut whole = watching(&network, "a0").await;
    let writing = put_one_by_one(&network, 1..CHANGES + 1);
    let breaking = async {
        let mut heard = Vec::new();
        let mut cursor = "a0".to_owned();
        while heard.len() < CHANGES as usize {
            // Cut off again and again, also while the log grows.
            let mut stream = watching(&network, &cursor).await;
            for _ in 0..(97.min(CHANGES as usize - heard.len())) {
                let (_, statement, after) = change(&mut stream).await;
                heard.push(statement);
                cursor = after;
            }
        }
        heard
    };
    let ((), heard) = tokio::join!(writing, breaking);
    let wanted: Vec<String> = (1..=CHANGES)
        .map(|number| format!("number {number}"))
        .collect();
    assert_eq!(heard, wanted);
    for statement in &wanted {
        assert_eq!(&change(&mut whole).await.1, statement);
    }
    network.stop().await;
}

#[tokio::test]
async fn a_stream_hears_only_of_its_site_and_its_level_and_of_what_all_share() {
    let network = Network::start().await;
    let first = network.bench().await;
    network.bench_elsewhere("south", &first).await;
    let of_south = v1::WatchAlertsRequest {
        parent: "sites/south".to_owned(),
        ..ask("a0")
    };
    let of_manager = v1::WatchAlertsRequest {
        level: v1::AlertLevel::Manager.into(),
        ..ask("a0")
    };
    let mut south = watch(&network, of_south).await.expect("a stream");
    let mut manager = watch(&network, of_manager).await.expect("a stream");
    let mut all = watching(&network, "a0").await;
    let now = network.now();
    let mut risen = raised(4, Some("north"), now);
    risen.alert.level = ringtrue_fleet::alert::Level::Quality;
    let changes = [
        raised(1, Some("north"), now),
        raised(2, Some("south"), now),
        raised(3, None, now),
        risen,
        raised(5, Some("south"), now),
    ];
    put(&network, &changes).await;
    assert_eq!(change(&mut south).await.1, "number 2");
    assert_eq!(change(&mut south).await.1, "number 5");
    assert_eq!(change(&mut manager).await.1, "number 4");
    for number in 1..=5 {
        assert_eq!(change(&mut all).await.1, format!("number {number}"));
    }
    network.stop().await;
}

#[tokio::test]
async fn what_is_no_cursor_of_this_server_is_refused_with_what_to_send() {
    let network = Network::start().await;
    network.bench().await;
    let ahead = format!("a{:x}", i64::MAX);
    for after in [
        "1",
        "a",
        "azz",
        "a-1",
        "a1000",
        "x1",
        &ahead,
        &"a1".repeat(1_000),
    ] {
        let failure = watch(&network, ask(after)).await.expect_err("no cursor");
        bad_value(
            &failure,
            "after",
            "NOT_A_CURSOR",
            "send the last one that it gave",
        );
        assert!(failure.message.len() < 1_000, "{}", failure.message);
    }
    let unknown = v1::WatchAlertsRequest {
        level: 17,
        ..ask("")
    };
    let failure = watch(&network, unknown).await.expect_err("no level");
    bad_value(&failure, "level", "UNKNOWN_VALUE", "");
    let elsewhere = v1::WatchAlertsRequest {
        parent: "sites/none".to_owned(),
        ..ask("")
    };
    let failure = watch(&network, elsewhere).await.expect_err("no site");
    missing(&failure, "sites/none");
    network.stop().await;
}

#[tokio::test]
async fn a_reader_that_stops_reading_is_cut_off_and_harms_no_other() {
    // More than the shared ring and what the connection holds for a reader that does not read.
    const CHANGES: u32 = 12_000;
    let network = Network::start().await;
    network.bench().await;
    // A connection of its own, with little room.
    let channel = Endpoint::from_shared(network.endpoint())
        .expect("an address")
        .initial_stream_window_size(65_535)
        .initial_connection_window_size(65_535)
        .connect_lazy();
    let slow = AlertServiceClient::new(channel)
        .watch_alerts(ask("a0"))
        .await;
    let mut slow = slow.expect("a stream").into_inner();
    put_one_by_one(&network, 1..2).await;
    assert_eq!(change(&mut slow).await.1, "number 1");
    let mut quick = watching(&network, "a0").await;
    let numbers: Vec<u32> = (2..=CHANGES).collect();
    let mut heard = 0;
    for some in numbers.chunks(400) {
        let now = network.now();
        let changes: Vec<_> = some
            .iter()
            .map(|number| raised(*number, Some("north"), now))
            .collect();
        put(&network, &changes).await;
        // The other reader hears all of it meanwhile, in order.
        let last = *some.last().expect("a chunk is not empty");
        while heard < last {
            heard += 1;
            assert_eq!(change(&mut quick).await.1, format!("number {heard}"));
        }
    }
    let mut last = String::new();
    let failure = loop {
        match timeout(PATIENCE, slow.message()).await.expect("in time") {
            Ok(Some(message)) => last = message.cursor,
            Ok(None) => panic!("it ended without a word"),
            Err(refused) => break Failure::of(&refused),
        }
    };
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Unavailable, "FELL_BEHIND"),
        "{failure}"
    );
    assert!(
        failure.message.contains("after the last cursor received"),
        "{failure}"
    );
    assert_eq!(failure.metadata.get("cursor"), Some(&last), "{failure:?}");
    // And it goes on from there without a gap.
    let number = i64::from_str_radix(&last[1..], 16).expect("a number");
    let mut again = watching(&network, &last).await;
    assert_eq!(change(&mut again).await.1, format!("number {}", number + 1));
    network.stop().await;
}

#[tokio::test]
async fn a_client_that_vanishes_leaves_its_place_to_others() {
    let network = Network::start().await;
    network.bench().await;
    for round in 1..=200 {
        let stream = watching(&network, "a0").await;
        drop(stream);
        if round % 50 == 0 {
            put_one_by_one(&network, round..round + 1).await;
        }
    }
    let mut stream = watching(&network, "a0").await;
    assert_eq!(change(&mut stream).await.1, "number 50");
    network.stop().await;
}

#[tokio::test]
async fn a_server_that_drains_ends_its_streams_and_says_that_it_is_worth_coming_back() {
    let network = Network::start().await;
    network.bench().await;
    let mut streams = Vec::new();
    for _ in 0..3 {
        streams.push(watching(&network, "a0").await);
    }
    let began = std::time::Instant::now();
    network.lifecycle.drain.cancel();
    for stream in &mut streams {
        let failure = end(stream).await;
        assert_eq!(failure.code, Code::Unavailable, "{failure}");
        assert!(failure.is_worth_repeating(), "{failure}");
    }
    network.stop().await;
    assert!(
        began.elapsed() < Duration::from_secs(5),
        "{:?}",
        began.elapsed()
    );
}

#[tokio::test]
async fn a_quiet_stream_says_within_thirty_seconds_that_it_is_alive() {
    let network = Network::start().await;
    network.bench().await;
    put_one_by_one(&network, 1..2).await;
    let mut stream = watching(&network, "a0").await;
    let (_, _, cursor) = change(&mut stream).await;
    let began = std::time::Instant::now();
    let heartbeat = timeout(Duration::from_secs(30), stream.message()).await;
    let heartbeat = heartbeat.expect("within what the protocol promises");
    let heartbeat = heartbeat.expect("it goes on").expect("it does not end");
    assert_eq!((heartbeat.change, heartbeat.cursor), (None, cursor));
    assert!(
        began.elapsed() > Duration::from_secs(5),
        "{:?}",
        began.elapsed()
    );
    network.stop().await;
}
