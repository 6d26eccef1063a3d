//! What may go wrong in the store.

use sqlx::postgres::PgDatabaseError;

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
    /// The file is empty, no database, or it is a database of another program.
    #[error("this is not a database of this program; check its path or address")]
    NotOurs,
    /// The database has no tables yet.
    #[error(
        "the database is empty; run `ringtrue-server migrate` on it as its owner, ringtrue_migrator"
    )]
    NotMigrated,
    /// A copy into the database was interrupted.
    #[error(
        "a copy into this database was not finished; run the same `ringtrue-server copy` again, which goes on where \
         it stood"
    )]
    CopyUnfinished,
    /// The database's address cannot be understood.
    #[error(
        "the database's address cannot be used; write it as postgres://user@host:port/database?sslmode=verify-full"
    )]
    Address(#[source] sqlx::Error),
    /// The user or the password was refused.
    #[error(
        "the database lets nobody in by this user and password; check the user in its address, and the password, \
         which is taken from RINGTRUE_SERVER__POSTGRES__PASSWORD (for `copy` from RINGTRUE_COPY_FROM_PASSWORD and \
         RINGTRUE_COPY_TO_PASSWORD)"
    )]
    SignInRefused(#[source] sqlx::Error),
    /// The server has no database of this name.
    #[error(
        "there is no database of this name on that server; make it as deploy/postgresql/roles.sql says, then run \
         `ringtrue-server migrate`"
    )]
    NoSuchDatabase(#[source] sqlx::Error),
    /// The user has no right to this.
    #[error(
        "the user in the database's address has no right to this: `migrate`, `verify` and `copy` run as the owner, \
         ringtrue_migrator; `serve` as ringtrue_server, which has its rights once `migrate` was run after \
         deploy/postgresql/roles.sql"
    )]
    Forbidden(#[source] sqlx::Error),
    /// The database server is of a version that lacks what is needed.
    #[error("the database server is older than PostgreSQL 15; upgrade it, or use another one")]
    OldServer,
    /// Another transaction was in the way; the same request may be sent again.
    #[error("another change was in the way")]
    Conflict(#[source] sqlx::Error),
    /// The database cannot be reached, or was lost on the way: what was asked may have been done.
    #[error("the database cannot be reached; check its address, and that PostgreSQL runs there")]
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
}

/// The driver's faults cannot be copied.
fn retold(fault: &sqlx::Error) -> sqlx::Error {
    sqlx::Error::Protocol(fault.to_string())
}

/// Codes of PostgreSQL's (SQLSTATE) for a transaction that was undone because of others: serialization
/// failure, deadlock, lock time-out, statement time-out. An outdated plan is another.
const IN_THE_WAY: [&str; 4] = ["40001", "40P01", "55P03", "57014"];

/// Beginnings of codes of PostgreSQL's for a server that went, is not ready, is full, or only reads: connection
/// exceptions, operator intervention, too many connections, read-only transaction, idle session ended.
const AWAY: [&str; 5] = ["08", "57P", "53300", "25006", "25P03"];

/// Beginning of PostgreSQL's codes for a user or a password that is refused.
const SIGN_IN: &str = "28";
/// PostgreSQL's code for a database that is not there.
const NO_DATABASE: &str = "3D000";
/// PostgreSQL's code for a right that is lacking.
const NO_RIGHT: &str = "42501";

/// Whether PostgreSQL refused a prepared statement because the columns of its result are others by now: a migration
/// was run meanwhile. Its words depend on the language, the place in its source does not.
pub(crate) fn has_outdated_plan(fault: &sqlx::Error) -> bool {
    let fault = fault.as_database_error();
    let fault = fault.and_then(|fault| fault.try_downcast_ref::<PgDatabaseError>());
    fault.is_some_and(|fault| {
        fault.code() == "0A000" && fault.routine() == Some("RevalidateCachedQuery")
    })
}

impl From<sqlx::Error> for Error {
    fn from(fault: sqlx::Error) -> Self {
        if has_outdated_plan(&fault) {
            return Self::Conflict(fault);
        }
        match &fault {
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::Protocol(_)
            | sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed => Self::Unreachable(fault),
            sqlx::Error::Configuration(_) => Self::Address(fault),
            sqlx::Error::Database(inner) => {
                let code = inner.code().unwrap_or_default();
                if IN_THE_WAY.contains(&code.as_ref()) {
                    Self::Conflict(fault)
                } else if AWAY.iter().any(|away| code.starts_with(away)) {
                    Self::Unreachable(fault)
                } else if code.starts_with(SIGN_IN) {
                    Self::SignInRefused(fault)
                } else if code == NO_DATABASE {
                    Self::NoSuchDatabase(fault)
                } else if code == NO_RIGHT {
                    Self::Forbidden(fault)
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
            sqlx::migrate::MigrateError::Execute(inner) => match Self::from(inner) {
                Self::Database(inner) => {
                    Self::Migration(sqlx::migrate::MigrateError::Execute(inner))
                }
                told => told,
            },
            other => Self::Migration(other),
        }
    }
}
