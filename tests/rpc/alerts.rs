//! Alerts: raised by looking, listed, acknowledged, put to rest, closed by what mends them.

mod stream;

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::alert::{
    Alert, AlertChange, AlertKind, AlertState, ChangeKind, Level, Stage, acknowledged,
};
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::finding::Said;
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app::{self, Request};
use ringtrue_server::rpc::status::status;
use ringtrue_tests::bench::stamp;
use ringtrue_tests::network::everything;
use ringtrue_tests::{Bench, Network};

use crate::refusals::{bad_value, forbidden, missing};

/// Looks as the server does in the background.
pub(crate) async fn look(network: &Network) -> app::Looked {
    let app = &network.app;
    app::look(&app.store, &app.clock, &app.ids, &app.alerts, "test")
        .await
        .expect("the store answers")
        .expect("nobody else looks")
}

/// A network at a Friday noon with a furnace that is to be calibrated today, and its alert.
async fn alerted() -> (Network, Bench, v1::Alert) {
    let network = Network::start().await;
    let bench = network.bench().await;
    look(&network).await;
    let alert = of_kind(&network, "sites/-", v1::AlertKind::CalibrationDue).await;
    let alert = alert.into_iter().next().expect("it is due");
    (network, bench, alert)
}

async fn listed(network: &Network, ask: v1::ListAlertsRequest) -> Vec<v1::Alert> {
    network.remote.alerts(ask).await.expect("listed").alerts
}

pub(crate) async fn of_kind(
    network: &Network,
    parent: &str,
    kind: v1::AlertKind,
) -> Vec<v1::Alert> {
    let ask = v1::ListAlertsRequest {
        parent: parent.to_owned(),
        page_size: 1000,
        kind: kind.into(),
        ..v1::ListAlertsRequest::default()
    };
    listed(network, ask).await
}

async fn now(network: &Network, name: &str) -> v1::Alert {
    let ask = v1::GetAlertRequest {
        name: name.to_owned(),
    };
    let found = network.remote.alert(ask).await.expect("found");
    found.alert.expect("an alert")
}

fn seen(name: &str) -> v1::AcknowledgeAlertRequest {
    v1::AcknowledgeAlertRequest {
        name: name.to_owned(),
        note: "ring goes in tonight".to_owned(),
        noted_by: "t1".to_owned(),
        ..v1::AcknowledgeAlertRequest::default()
    }
}

fn rest(name: &str, until: Timestamp) -> v1::SnoozeAlertRequest {
    v1::SnoozeAlertRequest {
        name: name.to_owned(),
        until_time: Some(stamp(until)),
        note: "furnace runs until the evening".to_owned(),
        noted_by: "t1".to_owned(),
        ..v1::SnoozeAlertRequest::default()
    }
}

/// An alert as it is raised, number so-and-so of a site or of the network.
fn raised(number: u32, site: Option<&str>, now: Timestamp) -> AlertChange {
    let alert = Alert {
        id: AlertId::new(&format!("0198c0de-0000-7000-8000-{number:012x}")).expect("an id"),
        cause: format!("test/{number}"),
        kind: AlertKind::CalibrationDue,
        site: site.map(|id| SiteId::new(id).expect("an id")),
        subject: "sites/north/furnaces/k2".to_owned(),
        stage: Stage::Due,
        level: Level::Technician,
        state: AlertState::Open,
        statement: format!("number {number}"),
        next_step: String::new(),
        due_on: None,
        raised_at: now,
        updated_at: now,
        note: String::new(),
        noted_by: String::new(),
        snoozed_until: None,
        snoozes: 0,
        snooze_limit: None,
        closed_at: None,
        close_reason: String::new(),
        revision: 1,
    };
    AlertChange {
        kind: ChangeKind::Raised,
        alert,
    }
}

/// Puts alerts on the register directly, in one commit.
async fn put(network: &Network, changes: &[AlertChange]) {
    let store = &network.app.store;
    let mut tx = store.begin("test", &everything()).await.expect("begun");
    tx.put_alerts(changes, network.now()).await.expect("put");
    tx.commit().await.expect("committed");
    network.app.alerts.ring();
}

#[tokio::test]
async fn a_due_calibration_is_alerted_once_rises_and_closes_with_its_reading() {
    let (network, bench, alert) = alerted().await;
    assert_eq!(
        (alert.stage(), alert.level(), alert.state()),
        (
            v1::AlertStage::Due,
            v1::AlertLevel::Technician,
            v1::AlertState::Open
        )
    );
    assert_eq!(alert.site, bench.site);
    assert_eq!(alert.subject, bench.furnace);
    assert_eq!(alert.subject_display_name, "K2");
    assert_eq!(alert.site_display_name, "North bench");
    assert_eq!(alert.time_zone, "Europe/Lisbon");
    assert_eq!(alert.due_date, Some(crate::schedules::day(2026, 3, 6)));
    assert_eq!(alert.raise_time, Some(stamp(network.now())));
    assert!(alert.next_step.starts_with("Fire a fresh test ring"));
    // Nothing changed: nothing is looked at, and nothing is alerted a second time.
    assert_eq!(look(&network).await, app::Looked::default());

    // Saturday is closed: it is late, but the news waits for Monday's morning.
    network.advance_days(2);
    look(&network).await;
    assert_eq!(now(&network, &alert.name).await, alert);
    network.advance_days(1);
    look(&network).await;
    let late = now(&network, &alert.name).await;
    // Two days of grace are used up with Sunday.
    assert_eq!(late.stage(), v1::AlertStage::Lapsed);
    assert_eq!(late.level(), v1::AlertLevel::Quality);
    assert_ne!(late.etag, alert.etag);

    network.record(network.ask(&bench, &[19.557; 3])).await;
    look(&network).await;
    let closed = now(&network, &alert.name).await;
    assert_eq!(closed.state(), v1::AlertState::Closed);
    assert_eq!(closed.close_time, Some(stamp(network.now())));
    assert!(
        closed
            .close_reason
            .starts_with("The calibration was recorded")
    );
    assert!(
        of_kind(&network, &bench.site, v1::AlertKind::CalibrationDue)
            .await
            .iter()
            .all(|other| other.name != alert.name)
    );
    network.stop().await;
}

#[tokio::test]
async fn alerts_are_listed_the_most_pressing_first_page_by_page() {
    let (network, first, alert) = alerted().await;
    network.bench_elsewhere("south", &first).await;
    look(&network).await;
    network.advance_days(3);
    look(&network).await;
    let ask = |parent: &str| v1::ListAlertsRequest {
        parent: parent.to_owned(),
        page_size: 1,
        ..v1::ListAlertsRequest::default()
    };
    let mut paged = Vec::new();
    let mut next = ask("sites/-");
    loop {
        let page = network.remote.alerts(next.clone()).await.expect("a page");
        paged.extend(page.alerts);
        if page.next_page_token.is_empty() {
            break;
        }
        next.page_token = page.next_page_token;
    }
    let whole = v1::ListAlertsRequest {
        page_size: 1000,
        ..ask("sites/-")
    };
    assert_eq!(paged, listed(&network, whole.clone()).await);
    assert!(paged.len() >= 2, "{}", paged.len());
    let stages: Vec<i32> = paged.iter().map(|alert| -alert.stage).collect();
    assert!(stages.is_sorted(), "{stages:?}");
    let of_site = v1::ListAlertsRequest {
        parent: first.site.clone(),
        ..whole.clone()
    };
    let own = listed(&network, of_site).await;
    assert!(own.iter().all(|alert| alert.site == first.site));
    assert!(own.iter().any(|own| own.name == alert.name));
    let of_quality = v1::ListAlertsRequest {
        level: v1::AlertLevel::Quality.into(),
        ..whole.clone()
    };
    let of_quality = listed(&network, of_quality).await;
    assert!(
        of_quality
            .iter()
            .all(|alert| alert.level() == v1::AlertLevel::Quality)
    );
    assert_eq!(of_quality.len(), 2, "both furnaces were never calibrated");
    let closed = v1::ListAlertsRequest {
        state: v1::AlertState::Closed.into(),
        ..whole.clone()
    };
    assert_eq!(listed(&network, closed).await, []);

    let unknown = v1::ListAlertsRequest {
        state: 9,
        kind: -1,
        level: 4,
        ..whole.clone()
    };
    let failure = network.remote.alerts(unknown).await.expect_err("unknown");
    for field in ["state", "kind", "level"] {
        bad_value(&failure, field, "UNKNOWN_VALUE", "");
    }
    let elsewhere = v1::ListAlertsRequest {
        parent: "sites/none".to_owned(),
        ..whole.clone()
    };
    let failure = network.remote.alerts(elsewhere).await.expect_err("no site");
    missing(&failure, "sites/none");
    let foreign = v1::ListAlertsRequest {
        page_token: "AAAA".to_owned(),
        ..whole
    };
    let failure = network.remote.alerts(foreign).await.expect_err("no token");
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    network.stop().await;
}

#[tokio::test]
async fn an_alert_that_was_seen_stays_open_until_mended_and_opens_again_when_late() {
    let (network, bench, alert) = alerted().await;
    let mut ask = seen(&alert.name);
    "0198c0de-0000-7000-8000-000000000001".clone_into(&mut ask.request_id);
    let before = network.audit_length(&bench.site).await;
    let first = network
        .remote
        .acknowledge_alert(ask.clone())
        .await
        .expect("noted");
    let noted = first.alert.clone().expect("an alert");
    assert_eq!(noted.state(), v1::AlertState::Acknowledged);
    assert_eq!(
        (noted.note.as_str(), noted.noted_by.as_str()),
        ("ring goes in tonight", "t1")
    );
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    look(&network).await;
    assert_eq!(now(&network, &alert.name).await, noted);

    network.advance_days(3);
    look(&network).await;
    let late = now(&network, &alert.name).await;
    assert_eq!(
        (late.state(), late.stage()),
        (v1::AlertState::Open, v1::AlertStage::Lapsed)
    );
    // The same request again is the answer of the first time, and notes nothing.
    let again = network
        .remote
        .acknowledge_alert(ask)
        .await
        .expect("answered");
    assert_eq!(again, first);
    assert_eq!(now(&network, &alert.name).await, late);

    network.record(network.ask(&bench, &[19.557; 3])).await;
    look(&network).await;
    let failure = network.remote.acknowledge_alert(seen(&alert.name)).await;
    let failure = failure.expect_err("it is closed");
    forbidden(&failure, "ALERT_CLOSED", "name", "its cause is mended");
    network.stop().await;
}

#[tokio::test]
async fn an_alert_rests_a_day_at_most_twice_at_most_and_never_past_grace() {
    let (network, _, alert) = alerted().await;
    let hours = |hours| network.now() + SignedDuration::from_hours(hours);
    let refused = async |until: Timestamp| {
        let ask = rest(&alert.name, until);
        *network.remote.snooze_alert(ask).await.expect_err("no rest")
    };
    for until in [hours(25), hours(0), hours(-1)] {
        forbidden(
            &refused(until).await,
            "MAY_NOT_REST",
            "until_time",
            "within the next 24 hours",
        );
    }
    for round in 1..=2 {
        let until = hours(2);
        let noted = network.remote.snooze_alert(rest(&alert.name, until)).await;
        let noted = noted.expect("it rests").alert.expect("an alert");
        assert_eq!(noted.state(), v1::AlertState::Snoozed);
        assert_eq!(noted.snoozed_until_time, Some(stamp(until)));
        assert_eq!(noted.snooze_count, round);
        network.advance_h(3);
        look(&network).await;
        let awake = now(&network, &alert.name).await;
        assert_eq!(
            (awake.state(), awake.snoozed_until_time),
            (v1::AlertState::Open, None)
        );
    }
    forbidden(
        &refused(hours(2)).await,
        "MAY_NOT_REST",
        "until_time",
        "rested twice already",
    );

    let mut wordless = rest(&alert.name, hours(2));
    wordless.note.clear();
    let failure = network
        .remote
        .snooze_alert(wordless)
        .await
        .expect_err("no reason");
    assert_eq!(failure.violations[0].field, "note", "{failure:?}");
    let mut timeless = rest(&alert.name, hours(2));
    timeless.until_time = None;
    let failure = network
        .remote
        .snooze_alert(timeless)
        .await
        .expect_err("no moment");
    bad_value(
        &failure,
        "until_time",
        "REQUIRED",
        "within the next 24 hours",
    );

    let no_rest = raised(1, Some("north"), network.now());
    let name = no_rest.alert.id.name();
    let mut short = raised(2, Some("north"), network.now());
    short.alert.snooze_limit = Some(hours(1));
    let short_name = short.alert.id.name();
    put(&network, &[no_rest, short]).await;
    let failure = network.remote.snooze_alert(rest(&name, hours(2))).await;
    let failure = failure.expect_err("patients");
    forbidden(&failure, "MAY_NOT_REST", "until_time", "mend the cause");
    let failure = network
        .remote
        .snooze_alert(rest(&short_name, hours(2)))
        .await;
    forbidden(
        &failure.expect_err("grace"),
        "MAY_NOT_REST",
        "until_time",
        "the end of grace",
    );
    network.stop().await;
}

#[tokio::test]
async fn an_alert_that_is_not_there_and_a_name_that_is_none_are_told_apart() {
    let network = Network::start().await;
    let none = "alerts/0198c0de-0000-7000-8000-000000000001";
    let ask = v1::GetAlertRequest {
        name: none.to_owned(),
    };
    missing(&network.remote.alert(ask).await.expect_err("none"), none);
    let failure = network.remote.acknowledge_alert(seen(none)).await;
    missing(&failure.expect_err("none"), none);
    let failure = network.remote.snooze_alert(rest(none, network.now())).await;
    missing(&failure.expect_err("none"), none);
    for name in ["", "alerts/", "alert/1", "sites/north"] {
        let ask = v1::GetAlertRequest {
            name: name.to_owned(),
        };
        let failure = network.remote.alert(ask).await.expect_err("no name");
        assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
        assert_eq!(failure.violations[0].field, "name", "{failure:?}");
    }
    let mut long = seen(none);
    long.note = "x".repeat(501);
    long.noted_by = "x".repeat(41);
    let failure = network
        .remote
        .acknowledge_alert(long)
        .await
        .expect_err("too long");
    let fields: Vec<&str> = failure
        .violations
        .iter()
        .map(|one| one.field.as_str())
        .collect();
    assert_eq!(fields, ["note", "noted_by"]);
    network.stop().await;
}

#[tokio::test]
async fn another_sites_alert_is_not_there_for_a_caller_of_one_site() {
    let (network, first, alert) = alerted().await;
    network.bench_elsewhere("south", &first).await;
    put(&network, &[raised(1, None, network.now())]).await;
    let id = AlertId::parse(&alert.name).expect("a name");
    let shared = AlertId::new("0198c0de-0000-7000-8000-000000000001").expect("an id");
    let caller = |site: &str, rights: &[Right]| {
        let sites = BTreeSet::from([SiteId::new(site).expect("an id")]);
        Caller::of_sites("test".to_owned(), rights.iter().copied().collect(), sites)
    };
    let note = async |caller: Caller, id: &AlertId| {
        let said = Said {
            note: "seen".to_owned(),
            noted_by: "t2".to_owned(),
        };
        let speaking: app::Speaking = Box::new(move |alert, now| acknowledged(alert, &said, now));
        let noted = app::note_alert(&network.app, &caller, id, speaking, &Request::NONE).await;
        noted.map_err(|fault| Failure::of(&status(fault)))
    };
    let all = [Right::Read, Right::Record, Right::Note];
    let failure = note(caller("south", &all), &id)
        .await
        .expect_err("not its own");
    missing(&failure, &alert.name);
    let failure = note(caller("north", &[Right::Read]), &id).await;
    assert_eq!(
        failure.expect_err("reads only").code,
        Code::PermissionDenied
    );
    // What the network shares is seen by all, and spoken of by those who keep its batches.
    let failure = note(caller("north", &all), &shared).await;
    assert_eq!(
        failure.expect_err("not theirs").code,
        Code::PermissionDenied
    );
    assert_eq!(now(&network, &alert.name).await, alert);
    let noted = note(caller("north", &all), &id).await.expect("its own");
    assert_eq!(noted.alert.state, AlertState::Acknowledged);
    network.stop().await;
}
