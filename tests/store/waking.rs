//! What servers of one database say to each other, on PostgreSQL.

use std::time::Duration;

use ringtrue_store::{Listener, Request, Word};
use ringtrue_tests::process::PATIENCE;
use sqlx::Executor as _;
use tokio::time::timeout;

use crate::alerts::{alert, raised};
use crate::laboratory::{Laboratory, moment};
use crate::site_groups::group;

/// Longer than a word takes, shorter than anybody waits.
const SHORT: Duration = Duration::from_millis(200);

async fn listened() -> (Laboratory, Listener) {
    let lab = Laboratory::furnished_on_postgresql().await;
    let listener = lab.store.listener().await.expect("the store answers");
    (lab, listener.expect("there may be others"))
}

async fn heard(listener: &mut Listener) -> Word {
    let heard = timeout(PATIENCE, listener.heard()).await;
    heard.expect("in time").expect("a word")
}

#[tokio::test]
async fn a_word_is_said_at_the_commit_and_not_before() {
    let (lab, mut listener) = listened().await;
    let mut tx = lab.begin().await;
    tx.put_alerts(&[raised(alert(&lab, "a1"))], moment(1))
        .await
        .expect("kept");
    let early = timeout(SHORT, listener.heard()).await;
    assert!(early.is_err(), "said before it was so: {early:?}");
    tx.commit().await.expect("committed");
    assert_eq!(heard(&mut listener).await, Word::Alerts);

    let mut tx = lab.begin().await;
    tx.put_alerts(&[raised(alert(&lab, "a2"))], moment(1))
        .await
        .expect("kept");
    tx.roll_back().await.expect("undone");
    let mut tx = lab.begin().await;
    tx.put_site_group(&group("north", &["porto"], 1), &Request::NONE)
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    assert_eq!(heard(&mut listener).await, Word::Access);
}

#[tokio::test]
async fn who_lost_the_connection_is_told_that_anything_may_have_happened() {
    let (lab, mut listener) = listened().await;
    let mut behind = lab.behind_its_back().await;
    behind
        .execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity
            WHERE datname = current_database() AND pid <> pg_backend_pid()",
        )
        .await
        .expect("put out");
    assert_eq!(heard(&mut listener).await, Word::Anything);
    let mut tx = lab.begin().await;
    tx.put_alerts(&[raised(alert(&lab, "a1"))], moment(1))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    assert_eq!(heard(&mut listener).await, Word::Alerts);
}

#[tokio::test]
async fn on_a_file_there_is_nobody_to_hear() {
    let lab = Laboratory::furnished_in_file().await;
    let listener = lab.store.listener().await.expect("the store answers");
    assert!(listener.is_none());
    assert_eq!(
        lab.store.make_partitions(2026..=2040).await.expect("none"),
        0
    );
}

#[tokio::test]
async fn partitions_of_the_coming_years_are_made_once_and_take_what_waited_for_them() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let mut behind = lab.behind_its_back().await;
    behind
        .execute("DROP TABLE evaluation_2026, reading_2026")
        .await
        .expect("a year without partitions");
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    let store = &lab.store;
    assert_eq!(store.make_partitions(2026..=2028).await.expect("made"), 2);
    assert_eq!(store.make_partitions(2026..=2028).await.expect("there"), 0);
    assert!(lab.read().recorded(&key).await.expect("no fault").is_some());
    assert_eq!(lab.verified().await.faults, []);
    let inside: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM reading_2026")
        .fetch_one(&mut behind)
        .await
        .expect("there is such a partition");
    assert_eq!(inside, 1);
}
