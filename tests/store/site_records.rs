//! What bears on due dates, loaded for many sites at once: the same as is told record by record.

use ringtrue_fleet::act::ActKind;
use ringtrue_fleet::caller::Right;
use ringtrue_fleet::due::{FurnaceRecords, SiteRecords};
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::finding::{FindingKind, Subject};
use ringtrue_fleet::key::{ReadingId, SiteId};
use ringtrue_fleet::reading::Purpose;
use ringtrue_fleet::rule::RulePlace;
use ringtrue_fleet::task::TaskKind;
use ringtrue_fleet::tracking::suspected_drift;
use ringtrue_store::{Error, Request, Store};

use crate::findings::finding;
use crate::laboratory::{Laboratory, moment, new_batch, only_at};
use crate::schedules::{act, acts_of_every_kind, rule};

async fn records(lab: &Laboratory) -> SiteRecords {
    let all = lab
        .read()
        .site_records(std::slice::from_ref(&lab.site))
        .await;
    let mut all = all.expect("records");
    assert_eq!(all.len(), 1);
    all.remove(0)
}

async fn furnace(lab: &Laboratory) -> FurnaceRecords {
    records(lab).await.furnaces.remove(0)
}

#[tokio::test]
async fn a_new_site_has_its_furnaces_and_gauges_and_nothing_else() {
    let lab = Laboratory::furnished().await;
    let found = records(&lab).await;
    let site = lab.read().site(&lab.site).await.expect("no fault");
    assert_eq!(Some(&found.site), site.as_ref());
    assert_eq!(found.last_record_at, found.site.created_at, "none came in");
    assert!(found.rules.0.is_empty() && found.stocks.is_empty() && found.findings.is_empty());
    assert_eq!(found.gauges.len(), 1);
    assert_eq!(
        (&found.gauges[0].key, found.gauges[0].checked_at),
        (&lab.gauge, None)
    );
    let furnace = &found.furnaces[0];
    assert_eq!(
        (&furnace.key, furnace.display_name.as_str()),
        (&lab.furnace, "Furnace k1")
    );
    assert_eq!(furnace.created_at, moment(-99));
    assert!(furnace.calibrated.is_none() && furnace.latest.is_none() && furnace.adjusted.is_none());
}

#[tokio::test]
async fn the_latest_reading_is_told_as_it_was_evaluated() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let key = lab.recorded("k1", 24 * 28, 19.46, "second").await;
    let found = furnace(&lab).await;
    let latest = found.latest.expect("a reading");
    let recorded = lab.read().recorded(&key).await.expect("no fault");
    let recorded = recorded.expect("there");
    let decision = recorded.evaluated.evaluation.decision.expect("evaluable");
    assert_eq!(latest.reading, key);
    assert_eq!(latest.programme, lab.programme.programme);
    assert_eq!(
        (latest.fired_at, latest.measured_at),
        (moment(24 * 28), moment(24 * 28 + 14))
    );
    assert_eq!((latest.purpose, latest.counts), (Purpose::Routine, true));
    assert_eq!(latest.advice, Some(decision.advice));
    assert_eq!(latest.conformance, Some(decision.conformance_probability));
    assert_eq!(latest.advised_setpoint_c, Some(decision.advised_setpoint_c));
    let calibrated = found.calibrated.expect("one counts");
    assert_eq!(calibrated.fired_at, moment(24 * 28));
    let tracked = lab
        .read()
        .tracked_offset(&lab.furnace)
        .await
        .expect("no fault");
    let suspected = suspected_drift(&tracked.expect("known")).is_some();
    assert_eq!(calibrated.may_drift, suspected);
    assert_eq!(records(&lab).await.last_record_at, moment(24 * 28 + 14));
}

#[tokio::test]
async fn a_correction_takes_the_place_of_the_reading_that_it_corrects() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let mut new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.46), "mended")
        .await;
    new.reading.amends = Some(ReadingId::new("first").expect("an id"));
    new.reading.amend_reason = "misread".to_owned();
    tx.insert_readings(vec![new]).await.expect("kept");
    tx.insert_act(
        &act(&lab, "counted", -1, ActKind::RingsCounted { left: 5 }),
        &Request::NONE,
    )
    .await
    .expect("kept");
    tx.commit().await.expect("committed");
    let latest = furnace(&lab).await.latest.expect("a reading");
    assert_eq!(latest.reading.reading.as_str(), "mended");
    let stock = &records(&lab).await.stocks[0];
    assert_eq!(stock.fired_since, 1, "one firing, one ring");
}

#[tokio::test]
async fn events_adjustments_checks_acts_and_stock_are_told() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    for hours in [-12, -6] {
        tx.insert_furnace_event(&lab.new_event(hours), &Request::NONE)
            .await
            .expect("an event");
        tx.insert_gauge_check(&lab.new_check(hours), &Request::NONE)
            .await
            .expect("a check");
        tx.insert_adjustment(&lab.new_adjustment(hours), &Request::NONE)
            .await
            .expect("an adjustment");
    }
    let mut acts = acts_of_every_kind(&lab);
    for act in &acts {
        tx.insert_act(act, &Request::NONE).await.expect("an act");
    }
    let again = act(&lab, "again", 8, ActKind::RingsCounted { left: 30 });
    tx.insert_act(&again, &Request::NONE).await.expect("an act");
    tx.update_ring_batch(&new_batch("x7"), None, &Request::NONE)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    lab.recorded("k1", 4, 19.47, "before").await;
    lab.recorded("k1", 24, 19.46, "after").await;
    let found = records(&lab).await;
    assert_eq!(found.gauges[0].checked_at, Some(moment(-6)));
    let furnace = &found.furnaces[0];
    let shift = EventKind::ControllerOffsetChanged;
    assert_eq!(furnace.events, [(shift, moment(-6)), (shift, moment(-12))]);
    let adjusted = furnace.adjusted.as_ref().expect("adjusted");
    assert_eq!((adjusted.at, adjusted.setpoint_c), (moment(-6), 1481.0));
    assert_eq!(adjusted.programme, lab.programme.programme);
    acts.pop();
    acts.reverse();
    assert_eq!(furnace.acts, acts, "without the one about rings");
    assert_eq!(found.stocks.len(), 1, "as counted last");
    let stock = &found.stocks[0];
    assert_eq!((&stock.batch, stock.code.as_str()), (&lab.batch, "X7"));
    assert_eq!((stock.counted_at, stock.left_then), (moment(8), 30));
    assert_eq!((stock.fired_since, stock.released), (1, true));
    assert_eq!(stock.expires_on, Some(jiff::civil::date(2027, 3, 31)));
}

#[tokio::test]
async fn numbers_keep_every_digit() {
    let lab = Laboratory::furnished().await;
    let many = 1.0 / 3.0;
    let mut site = Laboratory::new_site("porto");
    site.details.tolerance_c = 10.0 + many;
    site.details.action_band_c = 5.0 + many;
    site.details.largest_step_c = 30.0 + many;
    site.details.full_compensation = true;
    let mut gauge = lab.new_gauge("caliper-1");
    gauge.details.resolution_mm = many / 100.0;
    gauge.details.maximum_permissible_error_mm = many / 10.0;
    let mut adjustment = lab.new_adjustment(1);
    adjustment.details.setpoint_c = 1480.0 + many;
    let mut counted = acts_of_every_kind(&lab).remove(4);
    if let Some(ActKind::UseCounted(used)) = &mut counted.details.kind {
        used.hours_hot = many;
    }
    let mut tx = lab.begin().await;
    tx.update_site(&site, &Request::NONE).await.expect("kept");
    tx.update_gauge(&gauge, &Request::NONE).await.expect("kept");
    tx.insert_adjustment(&adjustment, &Request::NONE)
        .await
        .expect("kept");
    tx.insert_act(&counted, &Request::NONE).await.expect("kept");
    tx.commit().await.expect("committed");
    let found = records(&lab).await;
    assert_eq!(found.site, site);
    assert_eq!(found.gauges[0].details, gauge.details);
    let adjusted = found.furnaces[0].adjusted.as_ref().expect("adjusted");
    assert_eq!(adjusted.setpoint_c.to_bits(), (1480.0 + many).to_bits());
    assert_eq!(found.furnaces[0].acts, [counted]);
}

#[tokio::test]
async fn rules_and_open_findings_are_told_of_each_site_alone() {
    let lab = Laboratory::furnished().await;
    let about = |id, subject| finding(id, FindingKind::SiteShift, subject, 0.9);
    let own = about("f1", Subject::Furnace(lab.furnace.clone()));
    let of_gauge = about("f2", Subject::Gauge(lab.gauge.clone()));
    let of_batch = about("f3", Subject::Batch(lab.batch.clone()));
    let bogota = Laboratory::new_site("bogota");
    let shared = rule(RulePlace::Network, TaskKind::Calibration);
    let of_furnace = rule(
        RulePlace::Furnace(lab.furnace.clone()),
        TaskKind::Calibration,
    );
    let mut tx = lab.begin().await;
    tx.insert_site(&bogota, &Request::NONE)
        .await
        .expect("a site");
    tx.put_findings(&[own, of_gauge, of_batch], moment(0))
        .await
        .expect("kept");
    tx.put_rule(&shared, &Request::NONE).await.expect("kept");
    tx.put_rule(&of_furnace, &Request::NONE)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let absent = SiteId::new("nowhere").expect("an id");
    let wanted = [lab.site.clone(), absent, bogota.key.clone()];
    let found = lab.read().site_records(&wanted).await.expect("records");
    assert_eq!(found.len(), 2);
    assert_eq!(found[0].site, bogota, "by id");
    assert_eq!(found[0].rules.0, std::slice::from_ref(&shared));
    assert!(found[0].furnaces.is_empty() && found[0].findings.is_empty());
    assert_eq!(found[1].rules.0, [shared, of_furnace]);
    let named: Vec<(&str, &str)> = found[1]
        .findings
        .iter()
        .map(|found| (found.id.as_str(), found.subject_display_name.as_str()))
        .collect();
    assert_eq!(named, [("f1", "Furnace k1"), ("f2", "Caliper caliper-1")]);
    let shared = lab.read().network_findings().await.expect("findings");
    assert_eq!((shared.len(), shared[0].id.as_str()), (1, "f3"));
    assert_eq!(shared[0].subject_display_name, "X7");
    assert_eq!(
        found[1].last_record_at,
        moment(-100),
        "work is no record of the site's"
    );
}

#[tokio::test]
async fn another_sites_records_are_out_of_reach() {
    let lab = Laboratory::furnished().await;
    let scope = only_at("bogota")
        .network(Right::Read)
        .expect("may read at home");
    let read = lab.store.read(&scope);
    let refused = read.site_records(std::slice::from_ref(&lab.site)).await;
    assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    let refused = read.network_findings().await;
    assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
}

#[tokio::test]
async fn a_drift_column_that_does_not_follow_is_worked_out_again() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let before = lab
        .read()
        .tracked_offset(&lab.furnace)
        .await
        .expect("no fault");
    lab.store.clone().close().await.expect("closed");
    let mut behind = lab.behind_its_back().await;
    sqlx::query("UPDATE tracked_offset SET may_drift = NOT may_drift")
        .execute(&mut behind)
        .await
        .expect("damaged");
    drop(behind);
    let store = Store::open(lab.location()).await.expect("opened again");
    let scope = ringtrue_fleet::caller::Scope::for_work("test");
    let after = store
        .read(&scope)
        .tracked_offset(&lab.furnace)
        .await
        .expect("no fault");
    let (before, after) = (before.expect("known"), after.expect("known"));
    assert_ne!(
        before.components, after.components,
        "a rebuild sees a difference"
    );
    // What is kept next is right again, and the site is looked at.
    let mut tx = store.begin("test", &scope).await.expect("a transaction");
    let seen = store
        .read(&scope)
        .agenda(moment(0), 9)
        .await
        .expect("an agenda");
    tx.put_tracked_offset(&lab.furnace, Some(&before))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let now = store
        .read(&scope)
        .agenda(moment(0), 9)
        .await
        .expect("an agenda");
    assert_eq!(now[1].1, seen[1].1 + 1);
    let again = store
        .read(&scope)
        .tracked_offset(&lab.furnace)
        .await
        .expect("no fault");
    assert_eq!(again, Some(before));
}
