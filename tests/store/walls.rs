//! The second wall, on PostgreSQL whatever this run works on: what the server's roles see and may do there, also when
//! a statement forgets to ask.

mod rights;

use std::collections::{BTreeMap, BTreeSet};

use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Page, Request, Store};
use ringtrue_tests::databases::TestDatabase;
use ringtrue_tests::postgresql::Database;
use sqlx::postgres::{PgConnection, PgQueryResult};
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, Postgres, Transaction};

use crate::laboratory::Laboratory;

/// Rows of records: nobody but the owner changes or removes them.
const ONLY_ADDED_TO: [&str; 19] = [
    "ring_table",
    "gauge_check",
    "furnace_event",
    "adjustment",
    "reading",
    "evaluation",
    "amendment",
    "fired_ring",
    "audit",
    "request",
    "care_act",
    "alert_change",
    "audit_checkpoint",
    "sign_off",
    "firing_report",
    "firing",
    "firing_amendment",
    "firing_case",
    "exposure_decision",
];

/// Content that may change and never goes.
const NEVER_REMOVED: [&str; 6] = [
    "site",
    "furnace",
    "programme",
    "gauge",
    "alert",
    "credential",
];

/// Tables of which whoever reaches some sites may read nothing at all.
const FOR_THE_NETWORK: [&str; 2] = ["audit_covered", "change_place"];

/// Tables of which everybody reads the rows of the whole network, which stand under no site.
const SHARED: [&str; 5] = [
    "finding",
    "schedule_rule",
    "site_agenda",
    "alert",
    "alert_change",
];

/// Tables that everybody reads whole: an id or a ring that was used elsewhere must be found.
const WHOLE: [&str; 2] = ["request", "fired_ring"];

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

struct Walled {
    database: Database,
    /// The columns of each table that has a site, with their types.
    tables: BTreeMap<String, Vec<(String, String)>>,
}

/// PostgreSQL's code of a refusal.
fn code(outcome: Result<PgQueryResult, sqlx::Error>) -> String {
    match outcome {
        Ok(done) => format!("done, {} rows", done.rows_affected()),
        Err(sqlx::Error::Database(fault)) => fault.code().unwrap_or_default().into_owned(),
        Err(other) => panic!("{other}"),
    }
}

/// The value of an invented row's column.
fn value(table: &str, column: &str, kind: &str, site: &str, row: &str) -> String {
    match (column, kind) {
        ("site_id", _) => format!("'{site}'"),
        ("sites", _) => format!("'[\"{site}\"]'"),
        ("document", "text") => format!("'{{\"kind\": \"furnace_due\", \"of\": \"{row}\"}}'"),
        ("site_groups" | "closed_days" | "closures", _) => "'[]'".to_owned(),
        (_, "text") => format!("'{site}-{row}'"),
        // The log of alerts counts across all sites.
        ("seq", _) if matches!(table, "alert_change" | "change") => {
            format!("{}", site.len() * 10 + row.len())
        }
        (_, "bigint" | "double precision") => "1".to_owned(),
        (_, "boolean") => "false".to_owned(),
        (_, "bytea") => "''".to_owned(),
        (column, kind) => panic!("{table}.{column} is of the kind {kind}"),
    }
}

fn insertion(table: &str, columns: &[(String, String)], site: &str, row: &str) -> String {
    let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
    let values: Vec<String> = columns
        .iter()
        .map(|(name, kind)| value(table, name, kind, site, row))
        .collect();
    format!(
        "INSERT INTO {table} ({}) VALUES ({})",
        names.join(", "),
        values.join(", ")
    )
}

async fn run(
    connection: &mut PgConnection,
    sql: impl Into<String>,
) -> Result<PgQueryResult, sqlx::Error> {
    connection.execute(AssertSqlSafe(sql.into())).await
}

async fn texts(connection: &mut PgConnection, sql: impl Into<String>) -> Vec<String> {
    let sql = sql.into();
    sqlx::query_scalar(AssertSqlSafe(sql.clone()))
        .fetch_all(connection)
        .await
        .unwrap_or_else(|fault| panic!("{sql}: {fault}"))
}

impl Walled {
    /// A migrated database with the roles, and in each table that has a site one row of porto, one of faro and one of
    /// the network.
    async fn filled() -> Self {
        const TABLES: &str = "SELECT CAST(c.relname AS TEXT), CAST(a.attname AS TEXT),
                format_type(a.atttypid, a.atttypmod)
            FROM pg_class AS c JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attnum > 0
            WHERE c.relnamespace = CAST('public' AS REGNAMESPACE) AND c.relkind IN ('r', 'p')
                AND NOT c.relispartition AND EXISTS (SELECT 1 FROM pg_attribute AS s
                    WHERE s.attrelid = c.oid AND s.attname = 'site_id')
            ORDER BY 1, a.attnum";
        let TestDatabase::Postgresql(database, _) = TestDatabase::on_postgresql().await else {
            unreachable!("it was asked for");
        };
        let mut admin = PgConnection::connect(&database.admin_url())
            .await
            .expect("the administrator may come in");
        let columns: Vec<(String, String, String)> = sqlx::query_as(TABLES)
            .fetch_all(&mut admin)
            .await
            .expect("the catalogue");
        let mut tables: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        for (table, column, kind) in columns {
            tables.entry(table).or_default().push((column, kind));
        }
        run(
            &mut admin,
            "SET session_replication_role = replica; DELETE FROM site_agenda; DELETE FROM change_place",
        )
        .await
        .expect("keys are not looked at");
        for (table, columns) in &tables {
            for site in ["porto", "faro", ""] {
                let sql = insertion(table, columns, site, "row");
                run(&mut admin, &sql)
                    .await
                    .unwrap_or_else(|fault| panic!("{sql}: {fault}"));
            }
        }
        admin.close().await.expect("closed");
        Self { database, tables }
    }

    async fn server(&self) -> PgConnection {
        PgConnection::connect(&self.database.server_url())
            .await
            .expect("the server may come in")
    }
}

/// What the server begins with on behalf of a caller of some sites.
async fn scoped<'c>(
    server: &'c mut PgConnection,
    reach: Option<&str>,
) -> Transaction<'c, Postgres> {
    let mut tx = server.begin().await.expect("begun");
    sqlx::query("SELECT set_config('role', 'ringtrue_scoped', true)")
        .execute(&mut *tx)
        .await
        .expect("the server may turn into it");
    if let Some(reach) = reach {
        sqlx::query("SELECT set_config('ringtrue.reach', $1, true)")
            .bind(reach)
            .execute(&mut *tx)
            .await
            .expect("set");
    }
    tx
}

const PORTO: Option<&str> = Some("{\"porto\"}");

#[tokio::test]
async fn a_caller_of_one_site_sees_that_sites_rows_and_what_all_share() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    for table in walled.tables.keys() {
        let all = texts(
            &mut server,
            format!("SELECT site_id FROM {table} ORDER BY 1"),
        )
        .await;
        assert_eq!(all, ["", "faro", "porto"], "the server itself in {table}");
    }
    for (reach, own) in [(PORTO, Some("porto")), (None, None), (Some("{}"), None)] {
        for table in walled.tables.keys() {
            let mut tx = scoped(&mut server, reach).await;
            let sql = format!("SELECT site_id FROM {table} ORDER BY 1");
            if FOR_THE_NETWORK.contains(&table.as_str()) {
                assert_eq!(code(run(&mut tx, sql).await), "42501", "{table}");
                continue;
            }
            let seen = texts(&mut tx, sql).await;
            let wanted: Vec<&str> = if WHOLE.contains(&table.as_str()) {
                vec!["", "faro", "porto"]
            } else if SHARED.contains(&table.as_str()) || table == "audit" {
                // Of the network's chain this is the last entry.
                [""].into_iter().chain(own).collect()
            } else {
                own.into_iter().collect()
            };
            assert_eq!(seen, wanted, "{table} within {reach:?}");
        }
    }
}

#[tokio::test]
async fn a_site_may_be_called_null() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let columns = &walled.tables["gauge_scatter"];
    run(
        &mut server,
        insertion("gauge_scatter", columns, "null", "row"),
    )
    .await
    .expect("a row");
    let mut tx = scoped(&mut server, Some("{\"null\"}")).await;
    let seen = texts(&mut tx, "SELECT site_id FROM gauge_scatter").await;
    assert_eq!(seen, ["null"]);
}

#[tokio::test]
async fn mail_and_uses_of_credentials_go_by_what_they_belong_to() {
    const MAIL: &str = "SET session_replication_role = replica;
        INSERT INTO mail SELECT id, 'alert', 'm-' || id, 'waiting', 0, 0, 0, NULL, '', '{}' FROM mail_subscription;
        INSERT INTO credential_use SELECT id, 1, '' FROM credential";
    let walled = Walled::filled().await;
    let mut admin = PgConnection::connect(&walled.database.admin_url())
        .await
        .expect("the administrator may come in");
    sqlx::raw_sql(MAIL).execute(&mut admin).await.expect("mail");
    let mut server = walled.server().await;
    let all = texts(&mut server, "SELECT subscription_id FROM mail").await;
    assert_eq!(all.len(), 3);
    let mut tx = scoped(&mut server, PORTO).await;
    let seen = texts(&mut tx, "SELECT subscription_id FROM mail").await;
    assert_eq!(seen, ["porto-row"]);
    let seen = texts(&mut tx, "SELECT credential_id FROM credential_use").await;
    assert_eq!(seen, ["porto-row"]);
}

#[tokio::test]
async fn records_are_neither_changed_nor_removed_by_any_role_of_the_server() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let mut statements: Vec<String> = Vec::new();
    for table in ONLY_ADDED_TO {
        let column = match table {
            "ring_table" => "batch_id",
            "audit_checkpoint" => "hash",
            _ => "site_id",
        };
        statements.push(format!("UPDATE {table} SET {column} = {column}"));
    }
    for table in ONLY_ADDED_TO.iter().chain(&NEVER_REMOVED) {
        statements.push(format!("DELETE FROM {table}"));
    }
    for sql in statements {
        assert_eq!(code(run(&mut server, &sql).await), "42501", "{sql}");
        let mut tx = scoped(&mut server, PORTO).await;
        assert_eq!(code(run(&mut tx, &sql).await), "42501", "{sql}");
    }
}

#[tokio::test]
async fn rows_of_another_site_are_refused_and_own_ones_are_not() {
    const WRITTEN_FOR_THE_NETWORK_ALONE: [&str; 4] =
        ["site_fit", "audit_covered", "change", "change_place"];
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    for (table, columns) in &walled.tables {
        let mut tx = scoped(&mut server, PORTO).await;
        let foreign = code(run(&mut tx, insertion(table, columns, "faro", "another")).await);
        assert_eq!(foreign, "42501", "{table}");
        drop(tx);
        let mut tx = scoped(&mut server, PORTO).await;
        let own = code(run(&mut tx, insertion(table, columns, "porto", "another")).await);
        // What the invented row refers to need not be there, and a table may have one row for each site.
        let wanted: &[&str] = if WRITTEN_FOR_THE_NETWORK_ALONE.contains(&table.as_str()) {
            &["42501"]
        } else {
            &["done, 1 rows", "23503", "23505"]
        };
        assert!(wanted.contains(&own.as_str()), "{table}: {own}");
    }
    let mut tx = scoped(&mut server, PORTO).await;
    let moved = "UPDATE gauge SET site_id = 'faro'";
    assert_eq!(code(run(&mut tx, moved).await), "42501");
    drop(tx);
    let mut tx = scoped(&mut server, PORTO).await;
    let all = "UPDATE gauge SET display_name = 'x'";
    assert_eq!(code(run(&mut tx, all).await), "done, 1 rows");
}

#[tokio::test]
async fn whose_credential_ends_is_told_only_to_who_keeps_the_network() {
    const ENDS: &str = "UPDATE alert SET kind = 'credential_ends' WHERE site_id = ''";
    const CHANGE: &str =
        "UPDATE alert_change SET document = '{\"kind\": \"credential_ends\"}' WHERE site_id = ''";
    let walled = Walled::filled().await;
    let mut owner = PgConnection::connect(&walled.database.url())
        .await
        .expect("the owner may come in");
    for sql in [ENDS, CHANGE] {
        assert_eq!(code(run(&mut owner, sql).await), "done, 1 rows");
    }
    let mut server = walled.server().await;
    for table in ["alert", "alert_change"] {
        let mut tx = scoped(&mut server, PORTO).await;
        let seen = texts(&mut tx, format!("SELECT site_id FROM {table}")).await;
        assert_eq!(seen, ["porto"], "{table}");
    }
}

#[tokio::test]
async fn of_the_networks_chain_the_last_entry_is_seen_and_those_of_grants_in_reach() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let grant = |sites: &str, groups: &str, whole: bool| {
        format!(
            "{{\"whole_network\": {whole}, \"site_groups\": {groups}, \"sites\": {sites}, \"kind\": \"device\"}}"
        )
    };
    let entries = [
        ("credential.created", grant("[\"porto\"]", "[]", false)),
        ("credential.created", grant("[\"faro\"]", "[]", false)),
        ("enrolment.created", grant("[\"porto\"]", "[]", false)),
        (
            "credential.created",
            grant("[\"porto\", \"faro\"]", "[]", false),
        ),
        ("credential.created", grant("[]", "[]", true)),
        (
            "credential.created",
            grant("[\"porto\"]", "[\"north\"]", false),
        ),
        ("site_group.changed", grant("[\"porto\"]", "[]", false)),
        ("ring_batch.created", "{}".to_owned()),
    ];
    for (at, (action, document)) in entries.iter().enumerate() {
        let sql = format!(
            "INSERT INTO audit (site_id, seq, at, actor, action, subject, document, digest, previous, hash)
             VALUES ('', {}, 1, '', '{action}', '', '{document}', '', '', '')",
            at + 2
        );
        run(&mut server, sql).await.expect("an entry");
    }
    let seen = "SELECT CAST(seq AS TEXT) FROM audit WHERE site_id = '' ORDER BY seq";
    let mut tx = scoped(&mut server, PORTO).await;
    assert_eq!(texts(&mut tx, seen).await, ["2", "4", "9"]);
    drop(tx);
    let mut tx = scoped(&mut server, Some("{\"porto\",\"faro\"}")).await;
    assert_eq!(texts(&mut tx, seen).await, ["2", "3", "4", "5", "9"]);
}

#[tokio::test]
async fn the_end_of_the_log_of_alerts_is_the_same_for_everybody() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let end = "SELECT CAST(seq AS TEXT) FROM alert_log_end";
    let whole = texts(&mut server, end).await;
    let newest = texts(
        &mut server,
        "SELECT CAST(MAX(seq) AS TEXT) FROM alert_change",
    )
    .await;
    assert_eq!(whole, newest);
    for reach in [PORTO, Some("{\"faro\"}"), None] {
        let mut tx = scoped(&mut server, reach).await;
        assert_eq!(texts(&mut tx, end).await, whole, "{reach:?}");
    }
}

#[tokio::test]
async fn keys_hold_for_rows_in_and_out_of_sight() {
    const LISBOA: &str = "{\"lisboa\",\"porto\"}";
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let gauge = insertion("gauge", &walled.tables["gauge"], "lisboa", "row");
    let mut tx = scoped(&mut server, Some(LISBOA)).await;
    assert_eq!(code(run(&mut tx, &gauge).await), "23503");
    drop(tx);
    let site = "INSERT INTO site (id, display_name, time_zone, calibration_day, calibration_interval_days, closed_days,
            tolerance_c, action_band_c, largest_step_c, accepts_assumed_hold_correction, full_compensation, revision,
            created_at, updated_at)
        VALUES ('lisboa', '', '', 1, 1, '[]', 1, 1, 1, false, false, 1, 1, 1)";
    run(&mut server, site).await.expect("a site");
    let mut tx = scoped(&mut server, Some(LISBOA)).await;
    assert_eq!(code(run(&mut tx, &gauge).await), "done, 1 rows");
    tx.commit().await.expect("committed");

    // A feed of a site whose own row a narrower policy hides: keys are looked at by the tables' owner.
    let mut owner = PgConnection::connect(&walled.database.url())
        .await
        .expect("the owner may come in");
    run(
        &mut owner,
        "CREATE POLICY hidden ON site AS RESTRICTIVE FOR SELECT TO ringtrue_scoped USING (id <> 'lisboa')",
    )
    .await
    .expect("hidden");
    let mut tx = scoped(&mut server, Some(LISBOA)).await;
    let sites = texts(&mut tx, "SELECT id FROM site").await;
    assert_eq!(sites, Vec::<String>::new());
    let another = insertion("gauge", &walled.tables["gauge"], "lisboa", "another");
    assert_eq!(code(run(&mut tx, another).await), "done, 1 rows");
}

#[tokio::test]
async fn what_the_store_reads_for_a_caller_of_some_sites_passes_the_second_wall() {
    let database = TestDatabase::on_postgresql().await;
    let store = Store::open(database.location()).await.expect("opened");
    let work = Scope::for_work("test");
    let mut tx = store.begin("test", &work).await.expect("begun");
    for id in ["faro", "porto"] {
        tx.insert_site(&Laboratory::new_site(id), &Request::NONE)
            .await
            .expect("a site");
    }
    tx.commit().await.expect("committed");
    let both = BTreeSet::from(["faro", "porto"].map(|id| SiteId::new(id).expect("an id")));
    let both = Caller::of_sites("key:both".to_owned(), [Right::Read].into(), both)
        .network(Right::Read)
        .expect("may read");
    let seen = async |scope: &Scope| {
        let sites = store.read(scope).sites(&FIRST_PAGE).await.expect("sites");
        sites
            .iter()
            .map(|site| site.key.to_string())
            .collect::<Vec<_>>()
    };
    assert_eq!(seen(&both).await, ["faro", "porto"]);
    // The store's own statement asks for both sites: only what stands behind it can hide one of them.
    let TestDatabase::Postgresql(own, _) = &database else {
        unreachable!("it was asked for");
    };
    let mut owner = PgConnection::connect(&own.url())
        .await
        .expect("the owner may come in");
    let hidden =
        "ALTER POLICY in_reach ON site USING (id = ANY (reached_sites()) AND id <> 'faro')";
    run(&mut owner, hidden).await.expect("hidden");
    assert_eq!(seen(&both).await, ["porto"]);
    assert_eq!(seen(&work).await, ["faro", "porto"], "work on all sites");
    assert_eq!(
        seen(&both).await,
        ["porto"],
        "whoever had the connection before"
    );
    store.close().await.expect("closed");
}
