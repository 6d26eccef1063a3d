//! Rules of scheduling: when a task is due, set for the network, a site or a furnace; the nearest wins.

use crate::calendar::Shift;
use crate::event::EventKind;
use crate::key::{BadName, FurnaceKey, SiteId};
use crate::recurrence::Recurrence;
use crate::task::TaskKind;
use crate::versioned::Versioned;

/// A rule as stored.
pub type Rule = Versioned<RuleKey, RuleDetails>;

/// Where a rule is set, and for which task.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RuleKey {
    /// Where.
    pub place: RulePlace,
    /// The task.
    pub task: TaskKind,
}

/// Where a rule is set.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RulePlace {
    /// For the network.
    Network,
    /// For a site.
    Site(SiteId),
    /// For a furnace.
    Furnace(FurnaceKey),
}

/// When a task is due.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleDetails {
    /// Its dates.
    pub plan: Plan,
    /// Due as soon as this many firings were counted since the last time; 0 for no such limit.
    pub after_firings: i32,
    /// Due as soon as this many hours at sintering temperature were counted; 0 for no such limit.
    pub after_hours_hot: f64,
    /// Due on the day of such an event.
    pub after_events: Vec<EventKind>,
    /// From this many firings a day on the furnace is busy; 0 for never.
    pub busy_firings_per_day: f64,
    /// Longest time between calibrations of a busy furnace, days.
    pub busy_interval_days: i32,
    /// Where a due date on a closed day goes.
    pub shift: Shift,
    /// Days after the due date during which the furnace may still be used; none for the usual ones of the
    /// interval: 1 day up to weekly, 2 up to two weeks, 3 beyond (after AMS2750, from memory).
    pub grace_days: Option<i32>,
    /// Days before the due date from which the task is due soon; none for the usual ones: 7, and at most half
    /// the interval.
    pub lead_days: Option<i32>,
    /// Whether every changed setpoint is confirmed by a second ring.
    pub verify: bool,
}

/// The dates of a rule.
#[derive(Debug, Clone, PartialEq)]
pub enum Plan {
    /// The site's own interval and calibration day.
    SiteInterval,
    /// Fixed dates, whenever the task was done.
    FixedDates(Recurrence),
    /// Counted from the last time; the recurrence's own first day means nothing.
    SinceLast(Recurrence),
    /// No dates: only use and events.
    NoDates,
    /// Not done here.
    Off,
}

impl RuleKey {
    /// Reads `scheduleRules/{task}`, `sites/{site}/scheduleRules/{task}` or
    /// `sites/{site}/furnaces/{furnace}/scheduleRules/{task}`; none when the last word is no task.
    pub fn parse(name: &str) -> Result<Option<Self>, BadName> {
        let (place, task) = match name.rsplit_once("scheduleRules/") {
            Some(("", task)) => (RulePlace::Network, task),
            Some((place, task)) => (RulePlace::parse(place.trim_end_matches('/'))?, task),
            None => (RulePlace::parse(name)?, ""),
        };
        Ok(TaskKind::parse(task).map(|task| Self { place, task }))
    }

    /// Writes that name.
    pub fn name(&self) -> String {
        let place = self.place.name();
        let slash = if place.is_empty() { "" } else { "/" };
        format!("{place}{slash}scheduleRules/{}", self.task.word())
    }
}

impl RulePlace {
    /// Reads an empty text for the network, a site's or a furnace's name.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        if name.is_empty() {
            return Ok(Self::Network);
        }
        if name.contains("/furnaces") {
            return Ok(Self::Furnace(FurnaceKey::parse(name)?));
        }
        Ok(Self::Site(SiteId::parse(name)?))
    }

    /// Writes that text.
    pub fn name(&self) -> String {
        match self {
            Self::Network => String::new(),
            Self::Site(site) => site.name(),
            Self::Furnace(furnace) => furnace.name(),
        }
    }

    /// Its site; none for the network.
    pub fn site(&self) -> Option<&SiteId> {
        match self {
            Self::Network => None,
            Self::Site(site) => Some(site),
            Self::Furnace(furnace) => Some(&furnace.site),
        }
    }
}

/// Rules that bear on a site: the network's, its own, its furnaces'.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RuleBook(pub Vec<Rule>);
