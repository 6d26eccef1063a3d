//! What may go wrong in the store.

/// A fault of the store. "Not found" is not one: lookups give an `Option`.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A record with this key exists already.
    #[error("a record with this key exists already")]
    Exists,
    /// The request id was used before with other content.
    #[error("the request id was used before with other content")]
    RequestIdReused,
    /// The caller's scope does not reach these records.
    #[error("the scope does not reach these records")]
    OutOfScope,
    /// A stored value cannot be read back.
    #[error("{table}.{column} of {key} cannot be read back")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// The column.
        column: &'static str,
        /// The row.
        key: String,
    },
    /// The database was written by a newer version of this program.
    #[error("the database was written by a newer version of this program; install that version")]
    NewerSchema,
    /// The database was written by an older version of this program and was not migrated since.
    #[error(
        "the database was written by an older version of this program; back it up, then run `migrate` on it"
    )]
    OlderSchema,
    /// The file is empty, no database, or a database of another program.
    #[error("the file is not a database of this program; check its path")]
    NotOurs,
    /// The database refused or failed.
    #[error("the database failed")]
    Database(#[from] sqlx::Error),
    /// A migration failed.
    #[error("a migration failed")]
    Migration(#[source] sqlx::migrate::MigrateError),
}

impl Error {
    /// Reads a unique-key violation as [`Error::Exists`]; every insert has one key that can meet it.
    pub(crate) fn of_insert(fault: sqlx::Error) -> Self {
        match &fault {
            sqlx::Error::Database(inner) if inner.is_unique_violation() => Self::Exists,
            _ => Self::Database(fault),
        }
    }
}

impl From<sqlx::migrate::MigrateError> for Error {
    fn from(fault: sqlx::migrate::MigrateError) -> Self {
        match fault {
            sqlx::migrate::MigrateError::VersionMissing(_) => Self::NewerSchema,
            other => Self::Migration(other),
        }
    }
}
