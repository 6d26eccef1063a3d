//! The shape of the database: a trigger put in from outside could alter records by itself.

use std::collections::BTreeMap;

use sqlx::Connection as _;
use sqlx::sqlite::SqliteConnection;

use super::{Fault, Verified};
use crate::database::{Connection, POSTGRES_MIGRATIONS, SQLITE_MIGRATIONS, query_as, query_scalar};
use crate::{Error, Store};

/// What the database is made of, with the statements that made each part.
type Shape = BTreeMap<(String, String), String>;

/// Tables, indexes, triggers and views; those that SQLite makes by itself are left out.
const SQLITE: &str =
    "SELECT type, name, COALESCE(sql, '') FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'";

/// The same of one schema of PostgreSQL's, as its catalogue describes it, and the functions and policies.
/// Partitions come and go with the years: of them only what is their own alone is looked at.
const POSTGRES: &str = "WITH ours AS (SELECT oid, relname, relispartition, relkind, relrowsecurity
        FROM pg_class WHERE relnamespace = to_regnamespace($1) AND relname NOT LIKE '^_sqlx^_%' ESCAPE '^')
    SELECT 'table', relname, CONCAT_WS(' ', relkind, relrowsecurity) FROM ours
        WHERE relkind IN ('r', 'p', 'v', 'm', 'S', 'f') AND NOT relispartition
    UNION ALL SELECT 'column', o.relname || '.' || a.attname, CONCAT_WS(' ', a.attnum,
            format_type(a.atttypid, a.atttypmod), a.attnotnull, a.attcollation,
            pg_get_expr(d.adbin, d.adrelid))
        FROM ours AS o JOIN pg_attribute AS a ON a.attrelid = o.oid AND a.attnum > 0 AND NOT a.attisdropped
        LEFT JOIN pg_attrdef AS d ON d.adrelid = o.oid AND d.adnum = a.attnum
        WHERE o.relkind IN ('r', 'p', 'v', 'm', 'f') AND NOT o.relispartition
    UNION ALL SELECT 'constraint', o.relname || '.' || c.conname, pg_get_constraintdef(c.oid)
        FROM ours AS o JOIN pg_constraint AS c ON c.conrelid = o.oid AND c.conparentid = 0
        WHERE NOT o.relispartition OR c.conislocal
    UNION ALL SELECT 'index', o.relname, pg_get_indexdef(o.oid) FROM ours AS o
        WHERE o.relkind IN ('i', 'I') AND NOT o.relispartition
    UNION ALL SELECT 'trigger', o.relname || '.' || t.tgname, pg_get_triggerdef(t.oid)
        FROM ours AS o JOIN pg_trigger AS t ON t.tgrelid = o.oid AND NOT t.tgisinternal AND t.tgparentid = 0
    UNION ALL SELECT 'rule', o.relname || '.' || r.rulename, pg_get_ruledef(r.oid)
        FROM ours AS o JOIN pg_rewrite AS r ON r.ev_class = o.oid
    UNION ALL SELECT 'policy', o.relname || '.' || p.polname, CONCAT_WS(' ', p.polcmd, p.polpermissive,
            (SELECT string_agg(r.rolname, ',' ORDER BY r.rolname) FROM pg_roles AS r WHERE r.oid = ANY (p.polroles)),
            pg_get_expr(p.polqual, p.polrelid), pg_get_expr(p.polwithcheck, p.polrelid))
        FROM ours AS o JOIN pg_policy AS p ON p.polrelid = o.oid
    UNION ALL SELECT 'function', f.proname || '(' || pg_get_function_identity_arguments(f.oid) || ')',
            pg_get_functiondef(f.oid)
        FROM pg_proc AS f WHERE f.pronamespace = to_regnamespace($1) AND f.prokind <> 'a'";

/// Compares it with a database that this program makes now.
pub(super) async fn check(
    store: &Store,
    connection: &mut Connection,
    verified: &mut Verified,
) -> Result<(), Error> {
    const NEWEST: &str = "SELECT MAX(version) FROM _sqlx_migrations WHERE success";
    let (found, wanted) = if connection.is_sqlite() {
        let rows = query_as(SQLITE).fetch_all(connection).await?;
        (shape(rows), wanted_sqlite().await?)
    } else {
        // Servers of two versions may be in service; only the newer one knows what was added.
        let newest: i64 = query_scalar(NEWEST).fetch_one(connection).await?;
        let known = POSTGRES_MIGRATIONS.iter().map(|one| one.version).max();
        if known.is_none_or(|known| known < newest) {
            return Err(Error::NewerSchema);
        }
        let found = postgres_shape(connection, "public").await?;
        (found, wanted_postgres(store).await?)
    };
    let mut differing: Vec<&(String, String)> = wanted
        .iter()
        .filter(|(key, made)| found.get(key) != Some(made))
        .map(|(key, _)| key)
        .chain(found.keys().filter(|key| !wanted.contains_key(*key)))
        .collect();
    differing.sort_unstable();
    for (kind, name) in differing {
        verified.faults.push(Fault::SchemaAltered {
            what: format!("{kind} `{name}`"),
        });
    }
    Ok(())
}

fn shape(rows: Vec<(String, String, String)>) -> Shape {
    rows.into_iter()
        .map(|(kind, name, made)| ((kind, name), made))
        .collect()
}

async fn wanted_sqlite() -> Result<Shape, Error> {
    let mut fresh = SqliteConnection::connect("sqlite::memory:").await?;
    SQLITE_MIGRATIONS.run(&mut fresh).await?;
    let mut fresh = Connection::Sqlite(Box::new(fresh));
    Ok(shape(query_as(SQLITE).fetch_all(&mut fresh).await?))
}

async fn postgres_shape(connection: &mut Connection, schema: &str) -> Result<Shape, Error> {
    let rows: Vec<(String, String, String)> = query_as(POSTGRES)
        .bind(schema)
        .fetch_all(connection)
        .await?;
    // Both schemas name themselves in what they are made of.
    let qualified = format!("{schema}.");
    Ok(shape(rows)
        .into_iter()
        .map(|(key, made)| (key, made.replace(&qualified, "").replace(schema, "")))
        .collect())
}

/// Makes the tables once more, beside the real ones, looks at them, and undoes it.
async fn wanted_postgres(store: &Store) -> Result<Shape, Error> {
    const SCHEMA: &str = "ringtrue_as_made";
    let mut fresh = store.fresh_schema(SCHEMA).await?;
    let wanted = postgres_shape(&mut fresh, SCHEMA).await?;
    fresh.finish().await?;
    Ok(wanted)
}
