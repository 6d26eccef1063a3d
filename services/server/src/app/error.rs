//! Why a use case did not do what was asked.

use ringtrue_fleet::caller::Denied;
use ringtrue_fleet::reading::Refused;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::violation::Violations;

/// Why a use case did not do what was asked; nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Values are wrong.
    #[error("{0}")]
    Invalid(Violations),
    /// The request id was used before with other content.
    #[error("the request id was used before with other content")]
    RequestIdReused,
    /// Nobody knows who calls: no credential, or none that can be used. Which of them is not said.
    #[error("the caller is not known")]
    Unknown,
    /// An enrolment code cannot be used. Whether it is unknown, wrong, used, over, revoked or locked is not said.
    #[error("the code cannot be used")]
    CodeUnusable,
    /// The caller came too often.
    #[error("too many calls; wait for {wait:?}")]
    TooOften {
        /// How long to wait.
        wait: std::time::Duration,
    },
    /// The caller may not do this.
    #[error(transparent)]
    Denied(#[from] Denied),
    /// Something named is not on record.
    #[error("{name} does not exist")]
    Missing {
        /// Its resource type.
        kind: &'static str,
        /// Its resource name.
        name: String,
    },
    /// Something with this name exists already.
    #[error("{name} exists already")]
    Exists {
        /// Its resource type.
        kind: &'static str,
        /// Its resource name.
        name: String,
    },
    /// Records forbid it.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The caller saw an older version.
    #[error("{name} has changed since it was read")]
    Stale {
        /// Its resource name.
        name: String,
    },
    /// The changes after a cursor are no longer kept.
    #[error("the changes after this cursor are no longer kept")]
    CursorExpired,
    /// What the answer rests on is still being worked out.
    #[error("{done} of {of} sites are worked out")]
    BeingPrepared {
        /// Sites that are worked out.
        done: usize,
        /// Sites in all; 0 before the work has begun.
        of: usize,
    },
    /// The server is draining or has too much to do.
    #[error("the server is busy or stopping")]
    Busy,
    /// A fault of ours: deciding panicked. It was logged where it happened.
    #[error("the server has a fault")]
    Broken,
    /// The store failed.
    #[error("the store failed")]
    Store(#[source] ringtrue_store::Error),
}

impl From<Violations> for Error {
    fn from(violations: Violations) -> Self {
        Self::Invalid(violations)
    }
}

impl From<Refused> for Error {
    fn from(refused: Refused) -> Self {
        match refused {
            Refused::Violations(violations) => Self::Invalid(violations),
            Refused::Refusal(refusal) => Self::Refused(refusal),
        }
    }
}

impl From<ringtrue_store::Error> for Error {
    fn from(fault: ringtrue_store::Error) -> Self {
        match fault {
            ringtrue_store::Error::RequestIdReused => Self::RequestIdReused,
            ringtrue_store::Error::OutOfScope => Self::Denied(Denied),
            other => Self::Store(other),
        }
    }
}

impl From<ringtrue_store::Missing> for Error {
    fn from(missing: ringtrue_store::Missing) -> Self {
        Self::Missing {
            kind: missing.kind,
            name: missing.name,
        }
    }
}

impl Error {
    /// Names what exists already when an insert met it.
    pub(crate) fn of_insert(
        fault: ringtrue_store::Error,
        kind: &'static str,
        name: String,
    ) -> Self {
        match fault {
            ringtrue_store::Error::Exists => Self::Exists { kind, name },
            other => other.into(),
        }
    }
}
