//! Content that people may change: kept as given, listed, revised, and answered again as it first was.

use ringtrue_fleet::ring_batch::BatchState;
use ringtrue_store::{Answered, Error, Page, Request, Tx};

use crate::laboratory::{Laboratory, moment, new_batch, request, table};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// What was answered to a request before.
async fn answered(tx: &mut Tx, number: u128) -> Answered {
    tx.answered(&request(number))
        .await
        .expect("the store answers")
        .expect("it was answered before")
}

#[tokio::test]
async fn a_site_comes_back_as_it_was_given_and_as_it_was_first_answered() {
    let lab = Laboratory::empty().await;
    let first = Laboratory::new_site("porto");
    let mut tx = lab.begin().await;
    tx.insert_site(&first, &request(1))
        .await
        .expect("a new site");
    assert_eq!(
        tx.site(&lab.site).await.expect("a site"),
        Some(first.clone())
    );
    let mut details = first.details.clone();
    details.display_name = "Porto, second floor".to_owned();
    let second = first.clone().revised(details, moment(1));
    tx.update_site(&second, &request(2)).await.expect("revised");
    assert_eq!(answered(&mut tx, 1).await.site().expect("a site"), first);
    assert_eq!(answered(&mut tx, 2).await.site().expect("a site"), second);
    assert_eq!(answered(&mut tx, 1).await.subject, "sites/porto");
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert_eq!(
        read.site(&lab.site).await.expect("a site"),
        Some(second.clone())
    );
    assert_eq!(read.sites(&FIRST_PAGE).await.expect("sites"), [second]);
    assert_eq!(
        read.audit_length(Some(&lab.site)).await.expect("a length"),
        2
    );
    assert_eq!(read.audit_length(None).await.expect("a length"), 0);
}

#[tokio::test]
async fn a_furnace_comes_back_as_it_was_given_and_as_it_was_first_answered() {
    let lab = Laboratory::furnished().await;
    let first = lab.new_furnace("k2");
    let mut tx = lab.begin().await;
    tx.insert_furnace(&first, &request(1))
        .await
        .expect("a new furnace");
    assert_eq!(
        tx.furnace(&first.key).await.expect("a furnace"),
        Some(first.clone())
    );
    let mut details = first.details.clone();
    details.tolerance_c = None;
    let second = first.clone().revised(details, moment(1));
    tx.update_furnace(&second, &Request::NONE)
        .await
        .expect("revised");
    assert_eq!(
        answered(&mut tx, 1).await.furnace().expect("a furnace"),
        first
    );
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert_eq!(
        read.furnace(&first.key).await.expect("a furnace"),
        Some(second.clone())
    );
    let listed = read
        .furnaces(Some(&lab.site), &FIRST_PAGE)
        .await
        .expect("furnaces");
    assert_eq!(listed, [lab.new_furnace("k1"), second]);
}

#[tokio::test]
async fn a_programme_comes_back_as_it_was_given_and_as_it_was_first_answered() {
    let lab = Laboratory::furnished().await;
    let first = lab.new_programme("k1", "long");
    let mut tx = lab.begin().await;
    tx.insert_programme(&first, &request(1))
        .await
        .expect("a new programme");
    assert_eq!(
        tx.programme(&first.key).await.expect("a programme"),
        Some(first.clone())
    );
    let mut details = first.details.clone();
    details.shade_shift_c = -7.5;
    details.minimum_setpoint_c = 1400.0;
    let second = first.clone().revised(details, moment(1));
    tx.update_programme(&second, &Request::NONE)
        .await
        .expect("revised");
    assert_eq!(
        answered(&mut tx, 1).await.programme().expect("a programme"),
        first
    );
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert_eq!(
        read.programme(&first.key).await.expect("a programme"),
        Some(second.clone())
    );
    let of_furnace = read
        .programmes(&lab.site, Some(&lab.furnace.furnace), &FIRST_PAGE)
        .await;
    let of_site = read
        .programmes(&lab.site, None, &FIRST_PAGE)
        .await
        .expect("programmes");
    assert_eq!(of_site, [second, lab.new_programme("k1", "standard")]);
    assert_eq!(of_furnace.expect("programmes"), of_site);
}

#[tokio::test]
async fn a_gauge_comes_back_as_it_was_given_and_as_it_was_first_answered() {
    let lab = Laboratory::furnished().await;
    let first = lab.new_gauge("caliper-2");
    let mut tx = lab.begin().await;
    tx.insert_gauge(&first, &request(1))
        .await
        .expect("a new gauge");
    assert_eq!(
        tx.gauge(&first.key).await.expect("a gauge"),
        Some(first.clone())
    );
    let mut details = first.details.clone();
    details.in_use = false;
    let second = first.clone().revised(details, moment(1));
    tx.update_gauge(&second, &Request::NONE)
        .await
        .expect("revised");
    assert_eq!(answered(&mut tx, 1).await.gauge().expect("a gauge"), first);
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert_eq!(
        read.gauge(&first.key).await.expect("a gauge"),
        Some(second.clone())
    );
    let listed = read.gauges(&lab.site, &FIRST_PAGE).await.expect("gauges");
    assert_eq!(listed, [lab.new_gauge("caliper-1"), second]);
}

#[tokio::test]
async fn a_batch_keeps_its_tables_to_the_last_digit_and_takes_one_more() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let first = new_batch("x8");
    tx.insert_ring_batch(&first, &request(1))
        .await
        .expect("a new batch");
    assert_eq!(
        tx.ring_batch(&first.key).await.expect("a batch"),
        Some(first.clone())
    );
    let added = table(180.0);
    let mut details = first.details.clone();
    details.tables.push(added.clone());
    let second = first.clone().revised(details, moment(1));
    tx.update_ring_batch(&second, Some(&added), &Request::NONE)
        .await
        .expect("a table more");
    let mut details = second.details.clone();
    details.state = BatchState::OnHold;
    details.state_reason = "wet pouch".to_owned();
    let third = second.clone().revised(details, moment(2));
    tx.update_ring_batch(&third, None, &Request::NONE)
        .await
        .expect("on hold");
    assert_eq!(
        answered(&mut tx, 1).await.ring_batch().expect("a batch"),
        first
    );
    tx.commit().await.expect("committed");
    let read = lab.read();
    assert_eq!(
        read.ring_batch(&first.key).await.expect("a batch"),
        Some(third.clone())
    );
    assert_eq!(
        read.ring_batches(&FIRST_PAGE).await.expect("batches"),
        [new_batch("x7"), third]
    );
    // Batches belong to the network's own chain, not to a site's.
    assert_eq!(read.audit_length(None).await.expect("a length"), 4);
}

#[tokio::test]
async fn a_second_table_for_the_same_hold_is_refused() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let batch = new_batch("x7");
    let mut details = batch.details.clone();
    details.tables.push(table(120.0));
    let second = batch.revised(details, moment(1));
    let refused = tx
        .update_ring_batch(&second, Some(&table(120.0)), &Request::NONE)
        .await;
    assert!(matches!(refused, Err(Error::Exists)), "{refused:?}");
}

#[tokio::test]
async fn an_id_that_is_taken_is_refused_for_every_kind_of_content() {
    let lab = Laboratory::furnished().await;
    let again = Request::NONE;
    // After a fault a transaction is only good for being dropped.
    let mut refused = Vec::new();
    let mut tx = lab.begin().await;
    refused.push(tx.insert_site(&Laboratory::new_site("porto"), &again).await);
    drop(tx);
    let mut tx = lab.begin().await;
    refused.push(tx.insert_furnace(&lab.new_furnace("k1"), &again).await);
    drop(tx);
    let mut tx = lab.begin().await;
    let programme = lab.new_programme("k1", "standard");
    refused.push(tx.insert_programme(&programme, &again).await);
    drop(tx);
    let mut tx = lab.begin().await;
    refused.push(tx.insert_gauge(&lab.new_gauge("caliper-1"), &again).await);
    drop(tx);
    let mut tx = lab.begin().await;
    refused.push(tx.insert_ring_batch(&new_batch("x7"), &again).await);
    drop(tx);
    for refused in refused {
        assert!(matches!(refused, Err(Error::Exists)), "{refused:?}");
    }
}

#[tokio::test]
async fn what_is_not_on_record_is_none_and_no_fault() {
    let lab = Laboratory::empty().await;
    let read = lab.read();
    assert_eq!(read.site(&lab.site).await.expect("no fault"), None);
    assert_eq!(read.furnace(&lab.furnace).await.expect("no fault"), None);
    assert_eq!(
        read.programme(&lab.programme).await.expect("no fault"),
        None
    );
    assert_eq!(read.gauge(&lab.gauge).await.expect("no fault"), None);
    assert_eq!(read.ring_batch(&lab.batch).await.expect("no fault"), None);
    assert_eq!(
        read.tracked_offset(&lab.furnace).await.expect("no fault"),
        None
    );
    assert_eq!(
        read.latest_gauge_check(&lab.gauge).await.expect("no fault"),
        None
    );
    let mut tx = lab.begin().await;
    assert_eq!(tx.answered(&request(1)).await.expect("no fault"), None);
}

#[tokio::test]
async fn a_request_id_used_for_something_else_is_refused() {
    let lab = Laboratory::empty().await;
    let mut tx = lab.begin().await;
    tx.insert_site(&Laboratory::new_site("porto"), &request(1))
        .await
        .expect("a new site");
    let other_content = Request {
        digest: [8; 32],
        ..request(1)
    };
    let other_method = Request {
        method: "Other",
        ..request(1)
    };
    for other in [&other_content, &other_method] {
        let refused = tx.answered(other).await;
        assert!(
            matches!(refused, Err(Error::RequestIdReused)),
            "{refused:?}"
        );
    }
    let all = tx
        .answered_all(&[&request(1), &request(2), &other_content, &Request::NONE])
        .await;
    let all = all.expect("the store answers");
    assert!(matches!(all[0], Some(Ok(_))), "{:?}", all[0]);
    assert!(all[1].is_none(), "{:?}", all[1]);
    assert!(
        matches!(all[2], Some(Err(Error::RequestIdReused))),
        "{:?}",
        all[2]
    );
    assert!(all[3].is_none(), "{:?}", all[3]);
}
