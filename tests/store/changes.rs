//! The change feed: every entry once and in order, whoever numbers it, and nothing of other sites.

use std::time::Duration;

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::change::{ActorKind, Change, Position};
use ringtrue_store::{ChangeFilter, Error, Fed, Over, Request};
use ringtrue_tests::process::PATIENCE;
use tokio::time::timeout;

use crate::alerts::{acknowledged, alert, put, raised};
use crate::laboratory::{Laboratory, moment, only_at, request};

const ALL: i64 = i64::MAX;

async fn fed(lab: &Laboratory) -> usize {
    let scope = Scope::for_work("changes");
    let mut numbered = 0;
    while let Some(unfed) = lab
        .store
        .read(&scope)
        .unfed_changes()
        .await
        .expect("looked")
    {
        let tx = lab.store.begin_over("changes", &scope, Over::Nothing).await;
        let mut tx = tx.expect("begun");
        numbered += tx.feed_changes(unfed).await.expect("numbered").numbered;
        tx.commit().await.expect("committed");
    }
    numbered
}

async fn told(lab: &Laboratory) -> Vec<Change> {
    let read = lab.store.read(&Scope::for_work("test"));
    let all = ChangeFilter::default();
    read.changes(&all, 0, ALL, 1000).await.expect("told")
}

fn kinds(changes: &[Change]) -> Vec<&str> {
    changes.iter().map(|change| change.kind.as_str()).collect()
}

#[tokio::test]
async fn every_entry_gets_one_number_and_a_place_in_its_site() {
    let lab = Laboratory::furnished().await;
    assert_eq!(fed(&lab).await, 5);
    let first = told(&lab).await;
    let mut names = kinds(&first);
    names.sort_unstable();
    assert_eq!(
        names,
        [
            "furnace.created",
            "gauge.created",
            "programme.created",
            "ring_batch.created",
            "site.created"
        ]
    );
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    assert_eq!(fed(&lab).await, 1);
    let one = alert(&lab, "a1");
    put(&lab, &[raised(one.clone())]).await;
    let mut tx = lab.begin().await;
    tx.note_alert(&acknowledged(&one), &request(9), moment(2))
        .await
        .expect("noted");
    tx.commit().await.expect("committed");
    assert_eq!(fed(&lab).await, 2);
    assert_eq!(fed(&lab).await, 0);
    let changes = told(&lab).await;
    assert_eq!(
        kinds(&changes[5..]),
        ["reading.recorded", "alert.raised", "alert.acknowledged"]
    );
    let numbers: Vec<i64> = changes.iter().map(|one| one.position.number).collect();
    assert_eq!(numbers, [1, 2, 3, 4, 5, 6, 7, 8]);
    let own: Vec<i64> = changes
        .iter()
        .filter(|one| one.site.as_ref() == Some(&lab.site))
        .map(|one| one.sequence)
        .collect();
    assert_eq!(own, [1, 2, 3, 4, 5, 6, 7]);
    let reading = &changes[5];
    assert_eq!(
        (&*reading.name, &*reading.reading, reading.furnace()),
        (&*key.name(), &*key.name(), &*lab.furnace.name())
    );
    assert_eq!(changes[6].subject, lab.furnace.name());
    assert_eq!(changes[6].actor, ActorKind::Server);
    assert_eq!(changes[7].subject, lab.furnace.name());
}

#[tokio::test]
async fn what_two_found_at_once_is_numbered_by_one_of_them() {
    let lab = Laboratory::furnished().await;
    let scope = Scope::for_work("changes");
    let read = lab.store.read(&scope);
    let mine = read.unfed_changes().await.expect("looked").expect("new");
    let theirs = read.unfed_changes().await.expect("looked").expect("new");
    for (unfed, numbered) in [(theirs, 5), (mine, 0)] {
        let tx = lab.store.begin_over("changes", &scope, Over::Nothing).await;
        let mut tx = tx.expect("begun");
        let Fed {
            numbered: found,
            has_more,
        } = tx.feed_changes(unfed).await.expect("numbered");
        assert_eq!((found, has_more), (numbered, numbered == 0));
        tx.commit().await.expect("committed");
    }
    assert_eq!(told(&lab).await.len(), 5);
    // What was numbered and not committed is found again.
    lab.recorded("k1", 0, 19.47, "first").await;
    let unfed = read.unfed_changes().await.expect("looked").expect("new");
    let tx = lab.store.begin_over("changes", &scope, Over::Nothing).await;
    let mut tx = tx.expect("begun");
    tx.feed_changes(unfed).await.expect("numbered");
    tx.roll_back().await.expect("undone");
    assert_eq!(fed(&lab).await, 1);
    assert_eq!(told(&lab).await.len(), 6);
}

#[tokio::test]
async fn long_backlogs_are_told_in_order_whatever_they_are_of() {
    const ALERTS: usize = 1_203;
    let lab = Laboratory::furnished().await;
    for part in 0..3 {
        let changes: Vec<_> = (0..ALERTS / 3)
            .map(|number| raised(alert(&lab, &format!("p{part}n{number}"))))
            .collect();
        put(&lab, &changes).await;
    }
    lab.recorded("k1", 0, 19.47, "first").await;
    assert_eq!(fed(&lab).await, ALERTS + 6);
    let mut after = 0;
    let mut sequences = Vec::new();
    let read = lab.store.read(&Scope::for_work("test"));
    let filter = ChangeFilter {
        site: Some(lab.site.clone()),
        ..ChangeFilter::default()
    };
    loop {
        let part = read.changes(&filter, after, ALL, 500).await.expect("told");
        let Some(last) = part.last() else { break };
        after = last.position.number;
        sequences.extend(part.iter().map(|change| change.sequence));
    }
    let wanted: Vec<i64> = (1..=i64::try_from(ALERTS + 5).expect("few")).collect();
    assert_eq!(sequences, wanted);
}

#[tokio::test]
async fn of_very_many_chains_each_gives_a_few_entries_a_turn() {
    // So many that a turn that took all that waits of each would be without bounds.
    const SITES: usize = 1_300;
    const EVENTS: i64 = 40;
    let lab = Laboratory::furnished().await;
    fed(&lab).await;
    let mut tx = lab.begin().await;
    for number in 0..SITES {
        let site = Laboratory::new_site(&format!("site-{number}"));
        tx.insert_site(&site, &Request::NONE).await.expect("a site");
    }
    tx.commit().await.expect("committed");
    for hours in 0..EVENTS {
        let mut tx = lab.begin().await;
        tx.insert_furnace_event(&lab.new_event(hours), &Request::NONE)
            .await
            .expect("an event");
        tx.commit().await.expect("committed");
    }
    let scope = Scope::for_work("changes");
    let unfed = lab.store.read(&scope).unfed_changes().await;
    let unfed = unfed.expect("looked").expect("new");
    let tx = lab.store.begin_over("changes", &scope, Over::Nothing).await;
    let mut tx = tx.expect("begun");
    let first = tx.feed_changes(unfed).await.expect("numbered");
    tx.commit().await.expect("committed");
    let all = SITES + usize::try_from(EVENTS).expect("few");
    assert!(first.has_more && first.numbered < all, "{first:?}");
    assert_eq!(first.numbered + fed(&lab).await, all);
    let read = lab.store.read(&Scope::for_work("test"));
    let own = ChangeFilter {
        site: Some(lab.site.clone()),
        types: vec!["furnace.event_recorded".to_owned()],
    };
    let told = read.changes(&own, 0, ALL, 100).await.expect("told");
    let names: Vec<String> = told.into_iter().map(|change| change.name).collect();
    let wanted: Vec<String> = (0..EVENTS)
        .map(|hours| lab.new_event(hours).key.name())
        .collect();
    assert_eq!(names, wanted);
}

#[tokio::test]
async fn changes_of_other_sites_are_not_told_and_shared_ones_are() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    tx.insert_site(&Laboratory::new_site("bogota"), &Request::NONE)
        .await
        .expect("a site");
    tx.commit().await.expect("committed");
    fed(&lab).await;
    let stranger = only_at("bogota").network(Right::Read).expect("may read");
    let read = lab.store.read(&stranger);
    let all = ChangeFilter::default();
    let mut seen: Vec<String> = read
        .changes(&all, 0, ALL, 100)
        .await
        .expect("told")
        .into_iter()
        .map(|change| change.name)
        .collect();
    seen.sort_unstable();
    assert_eq!(seen, [lab.batch.name(), "sites/bogota".to_owned()]);
    let of_porto = ChangeFilter {
        site: Some(lab.site.clone()),
        ..ChangeFilter::default()
    };
    let foreign = read.changes(&of_porto, 0, ALL, 1).await;
    assert!(matches!(foreign, Err(Error::OutOfScope)), "{foreign:?}");
    let only = |types: &[&str]| ChangeFilter {
        types: types.iter().map(|one| (*one).to_owned()).collect(),
        ..ChangeFilter::default()
    };
    let whole = lab.store.read(&Scope::for_work("test"));
    for (types, count) in [
        (vec!["site"], 2),
        (vec!["site.created", "ring_batch"], 3),
        (vec!["sit", "gauge.updated"], 0),
    ] {
        let found = whole.changes(&only(&types), 0, ALL, 100).await;
        assert_eq!(found.expect("told").len(), count, "{types:?}");
    }
    for refused in [
        read.end_of_changes().await.map(|_| ()),
        read.change_mark(1).await.map(|_| ()),
        read.oldest_change().await.map(|_| ()),
        read.unfed_changes().await.map(|_| ()),
    ] {
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
}

#[tokio::test]
async fn old_changes_go_without_gaps_and_the_last_one_stays() {
    let lab = Laboratory::furnished().await;
    let read = lab.store.read(&Scope::for_work("test"));
    let end = read.end_of_changes().await.expect("an end");
    assert_eq!(end, Position::beginning());
    assert_eq!(read.oldest_change().await.expect("looked"), None);
    fed(&lab).await;
    let end = read.end_of_changes().await.expect("an end");
    assert_eq!(end, told(&lab).await[4].position);
    assert_eq!(
        read.change_mark(5).await.expect("looked"),
        Some(end.mark.clone())
    );
    for (before, most, gone, oldest) in [
        (moment(-100_000), 100, 0, 1),
        (moment(100_000), 3, 3, 4),
        (moment(100_000), 100, 1, 5),
        (moment(100_000), 100, 0, 5),
    ] {
        let mut tx = lab.begin().await;
        assert_eq!(tx.forget_changes(before, most).await.expect("gone"), gone);
        tx.commit().await.expect("committed");
        let kept = read.oldest_change().await.expect("looked");
        assert_eq!(kept, Some(oldest));
    }
    assert_eq!(read.end_of_changes().await.expect("an end"), end);
    assert_eq!(read.change_mark(4).await.expect("looked"), None);
    lab.recorded("k1", 0, 19.47, "first").await;
    assert_eq!(fed(&lab).await, 1);
    assert_eq!(told(&lab).await[1].position.number, 6);
}

#[tokio::test]
async fn whoever_numbers_is_woken_by_what_was_committed_and_by_nothing_else() {
    let lab = Laboratory::furnished().await;
    timeout(PATIENCE, lab.store.grown())
        .await
        .expect("the laboratory was entered");
    let mut tx = lab.begin().await;
    tx.take_lease("test", "me", moment(0), jiff::SignedDuration::from_secs(1))
        .await
        .expect("taken");
    tx.commit().await.expect("committed");
    let mut tx = lab.begin().await;
    tx.put_alerts(&[raised(alert(&lab, "a1"))], moment(1))
        .await
        .expect("kept");
    tx.roll_back().await.expect("undone");
    let short = Duration::from_millis(50);
    assert!(timeout(short, lab.store.grown()).await.is_err());
    put(&lab, &[raised(alert(&lab, "a1"))]).await;
    timeout(PATIENCE, lab.store.grown())
        .await
        .expect("an alert was raised");
}
