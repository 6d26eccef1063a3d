//! The change feed: every change once, in order, to whoever may see it, page by page and as it comes.

use std::collections::BTreeSet;

use futures::future::join_all;
use ringtrue_proto::v1;
use ringtrue_remote::{ChangeStream, Code, Followed};
use ringtrue_server::app;
use ringtrue_store::{EntryFilter, Page};
use ringtrue_tests::network::everything;
use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::{Bench, Network};
use tokio::time::timeout;

use crate::alerts::look;
use crate::refusals::{bad_value, missing};

fn watch(network: &Network, parent: &str, after: &str) -> ChangeStream {
    network.remote.watch_changes(v1::WatchChangesRequest {
        parent: parent.to_owned(),
        after: after.to_owned(),
        ..v1::WatchChangesRequest::default()
    })
}

/// The next change of a stream.
async fn next(stream: &mut ChangeStream) -> v1::Change {
    loop {
        let told = timeout(PATIENCE, stream.next()).await;
        if let Followed::Change(change) = told.expect("in time").expect("it goes on") {
            return *change;
        }
    }
}

async fn several(stream: &mut ChangeStream, count: usize) -> Vec<v1::Change> {
    let mut changes = Vec::new();
    for _ in 0..count {
        changes.push(next(stream).await);
    }
    changes
}

fn ask(parent: &str, after: &str) -> v1::ListChangesRequest {
    v1::ListChangesRequest {
        parent: parent.to_owned(),
        after: after.to_owned(),
        page_size: 1000,
        ..v1::ListChangesRequest::default()
    }
}

async fn list(network: &Network, ask: v1::ListChangesRequest) -> v1::ListChangesResponse {
    network.remote.changes(ask).await.expect("listed")
}

/// Everything that is told once the feed has come to the end of the records.
async fn all(network: &Network) -> Vec<v1::Change> {
    app::feed_changes(&network.app.store, &network.app.changes)
        .await
        .expect("fed");
    list(network, ask("sites/-", "")).await.changes
}

/// Actions and subjects of a chain, as the audit keeps them.
async fn entries(network: &Network, site: Option<&str>) -> Vec<(String, String)> {
    let site = site.map(|site| ringtrue_fleet::key::SiteId::parse(site).expect("a name"));
    let read = network.app.store.read(&everything());
    let page = Page {
        size: 1000,
        after: Vec::new(),
    };
    let found = read
        .entries(site.as_ref(), &EntryFilter::default(), &page)
        .await;
    found
        .expect("the store answers")
        .into_iter()
        .map(|entry| (entry.action, entry.subject))
        .collect()
}

fn act(bench: &Bench) -> v1::RecordCareActRequest {
    v1::RecordCareActRequest {
        parent: bench.site.clone(),
        act: Some(v1::CareAct {
            kind: v1::CareActKind::Done.into(),
            task: v1::TaskKind::PurgeFiring.into(),
            subject: bench.furnace.clone(),
            performed_by: "t1".to_owned(),
            chamber_was_empty: true,
            ..v1::CareAct::default()
        }),
        ..v1::RecordCareActRequest::default()
    }
}

/// Does everything that a laboratory does.
async fn everything_happens(network: &Network, bench: &Bench) {
    let remote = &network.remote;
    let reading = network
        .record(network.ask(bench, &[19.470, 19.468, 19.472]))
        .await;
    let mut amended = network.ask(bench, &[19.474, 19.472, 19.476]);
    let ask = v1::AmendReadingRequest {
        name: reading.name.clone(),
        reading: amended.reading.take(),
        reason: "read the wrong ring".to_owned(),
        ..v1::AmendReadingRequest::default()
    };
    let amended = remote.amend_reading(ask).await.expect("amended");
    let amended = amended.reading.expect("a reading").name;
    network.adjust(bench, &amended, 1482.0).await;
    let event = v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(v1::FurnaceEvent {
            kind: v1::FurnaceEventKind::ElementsReplaced.into(),
            event_time: Some(ringtrue_tests::bench::stamp(network.now())),
            performed_by: "t1".to_owned(),
            ..v1::FurnaceEvent::default()
        }),
        ..v1::RecordFurnaceEventRequest::default()
    };
    remote.record_furnace_event(event).await.expect("recorded");
    remote.record_care_act(act(bench)).await.expect("recorded");
    network.every_friday(&format!("{}/", bench.furnace)).await;
    let mail = v1::CreateMailSubscriptionRequest {
        parent: bench.site.clone(),
        subscription: Some(v1::MailSubscription {
            address: "bench@north.example".to_owned(),
            ..v1::MailSubscription::default()
        }),
        ..v1::CreateMailSubscriptionRequest::default()
    };
    let mail = remote.create_mail_subscription(mail).await.expect("made");
    let end = v1::DeleteMailSubscriptionRequest {
        name: mail.subscription.expect("one").name,
        ..v1::DeleteMailSubscriptionRequest::default()
    };
    remote.delete_mail_subscription(end).await.expect("ended");
    let feed = v1::CreateCalendarFeedRequest {
        parent: bench.site.clone(),
        feed: Some(v1::CalendarFeed {
            display_name: "office".to_owned(),
            ..v1::CalendarFeed::default()
        }),
        ..v1::CreateCalendarFeedRequest::default()
    };
    let feed = remote.create_calendar_feed(feed).await.expect("made");
    let end = v1::DeleteCalendarFeedRequest {
        name: feed.feed.expect("one").name,
        ..v1::DeleteCalendarFeedRequest::default()
    };
    remote.delete_calendar_feed(end).await.expect("revoked");
    let state = v1::SetRingBatchStateRequest {
        name: bench.batch.clone(),
        state: v1::RingBatchState::OnHold.into(),
        reason: "looked at".to_owned(),
        ..v1::SetRingBatchStateRequest::default()
    };
    remote.set_ring_batch_state(state).await.expect("set");
    network.advance_days(8);
    look(network).await;
    let alerts = v1::ListAlertsRequest {
        parent: bench.site.clone(),
        ..v1::ListAlertsRequest::default()
    };
    let alerts = remote.alerts(alerts).await.expect("alerts").alerts;
    let ask = v1::AcknowledgeAlertRequest {
        name: alerts.first().expect("something is due").name.clone(),
        noted_by: "t1".to_owned(),
        ..v1::AcknowledgeAlertRequest::default()
    };
    remote.acknowledge_alert(ask).await.expect("noted");
}

#[tokio::test]
async fn every_change_of_records_and_alerts_is_told_once_and_in_its_order() {
    let network = Network::start().await;
    let mut stream = watch(&network, "sites/-", "c0-00000000");
    let bench = network.bench().await;
    Box::pin(everything_happens(&network, &bench)).await;
    let listed = all(&network).await;
    let cursors: BTreeSet<&str> = listed.iter().map(|one| one.cursor.as_str()).collect();
    assert_eq!(cursors.len(), listed.len(), "a change is told twice");
    // The stream tells the same.
    assert_eq!(several(&mut stream, listed.len()).await, listed);

    for (site, place) in [(Some(&*bench.site), &*bench.site), (None, "")] {
        let told: Vec<&v1::Change> = listed.iter().filter(|one| one.site == place).collect();
        let sequences: Vec<i64> = told.iter().map(|one| one.sequence).collect();
        let wanted: Vec<i64> = (1..=i64::try_from(told.len()).expect("few")).collect();
        assert_eq!(sequences, wanted, "of {place:?}");
        // What the chain holds, in the chain's order; the words before the dot are those of the chain.
        let chain = entries(&network, site).await;
        // What was said about alerts is told with the alerts.
        let subjects: Vec<&str> = chain
            .iter()
            .filter(|(action, _)| !action.starts_with("alert."))
            .map(|(_, subject)| subject.as_str())
            .collect();
        let records: Vec<&str> = told
            .iter()
            .filter(|one| !one.r#type.starts_with("alert."))
            .map(|one| one.name.as_str())
            .collect();
        assert_eq!(records, subjects, "of {place:?}");
    }
    let types: BTreeSet<&str> = listed.iter().map(|one| one.r#type.as_str()).collect();
    for kind in [
        "site.created",
        "furnace.created",
        "furnace.event_recorded",
        "programme.created",
        "programme.updated",
        "gauge.created",
        "gauge.checked",
        "ring_batch.created",
        "ring_batch.updated",
        "reading.recorded",
        "reading.amended",
        "adjustment.confirmed",
        "care.act_recorded",
        "rule.set",
        "mail_subscription.created",
        "mail_subscription.deleted",
        "calendar_feed.created",
        "calendar_feed.revoked",
        "alert.raised",
    ] {
        assert!(types.contains(kind), "{kind} is not in {types:?}");
    }
    let of = |kind: &str| {
        let found = listed.iter().find(|one| one.r#type == kind);
        found.unwrap_or_else(|| panic!("{kind} is there"))
    };
    assert_eq!(of("reading.amended").furnace, bench.furnace);
    let adjusted = of("adjustment.confirmed");
    assert_eq!(adjusted.reading, of("reading.amended").name);
    assert_eq!(of("care.act_recorded").furnace, bench.furnace);
    assert_eq!(adjusted.actor_kind(), v1::ActorKind::Local);
    assert_eq!(of("alert.raised").actor_kind(), v1::ActorKind::Server);
    assert_eq!(of("alert.acknowledged").actor_kind(), v1::ActorKind::Local);
    network.stop().await;
}

#[tokio::test]
async fn pages_go_on_behind_their_cursors_by_site_and_by_type() {
    let network = Network::start().await;
    let empty = list(&network, ask("sites/-", "")).await;
    assert!(empty.changes.is_empty() && !empty.has_more, "{empty:?}");
    assert_eq!(empty.cursor, empty.end_cursor);
    let bench = network.bench().await;
    network.bench_elsewhere("south", &bench).await;
    let listed = all(&network).await;
    assert_eq!(
        list(&network, ask("sites/-", &empty.cursor)).await.changes,
        listed
    );
    let mut pages = Vec::new();
    let mut after = String::new();
    loop {
        let page = list(
            &network,
            v1::ListChangesRequest {
                page_size: 3,
                ..ask("sites/-", &after)
            },
        )
        .await;
        assert!(page.changes.len() <= 3);
        assert_eq!(page.end_cursor, listed.last().expect("some").cursor);
        pages.extend(page.changes);
        after = page.cursor;
        if !page.has_more {
            break;
        }
    }
    assert_eq!(pages, listed);
    let south = list(&network, ask("sites/south", "")).await;
    let wanted: Vec<v1::Change> = listed
        .iter()
        .filter(|one| one.site == "sites/south")
        .cloned()
        .collect();
    assert_eq!(south.changes, wanted);
    // Nothing more of the site, and yet looked through to the end.
    assert_eq!(south.cursor, south.end_cursor);
    let gauges = v1::ListChangesRequest {
        types: vec!["gauge".to_owned(), "ring_batch.created".to_owned()],
        ..ask("sites/-", "")
    };
    let kinds: BTreeSet<String> = list(&network, gauges)
        .await
        .changes
        .into_iter()
        .map(|one| one.r#type)
        .collect();
    let wanted = ["gauge.checked", "gauge.created", "ring_batch.created"];
    assert_eq!(kinds, wanted.map(str::to_owned).into());
    network.stop().await;
}

#[tokio::test]
async fn a_stream_goes_on_behind_its_cursor_and_begins_at_the_end_without_one() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let listed = all(&network).await;
    let mut whole = watch(&network, "sites/-", "");
    let first = timeout(PATIENCE, whole.next()).await.expect("in time");
    let end = listed.last().expect("some").cursor.clone();
    let wanted = Followed::Heartbeat {
        cursor: end.clone(),
    };
    assert_eq!(first.expect("it begins"), wanted);
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let reading = next(&mut whole).await;
    assert_eq!(reading.r#type, "reading.recorded");
    let mut again = watch(&network, "sites/-", &listed[2].cursor);
    let rest = several(&mut again, listed.len() - 2).await;
    assert_eq!(rest[..listed.len() - 3], listed[3..]);
    assert_eq!(rest.last(), Some(&reading));
    let mut of_type = network.remote.watch_changes(v1::WatchChangesRequest {
        parent: bench.site.clone(),
        types: vec!["furnace".to_owned()],
        after: "c0-00000000".to_owned(),
    });
    assert_eq!(next(&mut of_type).await.r#type, "furnace.created");
    network
        .furnace(&bench.site, "k9", ringtrue_tests::bench::furnace())
        .await;
    assert_eq!(next(&mut of_type).await.furnace, "sites/north/furnaces/k9");
    network.stop().await;
}

#[tokio::test]
async fn what_is_no_cursor_or_no_longer_one_is_refused_with_what_to_do() {
    let network = Network::start().await;
    network.bench().await;
    let listed = all(&network).await;
    let refused = async |after: &str| {
        let listing = network.remote.changes(ask("sites/-", after)).await;
        let listing = listing.expect_err("no cursor");
        let watching = watch(&network, "sites/-", after).next().await;
        assert_eq!(watching.expect_err("no cursor").reason, listing.reason);
        listing
    };
    // Of another installation: the number may be there, and what it stands for is not the same.
    let other = Network::start().await;
    other.site("other", ringtrue_tests::bench::site()).await;
    let foreign = all(&other).await[0].cursor.clone();
    other.stop().await;
    let ahead = format!("c{:x}-00000001", listed.len() + 1);
    for after in ["x", "a1", &foreign, &ahead] {
        bad_value(
            &*refused(after).await,
            "after",
            "NOT_A_CURSOR",
            "begin anew",
        );
    }
    network.advance_days(100);
    let store = &network.app.store;
    let gone = app::forget_changes(store, network.now(), 90).await;
    let kept = 1;
    assert_eq!(
        usize::try_from(gone.expect("put away")).expect("few"),
        listed.len() - kept
    );
    let failure = refused(&listed[0].cursor).await;
    assert_eq!(
        (failure.code, &*failure.reason),
        (Code::OutOfRange, "CURSOR_EXPIRED")
    );
    assert!(failure.message.contains("end_cursor"), "{failure}");
    assert!(refused("c0-00000000").await.message.contains("begin anew"));
    // Whoever stood at the end misses nothing, and whoever names no cursor begins with what is kept.
    let last = &listed[listed.len() - 2];
    let rest = list(&network, ask("sites/-", &last.cursor)).await.changes;
    assert_eq!(rest, listed[listed.len() - 1..]);
    assert_eq!(list(&network, ask("sites/-", "")).await.changes, rest);

    let nowhere = network.remote.changes(ask("sites/nowhere", "")).await;
    missing(&nowhere.expect_err("no site"), "sites/nowhere");
    let wrong = v1::ListChangesRequest {
        types: vec!["Reading".to_owned()],
        page_size: -1,
        ..ask("sites/-", "")
    };
    let wrong = network.remote.changes(wrong).await.expect_err("wrong");
    bad_value(&wrong, "types[0]", "NOT_A_TYPE", "reading.recorded");
    bad_value(&wrong, "page_size", "OUT_OF_RANGE", "1 to 1000");
    network.stop().await;
}

#[tokio::test]
async fn two_servers_tell_the_same_of_what_both_record() {
    let (one, other) = Network::start_two().await;
    let bench = one.bench().await;
    let south = one.bench_elsewhere("south", &bench).await;
    let mut streams = [
        watch(&one, "sites/-", "c0-00000000"),
        watch(&other, "sites/-", "c0-00000000"),
    ];
    let mut asks = Vec::new();
    for day in 0..20 {
        for bench in [&bench, &south] {
            // No two alike: copied values would be asked about.
            let step_mm = 0.001 * f64::from(u8::try_from(day).expect("few"));
            asks.push(one.ask_days_ago(bench, &[19.460 + step_mm, 19.468, 19.472], 27 - day));
        }
    }
    let calls = asks.into_iter().enumerate().map(|(call, ask)| {
        let server = if call % 3 == 0 { &one } else { &other };
        server.remote.record_reading(ask)
    });
    let mut recorded = BTreeSet::new();
    for answer in join_all(calls).await {
        let reading = answer.expect("answered").reading.expect("a reading");
        recorded.insert(reading.name);
    }
    let count = all(&one).await.len();
    let [first, second] = &mut streams;
    let told = several(first, count).await;
    assert_eq!(several(second, count).await, told);
    let readings: Vec<&str> = told
        .iter()
        .filter(|one| one.r#type == "reading.recorded")
        .map(|one| one.name.as_str())
        .collect();
    assert_eq!(readings.len(), recorded.len());
    assert_eq!(
        readings.iter().copied().collect::<BTreeSet<_>>(),
        recorded.iter().map(String::as_str).collect()
    );
    for site in [&bench.site, &south.site] {
        let chain: Vec<String> = entries(&one, Some(site))
            .await
            .into_iter()
            .map(|(_, subject)| subject)
            .collect();
        let of_site: Vec<&str> = told
            .iter()
            .filter(|one| one.site == *site)
            .map(|one| one.name.as_str())
            .collect();
        assert_eq!(of_site, chain, "of {site}");
    }
    one.stop().await;
    other.stop().await;
}
