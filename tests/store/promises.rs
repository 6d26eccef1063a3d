//! What the store promises about its file: durable, checked, migrated, and never an older program on a newer
//! file.

use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Error, Location, Page, Store};
use sqlx::AnyConnection;

use crate::laboratory::Laboratory;

/// Opens a second transaction while one is open, in turn.
#[tokio::test]
async fn writers_wait_for_each_other_and_readers_for_nobody() {
    let lab = Laboratory::furnished().await;
    let scope = Scope::for_work("test");
    let first = lab.begin().await;
    let second = lab.store.begin("second", &scope);
    tokio::pin!(second);
    let still_waiting = futures_poll_once(second.as_mut()).await;
    assert!(
        still_waiting,
        "a second writer began while the first was at work"
    );
    let sites = lab
        .read()
        .sites(&Page {
            size: 5,
            after: Vec::new(),
        })
        .await
        .expect("sites");
    assert_eq!(sites.len(), 1);
    first.commit().await.expect("committed");
    let second = second.await.expect("a transaction");
    second.commit().await.expect("committed");
}

/// Looks at a future once; says whether it is still going on.
async fn futures_poll_once<F: Future + Unpin>(mut future: F) -> bool {
    std::future::poll_fn(|context| {
        let pending = std::pin::Pin::new(&mut future).poll(context).is_pending();
        std::task::Poll::Ready(pending)
    })
    .await
}

#[tokio::test]
async fn the_file_has_a_write_ahead_log_that_a_clean_end_folds_back() {
    let lab = Laboratory::furnished_in_file().await;
    let mut behind = lab.behind_its_back().await;
    let mode: String = sqlx::query_scalar("PRAGMA journal_mode")
        .fetch_one(&mut behind)
        .await
        .expect("a mode");
    assert_eq!(mode, "wal");
    let log = lab.database.folder().join("ringtrue.db-wal");
    assert!(std::fs::metadata(&log).expect("a log").len() > 0);
    lab.store.clone().close().await.expect("closed");
    assert_eq!(std::fs::metadata(&log).map_or(0, |log| log.len()), 0);
}

#[tokio::test]
async fn in_a_quiet_moment_the_log_is_folded_and_the_file_alone_is_whole() {
    let lab = Laboratory::furnished_in_file().await;
    let key = lab.recorded("k1", 0, 19.47, "first").await;
    // The first turn sees that something was written, the second that nothing was written since.
    for _ in 0..2 {
        lab.store.fold_log().await.expect("folded");
    }
    let copy = tempfile::tempdir().expect("a folder");
    let file = copy.path().join("copy.db");
    std::fs::copy(lab.file(), &file).expect("copied without its log");
    let store = Store::open(&file).await.expect("opened");
    let read = store.read(&Scope::for_work("test"));
    assert!(read.recorded(&key).await.expect("no fault").is_some());
    assert_eq!(store.verify().await.expect("verified").faults, []);
    lab.recorded("k1", 24 * 28, 19.47, "second").await;
}

#[tokio::test]
async fn a_reference_to_nothing_is_refused() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let mut event = lab.new_event(1);
    event.key.furnace.furnace = ringtrue_fleet::key::FurnaceId::new("k99").expect("an id");
    let refused = tx
        .insert_furnace_event(&event, &ringtrue_store::Request::NONE)
        .await;
    let Err(Error::Database(fault)) = refused else {
        panic!("an event of no furnace was kept: {refused:?}")
    };
    let refused = fault.as_database_error().expect("the database says so");
    assert!(refused.is_foreign_key_violation(), "{refused}");
}

#[tokio::test]
async fn migrating_twice_changes_nothing() {
    let lab = Laboratory::furnished_in_file().await;
    lab.store.clone().close().await.expect("closed");
    let before = std::fs::read(lab.file()).expect("a file");
    Store::migrate(lab.location())
        .await
        .expect("migrated already");
    let again = Store::open(lab.location()).await.expect("opened");
    assert_eq!(again.verify().await.expect("verified").faults, []);
    again.close().await.expect("closed");
    assert_eq!(
        std::fs::read(lab.file()).expect("a file").len(),
        before.len()
    );
}

#[tokio::test]
async fn a_file_of_a_newer_program_is_refused_in_words() {
    let lab = Laboratory::furnished_in_file().await;
    lab.store.clone().close().await.expect("closed");
    let mut behind = lab.behind_its_back().await;
    sqlx::query(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'of tomorrow', true, x'00', 1)",
    )
    .execute(&mut behind)
    .await
    .expect("a later migration");
    let refused = Store::open(lab.location()).await;
    assert!(matches!(refused, Err(Error::NewerSchema)), "{refused:?}");
    assert!(
        Error::NewerSchema
            .to_string()
            .contains("install that version")
    );
}

#[tokio::test]
async fn a_file_that_is_no_database_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("ringtrue.db");
    std::fs::write(&file, "diameter_mm,ring_temperature_C\n".repeat(400)).expect("written");
    let refused = Store::open(&file).await;
    assert!(matches!(refused, Err(Error::Database(_))), "{refused:?}");
}

#[tokio::test]
async fn only_a_database_of_this_version_counts_as_existing() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("ringtrue.db");
    assert!(Store::open_existing(&file).await.is_err());
    assert!(!file.exists(), "a database was made");

    for content in [String::new(), "diameter_mm\n".repeat(400)] {
        std::fs::write(&file, &content).expect("written");
        let refused = Store::open_existing(&file).await;
        assert!(matches!(refused, Err(Error::NotOurs)), "{refused:?}");
        let after = std::fs::read_to_string(&file).expect("a file");
        assert_eq!(after, content);
    }

    let lab = Laboratory::furnished_in_file().await;
    lab.store.clone().close().await.expect("closed");
    let again = Store::open_existing(lab.location()).await.expect("opened");
    assert_eq!(again.verify().await.expect("verified").faults, []);
    again.close().await.expect("closed");

    let mut behind = lab.behind_its_back().await;
    set_back(&mut behind).await;
    let refused = Store::open_existing(lab.location()).await;
    assert!(matches!(refused, Err(Error::OlderSchema)), "{refused:?}");
    sqlx::query(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'of tomorrow', true, x'00', 1)",
    )
    .execute(&mut behind)
    .await
    .expect("a later migration");
    let refused = Store::open_existing(lab.location()).await;
    assert!(matches!(refused, Err(Error::NewerSchema)), "{refused:?}");
    sqlx::query("ALTER TABLE audit RENAME TO something_else")
        .execute(&mut behind)
        .await
        .expect("renamed");
    let refused = Store::open_existing(lab.location()).await;
    assert!(matches!(refused, Err(Error::NotOurs)), "{refused:?}");
}

/// A database on PostgreSQL that a program of tomorrow has migrated further, and somebody behind its back.
async fn migrated_further() -> (Laboratory, AnyConnection) {
    let lab = Laboratory::furnished_on_postgresql().await;
    let mut behind = lab.behind_its_back().await;
    // What a migration does that only adds.
    sqlx::raw_sql(
        "ALTER TABLE site ADD COLUMN later TEXT;
        ALTER TABLE reading ADD COLUMN later TEXT;
        ALTER TABLE audit ADD COLUMN later BIGINT NOT NULL DEFAULT 7;
        CREATE TABLE of_tomorrow (id TEXT NOT NULL PRIMARY KEY);
        INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
            VALUES (9999, 'of tomorrow', true, '', 1);",
    )
    .execute(&mut behind)
    .await
    .expect("migrated further");
    (lab, behind)
}

#[tokio::test]
async fn servers_of_two_versions_work_on_one_database_while_it_is_upgraded() {
    let (lab, mut behind) = migrated_further().await;
    // One that was open goes on, one that starts now is let in.
    lab.recorded("k1", 0, 19.47, "before").await;
    let again = Store::open(lab.location()).await.expect("let in");
    let read = again.read(&Scope::for_work("test"));
    let page = Page {
        size: 5,
        after: Vec::new(),
    };
    assert_eq!(read.sites(&page).await.expect("sites").len(), 1);
    again.close().await.expect("closed");
    lab.recorded("k1", 24 * 28, 19.46, "after").await;

    // Until what this program needs is taken away.
    sqlx::query("UPDATE schema_compatibility SET oldest_program = 9999")
        .execute(&mut behind)
        .await
        .expect("contracted");
    let refused = Store::open(lab.location()).await;
    assert!(matches!(refused, Err(Error::NewerSchema)), "{refused:?}");
}

/// PostgreSQL refuses a prepared statement whose result has other columns by now.
#[tokio::test]
async fn statements_that_were_prepared_before_columns_were_added_are_made_anew() {
    // More often than there are connections.
    const OFTEN: usize = 40;
    let lab = Laboratory::furnished_on_postgresql().await;
    let read = lab.store.read(&Scope::for_work("test"));
    let page = Page {
        size: 5,
        after: Vec::new(),
    };
    for _ in 0..OFTEN {
        assert_eq!(read.sites(&page).await.expect("sites").len(), 1);
        let mut tx = lab.begin().await;
        tx.fit().await.expect("none yet");
        tx.roll_back().await.expect("rolled back");
    }
    let mut behind = lab.behind_its_back().await;
    sqlx::raw_sql(
        "ALTER TABLE site ADD COLUMN later TEXT;
        ALTER TABLE fleet_fit ADD COLUMN later TEXT;",
    )
    .execute(&mut behind)
    .await
    .expect("a migration that only adds");
    let mut in_the_way = 0;
    for _ in 0..OFTEN {
        let sites = read
            .sites(&page)
            .await
            .expect("a read by itself never fails");
        assert_eq!(sites.len(), 1);
        // In a transaction what was done before it is lost with it, so the caller is told to come again.
        let mut tx = lab.begin().await;
        match tx.fit().await {
            Ok(_) => {}
            Err(Error::Conflict(_)) => in_the_way += 1,
            Err(other) => panic!("{other:?}"),
        }
        tx.roll_back().await.expect("rolled back");
    }
    assert!(in_the_way >= 1, "no statement was outdated");
    assert!(
        in_the_way < OFTEN,
        "a connection goes on with what is outdated"
    );
    let mut tx = lab.begin().await;
    tx.fit().await.expect("made anew");
    tx.roll_back().await.expect("rolled back");
}

#[tokio::test]
async fn an_older_program_does_not_take_what_was_added_for_tampering() {
    let (lab, _behind) = migrated_further().await;
    let store = Store::open(lab.database.owners_location())
        .await
        .expect("let in");
    let refused = store.verify().await;
    assert!(matches!(refused, Err(Error::NewerSchema)), "{refused:?}");
}

/// Makes a database one that an older program left.
async fn set_back(behind: &mut AnyConnection) {
    sqlx::query(
        "DELETE FROM _sqlx_migrations WHERE version = (SELECT MAX(version) FROM _sqlx_migrations)",
    )
    .execute(behind)
    .await
    .expect("as an older program left it");
}

#[tokio::test]
async fn a_database_that_was_not_migrated_far_enough_is_not_served() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let mut behind = lab.behind_its_back().await;
    set_back(&mut behind).await;
    let refused = Store::open(lab.location()).await;
    assert!(matches!(refused, Err(Error::OlderSchema)), "{refused:?}");
    let empty = ringtrue_tests::postgresql::Database::fresh().await;
    let refused = Store::open(Location::parse(&empty.server_url())).await;
    assert!(matches!(refused, Err(Error::NotMigrated)), "{refused:?}");
}

#[tokio::test]
async fn a_server_has_no_right_to_migrate_or_to_verify_the_shape() {
    let lab = Laboratory::furnished_on_postgresql().await;
    let refused = lab.store.verify().await;
    assert!(matches!(refused, Err(Error::Forbidden(_))), "{refused:?}");
    let empty = ringtrue_tests::postgresql::Database::fresh().await;
    let refused = Store::migrate(Location::parse(&empty.server_url())).await;
    assert!(matches!(refused, Err(Error::Forbidden(_))), "{refused:?}");
    let nowhere = empty.server_url() + "_that_is_not_there";
    let refused = Store::open(Location::parse(&nowhere)).await;
    assert!(
        matches!(refused, Err(Error::NoSuchDatabase(_))),
        "{refused:?}"
    );
}

#[tokio::test]
async fn whoever_waited_for_a_lost_transaction_is_told_the_same_and_nothing_is_tried_again() {
    let lab = Laboratory::furnished_on_postgresql().await;
    lab.store.clone().close().await.expect("closed");
    let scope = Scope::for_work("test");
    let lost = lab.store.begin("test", &scope).await;
    let lost = lost.expect_err("there is no connection any more");
    assert!(matches!(lost, Error::Unreachable(_)), "{lost:?}");
    let another = lost.for_another().expect("others hear of it");
    assert!(matches!(another, Error::Unreachable(_)), "{another:?}");
    // What is one caller's own fault may be tried one by one.
    assert!(Error::Exists.for_another().is_none());
}

#[test]
fn an_address_beyond_this_machine_says_whether_it_is_encrypted() {
    let of = |host: &str| format!("postgres://ringtrue_server@{host}/ringtrue");
    for good in [
        "ringtrue.db".to_owned(),
        of("127.0.0.1:5432"),
        of("localhost"),
        of("[::1]:5432"),
        "postgres:///ringtrue?host=/run/postgresql".to_owned(),
        of("db.example.org") + "?sslmode=verify-full",
        // Somebody has decided.
        of("192.0.2.7") + "?sslmode=disable",
    ] {
        let checked = Location::parse(&good).check();
        assert!(checked.is_ok(), "{good}: {checked:?}");
    }
    for refused in [
        of("db.example.org"),
        of("192.0.2.7:5432") + "?application_name=ringtrue",
        of("[2001:db8::7]"),
        "postgres:///ringtrue?host=db.example.org".to_owned(),
        of("127.0.0.1") + "?sslmod=verify-full",
    ] {
        let checked = Location::parse(&refused).check();
        assert!(
            matches!(checked, Err(Error::Address(_))),
            "{refused}: {checked:?}"
        );
    }
}
