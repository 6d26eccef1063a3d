//! Fits of the network: kept bit for bit, one in place of the other, with a count of what the next one
//! would take in.

use std::sync::Arc;

use ringtrue_calibration::inference::Components;
use ringtrue_fleet::fitting::{Counts, Fitting};
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_fleet::knowledge::{Fit, SiteFit};
use ringtrue_fleet::reading::Purpose;
use ringtrue_fleet::tracking::{TrackedOffset, replayed};
use ringtrue_store::{Page, PagePart, Pending, Request};

use crate::laboratory::{Laboratory, moment};

/// A fit of all that is on record, and its part for the laboratory's site.
pub(crate) async fn fitted(lab: &Laboratory, before: &Fit) -> (Fit, Vec<(SiteId, SiteFit)>) {
    let read = lab.read();
    let everything = Page {
        size: 50,
        after: Vec::new(),
    };
    let tracked: Vec<TrackedOffset> = read
        .all_tracked_offsets(&everything)
        .await
        .expect("filters")
        .into_iter()
        .map(|(_, tracked)| tracked)
        .collect();
    let checks = read.site_checks(&lab.site).await.expect("checks");
    let learnt = Components {
        batch_scale: 0.7,
        initial_sd_c: Some(1.0 / 3.0),
        ..Components::default()
    };
    let mut fitting = Fitting::after(before, learnt);
    let part = fitting.add_site(&tracked, &checks);
    let pending = read.pending().await.expect("counts");
    let counts = Counts {
        components_number: 4,
        components_at: Some(moment(1)),
        changes: pending.changes,
        reference_version: pending.reference_version,
    };
    let fit = fitting
        .finished(before, moment(2000), counts)
        .expect("a solution");
    (fit, vec![(lab.site.clone(), part)])
}

/// A laboratory with a checked gauge and three readings of one furnace.
async fn read_three_times() -> Laboratory {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    tx.insert_gauge_check(&lab.new_check(-24), &Request::NONE)
        .await
        .expect("a check");
    tx.commit().await.expect("committed");
    lab.recorded("k1", 0, 19.47, "first").await;
    lab.recorded("k1", 24 * 28, 19.46, "second").await;
    lab.recorded("k1", 24 * 56, 19.48, "third").await;
    lab
}

fn bits(numbers: &[f64]) -> Vec<u64> {
    numbers.iter().map(|number| number.to_bits()).collect()
}

#[tokio::test]
async fn before_any_fit_the_assumptions_stand() {
    let lab = Laboratory::furnished().await;
    let read = lab.read();
    let fit = Arc::new(read.fit().await.expect("no fault"));
    assert_eq!(*fit, Fit::default());
    let known = read
        .site_knowledge(&lab.site, Arc::clone(&fit))
        .await
        .expect("no fault");
    assert_eq!(known.knowledge().site, &lab.site);
    assert_eq!(known.knowledge().fit, &*fit);
    assert_eq!(known.knowledge().site_fit, None);
    assert!(known.knowledge().checks.is_empty());
    assert_eq!(read.pending().await.expect("counts").changes, 0);
}

#[tokio::test]
async fn a_fit_comes_back_bit_for_bit_with_the_parts_of_its_sites() {
    let lab = read_three_times().await;
    let (fit, parts) = fitted(&lab, &Fit::default()).await;
    assert_eq!((fit.number, fit.readings, fit.globals.len()), (1, 3, 1));
    let mut tx = lab.begin().await;
    tx.put_fit(&fit, moment(2000), &parts).await.expect("kept");
    assert_eq!(tx.fit().await.expect("no fault"), fit);
    let inside = tx
        .site_knowledge(&lab.site, Arc::new(fit.clone()))
        .await
        .expect("no fault");
    assert_eq!(inside.knowledge().site_fit, Some(&parts[0].1));
    tx.commit().await.expect("committed");
    let read = lab.read();
    let kept = read.fit().await.expect("no fault");
    assert_eq!(kept, fit);
    assert_eq!(bits(&kept.solution.means), bits(&fit.solution.means));
    assert_eq!(
        bits(&kept.solution.covariance),
        bits(&fit.solution.covariance)
    );
    let known = read
        .site_knowledge(&lab.site, Arc::new(kept))
        .await
        .expect("no fault");
    let part = known.knowledge().site_fit.expect("a part");
    assert_eq!(part, &parts[0].1);
    assert_eq!(bits(&part.block.inverse), bits(&parts[0].1.block.inverse));
    assert_eq!(bits(&part.block.transfer), bits(&parts[0].1.block.transfer));
    assert_eq!(part.locals[0].checks.len(), 1);
    assert_eq!(known.knowledge().checks.len(), 1);
}

#[tokio::test]
async fn only_parts_that_differ_from_what_is_kept_are_written_again() {
    let lab = read_three_times().await;
    let (first, parts) = fitted(&lab, &Fit::default()).await;
    let read = lab.read();
    let changed = read.changed_site_fits(parts.clone()).await;
    assert_eq!(changed.expect("compared"), parts, "none is kept yet");
    let mut tx = lab.begin().await;
    tx.put_fit(&first, moment(2000), &parts)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let changed = read.changed_site_fits(parts.clone()).await;
    assert_eq!(changed.expect("compared"), [], "all are kept as they are");

    lab.recorded("k1", 24 * 84, 19.47, "fourth").await;
    let (second, parts) = fitted(&lab, &first).await;
    let changed = read.changed_site_fits(parts.clone()).await;
    let changed = changed.expect("compared");
    assert_eq!(changed, parts, "it has one reading more");
    let mut tx = lab.begin().await;
    tx.put_fit(&second, moment(2001), &changed)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let known = read.site_knowledge(&lab.site, Arc::new(second)).await;
    let known = known.expect("no fault");
    assert_eq!(known.knowledge().site_fit, Some(&parts[0].1));
}

#[tokio::test]
async fn the_next_fit_takes_the_place_of_the_last_and_recordings_rest_on_it() {
    let lab = read_three_times().await;
    let (first, parts) = fitted(&lab, &Fit::default()).await;
    let mut tx = lab.begin().await;
    tx.put_fit(&first, moment(2000), &parts)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let report = lab.report("k1", 24 * 84, 19.47);
    let read = lab.read();
    let knowledge = read.reading_knowledge(&[&report]).await.expect("knowledge");
    assert_eq!(knowledge.fit(), &first);
    let known = knowledge.known(&report, None).expect("all on record");
    assert_eq!(known.knowledge.site_fit, Some(&parts[0].1));

    lab.recorded("k1", 24 * 84, 19.47, "fourth").await;
    let (second, parts) = fitted(&lab, &first).await;
    assert_eq!((second.number, second.readings), (2, 4));
    let mut tx = lab.begin().await;
    tx.put_fit(&second, moment(2001), &parts)
        .await
        .expect("kept");
    let knowledge = tx.reading_knowledge(&[&report]).await.expect("knowledge");
    assert_eq!(knowledge.fit().number, 2);
    tx.roll_back().await.expect("rolled back");
    // What was undone has left no trace in what is remembered.
    let knowledge = read.reading_knowledge(&[&report]).await.expect("knowledge");
    assert_eq!(knowledge.fit(), &first);
}

#[tokio::test]
async fn what_a_fit_would_take_in_is_counted_with_what_is_recorded() {
    let lab = Laboratory::furnished().await;
    let read = lab.read();
    let now = || async { read.pending().await.expect("counts") };
    let before = now().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let after = now().await;
    assert_eq!(
        after,
        Pending {
            changes: before.changes + 1,
            ..before
        }
    );
    // What is undone is not counted.
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 24 * 28, 19.46), "second")
        .await;
    tx.insert_readings(vec![new]).await.expect("a good reading");
    tx.roll_back().await.expect("rolled back");
    assert_eq!(now().await, after);
    // A check and an event change what readings say as well.
    let mut tx = lab.begin().await;
    tx.insert_gauge_check(&lab.new_check(-24), &Request::NONE)
        .await
        .expect("a check");
    tx.commit().await.expect("committed");
    let checked = now().await;
    assert!(checked.reference_version > after.reference_version);
    let mut tx = lab.begin().await;
    tx.insert_furnace_event(&lab.new_event(1), &Request::NONE)
        .await
        .expect("an event");
    tx.commit().await.expect("committed");
    assert!(now().await.reference_version > checked.reference_version);
}

#[tokio::test]
async fn the_filters_of_all_sites_come_in_order_of_their_keys_page_by_page() {
    let lab = Laboratory::furnished().await;
    for id in ["k2", "k3"] {
        let mut tx = lab.begin().await;
        tx.insert_furnace(&lab.new_furnace(id), &Request::NONE)
            .await
            .expect("a furnace");
        tx.insert_programme(&lab.new_programme(id, "standard"), &Request::NONE)
            .await
            .expect("a programme");
        tx.commit().await.expect("committed");
        lab.recorded(id, 0, 19.47, &format!("of-{id}")).await;
    }
    lab.recorded("k1", 0, 19.46, "of-k1").await;
    let mut tx = lab.begin().await;
    let mut practice = lab.report("k1", 24 * 7, 19.46);
    practice.purpose = Purpose::Practice;
    let new = lab.decided(&mut tx, practice, "practice").await;
    tx.insert_readings(vec![new]).await.expect("kept");
    tx.commit().await.expect("committed");
    let read = lab.read();
    let mut page = Page {
        size: 1,
        after: Vec::new(),
    };
    let mut order = Vec::new();
    loop {
        let some = read.all_tracked_offsets(&page).await.expect("filters");
        let Some((key, tracked)) = some.first() else {
            break;
        };
        assert_eq!(
            read.tracked_offset(key).await.expect("no fault").as_ref(),
            Some(tracked)
        );
        order.push(key.furnace.to_string());
        page.after = vec![
            PagePart::Text(key.site.to_string()),
            PagePart::Text(key.furnace.to_string()),
        ];
    }
    assert_eq!(order, ["k1", "k2", "k3"]);
}

#[tokio::test]
async fn a_filter_says_which_components_it_was_worked_out_with() {
    let lab = read_three_times().await;
    let mut tx = lab.begin().await;
    let mut tracked = tx
        .tracked_offset(&lab.furnace)
        .await
        .expect("no fault")
        .expect("tracked");
    assert_eq!(tracked.components, 0);
    assert_eq!(tracked.chain.readings, 3);
    tracked.components = 7;
    tx.put_tracked_offset(&lab.furnace, Some(&tracked))
        .await
        .expect("kept");
    let kept = tx.tracked_offset(&lab.furnace).await.expect("no fault");
    assert_eq!(kept, Some(tracked));
    tx.commit().await.expect("committed");
}

#[tokio::test]
async fn the_checks_of_a_site_are_kept_apart_by_gauge() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    tx.insert_gauge(&lab.new_gauge("caliper-2"), &Request::NONE)
        .await
        .expect("a gauge");
    let of_first = [lab.new_check(-48), lab.new_check(-24)];
    let mut of_second = lab.new_check(-36);
    of_second.key.gauge = lab.new_gauge("caliper-2").key;
    for check in of_first.iter().chain([&of_second]) {
        tx.insert_gauge_check(check, &Request::NONE)
            .await
            .expect("a check");
    }
    tx.commit().await.expect("committed");
    let [earlier, later] = of_first;
    let found = lab.read().site_checks(&lab.site).await.expect("checks");
    assert_eq!(
        found,
        [
            (lab.gauge.gauge.clone(), vec![later, earlier]),
            (of_second.key.gauge.gauge.clone(), vec![of_second]),
        ]
    );
}

#[tokio::test]
async fn the_firing_before_the_last_is_that_of_the_last_reading_that_counts() {
    let lab = Laboratory::furnished().await;
    let read = lab.read();
    let asked = [lab.furnace.clone()];
    let fired_before = || async { read.fired_before(&asked).await.expect("no fault") };
    assert_eq!(fired_before().await, []);
    lab.recorded("k1", 0, 19.47, "first").await;
    assert_eq!(fired_before().await, []);
    lab.recorded("k1", 24 * 28, 19.46, "second").await;
    lab.recorded("k1", 24 * 56, 19.48, "third").await;
    let wanted: (FurnaceKey, _) = (lab.furnace.clone(), moment(24 * 28));
    assert_eq!(fired_before().await, [wanted]);
    // Events are those since the last firing alone.
    let (early, late) = (lab.new_event(24 * 55), lab.new_event(24 * 57));
    let mut tx = lab.begin().await;
    for event in [&late, &early] {
        tx.insert_furnace_event(event, &Request::NONE)
            .await
            .expect("an event");
    }
    tx.commit().await.expect("committed");
    let records = read.standing_records(std::slice::from_ref(&lab.site)).await;
    let records = records.expect("a site's records");
    assert_eq!(records[0].furnaces[0].events, [late]);
}

#[tokio::test]
async fn a_furnaces_past_holds_all_that_its_decisions_rested_on() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let (event, adjustment) = (lab.new_event(20), lab.new_adjustment(20));
    tx.insert_furnace_event(&event, &Request::NONE)
        .await
        .expect("an event");
    tx.insert_adjustment(&adjustment, &Request::NONE)
        .await
        .expect("an adjustment");
    tx.commit().await.expect("committed");
    lab.recorded("k1", 24 * 28, 19.56, "second").await;
    let read = lab.read();
    let past = read.furnace_past(&lab.furnace).await.expect("a past");
    let (points, events) = read.history(&lab.furnace).await.expect("a history");
    assert_eq!(past.key, lab.furnace);
    assert_eq!(past.events, events);
    assert_eq!(past.adjustments, [adjustment]);
    let fired: Vec<_> = past.fired.iter().map(|fired| fired.point.clone()).collect();
    assert_eq!(fired, points);
    assert_eq!(past.fired[0].programme, lab.programme.programme);
    assert!((past.fired[0].target_c - 1500.0).abs() < 1e-12);
}

#[tokio::test]
async fn what_was_derived_and_cannot_be_read_back_is_worked_out_again_or_says_nothing() {
    let lab = read_three_times().await;
    let (fit, parts) = fitted(&lab, &Fit::default()).await;
    let mut tx = lab.begin().await;
    let (points, events) = tx.history(&lab.furnace).await.expect("a history");
    let again = replayed(&points, &events, &fit.components, fit.components_number);
    tx.put_fit(&fit, moment(2000), &parts).await.expect("kept");
    tx.commit().await.expect("committed");
    let mut behind = lab.behind_its_back().await;
    for damage in [
        "UPDATE tracked_offset SET document = substr(document, 2)",
        "UPDATE fleet_fit SET solution = substr(solution, 2)",
        "UPDATE site_fit SET document = substr(document, 2)",
    ] {
        let done = sqlx::query(damage)
            .execute(&mut behind)
            .await
            .expect("damaged");
        assert_eq!(done.rows_affected(), 1, "{damage}");
    }
    drop(behind);
    let read = lab.read();
    let tracked = read.tracked_offset(&lab.furnace).await.expect("no fault");
    let (tracked, again) = (tracked.expect("an offset"), again.expect("an offset"));
    assert_eq!(tracked.chain, again.chain);
    assert_eq!(tracked.columns, again.columns);
    // It says of itself that it is not on the disk, so that the next fit writes it.
    assert_ne!(tracked.components, fit.components_number);
    // The components stay in force; of the errors nothing is known until the next fit, which is due.
    let kept = read.fit().await.expect("no fault");
    assert_eq!(kept.number, fit.number);
    assert_eq!(kept.components, fit.components);
    assert_eq!(kept.components_number, fit.components_number);
    assert!(kept.globals.is_empty() && kept.solution.means.is_empty());
    assert_ne!(kept.changes, read.pending().await.expect("counts").changes);
    let known = read
        .site_knowledge(&lab.site, Arc::new(kept))
        .await
        .expect("no fault");
    assert_eq!(known.knowledge().site_fit, None);
    // Recordings go on.
    lab.recorded("k1", 24 * 84, 19.47, "fourth").await;
}

#[tokio::test]
async fn a_site_without_a_reading_that_counts_has_no_part_in_the_next_fit() {
    let lab = read_three_times().await;
    let (first, parts) = fitted(&lab, &Fit::default()).await;
    let mut tx = lab.begin().await;
    tx.put_fit(&first, moment(2000), &parts)
        .await
        .expect("kept");
    // Its readings were all amended to readings for practice.
    tx.put_tracked_offset(&lab.furnace, None)
        .await
        .expect("forgotten");
    tx.put_fit(&first, moment(2001), &[]).await.expect("kept");
    let known = tx
        .site_knowledge(&lab.site, Arc::new(first))
        .await
        .expect("no fault");
    assert_eq!(known.knowledge().site_fit, None);
    tx.roll_back().await.expect("rolled back");
}
