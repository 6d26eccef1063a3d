//! What the roles may do with the database itself: make, alter, add years, and what stands without them.

use ringtrue_fleet::caller::Right;
use ringtrue_store::{Error, Location, Store};
use ringtrue_tests::postgresql::Cluster;
use sqlx::Connection as _;
use sqlx::postgres::PgConnection;

use super::{FIRST_PAGE, PORTO, Walled, code, insertion, run, scoped, texts};
use crate::laboratory::only_at;

#[tokio::test]
async fn parts_of_tables_are_nobodys_by_their_own_names() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let mut owner = PgConnection::connect(&walled.database.url())
        .await
        .expect("the owner may come in");
    let parts = texts(
        &mut owner,
        "SELECT CAST(relname AS TEXT) FROM pg_class WHERE relispartition AND relkind = 'r' ORDER BY 1",
    )
    .await;
    assert!(parts.len() >= 12, "{parts:?}");
    for part in &parts {
        let sql = format!("SELECT 1 FROM {part}");
        assert_eq!(code(run(&mut server, &sql).await), "42501", "{part}");
        let mut tx = scoped(&mut server, PORTO).await;
        assert_eq!(code(run(&mut tx, &sql).await), "42501", "{part}");
    }
}

/// Rights and policies as the catalogue has them; a policy that was made anew has another number.
const RIGHTS: &str = "SELECT CONCAT_WS(' ', c.relname, CAST(c.relacl AS TEXT), c.relrowsecurity) FROM pg_class AS c
        WHERE c.relnamespace = CAST('public' AS REGNAMESPACE)
    UNION ALL SELECT CONCAT_WS(' ', p.oid, p.polname, pg_get_expr(p.polqual, p.polrelid)) FROM pg_policy AS p
    UNION ALL SELECT CONCAT_WS(' ', f.proname, CAST(f.proacl AS TEXT)) FROM pg_proc AS f
        WHERE f.pronamespace = CAST('public' AS REGNAMESPACE)
    ORDER BY 1";

#[tokio::test]
async fn giving_rights_again_changes_nothing() {
    let walled = Walled::filled().await;
    let mut owner = PgConnection::connect(&walled.database.url())
        .await
        .expect("the owner may come in");
    let before = texts(&mut owner, RIGHTS).await;
    assert!(before.iter().any(|line| line.contains("ringtrue_scoped")));
    for _ in 0..2 {
        run(&mut owner, "SELECT grant_rights()")
            .await
            .expect("given");
    }
    Store::migrate(Location::parse(&walled.database.url()))
        .await
        .expect("migrated again");
    assert_eq!(texts(&mut owner, RIGHTS).await, before);
    run(&mut owner, "GRANT DELETE ON audit TO ringtrue_server")
        .await
        .expect("a right too many");
    run(&mut owner, "SELECT grant_rights()")
        .await
        .expect("given");
    assert_eq!(texts(&mut owner, RIGHTS).await, before, "it is taken away");
}

#[tokio::test]
async fn the_server_has_missing_years_made_once_and_for_nobody_else() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let make = "SELECT CAST(make_partitions(2028, 2031) AS TEXT)";
    let mut tx = scoped(&mut server, PORTO).await;
    assert_eq!(code(run(&mut tx, make).await), "42501");
    drop(tx);
    assert_eq!(texts(&mut server, make).await, ["6"]);
    assert_eq!(texts(&mut server, make).await, ["0"]);
    let sql = "SELECT 1 FROM reading_2031";
    assert_eq!(code(run(&mut server, sql).await), "42501");
    let columns = &walled.tables["evaluation"];
    let late = insertion("evaluation", columns, "porto", "late").replace('1', "1924992000000000");
    run(&mut server, late).await.expect("of 2031");
    let mut tx = scoped(&mut server, Some("{\"faro\"}")).await;
    let seen = texts(&mut tx, "SELECT site_id FROM evaluation").await;
    assert_eq!(seen, ["faro"], "a new part is behind the same wall");
}

#[tokio::test]
async fn the_roles_of_the_server_make_nothing() {
    let walled = Walled::filled().await;
    let mut server = walled.server().await;
    let makes = [
        "CREATE TABLE x (id BIGINT)",
        "CREATE SCHEMA x",
        "CREATE VIEW x AS SELECT 1",
        "CREATE FUNCTION x() RETURNS BIGINT LANGUAGE sql AS 'SELECT 1'",
        "CREATE ROLE x",
        "CREATE INDEX x ON audit (at)",
        "CREATE TRIGGER x BEFORE INSERT ON audit FOR EACH ROW EXECUTE FUNCTION suppress_redundant_updates_trigger()",
        "CREATE POLICY x ON audit USING (true)",
        "ALTER TABLE audit DISABLE ROW LEVEL SECURITY",
        "TRUNCATE audit",
        "DROP TABLE audit",
        "SELECT grant_rights()",
        "SELECT put_policy('audit', 'x', '')",
        "SET session_replication_role = replica",
        "SET ROLE ringtrue_migrator",
    ];
    for sql in makes {
        assert_eq!(code(run(&mut server, sql).await), "42501", "{sql}");
        let mut tx = scoped(&mut server, PORTO).await;
        assert_eq!(code(run(&mut tx, sql).await), "42501", "{sql}");
    }
    let refused = Store::migrate(Location::parse(&walled.database.server_url())).await;
    let Err(refused @ Error::Forbidden(_)) = refused else {
        panic!("{refused:?}");
    };
    let words = refused.to_string();
    assert!(words.contains("ringtrue_migrator"), "{words}");
}

#[tokio::test]
async fn without_the_roles_one_user_owns_all_and_there_is_no_wall() {
    let cluster = Cluster::quick();
    let mut admin = PgConnection::connect(&cluster.admin_url())
        .await
        .expect("the administrator may come in");
    let database = cluster.database().await;
    for sql in [
        format!("ALTER DATABASE {} OWNER TO postgres", database.name()),
        "DROP ROLE ringtrue_scoped".to_owned(),
        "DROP ROLE ringtrue_server".to_owned(),
    ] {
        run(&mut admin, sql).await.expect("the roles are gone");
    }
    let location = Location::parse(&database.admin_url());
    Store::migrate(location.clone()).await.expect("migrated");
    let store = Store::open(location.clone()).await.expect("opened");
    let porto = only_at("porto").network(Right::Read).expect("may read");
    let sites = store.read(&porto).sites(&FIRST_PAGE).await.expect("sites");
    assert_eq!(sites, []);
    assert_eq!(store.verify().await.expect("verified").faults, []);
    store.close().await.expect("closed");
    let mut owner = PgConnection::connect(&database.admin_url())
        .await
        .expect("open");
    let policies = texts(&mut owner, "SELECT CAST(polname AS TEXT) FROM pg_policy").await;
    assert_eq!(policies, Vec::<String>::new());
}
