//! The shape of the database: a trigger put in from outside could alter records by itself.

use std::collections::BTreeMap;

use sqlx::Connection as _;
use sqlx::sqlite::SqliteConnection;

use super::{Fault, Verified};
use crate::Error;
use crate::database::MIGRATIONS;

/// Tables, indexes, triggers and views with the statements that made them; those that SQLite makes by itself are left
/// out.
async fn shape(
    connection: &mut SqliteConnection,
) -> Result<BTreeMap<(String, String), Option<String>>, Error> {
    const SQL: &str = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'";
    let rows: Vec<(String, String, Option<String>)> =
        sqlx::query_as(SQL).fetch_all(connection).await?;
    Ok(rows
        .into_iter()
        .map(|(kind, name, sql)| ((kind, name), sql))
        .collect())
}

/// Compares it with a database that this program makes now.
pub(super) async fn check(
    connection: &mut SqliteConnection,
    verified: &mut Verified,
) -> Result<(), Error> {
    let mut fresh = SqliteConnection::connect("sqlite::memory:").await?;
    MIGRATIONS.run(&mut fresh).await?;
    let wanted = shape(&mut fresh).await?;
    fresh.close().await?;
    let found = shape(connection).await?;
    let mut differing: Vec<&(String, String)> = wanted
        .iter()
        .filter(|(key, sql)| found.get(key) != Some(sql))
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
