//! A whole installation is copied from SQLite to PostgreSQL and back: equal, provable, and usable afterwards.

use std::collections::BTreeMap;

use jiff::SignedDuration;
use ringtrue_fleet::caller::Scope;
use ringtrue_server::app;
use ringtrue_server::clock::Clock;
use ringtrue_store::{Copied, CopyFault, CopyStep, CopyWish, Error, Location, Side, Store};
use ringtrue_tests::databases::TestDatabase;
use tokio::runtime::Handle;
use tokio::sync::oneshot;

use crate::every_table::filled;
use crate::laboratory::{Laboratory, moment};

const WISH: CopyWish = CopyWish {
    now: jiff::Timestamp::UNIX_EPOCH,
    rehearses: false,
};

async fn copied(from: &Location, to: &Location) -> Result<Copied, CopyFault> {
    Store::copy(from, to, WISH, &mut |_| {}).await
}

/// The copy of an untroubled source into a new target.
async fn whole(from: &Location, to: &Location) -> Copied {
    let copied = copied(from, to).await.expect("copied");
    let differing: Vec<&str> = copied
        .tables
        .iter()
        .filter(|table| !table.is_equal())
        .map(|table| table.name.as_str())
        .collect();
    assert!(differing.is_empty(), "{differing:?} differ");
    assert!(copied.is_whole(WISH));
    copied
}

fn sums(copied: &Copied) -> BTreeMap<&str, &ringtrue_store::Sum> {
    let tables = copied.tables.iter();
    tables
        .map(|table| (table.name.as_str(), &table.to))
        .collect()
}

async fn faults(at: Location) -> Vec<String> {
    let store = Store::open(at).await.expect("opened");
    let verified = store.verify().await.expect("verified");
    store.close().await.expect("closed");
    verified.faults.iter().map(ToString::to_string).collect()
}

/// A laboratory with everything, in a file.
async fn source() -> Laboratory {
    filled(Laboratory::furnished_in_file().await).await
}

/// The laboratory after it moved.
async fn moved(lab: Laboratory, database: TestDatabase) -> Laboratory {
    let store = Store::open(database.location()).await.expect("opened");
    Laboratory {
        store,
        database,
        ..lab
    }
}

/// Goes through a copy until a step, and is then cut off as by a crash.
async fn cut_off(from: &Location, to: &Location, at: impl Fn(CopyStep<'_>) -> bool + Sync) {
    let (say, heard) = oneshot::channel();
    let mut say = Some(say);
    let mut told = |step: CopyStep<'_>| {
        if at(step)
            && let Some(say) = say.take()
        {
            say.send(()).expect("somebody listens");
        }
    };
    tokio::select! {
        biased;
        _ = heard => {}
        done = Store::copy(from, to, WISH, &mut told) => panic!("not cut off: {done:?}"),
    }
}

fn is_past(table: &'static str) -> impl Fn(CopyStep<'_>) -> bool + Sync {
    move |step| matches!(step, CopyStep::Copied(place) if place.table == table)
}

#[tokio::test]
async fn everything_goes_to_postgresql_and_back_and_stays_provable() {
    let lab = source().await;
    let away = TestDatabase::on_postgresql().await;
    let back = TestDatabase::in_file();
    let there = whole(&lab.database.location(), &away.owners_location()).await;
    let with_rows = there.tables.iter().filter(|table| table.to.rows > 0);
    assert!(with_rows.count() > 25, "{:?}", sums(&there));
    let returned = whole(&away.owners_location(), &back.location()).await;
    assert_eq!(sums(&there), sums(&returned));
    assert_eq!(faults(away.owners_location()).await, Vec::<String>::new());
    assert_eq!(faults(back.location()).await, Vec::<String>::new());
}

#[tokio::test]
async fn records_made_after_a_move_continue_every_number() {
    let from = source().await;
    let away = TestDatabase::on_postgresql().await;
    whole(&from.database.location(), &away.owners_location()).await;
    let lab = moved(from, away).await;
    lab.recorded("k1", 24 * 56, 19.465, "third").await;
    let clock = Clock::manual(moment(24 * 57));
    app::make_checkpoint(&lab.store, &clock, "test", None)
        .await
        .expect("a checkpoint");
    assert_eq!(
        faults(lab.database.owners_location()).await,
        Vec::<String>::new()
    );
    lab.store.clone().close().await.expect("closed");

    let back = TestDatabase::in_file();
    whole(&lab.database.owners_location(), &back.location()).await;
    let lab = moved(lab, back).await;
    lab.recorded("k1", 24 * 84, 19.466, "fourth").await;
    assert_eq!(faults(lab.database.location()).await, Vec::<String>::new());
}

#[tokio::test]
async fn values_at_the_edges_of_their_kinds_survive_to_the_bit() {
    const EDGES: &str = "
        INSERT INTO gauge_scatter VALUES ('', 'smallest', 4.9406564584124654e-324, 2.2250738585072014e-308),
            ('', 'largest', 1.7976931348623157e308, -1.7976931348623157e308),
            ('ünïcødé 🜂', '', 0.1, 0.30000000000000004), ('null', '\"', 9007199254740993.0, -0.0);
        INSERT INTO tracked_offset VALUES ('a', '', -9223372036854775808, 9223372036854775807, '', 0, x'', 1),
            ('a', ' ', 0, 0, '', 0, x'00ff0a5c', 0);
        INSERT INTO request VALUES ('', '', '', '{},\\N', char(9, 10, 13), -1, 0);
        INSERT INTO fleet_fit VALUES (1, 1, 1, 1, NULL, '', '[]', zeroblob(70000), 1, 1, 1);";
    let from = TestDatabase::in_file();
    Store::migrate(from.location()).await.expect("made");
    let mut behind = from.behind_its_back().await;
    sqlx::raw_sql(EDGES)
        .execute(&mut behind)
        .await
        .expect("put in");
    drop(behind);
    let (away, back) = (TestDatabase::on_postgresql().await, TestDatabase::in_file());
    let there = whole(&from.location(), &away.owners_location()).await;
    let returned = whole(&away.owners_location(), &back.location()).await;
    assert_eq!(sums(&there), sums(&returned));
    let mut behind = back.behind_its_back().await;
    let smallest: f64 = sqlx::query_scalar(
        "SELECT sum_of_squares_mm2 FROM gauge_scatter WHERE gauge_id = 'smallest'",
    )
    .fetch_one(&mut behind)
    .await
    .expect("a row");
    assert_eq!(smallest.to_bits(), 1);
}

#[tokio::test]
async fn a_file_goes_to_a_file_and_postgresql_to_postgresql() {
    let lab = source().await;
    let (file, first) = (TestDatabase::in_file(), TestDatabase::on_postgresql().await);
    let second = TestDatabase::on_postgresql().await;
    let there = whole(&lab.database.location(), &file.location()).await;
    whole(&file.location(), &first.owners_location()).await;
    let last = whole(&first.owners_location(), &second.owners_location()).await;
    assert_eq!(sums(&there), sums(&last));
}

#[tokio::test]
async fn an_interrupted_copy_is_not_served_and_goes_on_to_the_same_end() {
    let lab = source().await;
    let from = lab.database.location();
    let uninterrupted = TestDatabase::on_postgresql().await;
    let wanted = whole(&from, &uninterrupted.owners_location()).await;
    for target in [TestDatabase::on_postgresql().await, TestDatabase::in_file()] {
        let to = target.owners_location();
        for table in ["audit", "reading"] {
            cut_off(&from, &to, is_past(table)).await;
            let refused = Store::open(target.location()).await;
            assert!(matches!(refused, Err(Error::CopyUnfinished)), "{refused:?}");
        }
        let mut goes_on = Vec::new();
        let copied = Store::copy(&from, &to, WISH, &mut |step| match step {
            CopyStep::GoesOn { rows } => goes_on.push(rows),
            CopyStep::BeginsAnew => panic!("nobody wrote to the source"),
            _ => {}
        })
        .await
        .expect("copied");
        assert!(goes_on.iter().all(|rows| *rows > 10), "{goes_on:?}");
        assert_eq!(goes_on.len(), 1);
        assert!(copied.is_whole(WISH));
        assert_eq!(sums(&copied), sums(&wanted));
        assert_eq!(faults(to).await, Vec::<String>::new());
    }
}

#[tokio::test]
async fn a_source_that_was_written_to_since_is_copied_anew() {
    let lab = source().await;
    let from = lab.database.location();
    let target = TestDatabase::on_postgresql().await;
    let to = target.owners_location();
    cut_off(&from, &to, is_past("reading")).await;
    let lab = Laboratory {
        store: Store::open(from.clone()).await.expect("opened"),
        ..lab
    };
    lab.recorded("k1", 24 * 56, 19.465, "third").await;
    lab.store.clone().close().await.expect("closed");
    let mut anew = 0;
    let copied = Store::copy(&from, &to, WISH, &mut |step| {
        anew += i32::from(step == CopyStep::BeginsAnew);
    })
    .await
    .expect("copied");
    assert_eq!(anew, 1);
    assert!(copied.is_whole(WISH));
    assert_eq!(faults(to).await, Vec::<String>::new());
}

#[tokio::test]
async fn a_part_of_another_installations_copy_is_refused() {
    let (one, other) = (source().await, Laboratory::furnished_in_file().await);
    let target = TestDatabase::on_postgresql().await;
    cut_off(
        &one.database.location(),
        &target.owners_location(),
        is_past("audit"),
    )
    .await;
    let mut behind = other.behind_its_back().await;
    sqlx::raw_sql("UPDATE audit SET hash = 'of another' WHERE seq = 1")
        .execute(&mut behind)
        .await
        .expect("another installation");
    let refused = copied(&other.database.location(), &target.owners_location()).await;
    assert!(matches!(refused, Err(CopyFault::OfAnother)), "{refused:?}");
}

#[tokio::test]
async fn a_target_with_records_is_refused_and_left_as_it_is() {
    let lab = source().await;
    let on_postgresql = TestDatabase::on_postgresql().await;
    whole(&lab.database.location(), &on_postgresql.owners_location()).await;
    let in_file = TestDatabase::in_file();
    whole(&lab.database.location(), &in_file.location()).await;
    for target in [on_postgresql, in_file] {
        let refused = copied(&lab.database.location(), &target.owners_location()).await;
        let Err(CopyFault::NotEmpty { rows, .. }) = refused else {
            panic!("{refused:?}");
        };
        assert!(rows > 0);
        assert_eq!(faults(target.owners_location()).await, Vec::<String>::new());
    }
    let itself = copied(&lab.database.location(), &lab.database.location()).await;
    assert!(matches!(itself, Err(CopyFault::SameFile)), "{itself:?}");
}

#[tokio::test]
async fn another_level_another_shape_and_another_user_are_refused() {
    let lab = source().await;
    let target = TestDatabase::on_postgresql().await;
    let as_server = copied(&lab.database.location(), &target.location()).await;
    let side = Side::Target;
    assert!(
        matches!(as_server, Err(CopyFault::NotTheOwner { side: found }) if found == side),
        "{as_server:?}"
    );
    let mut behind = target.behind_its_back().await;
    sqlx::raw_sql("ALTER TABLE sign_off ADD COLUMN more TEXT")
        .execute(&mut behind)
        .await
        .expect("altered");
    let refused = copied(&lab.database.location(), &target.owners_location()).await;
    assert!(
        matches!(&refused, Err(CopyFault::OtherShape { table }) if table == "sign_off"),
        "{refused:?}"
    );
    sqlx::raw_sql(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'of tomorrow', true, '', 1)",
    )
    .execute(&mut behind)
    .await
    .expect("a later migration");
    let refused = copied(&lab.database.location(), &target.owners_location()).await;
    assert!(
        matches!(refused, Err(CopyFault::OtherLevel { target: 9999, .. })),
        "{refused:?}"
    );
    let words = refused.expect_err("refused").to_string();
    assert!(words.contains("migrate"), "{words}");
}

#[tokio::test]
async fn a_source_that_is_served_is_refused_unless_it_is_a_rehearsal() {
    let lab = source().await;
    let from = lab.database.location();
    let store = Store::open(from.clone()).await.expect("opened");
    let mut tx = store
        .begin("test", &Scope::for_work("test"))
        .await
        .expect("begun");
    tx.take_lease(
        "refit",
        "a server",
        moment(0),
        SignedDuration::from_hours(1),
    )
    .await
    .expect("asked")
    .expect("taken");
    tx.commit().await.expect("committed");
    store.close().await.expect("closed");
    let at = |now, rehearses| CopyWish { now, rehearses };
    let target = TestDatabase::on_postgresql().await;
    let to = target.owners_location();
    let held = Store::copy(&from, &to, at(moment(0), false), &mut |_| {}).await;
    assert!(
        matches!(&held, Err(CopyFault::Served { work, until, .. }) if work == "refit" && *until == moment(1)),
        "{held:?}"
    );
    let rehearsed = Store::copy(&from, &to, at(moment(0), true), &mut |_| {}).await;
    assert!(rehearsed.expect("copied").is_equal());
    let file = TestDatabase::in_file();
    let to = file.location();
    let later = Store::copy(&from, &to, at(moment(2), false), &mut |_| {}).await;
    assert!(later.expect("copied").is_equal());
}

/// A server says that it is at work, from one hour to another; or that it has ended.
async fn serves(store: &Store, server: &str, hours: Option<(i64, i64)>) {
    let mut tx = store
        .begin("test", &Scope::for_work("test"))
        .await
        .expect("begun");
    let said = match hours {
        Some((now, until)) => tx.says_serving(server, moment(now), moment(until)).await,
        None => tx.says_ended(server).await,
    };
    said.expect("said");
    tx.commit().await.expect("committed");
}

#[tokio::test]
async fn a_server_that_only_waits_is_known_to_be_at_work_on_either_side() {
    let lab = source().await;
    let from = lab.database.location();
    let store = Store::open(from.clone()).await.expect("opened");
    let target = TestDatabase::on_postgresql().await;
    let to = target.owners_location();
    let opened = Store::open(target.location()).await.expect("opened");
    let at = |now| CopyWish {
        now: moment(now),
        rehearses: false,
    };
    let refused = async |now: i64, wanted: Side| {
        let refused = Store::copy(&from, &to, at(now), &mut |_| {}).await;
        assert!(
            matches!(&refused, Err(CopyFault::Served { side, work, .. })
                if *side == wanted && work.starts_with("serve/")),
            "{refused:?}"
        );
    };
    serves(&store, "one", Some((0, 2))).await;
    serves(&store, "two", Some((0, 2))).await;
    refused(1, Side::Source).await;
    serves(&store, "one", None).await;
    refused(1, Side::Source).await;
    serves(&store, "two", Some((2, 4))).await;
    refused(3, Side::Source).await;
    serves(&store, "two", None).await;
    serves(&opened, "three", Some((0, 2))).await;
    refused(1, Side::Target).await;
    serves(&opened, "three", None).await;
    opened.close().await.expect("closed");
    store.close().await.expect("closed");
    let done = Store::copy(&from, &to, at(1), &mut |_| {}).await;
    assert!(done.expect("copied").is_equal());
}

#[tokio::test]
async fn a_server_that_begins_takes_the_row_of_one_that_has_ended() {
    let lab = source().await;
    let store = Store::open(lab.database.location()).await.expect("opened");
    let rows = async || {
        let mut behind = lab.behind_its_back().await;
        let rows: i64 =
            sqlx::query_scalar("SELECT COUNT(*) FROM work_lease WHERE name LIKE 'serve/%'")
                .fetch_one(&mut behind)
                .await
                .expect("counted");
        rows
    };
    serves(&store, "one", Some((0, 1))).await;
    serves(&store, "two", Some((0, 1))).await;
    assert_eq!(rows().await, 2);
    for start in 1..5 {
        serves(&store, &format!("later {start}"), Some((start, start + 1))).await;
        serves(&store, &format!("later {start}"), Some((start, start + 1))).await;
    }
    assert_eq!(rows().await, 2, "no row for every start");
    store.close().await.expect("closed");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_recorded_during_a_copy_is_counted_and_the_copy_not_taken_for_whole() {
    let lab = source().await;
    let from = lab.database.location();
    let target = TestDatabase::on_postgresql().await;
    let lab = Laboratory {
        store: Store::open(from.clone()).await.expect("opened"),
        ..lab
    };
    let mut recorded = false;
    let behind = Store::copy(&from, &target.owners_location(), WISH, &mut |step| {
        if !recorded && matches!(step, CopyStep::Copied(_)) {
            recorded = true;
            tokio::task::block_in_place(|| {
                Handle::current().block_on(lab.recorded("k1", 24 * 56, 19.465, "third"));
            });
        }
    })
    .await
    .expect("copied");
    assert!(behind.is_equal() && behind.entries_behind > 0, "{behind:?}");
    assert!(!behind.is_whole(WISH));
    let refused = Store::open(target.location()).await;
    assert!(matches!(refused, Err(Error::CopyUnfinished)), "{refused:?}");
    whole(&from, &target.owners_location()).await;
    assert_eq!(faults(target.owners_location()).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_row_altered_in_the_target_is_found_by_the_comparison() {
    let lab = source().await;
    let target = TestDatabase::on_postgresql().await;
    let altered = Store::copy(
        &lab.database.location(),
        &target.owners_location(),
        WISH,
        &mut |step| {
            if matches!(step, CopyStep::Copied(place) if place.all_rows == place.of_all) {
                tokio::task::block_in_place(|| {
                    Handle::current().block_on(async {
                        let mut behind = target.behind_its_back().await;
                        sqlx::raw_sql("UPDATE furnace SET tolerance_c = 0.5")
                            .execute(&mut behind)
                            .await
                            .expect("altered");
                    });
                });
            }
        },
    )
    .await
    .expect("copied");
    let differing: Vec<&str> = altered
        .tables
        .iter()
        .filter(|table| !table.is_equal())
        .map(|table| table.name.as_str())
        .collect();
    assert_eq!(differing, ["furnace"]);
    assert!(!altered.is_whole(WISH));
}
