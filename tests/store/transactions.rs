//! All or nothing: what a transaction leaves behind when it is dropped, undone, or fails at its commit.

use std::collections::HashSet;

use jiff::SignedDuration;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Error, Fault, Over, Page, Request, Store};
use ringtrue_tests::databases::is_on_postgresql;

use crate::laboratory::{Laboratory, moment};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// How many readings the site has.
async fn readings(lab: &Laboratory) -> usize {
    let read = lab.read();
    read.readings(&lab.site, None, true, &FIRST_PAGE)
        .await
        .expect("readings")
        .len()
}

#[tokio::test]
async fn a_dropped_transaction_leaves_nothing_and_the_next_one_works() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.47), "lost")
        .await;
    tx.insert_readings(vec![new]).await.expect("a good reading");
    drop(tx);
    assert_eq!(readings(&lab).await, 0);
    lab.recorded("k1", 0, 19.47, "kept").await;
    assert_eq!(readings(&lab).await, 1);
    let faults = lab.verified().await.faults;
    // The trap itself is noticed, and nothing else.
    let is_trap = |fault: &Fault| matches!(fault, Fault::SchemaAltered { .. });
    assert!(faults.iter().all(is_trap), "{faults:?}");
}

#[tokio::test]
async fn a_transaction_that_is_rolled_back_leaves_nothing() {
    let lab = Laboratory::furnished().await;
    let entries = lab
        .read()
        .audit_length(Some(&lab.site))
        .await
        .expect("a length");
    let mut tx = lab.begin().await;
    tx.insert_gauge_check(&lab.new_check(1), &Request::NONE)
        .await
        .expect("a check");
    tx.roll_back().await.expect("rolled back");
    let read = lab.read();
    assert_eq!(
        read.latest_gauge_check(&lab.gauge).await.expect("no fault"),
        None
    );
    assert_eq!(
        read.audit_length(Some(&lab.site)).await.expect("a length"),
        entries
    );
}

#[tokio::test]
async fn nothing_is_seen_from_outside_before_the_commit() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.47), "first")
        .await;
    tx.insert_readings(vec![new]).await.expect("a good reading");
    assert_eq!(readings(&lab).await, 0);
    tx.commit().await.expect("committed");
    assert_eq!(readings(&lab).await, 1);
}

#[tokio::test]
async fn what_was_committed_is_there_after_the_file_is_opened_again() {
    let lab = Laboratory::furnished().await;
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    let before = lab.read().recorded(&key).await.expect("no fault");
    lab.store.clone().close().await.expect("closed");
    assert!(
        lab.read().recorded(&key).await.is_err(),
        "a closed store reads nothing"
    );
    let again = Store::open(lab.location()).await.expect("opened again");
    let read = again.read(&Scope::for_work("test"));
    assert_eq!(read.recorded(&key).await.expect("no fault"), before);
    assert!(before.is_some());
}

/// Makes every reading of one setpoint break a foreign key that is looked at only when the transaction
/// is committed.
async fn break_the_commit_of(lab: &Laboratory, setpoint_c: &str) {
    let mut behind = lab.behind_its_back().await;
    let table = "CREATE TABLE trap (reading TEXT NOT NULL REFERENCES site (id) DEFERRABLE INITIALLY DEFERRED)";
    let trap = if is_on_postgresql() {
        format!(
            "{table};
            CREATE FUNCTION spring() RETURNS TRIGGER LANGUAGE plpgsql SECURITY DEFINER
                AS 'BEGIN INSERT INTO trap VALUES (''no such site''); RETURN NEW; END';
            CREATE TRIGGER spring AFTER INSERT ON reading FOR EACH ROW WHEN (NEW.setpoint_c = {setpoint_c})
                EXECUTE FUNCTION spring();"
        )
    } else {
        format!(
            "{table} STRICT;
            CREATE TRIGGER spring AFTER INSERT ON reading WHEN NEW.setpoint_c = {setpoint_c}
                BEGIN INSERT INTO trap VALUES ('no such site'); END;"
        )
    };
    sqlx::raw_sql(sqlx::AssertSqlSafe(trap))
        .execute(&mut behind)
        .await
        .expect("a trap");
}

/// Takes the trap away again: `verify` tells of it as of a shape that is not ours.
async fn mend(lab: &Laboratory) {
    let gone = if is_on_postgresql() {
        "DROP FUNCTION spring CASCADE; DROP TABLE trap;"
    } else {
        "DROP TRIGGER spring; DROP TABLE trap;"
    };
    let mut behind = lab.behind_its_back().await;
    sqlx::raw_sql(gone)
        .execute(&mut behind)
        .await
        .expect("no trap");
}

#[tokio::test]
async fn a_commit_that_fails_is_an_error_and_keeps_nothing() {
    let lab = Laboratory::furnished().await;
    break_the_commit_of(&lab, "1500").await;
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.47), "lost")
        .await;
    let key = new.reading.key.clone();
    tx.insert_readings(vec![new])
        .await
        .expect("the key is looked at later");
    let failed = tx.commit().await;
    let Err(Error::Database(fault)) = failed else {
        panic!("the commit was taken for good: {failed:?}")
    };
    let refused = fault.as_database_error().expect("the database says so");
    assert!(refused.is_foreign_key_violation(), "{refused}");
    assert_eq!(lab.read().recorded(&key).await.expect("no fault"), None);
    assert_eq!(
        lab.read()
            .tracked_offset(&lab.furnace)
            .await
            .expect("no fault"),
        None
    );
}

#[tokio::test]
async fn after_a_commit_that_failed_the_next_transaction_works() {
    let lab = Laboratory::furnished().await;
    break_the_commit_of(&lab, "1500").await;
    let mut tx = lab.begin().await;
    let new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.47), "lost")
        .await;
    tx.insert_readings(vec![new])
        .await
        .expect("the key is looked at later");
    tx.commit().await.expect_err("the trap springs");
    let mut tx = lab.begin().await;
    let mut report = lab.report("k1", 0, 19.47);
    report.setpoint_c = Some(1490.0);
    let new = lab.decided(&mut tx, report, "kept").await;
    let key = new.reading.key.clone();
    tx.insert_readings(vec![new]).await.expect("a good reading");
    tx.commit().await.expect("committed");
    assert!(lab.read().recorded(&key).await.expect("no fault").is_some());
    assert_eq!(readings(&lab).await, 1);
    mend(&lab).await;
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn a_transaction_over_fewer_sites_still_keeps_all_it_writes() {
    let lab = Laboratory::furnished().await;
    let scope = Scope::for_work("test");
    for over in [Over::Sites(std::slice::from_ref(&lab.site)), Over::Nothing] {
        let mut tx = lab
            .store
            .begin_over("test", &scope, over)
            .await
            .expect("it begins");
        let lease = tx
            .take_lease("work", "me", moment(0), SignedDuration::from_secs(60))
            .await
            .expect("no fault");
        assert!(lease.is_some());
        tx.commit().await.expect("committed");
    }
    let mut tx = lab.begin().await;
    let taken = tx
        .take_lease("work", "you", moment(0), SignedDuration::from_secs(60))
        .await
        .expect("no fault");
    assert_eq!(taken, None);
}

#[tokio::test]
async fn it_is_told_which_sites_somebody_is_writing() {
    let lab = Laboratory::furnished().await;
    let other: SiteId = SiteId::new("other").expect("an id");
    let both = [other.clone(), lab.site.clone()];
    let held = async || lab.store.sites_held(&both).await.expect("no fault");
    let of_postgresql = |sites: &[&SiteId]| -> HashSet<SiteId> {
        let told = sites.iter().copied().cloned();
        told.filter(|_| is_on_postgresql()).collect()
    };
    assert_eq!(held().await, HashSet::new());
    let scope = Scope::for_work("test");
    for (over, wanted) in [
        (Over::Site(&other), of_postgresql(&[&other])),
        (Over::Sites(&both), of_postgresql(&[&other, &lab.site])),
        // Everybody waits for this one, whatever their sites.
        (Over::Scope, HashSet::new()),
        (Over::Nothing, HashSet::new()),
    ] {
        let begun = lab.store.begin_over("test", &scope, over).await;
        let tx = begun.expect("it begins");
        assert_eq!(held().await, wanted, "{over:?}");
        tx.roll_back().await.expect("rolled back");
        assert_eq!(held().await, HashSet::new());
    }
}

#[tokio::test]
async fn one_reading_that_cannot_be_kept_keeps_back_its_whole_transaction() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "taken").await;
    let mut tx = lab.begin().await;
    tx.insert_furnace(&lab.new_furnace("k2"), &Request::NONE)
        .await
        .expect("a furnace");
    tx.insert_programme(&lab.new_programme("k2", "standard"), &Request::NONE)
        .await
        .expect("a programme");
    let good = lab
        .decided(&mut tx, lab.report("k2", 0, 19.47), "good")
        .await;
    let twice = lab
        .decided(&mut tx, lab.report("k1", 0, 19.47), "taken")
        .await;
    let refused = tx.insert_readings(vec![good, twice]).await;
    assert!(matches!(refused, Err(Error::Exists)), "{refused:?}");
    tx.roll_back().await.expect("rolled back");
    assert_eq!(readings(&lab).await, 1);
}
