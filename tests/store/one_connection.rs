//! Calls that read several times over one connection, on PostgreSQL whatever this run works on: that they use no other,
//! that they see what they may, and that a connection which is lost takes down nothing but the call that had it.

use ringtrue_fleet::caller::Right;
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Error, Read};
use sqlx::{AnyConnection, Executor as _};

use crate::laboratory::{Laboratory, only_at};

/// How many of the database's connections have run a statement since a moment.
async fn used_since(behind: &mut AnyConnection, moment: &str) -> i64 {
    let sql = format!(
        "SELECT COUNT(*) FROM pg_stat_activity WHERE datname = current_database()
            AND pid <> pg_backend_pid() AND query_start > '{moment}'::timestamptz"
    );
    sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
        .fetch_one(behind)
        .await
        .expect("a count")
}

/// Reads as a call does: statement by statement, and as of one moment in between.
async fn read_twice(lab: &Laboratory, read: &Read) -> Result<(), Error> {
    read.site(&lab.site).await?;
    read.furnace(&lab.furnace).await?;
    read.standing_records(std::slice::from_ref(&lab.site))
        .await?;
    read.site_records(std::slice::from_ref(&lab.site)).await?;
    read.tracked_offset(&lab.furnace).await?;
    read.history(&lab.furnace).await?;
    Ok(())
}

#[tokio::test]
async fn a_call_that_keeps_its_connection_uses_no_other() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let mut behind = lab.behind_its_back().await;
    // Several are in the pool.
    let (one, other) = (lab.read(), lab.read());
    let (one, other) = tokio::join!(read_twice(&lab, &one), read_twice(&lab, &other));
    one.and(other).expect("read");
    let moment: String = sqlx::query_scalar("SELECT CAST(clock_timestamp() AS TEXT)")
        .fetch_one(&mut behind)
        .await
        .expect("a moment");
    let read = lab.read().on_one_connection();
    read_twice(&lab, &read).await.expect("read");
    read_twice(&lab, &read.clone()).await.expect("read again");
    assert_eq!(used_since(&mut behind, &moment).await, 1);
    // It goes back: more calls than there are connections, one after the other, wait for none.
    drop(read);
    for _ in 0..40 {
        let read = lab.read().on_one_connection();
        read_twice(&lab, &read).await.expect("read");
    }
}

#[tokio::test]
async fn two_reads_at_once_get_a_connection_each() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let read = lab.read().on_one_connection();
    let (one, other) = tokio::join!(read_twice(&lab, &read), read_twice(&lab, &read));
    one.and(other).expect("read side by side");
    read_twice(&lab, &read).await.expect("read afterwards");
}

#[tokio::test]
async fn a_connection_is_kept_for_its_own_scope() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let mut tx = lab.begin().await;
    let site = Laboratory::new_site("faro");
    tx.insert_site(&site, &ringtrue_store::Request::NONE)
        .await
        .expect("another site");
    tx.commit().await.expect("committed");
    let faro = SiteId::new("faro").expect("an id");
    let at = |site: &SiteId| {
        let caller = only_at(site.as_str());
        caller.site(Right::Read, site).expect("its own site")
    };
    let own = lab.store.read(&at(&lab.site)).on_one_connection();
    assert!(own.site(&lab.site).await.expect("its own").is_some());
    let records = own.standing_records(std::slice::from_ref(&faro)).await;
    assert!(matches!(records, Err(Error::OutOfScope)), "{records:?}");
    assert!(own.site(&lab.site).await.expect("its own").is_some());
    drop(own);
    let others = lab.store.read(&at(&faro)).on_one_connection();
    assert!(others.site(&faro).await.expect("its own").is_some());
    let everything = lab.read().on_one_connection();
    assert!(everything.site(&faro).await.expect("all").is_some());
}

#[tokio::test]
async fn who_loses_the_connection_between_two_reads_fails_and_the_next_call_does_not() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let read = lab.read().on_one_connection();
    read_twice(&lab, &read).await.expect("read");
    let mut behind = lab.behind_its_back().await;
    behind
        .execute(
            "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity
            WHERE datname = current_database() AND pid <> pg_backend_pid()",
        )
        .await
        .expect("put out");
    let lost = read.site(&lab.site).await;
    assert!(matches!(lost, Err(Error::Unreachable(_))), "{lost:?}");
    let next = lab.read().on_one_connection();
    read_twice(&lab, &next).await.expect("a new connection");
}
