//! A scope of one site reaches no other, neither by reading nor by writing.

use std::sync::Arc;

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::finding::{FindingKind, Subject};
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::gauge::Gauge;
use ringtrue_fleet::key::{FurnaceKey, GaugeKey, SiteId};
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::programme::Programme;
use ringtrue_store::{Error, FindingFilter, Page, Request};

use crate::findings::finding;
use crate::laboratory::{Laboratory, moment, only_at};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

#[expect(
    clippy::needless_pass_by_value,
    reason = "every call is one line this way"
)]
fn refused<T: std::fmt::Debug>(outcome: Result<T, Error>) {
    assert!(matches!(outcome, Err(Error::OutOfScope)), "{outcome:?}");
}

/// The access of somebody at another site to the whole network.
fn stranger() -> Scope {
    only_at("bogota")
        .network(Right::Record)
        .expect("may record at home")
}

#[tokio::test]
async fn reading_another_sites_records_is_refused_everywhere() {
    let lab = Laboratory::furnished().await;
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    let adjustment = lab.new_adjustment(20).key;
    let report = lab.report("k1", 0, 19.47);
    let read = lab.store.read(&stranger());
    refused(read.site(&lab.site).await);
    refused(read.furnace(&lab.furnace).await);
    refused(read.furnaces(Some(&lab.site), &FIRST_PAGE).await);
    refused(read.programme(&lab.programme).await);
    refused(read.programmes(&lab.site, None, &FIRST_PAGE).await);
    refused(read.gauge(&lab.gauge).await);
    refused(read.gauges(&lab.site, &FIRST_PAGE).await);
    refused(read.latest_gauge_check(&lab.gauge).await);
    refused(read.gauge_checks(&lab.gauge, &FIRST_PAGE).await);
    refused(read.furnace_events(&lab.furnace, &FIRST_PAGE).await);
    refused(read.adjustment(&adjustment).await);
    refused(read.adjustments(&lab.furnace, &FIRST_PAGE).await);
    refused(read.recorded(&key).await);
    refused(read.readings(&lab.site, None, true, &FIRST_PAGE).await);
    refused(read.tracked_offset(&lab.furnace).await);
    refused(read.tracked_offsets(&lab.site).await);
    refused(read.history(&lab.furnace).await);
    refused(read.furnace_past(&lab.furnace).await);
    refused(read.twins(&lab.furnace).await);
    refused(read.reading_knowledge(&[&report]).await);
    refused(read.audit_length(Some(&lab.site)).await);
    refused(read.site_knowledge(&lab.site, Arc::default()).await);
    refused(read.site_checks(&lab.site).await);
    refused(read.all_tracked_offsets(&FIRST_PAGE).await);
    refused(read.fired_before(std::slice::from_ref(&lab.furnace)).await);
    refused(read.furnace_past(&lab.furnace).await);
    refused(read.readings_of_late(&lab.site, moment(0)).await);
    refused(read.adjustments_of_late(&lab.site, moment(0)).await);
    refused(read.events_of_site(&lab.site).await);
    refused(read.open_findings(&lab.site).await);
    refused(read.open_finding_count(Some(&lab.site)).await);
    let of_site = FindingFilter {
        site: Some(lab.site.clone()),
        ..FindingFilter::default()
    };
    refused(read.findings(&of_site, &FIRST_PAGE).await);
}

#[tokio::test]
async fn lists_of_the_network_show_only_the_callers_sites() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let home = Laboratory::new_site("bogota");
    tx.insert_site(&home, &Request::NONE)
        .await
        .expect("a second site");
    let key = FurnaceKey {
        site: home.key.clone(),
        ..lab.furnace.clone()
    };
    let at_home = Furnace {
        key,
        ..lab.new_furnace("k1")
    };
    tx.insert_furnace(&at_home, &Request::NONE)
        .await
        .expect("a furnace there");
    tx.commit().await.expect("committed");
    let read = lab.store.read(&stranger());
    assert_eq!(read.sites(&FIRST_PAGE).await.expect("sites"), [home]);
    assert_eq!(
        read.furnaces(None, &FIRST_PAGE).await.expect("furnaces"),
        [at_home]
    );
    assert_eq!(lab.read().sites(&FIRST_PAGE).await.expect("sites").len(), 2);
    assert_eq!(
        lab.read()
            .furnaces(None, &FIRST_PAGE)
            .await
            .expect("furnaces")
            .len(),
        2
    );
    // Ring batches belong to the network: everybody sees them.
    assert_eq!(
        read.ring_batches(&FIRST_PAGE).await.expect("batches").len(),
        1
    );
}

#[tokio::test]
async fn findings_of_other_sites_are_not_there_and_those_of_the_network_are() {
    let lab = Laboratory::furnished().await;
    let of_site = finding(
        "f1",
        FindingKind::FurnaceDrifting,
        Subject::Furnace(lab.furnace.clone()),
        0.9,
    );
    let of_batch = finding(
        "f2",
        FindingKind::BatchSuspect,
        Subject::Batch(lab.batch.clone()),
        0.9,
    );
    let mut tx = lab.begin().await;
    tx.put_findings(&[of_site.clone(), of_batch.clone()], moment(30))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let read = lab.store.read(&stranger());
    let seen = read
        .findings(&FindingFilter::default(), &FIRST_PAGE)
        .await
        .expect("findings");
    assert_eq!(seen.len(), 1);
    assert_eq!(seen[0].finding, of_batch);
    assert_eq!(read.open_finding_count(None).await.expect("a count"), 1);
    assert_eq!(read.finding(&of_site.id).await.expect("no fault"), None);
    let mut tx = lab
        .store
        .begin("test", &stranger())
        .await
        .expect("a transaction");
    assert_eq!(tx.finding(&of_site.id).await.expect("no fault"), None);
    refused(tx.standing_findings().await);
    refused(
        tx.put_findings(std::slice::from_ref(&of_site), moment(31))
            .await,
    );
    refused(tx.note_finding(&of_site, &Request::NONE, moment(31)).await);
    tx.commit().await.expect("nothing to commit");
}

#[tokio::test]
async fn a_transaction_of_one_site_touches_no_other() {
    let lab = Laboratory::furnished().await;
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 24 * 28, 19.47), "second")
        .await;
    let report = lab.report("k1", 24 * 28, 19.47);
    let again = Request::NONE;
    drop(tx);
    let mut tx = lab
        .store
        .begin("test", &stranger())
        .await
        .expect("a transaction");
    refused(tx.site(&lab.site).await);
    refused(tx.insert_site(&Laboratory::new_site("porto"), &again).await);
    refused(tx.update_site(&Laboratory::new_site("porto"), &again).await);
    refused(tx.furnace(&lab.furnace).await);
    refused(tx.insert_furnace(&lab.new_furnace("k7"), &again).await);
    refused(tx.update_furnace(&lab.new_furnace("k1"), &again).await);
    refused(tx.programme(&lab.programme).await);
    refused(tx.programmes_of_furnace(&lab.furnace).await);
    refused(
        tx.insert_programme(&lab.new_programme("k1", "quick"), &again)
            .await,
    );
    refused(
        tx.update_programme(&lab.new_programme("k1", "standard"), &again)
            .await,
    );
    refused(tx.gauge(&lab.gauge).await);
    refused(tx.insert_gauge(&lab.new_gauge("caliper-7"), &again).await);
    refused(tx.update_gauge(&lab.new_gauge("caliper-1"), &again).await);
    refused(tx.latest_gauge_check(&lab.gauge).await);
    refused(tx.insert_gauge_check(&lab.new_check(1), &again).await);
    refused(tx.furnace_events(&lab.furnace).await);
    refused(tx.insert_furnace_event(&lab.new_event(1), &again).await);
    refused(tx.insert_adjustment(&lab.new_adjustment(1), &again).await);
    refused(tx.recorded(&key).await);
    refused(tx.track_points(&lab.furnace).await);
    refused(tx.history(&lab.furnace).await);
    refused(tx.twins(&lab.furnace).await);
    refused(tx.tracked_offset(&lab.furnace).await);
    refused(tx.put_tracked_offset(&lab.furnace, None).await);
    refused(tx.pool_gauge_again(&lab.gauge).await);
    refused(tx.reading_knowledge(&[&report]).await);
    refused(tx.insert_readings(vec![new]).await);
    refused(tx.site_knowledge(&lab.site, Arc::default()).await);
    refused(tx.put_fit(&Fit::default(), moment(1), &[]).await);
    tx.commit().await.expect("nothing to commit");
    let read = lab.read();
    assert_eq!(
        read.readings(&lab.site, None, true, &FIRST_PAGE)
            .await
            .expect("readings")
            .len(),
        1
    );
    assert!(
        read.tracked_offset(&lab.furnace)
            .await
            .expect("no fault")
            .is_some()
    );
}

#[tokio::test]
async fn at_its_own_site_the_same_scope_reads_and_writes() {
    let lab = Laboratory::empty().await;
    let site = SiteId::new("bogota").expect("an id");
    let scope = only_at("bogota")
        .site(Right::Configure, &site)
        .expect("at home");
    let mut tx = lab
        .store
        .begin("test", &scope)
        .await
        .expect("a transaction");
    let furnace = FurnaceKey {
        site: site.clone(),
        ..lab.furnace.clone()
    };
    let gauge = GaugeKey {
        site: site.clone(),
        ..lab.gauge.clone()
    };
    tx.insert_site(&Laboratory::new_site("bogota"), &Request::NONE)
        .await
        .expect("a site");
    let new = Furnace {
        key: furnace.clone(),
        ..lab.new_furnace("k1")
    };
    tx.insert_furnace(&new, &Request::NONE)
        .await
        .expect("a furnace");
    let mut programme = Programme {
        ..lab.new_programme("k1", "standard")
    };
    programme.key.furnace = furnace.clone();
    tx.insert_programme(&programme, &Request::NONE)
        .await
        .expect("a programme");
    let new = Gauge {
        key: gauge.clone(),
        ..lab.new_gauge("caliper-1")
    };
    tx.insert_gauge(&new, &Request::NONE)
        .await
        .expect("a gauge");
    tx.commit().await.expect("committed");
    let read = lab.store.read(&scope);
    assert!(read.furnace(&furnace).await.expect("no fault").is_some());
    assert!(read.gauge(&gauge).await.expect("no fault").is_some());
    assert_eq!(read.audit_length(Some(&site)).await.expect("a length"), 4);
}
