//! What is due at a site, worked out from its records and a moment.

mod dates;
mod furnace;
mod records;
mod site;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::key::{BatchId, FurnaceKey, GaugeKey};
use crate::task::TaskKind;

pub(crate) use dates::planned_on;
pub(crate) use furnace::{setpoint_waiting, verification_waiting, waiting_since};
pub use records::{
    Adjusted, Calibrated, FurnaceRecords, GaugeRecords, Latest, OpenFinding, SiteRecords,
    StockRecords,
};
pub use site::{Planner, due_tasks};

/// A task with its due date.
#[derive(Debug, Clone, PartialEq)]
pub struct Due {
    /// What is due.
    pub task: TaskKind,
    /// What it is done to.
    pub subject: DueSubject,
    /// What people call that; of a batch its code.
    pub subject_display_name: String,
    /// Day by which it is due, local.
    pub due_on: Date,
    /// First day on which it is due soon.
    pub soon_on: Date,
    /// Last day of grace.
    pub grace_ends_on: Date,
    /// How near that is.
    pub state: DueState,
    /// Whether grace is used up.
    pub lapsed: bool,
    /// The steps of a calibration; empty for other tasks.
    pub steps: Vec<Step>,
    /// Why it is due then, most important first.
    pub reasons: Vec<Reason>,
    /// What to do next.
    pub next_step: String,
    /// The rule in words.
    pub rule_words: String,
    /// Name of the rule that holds; empty for the built-in one.
    pub rule_name: String,
    /// When it was done last.
    pub last_done_at: Option<Timestamp>,
}

impl Due {
    /// Whether a step of the calibration waits to be done, also one that is left over from the last firing.
    pub fn has_open_step(&self) -> bool {
        self.steps
            .iter()
            .any(|step| matches!(step.state, StepState::Open | StepState::Late))
    }

    /// The day by which something is to be done next: that of the first step that waits, else the due date.
    pub fn act_on(&self) -> Date {
        self.steps
            .iter()
            .filter(|step| matches!(step.state, StepState::Open | StepState::Late))
            .filter_map(|step| step.due_on)
            .fold(self.due_on, Date::min)
    }
}

/// What a task is done to.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum DueSubject {
    /// A furnace.
    Furnace(FurnaceKey),
    /// A gauge.
    Gauge(GaugeKey),
    /// Rings of a batch at the site.
    Rings(BatchId),
}

impl DueSubject {
    /// Writes its resource name.
    pub fn name(&self) -> String {
        match self {
            Self::Furnace(furnace) => furnace.name(),
            Self::Gauge(gauge) => gauge.name(),
            Self::Rings(batch) => batch.name(),
        }
    }
}

/// How near a due date is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum DueState {
    /// Nothing to do yet.
    Current,
    /// Within the lead time.
    DueSoon,
    /// Today.
    Due,
    /// The day has passed.
    Overdue,
}

/// A part of a calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Which.
    pub kind: StepKind,
    /// How far it is.
    pub state: StepState,
    /// Last day for it, local.
    pub due_on: Option<Date>,
}

/// Parts of a calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepKind {
    /// Fire the ring.
    Fire,
    /// Measure it.
    Measure,
    /// Enter the advised setpoint.
    EnterSetpoint,
    /// Confirm it with a second ring.
    Verify,
}

/// How far a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepState {
    /// Its turn has not come.
    Later,
    /// To be done now.
    Open,
    /// Should have been done.
    Late,
    /// Done.
    Done,
    /// Not needed this time.
    NotNeeded,
}

/// Why something is as it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// Stable code.
    pub code: &'static str,
    /// In words, with what to do next.
    pub text: String,
}

#[cfg(test)]
mod tests;
