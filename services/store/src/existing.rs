//! Opening a database that must be there already: nothing is made, nothing is migrated.

use std::collections::BTreeSet;
use std::path::Path;

use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions as _, Connection as _};

use crate::database::MIGRATIONS;
use crate::{Error, Store};

/// SQLite's result code of a file that is no database (SQLITE_NOTADB).
const NO_DATABASE: &str = "26";

impl Store {
    /// Opens a database file that this version of the program made or migrated.
    ///
    /// Fails with [`Error::NotOurs`] when the file is empty, no database, or of another program; with
    /// [`Error::OlderSchema`] or [`Error::NewerSchema`] when another version wrote it. The file is then
    /// left as it is.
    pub async fn open_existing(file: &Path) -> Result<Self, Error> {
        let mut connection = SqliteConnectOptions::new()
            .filename(file)
            .read_only(true)
            .create_if_missing(false)
            .disable_statement_logging()
            .connect()
            .await
            .map_err(of_reading)?;
        let checked = check(&mut connection).await;
        connection.close().await?;
        checked?;
        Self::open(file).await
    }
}

fn of_reading(fault: sqlx::Error) -> Error {
    match &fault {
        sqlx::Error::Database(inner) if inner.code().as_deref() == Some(NO_DATABASE) => {
            Error::NotOurs
        }
        _ => Error::Database(fault),
    }
}

async fn check(connection: &mut SqliteConnection) -> Result<(), Error> {
    const TABLES: &str = "SELECT COUNT(*) FROM sqlite_master
        WHERE type = 'table' AND name IN ('audit', '_sqlx_migrations')";
    const APPLIED: &str = "SELECT version FROM _sqlx_migrations WHERE success";
    let tables: i64 = sqlx::query_scalar(TABLES)
        .fetch_one(&mut *connection)
        .await
        .map_err(of_reading)?;
    if tables < 2 {
        return Err(Error::NotOurs);
    }
    let applied: Vec<i64> = sqlx::query_scalar(APPLIED).fetch_all(connection).await?;
    let applied: BTreeSet<i64> = applied.into_iter().collect();
    let known: BTreeSet<i64> = MIGRATIONS.iter().map(|one| one.version).collect();
    if !applied.is_subset(&known) {
        return Err(Error::NewerSchema);
    }
    if applied != known {
        return Err(Error::OlderSchema);
    }
    Ok(())
}
