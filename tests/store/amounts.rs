//! Lists in pages, and many readings in one transaction.

use ringtrue_fleet::key::{FurnaceId, FurnaceKey};
use ringtrue_fleet::reading::Reading;
use ringtrue_store::{Page, PagePart, Request};

use crate::laboratory::{Laboratory, new_batch};

fn page(size: u32, after: &[PagePart]) -> Page {
    Page {
        size,
        after: after.to_vec(),
    }
}

fn text(id: &str) -> PagePart {
    PagePart::Text(id.to_owned())
}

/// The key of a reading's place in a list.
fn place(reading: &Reading) -> Vec<PagePart> {
    vec![
        PagePart::Number(reading.report.fired_at.as_microsecond()),
        text(reading.key.reading.as_str()),
    ]
}

#[tokio::test]
async fn a_page_holds_one_more_than_asked_for_while_there_are_more() {
    let lab = Laboratory::empty().await;
    let mut tx = lab.begin().await;
    for id in ["a", "b", "c", "d", "e"] {
        tx.insert_site(&Laboratory::new_site(id), &Request::NONE)
            .await
            .expect("a new site");
    }
    tx.commit().await.expect("committed");
    let read = lab.read();
    let mut pages = Vec::new();
    for after in [vec![], vec![text("b")], vec![text("d")], vec![text("e")]] {
        let sites = read.sites(&page(2, &after)).await.expect("sites");
        let ids: Vec<String> = sites.iter().map(|site| site.key.to_string()).collect();
        pages.push(ids.join(" "));
    }
    assert_eq!(pages, ["a b c", "c d e", "e", ""]);
}

#[tokio::test]
async fn every_list_goes_on_where_its_page_ended() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    for n in 2..=4 {
        tx.insert_furnace(&lab.new_furnace(&format!("k{n}")), &Request::NONE)
            .await
            .expect("a furnace");
        tx.insert_programme(&lab.new_programme("k1", &format!("p{n}")), &Request::NONE)
            .await
            .expect("a programme");
        tx.insert_gauge(&lab.new_gauge(&format!("caliper-{n}")), &Request::NONE)
            .await
            .expect("a gauge");
        tx.insert_ring_batch(&new_batch(&format!("x{n}")), &Request::NONE)
            .await
            .expect("a batch");
        tx.insert_gauge_check(&lab.new_check(n), &Request::NONE)
            .await
            .expect("a check");
        tx.insert_furnace_event(&lab.new_event(n), &Request::NONE)
            .await
            .expect("an event");
        tx.insert_adjustment(&lab.new_adjustment(n), &Request::NONE)
            .await
            .expect("an adjustment");
    }
    tx.commit().await.expect("committed");
    let read = lab.read();
    let at = |n: i64, id: String| {
        let hours = crate::laboratory::moment(n);
        page(
            1,
            &[PagePart::Number(hours.as_microsecond()), PagePart::Text(id)],
        )
    };

    let furnaces = read
        .furnaces(None, &page(1, &[text("porto"), text("k2")]))
        .await
        .expect("furnaces");
    assert_eq!(furnaces, [lab.new_furnace("k3"), lab.new_furnace("k4")]);
    let after = page(1, &[text("k1"), text("p2")]);
    let programmes = read
        .programmes(&lab.site, None, &after)
        .await
        .expect("programmes");
    assert_eq!(
        programmes,
        [lab.new_programme("k1", "p3"), lab.new_programme("k1", "p4")]
    );
    let gauges = read
        .gauges(&lab.site, &page(1, &[text("caliper-2")]))
        .await
        .expect("gauges");
    assert_eq!(
        gauges,
        [lab.new_gauge("caliper-3"), lab.new_gauge("caliper-4")]
    );
    let batches = read
        .ring_batches(&page(1, &[text("x2")]))
        .await
        .expect("batches");
    assert_eq!(batches, [new_batch("x3"), new_batch("x4")]);
    let checks = read
        .gauge_checks(&lab.gauge, &at(4, "check-4".to_owned()))
        .await
        .expect("checks");
    assert_eq!(checks, [lab.new_check(3), lab.new_check(2)]);
    let events = read
        .furnace_events(&lab.furnace, &at(4, "event-4".to_owned()))
        .await
        .expect("events");
    assert_eq!(events, [lab.new_event(3), lab.new_event(2)]);
    let after = at(4, "adjustment-4".to_owned());
    let adjustments = read
        .adjustments(&lab.furnace, &after)
        .await
        .expect("adjustments");
    assert_eq!(adjustments, [lab.new_adjustment(3), lab.new_adjustment(2)]);
}

#[tokio::test]
async fn readings_of_one_moment_are_neither_lost_nor_shown_twice_between_pages() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let mut group = Vec::new();
    for n in 1..=7 {
        let furnace = format!("k{n}");
        if n > 1 {
            tx.insert_furnace(&lab.new_furnace(&furnace), &Request::NONE)
                .await
                .expect("a furnace");
            tx.insert_programme(&lab.new_programme(&furnace, "standard"), &Request::NONE)
                .await
                .expect("a programme");
        }
        // All at the same moment but one.
        let hours = if n == 4 { 30 } else { 0 };
        group.push(
            lab.decided(
                &mut tx,
                lab.report(&furnace, hours, 19.47),
                &format!("r{n}"),
            )
            .await,
        );
    }
    tx.insert_readings(group).await.expect("good readings");
    tx.commit().await.expect("committed");
    let read = lab.read();
    let mut seen = Vec::new();
    let mut after = Vec::new();
    loop {
        let mut readings = read
            .readings(&lab.site, None, false, &page(2, &after))
            .await
            .expect("readings");
        let more = readings.len() > 2;
        readings.truncate(2);
        for recorded in &readings {
            seen.push(recorded.reading.key.reading.to_string());
            after = place(&recorded.reading);
        }
        if !more {
            break;
        }
    }
    assert_eq!(seen, ["r4", "r7", "r6", "r5", "r3", "r2", "r1"]);
}

#[tokio::test]
async fn a_group_of_any_size_is_kept_whole_in_one_transaction() {
    const FURNACES: usize = 139;
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let mut group = Vec::new();
    for n in 0..FURNACES {
        let furnace = format!("g{n}");
        tx.insert_furnace(&lab.new_furnace(&furnace), &Request::NONE)
            .await
            .expect("a furnace");
        tx.insert_programme(&lab.new_programme(&furnace, "standard"), &Request::NONE)
            .await
            .expect("a programme");
        group.push(
            lab.decided(&mut tx, lab.report(&furnace, 0, 19.47), &format!("r{n}"))
                .await,
        );
    }
    let entries = lab
        .read()
        .audit_length(Some(&lab.site))
        .await
        .expect("a length");
    let expected = group.clone();
    tx.insert_readings(group).await.expect("good readings");
    tx.commit().await.expect("committed");
    let read = lab.read();
    for new in &expected {
        let kept = read
            .recorded(&new.reading.key)
            .await
            .expect("no fault")
            .expect("on record");
        assert_eq!(kept.reading, new.reading);
        let furnace: &FurnaceKey = &new.reading.key.furnace;
        let tracked = read.tracked_offset(furnace).await.expect("no fault");
        assert_eq!(tracked, new.assessed.tracked);
    }
    let added = i64::try_from(3 * FURNACES).expect("small");
    assert_eq!(
        read.audit_length(Some(&lab.site)).await.expect("a length"),
        entries + added
    );
    let one = FurnaceId::new("g77").expect("an id");
    let of_one = read
        .readings(&lab.site, Some(&one), false, &page(50, &[]))
        .await
        .expect("readings");
    assert_eq!(of_one.len(), 1);
    let verified = lab.verified().await;
    assert_eq!(verified.faults, []);
    assert_eq!(verified.reproduced, u64::try_from(FURNACES).expect("small"));
}
