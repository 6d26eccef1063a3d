//! What standings follow from, loaded for many sites at once: the same as is told record by record. How many changes
//! there were says whether that is still so.

use std::sync::Arc;

use ringtrue_fleet::caller::Right;
use ringtrue_fleet::finding::{FindingKind, Subject};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::rule::RulePlace;
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::{Error, Page, Request};

use crate::findings::finding;
use crate::fits::fitted;
use crate::laboratory::{Laboratory, moment, only_at};
use crate::schedules::rule;

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// A site with something of everything, and one with nothing.
async fn two_sites() -> (Laboratory, SiteId) {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    lab.recorded("k1", 24 * 14, 19.46, "second").await;
    let event = lab.new_event(24 * 15);
    let check = lab.new_check(24 * 15);
    let bogota = Laboratory::new_site("bogota");
    let about = Subject::Furnace(lab.furnace.clone());
    let found = finding("f1", FindingKind::FurnaceDrifting, about, 0.9);
    let own = rule(RulePlace::Site(lab.site.clone()), TaskKind::Calibration);
    let shared = rule(RulePlace::Network, TaskKind::Calibration);
    let mut tx = lab.begin().await;
    tx.insert_site(&bogota, &Request::NONE)
        .await
        .expect("a site");
    tx.insert_furnace_event(&event, &Request::NONE)
        .await
        .expect("an event");
    tx.insert_gauge_check(&check, &Request::NONE)
        .await
        .expect("a check");
    tx.put_findings(&[found], moment(0)).await.expect("kept");
    tx.put_rule(&own, &Request::NONE).await.expect("kept");
    tx.put_rule(&shared, &Request::NONE).await.expect("kept");
    tx.commit().await.expect("committed");
    (lab, bogota.key)
}

#[tokio::test]
async fn many_sites_records_are_those_of_each() {
    let (lab, bogota) = two_sites().await;
    let read = lab.read();
    let before = read.last_fit().await.expect("a fit");
    assert_eq!(*before, Fit::default());
    let (fit, parts) = fitted(&lab, &before).await;
    let mut tx = lab.begin().await;
    tx.put_fit(&fit, moment(500), &parts).await.expect("kept");
    tx.commit().await.expect("committed");
    let fit = read.last_fit().await.expect("a fit");
    assert_eq!(*fit, read.fit().await.expect("a fit"));
    let again = read.last_fit().await.expect("a fit");
    assert!(Arc::ptr_eq(&fit, &again), "read once");

    let absent = SiteId::new("nowhere").expect("an id");
    let wanted = [lab.site.clone(), absent, bogota.clone()];
    let found = read.standing_records(&wanted).await.expect("records");
    assert_eq!(found.len(), 2, "by id, and what is there");
    assert_eq!(found[0].site.key, bogota);
    assert!(found[0].furnaces.is_empty());
    for records in &found {
        let site = &records.site.key;
        assert_eq!(
            read.site(site).await.expect("no fault").as_ref(),
            Some(&records.site)
        );
        assert_eq!(
            read.rules_of(Some(site)).await.expect("rules"),
            records.rules.0
        );
        let known = read.site_knowledge(site, Arc::clone(&fit)).await;
        assert_eq!(
            format!("{:?}", known.expect("known")),
            format!("{:?}", records.knowledge)
        );
    }
    assert_eq!((found[0].rules.0.len(), found[1].rules.0.len()), (1, 2));
    let [furnace] = found[1].furnaces.as_slice() else {
        panic!("one furnace: {found:?}");
    };
    let whole = read.furnace(&lab.furnace).await.expect("no fault");
    assert_eq!(whole.as_ref(), Some(&furnace.furnace));
    let programmes = read.programmes(&lab.site, None, &FIRST_PAGE).await;
    assert_eq!(programmes.expect("programmes"), furnace.programmes);
    assert_eq!(furnace.programmes.len(), 1);
    let tracked = read.tracked_offset(&lab.furnace).await.expect("no fault");
    assert!(tracked.is_some());
    assert_eq!(tracked, furnace.tracked);
    let events = read.furnace_events(&lab.furnace, &FIRST_PAGE).await;
    assert_eq!(events.expect("events")[..1], furnace.events);
    assert_eq!((furnace.events.len(), furnace.open_findings), (1, 1));
    assert!(read.standing_records(&[]).await.expect("none").is_empty());
}

#[tokio::test]
async fn every_record_is_counted_at_its_site() {
    let (lab, bogota) = two_sites().await;
    let read = lab.read();
    let before = read.changes_of_sites().await.expect("changes");
    let [(first, of_first), (second, of_second)] = before.as_slice() else {
        panic!("two sites: {before:?}");
    };
    assert_eq!((first, second), (&bogota, &lab.site));
    let in_all = read.changes_in_all().await.expect("changes");
    assert_eq!(in_all, (2, of_first + of_second));
    lab.recorded("k1", 24 * 20, 19.47, "third").await;
    let after = read.changes_of_sites().await.expect("changes");
    assert_eq!(after[0], before[0]);
    assert!(after[1].1 > before[1].1);
    let shared = rule(RulePlace::Network, TaskKind::GaugeCheck);
    let mut tx = lab.begin().await;
    tx.put_rule(&shared, &Request::NONE).await.expect("kept");
    tx.commit().await.expect("committed");
    let everywhere = read.changes_of_sites().await.expect("changes");
    assert!(everywhere[0].1 > after[0].1 && everywhere[1].1 > after[1].1);
}

#[tokio::test]
async fn another_sites_changes_and_records_are_out_of_reach() {
    let (lab, bogota) = two_sites().await;
    let scope = only_at("bogota")
        .network(Right::Read)
        .expect("may read at home");
    let all = lab.read().changes_of_sites().await.expect("changes");
    let read = lab.store.read(&scope);
    let own = read.changes_of_sites().await.expect("changes");
    assert_eq!(own, all[..1]);
    let in_all = read.changes_in_all().await.expect("changes");
    assert_eq!(in_all, (1, own[0].1));
    let home = read.standing_records(&[bogota]).await.expect("records");
    assert_eq!(home.len(), 1);
    let refused = read.standing_records(std::slice::from_ref(&lab.site)).await;
    assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
}
