//! Alerts: one for each cause, listed by urgency, every change in one order without gaps.

use futures::future::join_all;
use jiff::civil::date;
use ringtrue_fleet::alert::{Alert, AlertChange, AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::finding::{FindingKind, Subject};
use ringtrue_fleet::key::AlertId;
use ringtrue_store::{AlertFilter, Error, NamedAlert, Page, Request};

use crate::findings::finding;
use crate::laboratory::{Laboratory, moment, only_at, request};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// An alert about the laboratory's furnace.
pub(crate) fn alert(lab: &Laboratory, id: &str) -> Alert {
    Alert {
        id: AlertId::new(id).expect("an id"),
        cause: format!("cause of {id}"),
        kind: AlertKind::CalibrationDue,
        site: Some(lab.site.clone()),
        subject: lab.furnace.name(),
        stage: Stage::Due,
        level: Level::Technician,
        state: AlertState::Open,
        statement: "Calibration is due today.".to_owned(),
        next_step: "Fire a ring.".to_owned(),
        due_on: Some(date(2026, 11, 20)),
        raised_at: moment(0),
        updated_at: moment(0),
        note: String::new(),
        noted_by: String::new(),
        snoozed_until: None,
        snoozes: 0,
        snooze_limit: Some(moment(48)),
        closed_at: None,
        close_reason: String::new(),
        revision: 1,
    }
}

pub(crate) fn raised(alert: Alert) -> AlertChange {
    AlertChange {
        kind: ChangeKind::Raised,
        alert,
    }
}

/// What somebody said about an alert.
pub(crate) fn acknowledged(alert: &Alert) -> AlertChange {
    AlertChange {
        kind: ChangeKind::Acknowledged,
        alert: Alert {
            state: AlertState::Acknowledged,
            note: "tomorrow morning".to_owned(),
            noted_by: "local:t1".to_owned(),
            updated_at: moment(2),
            revision: alert.revision + 1,
            ..alert.clone()
        },
    }
}

pub(crate) async fn put(lab: &Laboratory, changes: &[AlertChange]) -> i64 {
    let mut tx = lab.begin().await;
    let seq = tx.put_alerts(changes, moment(1)).await.expect("kept");
    tx.commit().await.expect("committed");
    seq
}

fn stranger() -> Scope {
    only_at("bogota")
        .network(Right::Record)
        .expect("may record at home")
}

#[tokio::test]
async fn an_alert_reads_back_as_given_with_the_names_people_use() {
    let lab = Laboratory::furnished().await;
    let found = finding(
        "f1",
        FindingKind::GaugeSuspect,
        Subject::Gauge(lab.gauge.clone()),
        0.9,
    );
    let mut tx = lab.begin().await;
    tx.put_findings(&[found], moment(0)).await.expect("kept");
    tx.commit().await.expect("committed");
    let subjects = [
        (lab.furnace.name(), "Furnace k1"),
        (lab.gauge.name(), "Caliper caliper-1"),
        (lab.batch.name(), "X7"),
        (lab.site.name(), "Porto"),
        ("findings/f1".to_owned(), "Caliper caliper-1"),
    ];
    for (at, (subject, name)) in subjects.into_iter().enumerate() {
        let one = Alert {
            subject,
            snoozed_until: Some(moment(24)),
            closed_at: Some(moment(30)),
            close_reason: "done".to_owned(),
            ..alert(&lab, &format!("a{at}"))
        };
        put(&lab, &[raised(one.clone())]).await;
        let named = lab.read().alert(&one.id).await.expect("no fault");
        let named = named.expect("there");
        assert_eq!(named.alert, one);
        assert_eq!(named.subject_display_name, name);
        assert_eq!(named.site_display_name, "Porto");
        assert_eq!(named.time_zone, "Europe/Lisbon");
    }
    let shared = Alert {
        site: None,
        subject: lab.batch.name(),
        ..alert(&lab, "shared")
    };
    put(&lab, &[raised(shared.clone())]).await;
    let named = lab.read().alert(&shared.id).await.expect("no fault");
    let named = named.expect("there");
    assert_eq!(
        (named.alert, named.subject_display_name),
        (shared, "X7".to_owned())
    );
    assert_eq!(
        (named.site_display_name, named.time_zone),
        (String::new(), "UTC".to_owned())
    );
}

#[tokio::test]
async fn the_most_pressing_come_first_page_by_page() {
    let lab = Laboratory::furnished().await;
    let stages = [
        (Stage::Soon, 0),
        (Stage::Lapsed, 5),
        (Stage::Due, 1),
        (Stage::Lapsed, 3),
        (Stage::Overdue, 2),
        (Stage::Lapsed, 3),
    ];
    let mut changes = Vec::new();
    for (at, (stage, hours)) in stages.into_iter().enumerate() {
        changes.push(raised(Alert {
            stage,
            raised_at: moment(hours),
            ..alert(&lab, &format!("a{at}"))
        }));
    }
    put(&lab, &changes).await;
    let mut seen = Vec::new();
    let mut page = Page {
        size: 2,
        after: Vec::new(),
    };
    let filter = AlertFilter::default();
    loop {
        let mut alerts = lab.read().alerts(&filter, &page).await.expect("alerts");
        let more = alerts.len() > 2;
        alerts.truncate(2);
        page.after = alerts.last().expect("a page is not empty").place();
        seen.extend(alerts.into_iter().map(|named| named.alert.id.to_string()));
        if !more {
            break;
        }
    }
    assert_eq!(seen, ["a3", "a5", "a1", "a4", "a2", "a0"]);
    let (seq, snapshot) = lab.read().alert_snapshot(None).await.expect("a snapshot");
    let ids: Vec<String> = snapshot
        .into_iter()
        .map(|named| named.alert.id.to_string())
        .collect();
    assert_eq!((seq, ids), (6, seen));
}

#[tokio::test]
async fn alerts_are_told_apart_by_site_state_kind_and_level() {
    let lab = Laboratory::furnished().await;
    let closed = Alert {
        state: AlertState::Closed,
        ..alert(&lab, "closed")
    };
    let of_quality = Alert {
        level: Level::Quality,
        kind: AlertKind::OutOfTolerance,
        ..alert(&lab, "quality")
    };
    let shared = Alert {
        site: None,
        level: Level::Manager,
        ..alert(&lab, "shared")
    };
    put(
        &lab,
        &[
            raised(closed.clone()),
            raised(of_quality.clone()),
            raised(shared.clone()),
            raised(alert(&lab, "plain")),
        ],
    )
    .await;
    let ids = async |filter: AlertFilter| {
        let alerts = lab.read().alerts(&filter, &FIRST_PAGE).await;
        let mut ids: Vec<String> = alerts
            .expect("alerts")
            .into_iter()
            .map(|named| named.alert.id.to_string())
            .collect();
        ids.sort_unstable();
        ids
    };
    let all = AlertFilter::default;
    assert_eq!(ids(all()).await, ["plain", "quality", "shared"]);
    let site = Some(lab.site.clone());
    assert_eq!(
        ids(AlertFilter { site, ..all() }).await,
        ["plain", "quality"]
    );
    let state = Some(AlertState::Closed);
    assert_eq!(ids(AlertFilter { state, ..all() }).await, ["closed"]);
    let kind = Some(AlertKind::OutOfTolerance);
    assert_eq!(ids(AlertFilter { kind, ..all() }).await, ["quality"]);
    let level = Some(Level::Manager);
    assert_eq!(
        ids(AlertFilter { level, ..all() }).await,
        ["quality", "shared"]
    );
    let read = lab.read();
    let (_, own) = read
        .alert_snapshot(Some(&lab.site))
        .await
        .expect("a snapshot");
    assert_eq!(own.len(), 2);
    let mut tx = lab.begin().await;
    let standing = tx
        .standing_alerts(&[Some(&lab.site)])
        .await
        .expect("alerts");
    assert_eq!(standing.len(), 2);
    assert_eq!(tx.standing_alerts(&[None]).await.expect("alerts"), [shared]);
    let causes = [closed.cause.clone(), "another".to_owned()];
    let found = tx.alerts_of_causes(&causes).await.expect("alerts");
    assert_eq!(found, [closed], "in whatever state");
}

#[tokio::test]
async fn a_cause_raises_one_alert_ever() {
    let lab = Laboratory::furnished().await;
    let first = Alert {
        state: AlertState::Closed,
        ..alert(&lab, "a1")
    };
    put(&lab, &[raised(first.clone())]).await;
    let again = Alert {
        id: AlertId::new("a2").expect("an id"),
        ..first
    };
    let mut tx = lab.begin().await;
    let refused = tx.put_alerts(&[raised(again)], moment(2)).await;
    assert!(matches!(refused, Err(Error::Exists)), "{refused:?}");
    tx.roll_back().await.expect("undone");
    assert_eq!(lab.read().last_alert_change().await.expect("a number"), 1);
}

#[tokio::test]
async fn a_change_shows_the_alert_as_it_was_then() {
    let lab = Laboratory::furnished().await;
    let first = alert(&lab, "a1");
    let later = Alert {
        stage: Stage::Lapsed,
        level: Level::Quality,
        revision: 2,
        ..first.clone()
    };
    let escalated = AlertChange {
        kind: ChangeKind::Escalated,
        alert: later.clone(),
    };
    assert_eq!(put(&lab, &[raised(first.clone())]).await, 1);
    assert_eq!(put(&lab, &[]).await, 1, "nothing changed");
    assert_eq!(put(&lab, std::slice::from_ref(&escalated)).await, 2);
    let changes = lab.read().alert_changes(0, 10).await.expect("changes");
    let told: Vec<(i64, ChangeKind, Alert)> = changes
        .into_iter()
        .map(|change| {
            assert_eq!(change.at, moment(1));
            assert_eq!(change.alert.subject_display_name, "Furnace k1");
            (change.seq, change.kind, change.alert.alert)
        })
        .collect();
    let expected = [
        (1, ChangeKind::Raised, first.clone()),
        (2, ChangeKind::Escalated, later.clone()),
    ];
    assert_eq!(told, expected);
    let last = lab.read().alert_changes(1, 10).await.expect("changes");
    assert_eq!((last.len(), last[0].seq), (1, 2));
    let only_one = lab.read().alert_changes(0, 1).await.expect("changes");
    assert_eq!((only_one.len(), only_one[0].seq), (1, 1));
    let now = lab.read().alert(&first.id).await.expect("no fault");
    assert_eq!(now.expect("there").alert, later);
}

#[tokio::test]
async fn numbers_have_no_gaps_however_many_write_and_undo() {
    let lab = Laboratory::furnished().await;
    let mut writers = Vec::new();
    for writer in 0..8 {
        let store = lab.store.clone();
        let mut changes = Vec::new();
        for at in 0..9 {
            changes.push(raised(alert(&lab, &format!("a{writer}-{at}"))));
        }
        writers.push(async move {
            for change in changes.chunks(3) {
                let scope = Scope::for_work("test");
                let mut tx = store.begin("test", &scope).await.expect("a transaction");
                tx.put_alerts(change, moment(1)).await.expect("kept");
                tx.roll_back().await.expect("undone");
                let mut tx = store.begin("test", &scope).await.expect("a transaction");
                tx.put_alerts(change, moment(1)).await.expect("kept");
                tx.commit().await.expect("committed");
            }
        });
    }
    join_all(writers).await;
    let changes = lab.read().alert_changes(0, 1000).await.expect("changes");
    let numbers: Vec<i64> = changes.iter().map(|change| change.seq).collect();
    assert_eq!(numbers, (1..=72).collect::<Vec<i64>>());
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn what_somebody_said_is_in_the_chain_and_answered_the_same_again() {
    let lab = Laboratory::furnished().await;
    let first = alert(&lab, "a1");
    put(&lab, &[raised(first.clone())]).await;
    let entries = lab
        .read()
        .audit_length(Some(&lab.site))
        .await
        .expect("a length");
    let said = acknowledged(&first);
    let mut tx = lab.begin().await;
    let seq = tx
        .note_alert(&said, &request(4), moment(2))
        .await
        .expect("kept");
    assert_eq!(seq, 2);
    tx.commit().await.expect("committed");
    let closed = AlertChange {
        kind: ChangeKind::Closed,
        alert: Alert {
            state: AlertState::Closed,
            closed_at: Some(moment(5)),
            revision: 3,
            ..said.alert.clone()
        },
    };
    put(&lab, std::slice::from_ref(&closed)).await;
    let now = lab
        .read()
        .audit_length(Some(&lab.site))
        .await
        .expect("a length");
    assert_eq!(now, entries + 1, "work writes no entry");
    let mut tx = lab.begin().await;
    let earlier = tx.answered(&request(4)).await.expect("no fault");
    let answer = tx.alert_answered(&earlier.expect("answered")).await;
    assert_eq!(answer.expect("no fault").expect("there").alert, said.alert);
    let today = tx.alert(&first.id).await.expect("no fault");
    assert_eq!(today.expect("there").alert, closed.alert);
    tx.roll_back().await.expect("undone");
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn who_holds_what_in_the_network_is_told_only_to_who_reaches_all_of_it() {
    let lab = Laboratory::furnished().await;
    let network = Alert {
        site: None,
        kind: AlertKind::CredentialEnds,
        ..alert(&lab, "network")
    };
    let own = Alert {
        kind: AlertKind::CredentialEnds,
        ..alert(&lab, "own")
    };
    put(&lab, &[raised(network.clone()), raised(own.clone())]).await;
    let at_home = only_at("porto").network(Right::Read).expect("may read");
    for (read, expected) in [
        (lab.read(), vec!["network", "own"]),
        (lab.store.read(&at_home), vec!["own"]),
        (lab.store.read(&stranger()), vec![]),
    ] {
        let ids = |alerts: Vec<NamedAlert>| {
            let mut ids: Vec<String> = alerts.iter().map(|one| one.alert.id.to_string()).collect();
            ids.sort_unstable();
            ids
        };
        let listed = read.alerts(&AlertFilter::default(), &FIRST_PAGE).await;
        assert_eq!(ids(listed.expect("alerts")), expected);
        let (_, snapshot) = read.alert_snapshot(None).await.expect("a snapshot");
        assert_eq!(ids(snapshot), expected);
        let changes = read.alert_changes(0, 10).await.expect("changes");
        let changed = changes.into_iter().map(|change| change.alert).collect();
        assert_eq!(ids(changed), expected);
        let one = read.alert(&network.id).await.expect("no fault");
        assert_eq!(one.is_some(), expected.contains(&"network"));
    }
}

#[tokio::test]
async fn alerts_of_other_sites_are_not_there_and_those_of_the_network_are() {
    let lab = Laboratory::furnished().await;
    let own = alert(&lab, "own");
    let shared = Alert {
        site: None,
        ..alert(&lab, "shared")
    };
    put(&lab, &[raised(own.clone()), raised(shared.clone())]).await;
    let read = lab.store.read(&stranger());
    assert_eq!(read.alert(&own.id).await.expect("no fault"), None);
    let filter = AlertFilter::default();
    let seen = read.alerts(&filter, &FIRST_PAGE).await.expect("alerts");
    assert_eq!((seen.len(), &seen[0].alert), (1, &shared));
    let (seq, snapshot) = read.alert_snapshot(None).await.expect("a snapshot");
    assert_eq!((seq, snapshot.len()), (2, 1));
    let changes = read.alert_changes(0, 10).await.expect("changes");
    assert_eq!((changes.len(), changes[0].seq), (1, 2));
    assert_eq!(read.last_alert_change().await.expect("a number"), 2);
    let of_site = AlertFilter {
        site: Some(lab.site.clone()),
        ..filter
    };
    let refused = [
        read.alerts(&of_site, &FIRST_PAGE).await.err(),
        read.alert_snapshot(Some(&lab.site)).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
    let mut tx = lab
        .store
        .begin("test", &stranger())
        .await
        .expect("a transaction");
    assert_eq!(tx.alert(&own.id).await.expect("no fault"), None);
    let refused = [
        tx.standing_alerts(&[Some(&lab.site)]).await.err(),
        tx.standing_alerts(&[None]).await.err(),
        tx.alerts_of_causes(std::slice::from_ref(&own.cause))
            .await
            .err(),
        tx.put_alerts(&[raised(own.clone())], moment(3)).await.err(),
        tx.put_alerts(&[raised(shared)], moment(3)).await.err(),
        tx.note_alert(&acknowledged(&own), &Request::NONE, moment(3))
            .await
            .err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}
