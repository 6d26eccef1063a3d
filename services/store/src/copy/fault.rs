//! Why a copy is refused or fails.

use std::fmt;

use jiff::Timestamp;

use super::shape::Table;
use crate::Error;

/// Which of the two databases.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The one that is copied.
    Source,
    /// The one that becomes equal to it.
    Target,
}

impl fmt::Display for Side {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(match self {
            Self::Source => "source",
            Self::Target => "target",
        })
    }
}

impl Side {
    pub(super) fn fault(self) -> impl Fn(Error) -> CopyFault {
        move |fault| CopyFault::Database { side: self, fault }
    }

    pub(super) fn failed(self) -> impl Fn(sqlx::Error) -> CopyFault {
        move |fault| self.fault()(fault.into())
    }

    pub(super) fn failed_at(self, table: &Table) -> impl Fn(sqlx::Error) -> CopyFault {
        let table = table.name.clone();
        move |fault| CopyFault::Table {
            side: self,
            table: table.clone(),
            fault: fault.into(),
        }
    }
}

/// Why a copy was not made. What was copied until then stays in the target, where the next call goes on.
#[derive(Debug, thiserror::Error)]
pub enum CopyFault {
    /// Both are the same file.
    #[error("source and target are the same file; name another target")]
    SameFile,
    /// The target has records.
    #[error(
        "the target is not empty: it has {rows} rows in `{table}`. Nothing was changed; name a new file or a new, \
         empty database"
    )]
    NotEmpty {
        /// A table with records.
        table: String,
        /// How many it has.
        rows: u64,
    },
    /// The target has an unfinished copy of other records.
    #[error(
        "the target holds the unfinished copy of another installation. Nothing was changed; name a new file or a \
         new, empty database"
    )]
    OfAnother,
    /// One of the two is served.
    #[error(
        "a server is at work on the {side}: it holds the lease `{work}` until {until}. Stop every server, wait until \
         then if one was killed, and start again; --rehearse copies all the same, without what is recorded meanwhile"
    )]
    Served {
        /// Which one.
        side: Side,
        /// The lease.
        work: String,
        /// Until when it is held, unless the server takes it again.
        until: Timestamp,
    },
    /// The databases are of different versions.
    #[error(
        "source and target are at different migration levels, {source} and {target}. Nothing was copied; run \
         `ringtrue-server migrate` of one and the same version on both"
    )]
    OtherLevel {
        /// The source's newest migration.
        r#source: i64,
        /// The target's newest migration.
        target: i64,
    },
    /// A table differs in more than its rows.
    #[error(
        "table `{table}` has other columns in the source than in the target; `ringtrue-server verify` says whose \
         shape was altered"
    )]
    OtherShape {
        /// The table.
        table: String,
    },
    /// The user may not see everything.
    #[error(
        "the user in the {side}'s address does not own the tables there; use the one that migrated them, \
         ringtrue_migrator"
    )]
    NotTheOwner {
        /// Where.
        side: Side,
    },
    /// Two copies into one target at once.
    #[error("another copy writes to the same target; let one of them end")]
    Together,
    /// A database failed.
    #[error("the {side}")]
    Database {
        /// Which one.
        side: Side,
        /// How.
        #[source]
        fault: Error,
    },
    /// A database failed at a table.
    #[error("table `{table}` of the {side}")]
    Table {
        /// Which one.
        side: Side,
        /// The table.
        table: String,
        /// How.
        #[source]
        fault: Error,
    },
}
