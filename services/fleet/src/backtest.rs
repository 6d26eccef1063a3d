//! How each way of deciding setpoints would have done on a network's own history.
//!
//! All readings are gone through in order of firing, whichever site they are of. After each one every
//! [`Rule`] sets its setpoint from what was known then; at the next reading of the same furnace and
//! programme that setpoint is judged. Nobody knows the true temperature. The judge is the offset that ALL
//! readings together show, later ones included, with its own standard uncertainty ([`Report`] gives it). So
//! errors that no reading and no check ever showed are in the judge too, and the judge takes the furnaces to
//! behave as the fleet's own model says.
//!
//! Left out of account: questions, second firings, limits on a single step, and that a reading may have been
//! reported late.

mod figures;
mod history;
mod judge;
mod replay;
mod rules;

use jiff::Timestamp;
use ringtrue_calibration::decision::{Limits, Policy};
use ringtrue_calibration::inference::Components;

use crate::adjustment::Adjustment;
use crate::event::FurnaceEvent;
use crate::gauge::GaugeCheck;
use crate::key::{FurnaceKey, GaugeId, ProgrammeId, SiteId};
use crate::tracking::TrackPoint;

pub use figures::{Comparison, Outcome, Report};
pub use history::History;
pub use rules::{RULES, Rule};

/// Readings of a furnace's first weeks are not judged: every rule has to find its setpoint first.
pub const SETTLING_WEEKS: f64 = 12.0;

/// Fewest judged readings that figures are given for: with fewer a root mean square is known to no better
/// than about a sixth (an assumption of this program).
pub const FEWEST_JUDGED: u32 = 20;

/// One counted reading with what a decision after it depends on.
#[derive(Debug, Clone, PartialEq)]
pub struct Fired {
    /// The reading as the tracking sees it.
    pub point: TrackPoint,
    /// The programme that was fired.
    pub programme: ProgrammeId,
    /// True temperature wanted, °C.
    pub target_c: f64,
    /// What furnace and programme allowed.
    pub limits: Limits,
    /// How the site decided.
    pub policy: Policy,
}

/// All that is on record of one furnace.
#[derive(Debug, Clone, PartialEq)]
pub struct FurnacePast {
    /// The furnace.
    pub key: FurnaceKey,
    /// Its counted readings, in order of firing and then of id.
    pub fired: Vec<Fired>,
    /// Its events.
    pub events: Vec<FurnaceEvent>,
    /// The setpoints that were confirmed, in any order.
    pub adjustments: Vec<Adjustment>,
}

/// What is looked at.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Span {
    /// Readings fired before are learnt from but not judged.
    pub from: Option<Timestamp>,
    /// Readings fired at this moment or later are left out altogether.
    pub until: Option<Timestamp>,
    /// Only this site's furnaces are judged; all sites' are learnt from.
    pub site: Option<SiteId>,
}

/// Why there are no figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoFigures {
    /// There is no reading that counts.
    #[error(
        "no reading that counts is on record in this time; record readings first, or choose other dates"
    )]
    NothingRead,
    /// There are too few to say anything.
    #[error(
        "only {judged} of {readings} readings can be judged, and figures from fewer than {FEWEST_JUDGED} mean \
         little; a furnace's readings count from its 13th week on: choose a longer time, or try again \
         when there are more"
    )]
    TooFew {
        /// Readings gone through.
        readings: u32,
        /// Readings that a setpoint could be judged at.
        judged: u32,
    },
    /// Figures overflowed.
    #[error("the readings cannot be weighed together; run `rebuild` and try again")]
    NotSolvable,
}

/// How far a replay has come, in readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Gone through.
    pub done: usize,
    /// To go through in all.
    pub all: usize,
}

/// Goes through a network's history and gives what each rule would have done. The same history gives the
/// same bits.
///
/// `progress` is told now and then how far it is.
pub fn backtest(
    history: &History,
    components: &Components,
    span: &Span,
    progress: &mut dyn FnMut(Progress),
) -> Result<Report, NoFigures> {
    let replayed = replay::replayed(history, components, span, progress)?;
    judge::judged(history, &replayed, components)
}

/// The checks of a site's gauges, as the store gives them.
pub type SiteChecks = [(GaugeId, Vec<GaugeCheck>)];

#[cfg(test)]
mod tests;
