//! How many rows PostgreSQL reads for what a page shows: many years on record must not be looked at for one page. Counted
//! by the database itself, on PostgreSQL whatever this run works on.

use std::time::{Duration, Instant};

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_store::{EntryFilter, FiringFilter, Page, Read, Store};
use ringtrue_tests::process::PATIENCE;
use sqlx::{AnyConnection, AssertSqlSafe};
use tokio::time::sleep;

use crate::firings;
use crate::laboratory::{Laboratory, only_at};

/// Copies of a row, each a day earlier than the one before: so many that reading all of them is never the cheaper plan.
const COPIES: i64 = 8_000;

/// How often each page is asked for.
const TIMES: i64 = 12;

/// Rows in a page.
const SHOWN: u32 = 10;

async fn number(behind: &mut AnyConnection, sql: &'static str) -> i64 {
    let found = sqlx::query_scalar(sql).fetch_one(behind).await;
    found.expect("a number")
}

/// Rows of the large tables that were read so far, as far as the database was told.
async fn rows_read(behind: &mut AnyConnection) -> i64 {
    const SQL: &str = "SELECT CAST(SUM(COALESCE(seq_tup_read, 0) + COALESCE(idx_tup_fetch, 0)) AS BIGINT)
        FROM pg_stat_user_tables WHERE relname ~ '^(audit$|firing$|(reading|evaluation)_(default|before_|[0-9]))'";
    number(behind, SQL).await
}

/// Connections that were opened after a moment and have not ended.
async fn opened_since(behind: &mut AnyConnection, moment: &str) -> i64 {
    let sql = format!(
        "SELECT COUNT(*) FROM pg_stat_activity WHERE datname = current_database()
            AND backend_type = 'client backend' AND backend_start > '{moment}'::timestamptz"
    );
    let found = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(behind);
    found.await.expect("a count")
}

/// Puts copies of every row into the tables: as many years as no test has time to record.
async fn copied(behind: &mut AnyConnection) {
    for (table, moment, id) in [
        ("reading", "fired_at", "id"),
        ("evaluation", "fired_at", "reading_id"),
        ("firing", "ended_at", "id"),
    ] {
        let sql = format!(
            "INSERT INTO {table} SELECT (jsonb_populate_record(one, jsonb_build_object(
                '{moment}', one.{moment} - n * 86400000000,
                '{id}', lpad(to_hex(n), 8, '0') || substr(one.{id}, 9)))).*
            FROM {table} AS one CROSS JOIN generate_series(1, {COPIES}) AS n"
        );
        let put = sqlx::query(AssertSqlSafe(sql)).execute(&mut *behind).await;
        put.expect("copies");
    }
    // The chains of sites grow with their records; here without what hangs the entries on each other.
    let sql = format!(
        "INSERT INTO audit SELECT (jsonb_populate_record(one, jsonb_build_object('seq', one.seq + n * 1000))).*
        FROM audit AS one CROSS JOIN generate_series(1, {COPIES}) AS n
        WHERE one.site_id <> '' AND one.action = 'reading.record'"
    );
    let put = sqlx::query(AssertSqlSafe(sql)).execute(&mut *behind).await;
    put.expect("copies");
    // What this connection has read meanwhile is told now, and not while others are counted.
    for settling in ["VACUUM (ANALYZE)", "SELECT pg_stat_force_next_flush()"] {
        let settled = sqlx::query(settling).execute(&mut *behind).await;
        settled.expect("settled");
    }
}

/// Rows that a store of its own has read: a connection tells that when it ends.
async fn rows_told(lab: &Laboratory, behind: &mut AnyConnection, scope: &Scope, what: What) -> i64 {
    let rows = rows_read(behind).await;
    let moment: String = sqlx::query_scalar("SELECT CAST(clock_timestamp() AS TEXT)")
        .fetch_one(&mut *behind)
        .await
        .expect("a moment");
    let store = Store::open(lab.location()).await.expect("open");
    // The first few times PostgreSQL makes a plan for what is asked, then perhaps one for whatever is asked.
    let read = store.read(scope).on_one_connection();
    for _ in 0..TIMES {
        let found = what.found(lab, &read).await;
        assert!(found >= what.least(), "{what:?}: {found}");
    }
    drop(read);
    store.close().await.expect("closed");
    let start = Instant::now();
    while opened_since(behind, &moment).await > 0 && start.elapsed() < PATIENCE {
        sleep(Duration::from_millis(20)).await;
    }
    rows_read(behind).await - rows
}

/// What is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum What {
    Readings,
    SitesReadings,
    Firings,
    FiredBefore,
    Entries,
    /// What falls due at a site rests on: its latest reading and the last entry of its chain among others.
    Site,
}

impl What {
    const ALL: [Self; 6] = [
        Self::Readings,
        Self::SitesReadings,
        Self::Firings,
        Self::FiredBefore,
        Self::Entries,
        Self::Site,
    ];

    /// Fewest items that it finds.
    fn least(self) -> usize {
        match self {
            Self::FiredBefore | Self::Site => 1,
            _ => SHOWN as usize,
        }
    }

    /// How many items a page of it shows, with the one that tells of a next page.
    async fn found(self, lab: &Laboratory, read: &Read) -> usize {
        let page = Page {
            size: SHOWN,
            after: Vec::new(),
        };
        let furnace = Some(&lab.furnace.furnace);
        match self {
            Self::Readings => {
                let found = read.readings(&lab.site, furnace, false, &page).await;
                found.expect("readings").len()
            }
            Self::SitesReadings => {
                let found = read.readings(&lab.site, None, false, &page).await;
                found.expect("readings").len()
            }
            Self::Firings => {
                let filter = FiringFilter {
                    furnace: furnace.cloned(),
                    ..FiringFilter::default()
                };
                let found = read.firings(&lab.site, &filter, &page).await;
                found.expect("firings").len()
            }
            Self::FiredBefore => {
                let found = read.fired_before(std::slice::from_ref(&lab.furnace)).await;
                found.expect("a moment").len()
            }
            Self::Entries => {
                let all = EntryFilter::default();
                let found = read.entries(Some(&lab.site), &all, &page).await;
                found.expect("entries").len()
            }
            Self::Site => {
                let found = read.site_records(std::slice::from_ref(&lab.site)).await;
                found.expect("records").len()
            }
        }
    }
}

#[tokio::test]
async fn a_page_of_many_years_reads_what_it_shows() {
    let lab = Laboratory::furnished_on_postgresql().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    lab.recorded("k1", 24, 19.48, "second").await;
    firings::recorded(&lab).await;
    let mut behind = lab.behind_its_back().await;
    copied(&mut behind).await;
    // Behind row-level security PostgreSQL makes other plans.
    let of_the_site = only_at("porto").network(Right::Read).expect("may read");
    for scope in [Scope::for_work("test"), of_the_site] {
        for what in What::ALL {
            let read = rows_told(&lab, &mut behind, &scope, what).await / TIMES;
            // One more to see whether there is a next page, each with its evaluation, and one of each year to compare
            // with.
            assert!(
                (1..=50).contains(&read),
                "{what:?} for {scope:?}: {read} rows"
            );
        }
    }
}
