//! The agenda: every record puts its site on it, and no look takes off what came in meanwhile. How work does
//! is kept beside it.

use std::time::Duration;

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::rule::RulePlace;
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::{Error, Request, WorkRun};

use crate::alerts::{acknowledged, alert, put, raised};
use crate::laboratory::{Laboratory, moment, new_batch, only_at};
use crate::schedules::rule;

/// Which sites are to be looked at, with the number of their changes.
async fn agenda(lab: &Laboratory, hours: i64) -> Vec<(Option<SiteId>, i64)> {
    let read = lab.read();
    read.agenda(moment(hours), 100).await.expect("an agenda")
}

/// Looks at everything and foresees nothing.
async fn all_looked_at(lab: &Laboratory) {
    let mut tx = lab.begin().await;
    for (site, changes) in agenda(lab, 0).await {
        tx.looked_at(&[(site, changes, None)]).await.expect("noted");
    }
    tx.commit().await.expect("committed");
    assert_eq!(agenda(lab, 1_000_000).await, []);
}

/// The sites to be looked at, by id; empty for the network.
async fn waiting(lab: &Laboratory) -> Vec<String> {
    let mut sites = Vec::new();
    for (site, _) in agenda(lab, 0).await {
        sites.push(site.map_or_else(String::new, |site| site.to_string()));
    }
    sites
}

#[tokio::test]
async fn every_record_puts_its_site_on_the_agenda() {
    let lab = Laboratory::furnished().await;
    assert_eq!(
        waiting(&lab).await,
        ["", "porto"],
        "a new site, a new batch"
    );
    all_looked_at(&lab).await;
    lab.recorded("k1", 0, 19.47, "first").await;
    assert_eq!(waiting(&lab).await, ["porto"]);
    all_looked_at(&lab).await;
    let mut tx = lab.begin().await;
    tx.insert_furnace_event(&lab.new_event(1), &Request::NONE)
        .await
        .expect("an event");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["porto"]);
    all_looked_at(&lab).await;
    put(&lab, &[raised(alert(&lab, "a1"))]).await;
    assert!(
        waiting(&lab).await.is_empty(),
        "an alert follows from a look"
    );
    let said = acknowledged(&alert(&lab, "a1"));
    let scope = only_at("porto")
        .site(Right::Record, &lab.site)
        .expect("at home");
    let mut tx = lab
        .store
        .begin("test", &scope)
        .await
        .expect("a transaction");
    tx.note_alert(&said, &Request::NONE, moment(2))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["porto"]);
}

#[tokio::test]
async fn what_the_network_shares_puts_every_site_on_the_agenda() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let bogota = Laboratory::new_site("bogota");
    tx.insert_site(&bogota, &Request::NONE)
        .await
        .expect("a site");
    tx.commit().await.expect("committed");
    all_looked_at(&lab).await;
    let own = rule(RulePlace::Site(lab.site.clone()), TaskKind::Calibration);
    let mut tx = lab.begin().await;
    tx.put_rule(&own, &Request::NONE).await.expect("kept");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["porto"]);
    all_looked_at(&lab).await;
    let shared = rule(RulePlace::Network, TaskKind::Calibration);
    let mut tx = lab.begin().await;
    tx.put_rule(&shared, &Request::NONE).await.expect("kept");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["", "bogota", "porto"]);
    all_looked_at(&lab).await;
    let mut tx = lab.begin().await;
    tx.update_ring_batch(&new_batch("x7"), None, &Request::NONE)
        .await
        .expect("the next version");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["", "bogota", "porto"]);
    all_looked_at(&lab).await;
    let mut tx = lab.begin().await;
    tx.look_everywhere().await.expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(waiting(&lab).await, ["", "bogota", "porto"]);
}

#[tokio::test]
async fn a_record_made_during_a_look_is_not_lost() {
    let lab = Laboratory::furnished().await;
    let seen = agenda(&lab, 0).await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let looks: Vec<_> = seen
        .iter()
        .map(|(site, changes)| (site.clone(), *changes, Some(moment(10))))
        .collect();
    tx.looked_at(&looks).await.expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(
        waiting(&lab).await,
        ["porto"],
        "it came after what was seen"
    );
    all_looked_at_again(&lab).await;
}

/// The network's own moment stands; the site's look is now complete.
async fn all_looked_at_again(lab: &Laboratory) {
    let mut tx = lab.begin().await;
    for (site, changes) in agenda(lab, 0).await {
        tx.looked_at(&[(site, changes, Some(moment(20)))])
            .await
            .expect("noted");
    }
    tx.commit().await.expect("committed");
    assert!(agenda(lab, 9).await.is_empty());
    let then: Vec<Option<SiteId>> = agenda(lab, 20)
        .await
        .into_iter()
        .map(|(site, _)| site)
        .collect();
    assert_eq!(
        then,
        [None, Some(lab.site.clone())],
        "what came first, first"
    );
}

#[tokio::test]
async fn what_was_undone_leaves_no_trace_on_the_agenda() {
    let lab = Laboratory::furnished().await;
    all_looked_at(&lab).await;
    let mut tx = lab.begin().await;
    tx.insert_furnace_event(&lab.new_event(1), &Request::NONE)
        .await
        .expect("an event");
    tx.roll_back().await.expect("undone");
    assert!(waiting(&lab).await.is_empty());
}

#[tokio::test]
async fn how_much_waits_and_since_when_is_told() {
    let lab = Laboratory::furnished().await;
    let read = lab.read();
    assert_eq!(
        read.agenda_waiting(moment(0)).await.expect("told"),
        (2, None)
    );
    let mut tx = lab.begin().await;
    for (site, changes) in agenda(&lab, 0).await {
        let next_at = site.is_some().then(|| moment(5));
        tx.looked_at(&[(site, changes, next_at)])
            .await
            .expect("noted");
    }
    tx.commit().await.expect("committed");
    assert_eq!(
        read.agenda_waiting(moment(4)).await.expect("told"),
        (0, None)
    );
    let waiting = read.agenda_waiting(moment(6)).await.expect("told");
    assert_eq!(waiting, (1, Some(moment(5))));
}

#[tokio::test]
async fn the_agenda_is_for_work_on_the_whole_network() {
    let lab = Laboratory::furnished().await;
    let scope = only_at("bogota")
        .network(Right::Record)
        .expect("may record at home");
    let read = lab.store.read(&scope);
    let mut tx = lab
        .store
        .begin("test", &scope)
        .await
        .expect("a transaction");
    let run = run(Ok(()));
    let refused = [
        read.agenda(moment(0), 1).await.err(),
        read.agenda_waiting(moment(0)).await.err(),
        read.work_runs().await.err(),
        tx.look_everywhere().await.err(),
        tx.looked_at(&[(Some(lab.site.clone()), 1, None)])
            .await
            .err(),
        tx.looked_at(&[(None, 1, None)]).await.err(),
        tx.note_run(&run).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}

fn run(outcome: Result<(), String>) -> WorkRun<'static> {
    WorkRun {
        name: "look",
        began_at: moment(1),
        duration: Duration::from_millis(1500),
        outcome,
    }
}

async fn noted(lab: &Laboratory, run: &WorkRun<'_>) {
    let scope = Scope::for_work("look");
    let mut tx = lab
        .store
        .begin("test", &scope)
        .await
        .expect("a transaction");
    tx.note_run(run).await.expect("noted");
    tx.commit().await.expect("committed");
}

#[tokio::test]
async fn how_work_does_is_told_by_its_last_run_and_its_last_success() {
    let lab = Laboratory::empty().await;
    assert!(lab.read().work_runs().await.expect("records").is_empty());
    noted(&lab, &run(Err("the disk is full".to_owned()))).await;
    let records = lab.read().work_runs().await.expect("records");
    assert_eq!((records[0].runs, records[0].failures), (0, 1));
    assert_eq!(records[0].succeeded_at, None);
    assert_eq!(records[0].last_failure, "the disk is full");
    noted(&lab, &run(Ok(()))).await;
    let records = lab.read().work_runs().await.expect("records");
    let done = moment(1) + Duration::from_millis(1500);
    assert_eq!((records[0].runs, records[0].failures), (1, 1));
    assert_eq!(records[0].succeeded_at, Some(done));
    assert_eq!(records[0].last_failure, "");
    assert_eq!(records[0].duration, Duration::from_millis(1500));
    noted(&lab, &run(Err("again".to_owned()))).await;
    let records = lab.read().work_runs().await.expect("records");
    assert_eq!(records.len(), 1);
    assert_eq!(records[0].succeeded_at, Some(done), "still known");
    assert_eq!(records[0].last_failure, "again");
}
