//! Opening a database that must be there already: nothing is made, nothing is migrated.

use std::collections::BTreeSet;
use std::path::Path;

use sqlx::migrate::Migrator;
use sqlx::postgres::PgConnection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions as _, Connection as _};

use crate::database::{POSTGRES_MIGRATIONS, SQLITE_MIGRATIONS};
use crate::{Error, Location, Store};

/// SQLite's result code of a file that is no database (SQLITE_NOTADB).
const NO_DATABASE: &str = "26";

impl Store {
    /// Opens a database that this version of the program made or migrated.
    ///
    /// Fails with [`Error::NotOurs`] when it is empty, no database, or of another program; with
    /// [`Error::OlderSchema`] or [`Error::NewerSchema`] when another version wrote it. It is then left as
    /// it is.
    pub async fn open_existing(location: impl Into<Location>) -> Result<Self, Error> {
        let location = location.into();
        if let Location::File(file) = &location {
            check_file(file).await?;
        }
        Self::open(location).await
    }

    /// The same for who goes on with a copy that was interrupted.
    pub(crate) async fn open_existing_even_unfinished(location: Location) -> Result<Self, Error> {
        if let Location::File(file) = &location {
            check_file(file).await?;
        }
        Self::open_even_unfinished(location).await
    }
}

async fn check_file(file: &Path) -> Result<(), Error> {
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
    checked
}

fn of_reading(fault: sqlx::Error) -> Error {
    match &fault {
        sqlx::Error::Database(inner) if inner.code().as_deref() == Some(NO_DATABASE) => {
            Error::NotOurs
        }
        _ => fault.into(),
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
    let (applied, known) = (set(applied), versions(&SQLITE_MIGRATIONS));
    if !applied.is_subset(&known) {
        return Err(Error::NewerSchema);
    }
    if applied != known {
        return Err(Error::OlderSchema);
    }
    Ok(())
}

/// Fails unless this program can serve the database: it was migrated at least to what this program knows, and
/// what was added since leaves this program's statements as they are.
pub(crate) async fn check_postgres(connection: &mut PgConnection) -> Result<(), Error> {
    const TABLES: &str = "SELECT COUNT(*) FROM pg_catalog.pg_class
        WHERE oid IN (to_regclass('audit'), to_regclass('_sqlx_migrations'))";
    const APPLIED: &str = "SELECT version FROM _sqlx_migrations WHERE success";
    const OLDEST: &str = "SELECT oldest_program FROM schema_compatibility WHERE id = 1";
    let tables: i64 = sqlx::query_scalar(TABLES)
        .fetch_one(&mut *connection)
        .await?;
    if tables == 0 {
        return Err(Error::NotMigrated);
    }
    if tables < 2 {
        return Err(Error::NotOurs);
    }
    let applied: Vec<i64> = sqlx::query_scalar(APPLIED)
        .fetch_all(&mut *connection)
        .await?;
    let (applied, known) = (set(applied), versions(&POSTGRES_MIGRATIONS));
    if !known.is_subset(&applied) {
        return Err(Error::OlderSchema);
    }
    let oldest: i64 = sqlx::query_scalar(OLDEST).fetch_one(connection).await?;
    if known.last().is_none_or(|newest| *newest < oldest) {
        return Err(Error::NewerSchema);
    }
    Ok(())
}

fn set(applied: Vec<i64>) -> BTreeSet<i64> {
    applied.into_iter().collect()
}

fn versions(migrations: &Migrator) -> BTreeSet<i64> {
    migrations.iter().map(|one| one.version).collect()
}
