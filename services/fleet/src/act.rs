//! Acts of care: what people say they did, left out or counted. Only ever added to.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::key::{ActKey, BadName, BatchId, FurnaceKey, SiteId};
use crate::task::TaskKind;

/// An act as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Act {
    /// What tells it apart.
    pub key: ActKey,
    /// What was done.
    pub details: ActDetails,
    /// When the server stored it.
    pub received_at: Timestamp,
}

/// What callers give of an act; checked by [`ActDetails::check`].
#[derive(Debug, Clone, PartialEq)]
pub struct ActDetails {
    /// What was done; none when the caller gave no known kind.
    pub kind: Option<ActKind>,
    /// The task; none for counted use.
    pub task: Option<TaskKind>,
    /// What it was done to; none when the caller gave none.
    pub subject: Option<ActSubject>,
    /// When.
    pub acted_at: Timestamp,
    /// Why it was skipped or deferred.
    pub reason: String,
    /// Whether the chamber was empty.
    pub chamber_was_empty: bool,
    /// Initials or staff code.
    pub performed_by: String,
}

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ActKind {
    /// The task was done.
    Done,
    /// It was left out this time.
    Skipped,
    /// It waits until a day.
    Deferred {
        /// That day, local; none when the caller gave none.
        until: Option<Date>,
    },
    /// A ring was put in or fired; its measurement is to come.
    RingFired,
    /// Use was counted.
    UseCounted(Use),
    /// Rings in stock were counted.
    RingsCounted {
        /// How many are left.
        left: i32,
    },
}

/// Use of a furnace on some days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Use {
    /// First day, local.
    pub from: Date,
    /// Last day.
    pub until: Date,
    /// Firings.
    pub firings: i32,
    /// Hours at sintering temperature.
    pub hours_hot: f64,
}

/// What an act was done to.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ActSubject {
    /// A furnace.
    Furnace(FurnaceKey),
    /// Rings of a batch, at the act's site.
    Rings(BatchId),
}

impl ActSubject {
    /// Reads a furnace's or a batch's name.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        if name.starts_with("ringBatches/") {
            return Ok(Self::Rings(BatchId::parse(name)?));
        }
        Ok(Self::Furnace(FurnaceKey::parse(name)?))
    }

    /// Writes its resource name.
    pub fn name(&self) -> String {
        match self {
            Self::Furnace(furnace) => furnace.name(),
            Self::Rings(batch) => batch.name(),
        }
    }

    /// Its site, where the name has one.
    pub fn site(&self) -> Option<&SiteId> {
        match self {
            Self::Furnace(furnace) => Some(&furnace.site),
            Self::Rings(_) => None,
        }
    }
}
