//! Leases of background work: one owner at a time, and whoever lost a lease is told so.

use jiff::SignedDuration;
use ringtrue_store::Lease;

use crate::laboratory::{Laboratory, moment};

const AN_HOUR: SignedDuration = SignedDuration::from_hours(1);

/// Takes the lease of a piece of work for an hour, in a transaction of its own.
async fn taken(lab: &Laboratory, owner: &str, hours: i64) -> Option<Lease> {
    let mut tx = lab.begin().await;
    let lease = tx
        .take_lease("count", owner, moment(hours), AN_HOUR)
        .await
        .expect("no fault");
    tx.commit().await.expect("committed");
    lease
}

async fn holds(lab: &Laboratory, lease: &Lease) -> bool {
    let mut tx = lab.begin().await;
    let held = tx.holds(lease).await.expect("no fault");
    tx.roll_back().await.expect("rolled back");
    held
}

#[tokio::test]
async fn another_owner_waits_until_the_lease_has_run_out() {
    let lab = Laboratory::empty().await;
    let first = taken(&lab, "one", 0).await.expect("free");
    assert!(holds(&lab, &first).await);
    assert_eq!(taken(&lab, "two", 0).await, None);
    assert!(holds(&lab, &first).await, "an attempt takes nothing away");
    // The hour is over: whoever comes first has it, and the one before no longer does.
    let second = taken(&lab, "two", 1).await.expect("run out");
    assert!(second.fence > first.fence);
    assert!(!holds(&lab, &first).await);
    assert!(holds(&lab, &second).await);
    assert_eq!(taken(&lab, "one", 1).await, None);
}

#[tokio::test]
async fn the_same_owner_takes_it_again_and_its_earlier_work_no_longer_counts() {
    let lab = Laboratory::empty().await;
    let first = taken(&lab, "one", 0).await.expect("free");
    let again = taken(&lab, "one", 0).await.expect("its own");
    assert_eq!(again.fence, first.fence + 1);
    assert!(!holds(&lab, &first).await);
    assert!(holds(&lab, &again).await);
}

#[tokio::test]
async fn a_lease_given_back_is_free_at_once() {
    let lab = Laboratory::empty().await;
    let first = taken(&lab, "one", 0).await.expect("free");
    let mut tx = lab.begin().await;
    tx.release_lease(&first).await.expect("given back");
    tx.commit().await.expect("committed");
    let second = taken(&lab, "two", 0).await.expect("given back");
    assert!(second.fence > first.fence);
    // Giving back what another has meanwhile does not take it away.
    let mut tx = lab.begin().await;
    tx.release_lease(&first).await.expect("no fault");
    tx.commit().await.expect("committed");
    assert!(holds(&lab, &second).await);
    assert_eq!(taken(&lab, "one", 0).await, None);
}

#[tokio::test]
async fn pieces_of_work_have_leases_of_their_own() {
    let lab = Laboratory::empty().await;
    let count = taken(&lab, "one", 0).await.expect("free");
    let mut tx = lab.begin().await;
    let other = tx
        .take_lease("sweep", "two", moment(0), AN_HOUR)
        .await
        .expect("no fault")
        .expect("free");
    tx.commit().await.expect("committed");
    assert_eq!((count.name, other.name), ("count", "sweep"));
    assert!(holds(&lab, &count).await && holds(&lab, &other).await);
}

#[tokio::test]
async fn what_was_not_committed_was_not_taken() {
    let lab = Laboratory::empty().await;
    let mut tx = lab.begin().await;
    let lease = tx
        .take_lease("count", "one", moment(0), AN_HOUR)
        .await
        .expect("no fault")
        .expect("free");
    tx.roll_back().await.expect("rolled back");
    assert!(!holds(&lab, &lease).await);
    assert!(taken(&lab, "two", 0).await.is_some());
}

#[tokio::test]
async fn an_owner_that_ends_gives_back_what_it_holds_and_nothing_else() {
    let lab = Laboratory::empty().await;
    let first = taken(&lab, "one", 0).await.expect("free");
    let mut tx = lab.begin().await;
    tx.release_leases_of("two").await.expect("no fault");
    tx.commit().await.expect("committed");
    assert_eq!(taken(&lab, "two", 0).await, None);
    let mut tx = lab.begin().await;
    tx.release_leases_of("one").await.expect("no fault");
    tx.commit().await.expect("committed");
    let second = taken(&lab, "two", 0).await.expect("given back");
    assert!(second.fence > first.fence);
}

#[tokio::test]
async fn a_lease_that_is_renewed_is_kept_for_as_long_as_its_owner_goes_on() {
    let lab = Laboratory::empty().await;
    let first = taken(&lab, "one", 0).await.expect("free");
    for hours in [1, 2] {
        let mut tx = lab.begin().await;
        let renewed = tx.renew_lease(&first, moment(hours), AN_HOUR).await;
        assert!(renewed.expect("no fault"));
        tx.commit().await.expect("committed");
        assert_eq!(taken(&lab, "two", hours).await, None, "after {hours} h");
    }
    assert!(holds(&lab, &first).await, "it is the same lease still");
    // It ran out and was taken: the one before cannot have it back by renewing.
    let second = taken(&lab, "two", 3).await.expect("run out");
    let mut tx = lab.begin().await;
    let renewed = tx.renew_lease(&first, moment(3), AN_HOUR).await;
    assert!(!renewed.expect("no fault"));
    tx.commit().await.expect("committed");
    assert!(holds(&lab, &second).await);
}
