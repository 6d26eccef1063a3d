//! What happened at a site of late, as the rules behind findings look at it.

use ringtrue_fleet::key::{FurnaceId, GaugeId};
use ringtrue_fleet::reading::{MeasuredRing, Method, Report};
use ringtrue_store::{Error, Request};

use crate::laboratory::{Laboratory, moment, only_at};

#[tokio::test]
async fn readings_of_late_come_with_their_surprise_and_several_rings() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let mut two_rings: Report = lab.report("k1", 24 * 28, 19.46);
    let Method::Rings(measured) = &mut two_rings.method else {
        panic!("rings")
    };
    let mut at_the_door: MeasuredRing = measured.rings[0].clone();
    at_the_door.ring.position = "door".to_owned();
    at_the_door.ring.diameters_mm = vec![19.5, 19.5];
    at_the_door.serial_number = String::new();
    measured.rings.push(at_the_door);
    let new = lab.decided(&mut tx, two_rings, "second").await;
    tx.insert_readings(vec![new]).await.expect("a good reading");
    tx.commit().await.expect("committed");

    let read = lab.read();
    let all = read.readings_of_late(&lab.site, moment(0)).await;
    let all = all.expect("readings");
    let ids: Vec<&str> = all.iter().map(|one| one.key.reading.as_str()).collect();
    assert_eq!(ids, ["first", "second"]);
    assert_eq!(all[0].surprise, None);
    assert!(
        all[0].rings.is_empty(),
        "one ring has no other to differ from"
    );
    assert_eq!(
        all[0].key.furnace.furnace,
        FurnaceId::new("k1").expect("an id")
    );
    assert_eq!(all[0].performed_by, "t1");
    assert_eq!(all[1].gauge, GaugeId::new("caliper-1").ok());
    assert_eq!(all[1].batch, Some(lab.batch.clone()));
    assert!(
        all[1]
            .surprise
            .is_some_and(|surprise| surprise.standard_deviation_c > 1.0)
    );
    let positions: Vec<&str> = all[1].rings.iter().map(|(at, _)| at.as_str()).collect();
    assert_eq!(positions, ["centre", "door"]);
    // Larger rings were fired colder: 19.50 mm beside 19.46 mm.
    assert!(all[1].rings[1].1 < all[1].rings[0].1);

    let later = read.readings_of_late(&lab.site, moment(1)).await;
    assert_eq!(later.expect("readings").len(), 1);
}

#[tokio::test]
async fn adjustments_and_events_come_in_order() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    for hours in [40, 30] {
        tx.insert_adjustment(&lab.new_adjustment(hours), &Request::NONE)
            .await
            .expect("an adjustment");
        tx.insert_furnace_event(&lab.new_event(hours), &Request::NONE)
            .await
            .expect("an event");
    }
    tx.commit().await.expect("committed");
    let read = lab.read();
    let made = read.adjustments_of_late(&lab.site, moment(30)).await;
    let made = made.expect("adjustments");
    assert_eq!(made, [lab.new_adjustment(30), lab.new_adjustment(40)]);
    let made = read.adjustments_of_late(&lab.site, moment(31)).await;
    assert_eq!(made.expect("adjustments"), [lab.new_adjustment(40)]);
    let events = read.events_of_site(&lab.site).await.expect("events");
    assert_eq!(events, [lab.new_event(30), lab.new_event(40)]);
}

#[tokio::test]
async fn a_site_that_the_scope_does_not_reach_is_refused() {
    let lab = Laboratory::furnished().await;
    let scope = only_at("bogota")
        .network(ringtrue_fleet::caller::Right::Read)
        .expect("may read at home");
    let read = lab.store.read(&scope);
    let since = moment(0);
    let refused = |outcome: Result<usize, Error>| matches!(outcome, Err(Error::OutOfScope));
    let readings = read.readings_of_late(&lab.site, since).await;
    assert!(refused(readings.map(|rows| rows.len())));
    let adjustments = read.adjustments_of_late(&lab.site, since).await;
    assert!(refused(adjustments.map(|rows| rows.len())));
    let events = read.events_of_site(&lab.site).await;
    assert!(refused(events.map(|rows| rows.len())));
}
