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
    /// The database has no tables yet.
    #[error("the database is empty; run `ringtrue-server migrate` on it")]
    NotMigrated,
    /// The database is not there, or does not let this user in.
    #[error(
        "the database does not let this program in; check user, password and name of the database, and that its \
         administrator has run roles.sql"
    )]
    NotLetIn(#[source] sqlx::Error),
    /// Only the role that owns the database may do this.
    #[error("this takes the role that owns the database, ringtrue_migrator: sign in as that one")]
    NotOwner(#[source] sqlx::Error),
    /// A copy into the database was interrupted.
    #[error(
        "a copy into this database was not finished; run the same `ringtrue-server copy` again, which goes on where \
         it stood"
    )]
    CopyUnfinished,
    /// Another transaction was in the way; the same request may be sent again.
    #[error("another change was in the way")]
    Conflict(#[source] sqlx::Error),
    /// The database cannot be reached, or was lost on the way: what was asked may have been done.
    #[error("the database cannot be reached")]
    Unreachable(#[source] sqlx::Error),
    /// The database refused or failed.
    #[error("the database failed")]
    Database(#[source] sqlx::Error),
    /// A migration failed.
    #[error("a migration failed")]
    Migration(#[source] sqlx::migrate::MigrateError),
}

impl Error {
    /// Reads a unique-key violation as [`Error::Exists`]; every insert has one key that can meet it.
    pub(crate) fn of_insert(fault: sqlx::Error) -> Self {
        match &fault {
            sqlx::Error::Database(inner) if inner.is_unique_violation() => Self::Exists,
            _ => fault.into(),
        }
    }

    /// The same fault for another caller who waited for the same transaction, when trying again at once would not mend
    /// it, or could do twice what may have been done.
    pub fn for_another(&self) -> Option<Self> {
        match self {
            Self::Conflict(fault) => Some(Self::Conflict(retold(fault))),
            Self::Unreachable(fault) => Some(Self::Unreachable(retold(fault))),
            _ => None,
        }
    }

    /// Reads a right that is missing as [`Error::NotOwner`], where only the owner has it.
    pub(crate) fn for_owner(fault: sqlx::Error) -> Self {
        match &fault {
            sqlx::Error::Database(inner) if inner.code().as_deref() == Some(NO_RIGHT) => {
                Self::NotOwner(fault)
            }
            _ => fault.into(),
        }
    }
}

/// The driver's faults cannot be copied.
fn retold(fault: &sqlx::Error) -> sqlx::Error {
    sqlx::Error::Protocol(fault.to_string())
}

/// Codes of PostgreSQL's (SQLSTATE) for a transaction that was undone because of others: serialization
/// failure, deadlock, lock time-out, statement time-out.
const IN_THE_WAY: [&str; 4] = ["40001", "40P01", "55P03", "57014"];

/// Beginnings of codes of PostgreSQL's for a server that went, is not ready, is full, or only reads: connection
/// exceptions, operator intervention, too many connections, read-only transaction, idle session ended.
const AWAY: [&str; 5] = ["08", "57P", "53300", "25006", "25P03"];

/// Beginnings of codes of PostgreSQL's for a user who may not come in, and for a database that is not there.
const SHUT: [&str; 2] = ["28", "3D000"];

/// PostgreSQL's code for what this role may not do.
const NO_RIGHT: &str = "42501";

impl From<sqlx::Error> for Error {
    fn from(fault: sqlx::Error) -> Self {
        match &fault {
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::Protocol(_)
            | sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed => Self::Unreachable(fault),
            sqlx::Error::Database(inner) => {
                let code = inner.code().unwrap_or_default();
                if IN_THE_WAY.contains(&code.as_ref()) {
                    Self::Conflict(fault)
                } else if AWAY.iter().any(|away| code.starts_with(away)) {
                    Self::Unreachable(fault)
                } else if SHUT.iter().any(|shut| code.starts_with(shut)) {
                    Self::NotLetIn(fault)
                } else {
                    Self::Database(fault)
                }
            }
            _ => Self::Database(fault),
        }
    }
}

impl From<sqlx::migrate::MigrateError> for Error {
    fn from(fault: sqlx::migrate::MigrateError) -> Self {
        match fault {
            sqlx::migrate::MigrateError::VersionMissing(_) => Self::NewerSchema,
            sqlx::migrate::MigrateError::Execute(inner) => Self::for_owner(inner),
            other => Self::Migration(other),
        }
    }
}
