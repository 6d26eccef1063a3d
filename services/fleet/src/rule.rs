//! Rules of scheduling: when a task is due, set for the network, a site or a furnace; the nearest wins.

use std::sync::LazyLock;

use crate::calendar::Shift;
use crate::event::EventKind;
use crate::key::{BadName, FurnaceKey, SiteId};
use crate::recurrence::Recurrence;
use crate::site::SiteDetails;
use crate::task::TaskKind;
use crate::versioned::Versioned;
use crate::violation::Violations;

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
            Some((before, task)) => {
                let place = before.strip_suffix('/').filter(|place| !place.is_empty());
                // Without just one slash it is no place, and the whole name says what is wrong.
                (RulePlace::parse(place.unwrap_or(name))?, task)
            }
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

/// The rule that holds at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InForce<'a> {
    /// The task.
    pub task: TaskKind,
    /// The rule.
    pub details: &'a RuleDetails,
    /// The rule as set; none for the built-in one.
    pub set: Option<&'a Rule>,
}

/// The built-in rules, in the order of [`TaskKind::ALL`]: worked out once, as every furnace asks for them.
static BUILT_IN: LazyLock<[RuleDetails; 7]> =
    LazyLock::new(|| TaskKind::ALL.map(RuleDetails::built_in));

impl InForce<'_> {
    /// Name of the rule; empty for the built-in one.
    pub fn name(&self) -> String {
        self.set.map_or_else(String::new, |rule| rule.key.name())
    }
}

impl RuleBook {
    /// The rule that holds for a task at a place: the nearest one, else the built-in one.
    pub fn in_force(&self, place: &RulePlace, task: TaskKind) -> InForce<'_> {
        let nearness = |set: &RulePlace| match (set, place) {
            (RulePlace::Network, _) => Some(0),
            (RulePlace::Site(site), _) if Some(site) == place.site() => Some(1),
            (RulePlace::Furnace(one), RulePlace::Furnace(other)) if one == other => Some(2),
            _ => None,
        };
        let nearest = self
            .0
            .iter()
            .filter(|rule| rule.key.task == task)
            .filter_map(|rule| Some((nearness(&rule.key.place)?, rule)))
            .max_by_key(|(nearness, _)| *nearness)
            .map(|(_, rule)| rule);
        InForce {
            task,
            details: nearest.map_or(&BUILT_IN[task as usize], |rule| &rule.details),
            set: nearest,
        }
    }
}

/// A recurrence of this program's own rules.
fn own(text: &str) -> Recurrence {
    Recurrence::parse(text, jiff::civil::Date::constant(2024, 1, 1))
        .expect("the built-in recurrences are valid")
}

impl RuleDetails {
    /// The rule where none was set. All of it can be set otherwise; makers' instructions come first.
    pub fn built_in(task: TaskKind) -> Self {
        let plain = Self {
            plan: Plan::NoDates,
            after_firings: 0,
            after_hours_hot: 0.0,
            after_events: Vec::new(),
            busy_firings_per_day: 0.0,
            busy_interval_days: 14,
            shift: Shift::Before,
            grace_days: None,
            lead_days: None,
            verify: false,
        };
        match task {
            TaskKind::Calibration => Self {
                plan: Plan::SiteInterval,
                after_events: vec![
                    EventKind::ElementsReplaced,
                    EventKind::ThermocoupleReplaced,
                    EventKind::ControllerChanged,
                    EventKind::Moved,
                    EventKind::Repair,
                ],
                busy_firings_per_day: 2.0,
                ..plain
            },
            TaskKind::PurgeFiring => Self {
                plan: Plan::SinceLast(own("FREQ=WEEKLY;INTERVAL=4")),
                ..plain
            },
            TaskKind::ElementRegeneration => Self {
                after_events: vec![EventKind::ElementsReplaced, EventKind::DiscolouredWork],
                ..plain
            },
            TaskKind::BeadReplacement => Self {
                plan: Plan::SinceLast(own("FREQ=WEEKLY;INTERVAL=13")),
                ..plain
            },
            TaskKind::TrayReplacement => Self {
                plan: Plan::SinceLast(own("FREQ=WEEKLY;INTERVAL=52")),
                ..plain
            },
            TaskKind::GaugeCheck | TaskKind::RingStock => Self {
                plan: Plan::SiteInterval,
                lead_days: Some(14),
                ..plain
            },
        }
    }

    /// What the built-in rule of a task rests on.
    pub fn basis(task: TaskKind) -> &'static str {
        match task {
            TaskKind::Calibration => {
                "common practice, no source: at least monthly on a fixed day, every two weeks when several \
                 firings a day; two firings a day for \"several\" is an assumption"
            }
            TaskKind::PurgeFiring
            | TaskKind::ElementRegeneration
            | TaskKind::BeadReplacement
            | TaskKind::TrayReplacement => {
                "common practice, no source; the maker's instructions come first"
            }
            TaskKind::GaugeCheck => "the gauge's own check interval",
            TaskKind::RingStock => "two weeks for a delivery: an assumption of this program",
        }
    }
}

/// Longest time between two calibrations that a rule may plan, days: a weekday of every month.
const MONTHLY_DAYS: i32 = 35;

impl RuleDetails {
    /// Checks the rule; `path` is the request field that holds it.
    pub fn check(&self, key: &RuleKey, path: &str, violations: &mut Violations) {
        let calibration = key.task == TaskKind::Calibration;
        self.check_plan(key.task, path, violations);
        if matches!(key.task, TaskKind::GaugeCheck | TaskKind::RingStock)
            && matches!(key.place, RulePlace::Furnace(_))
        {
            violations.add(
                format!("{path}.name"),
                "NOT_OF_A_FURNACE",
                "this task belongs to a site; set its rule for the site or the network",
            );
        }
        if !(0..=10_000).contains(&self.after_firings) {
            violations.add(
                format!("{path}.after_firings"),
                "OUT_OF_RANGE",
                format!("{} is outside 0 to 10000 firings", self.after_firings),
            );
        }
        violations.number(
            &format!("{path}.after_hours_hot"),
            self.after_hours_hot,
            0.0,
            20_000.0,
            "h",
        );
        violations.number(
            &format!("{path}.busy_firings_per_day"),
            self.busy_firings_per_day,
            0.0,
            100.0,
            "firings a day",
        );
        if !(1..=31).contains(&self.busy_interval_days) {
            violations.add(
                format!("{path}.busy_interval_days"),
                "OUT_OF_RANGE",
                format!("{} days is outside 1 to 31", self.busy_interval_days),
            );
        }
        for (field, days) in [
            ("grace_days", self.grace_days),
            ("lead_days", self.lead_days),
        ] {
            if days.is_some_and(|days| !(0..=31).contains(&days)) {
                violations.add(
                    format!("{path}.{field}"),
                    "OUT_OF_RANGE",
                    "is outside 0 to 31 days",
                );
            }
        }
        if self.verify && !calibration {
            violations.add(
                format!("{path}.verify"),
                "NOT_WANTED",
                "only calibrations are verified; leave it out",
            );
        }
    }

    fn check_plan(&self, task: TaskKind, path: &str, violations: &mut Violations) {
        let own_interval = matches!(
            task,
            TaskKind::Calibration | TaskKind::GaugeCheck | TaskKind::RingStock
        );
        match &self.plan {
            Plan::SiteInterval if own_interval => {}
            Plan::SiteInterval => violations.add(
                format!("{path}.plan"),
                "NOT_FOR_THIS_TASK",
                "this task has no interval of the site's own; send fixed dates or dates since the last time",
            ),
            Plan::FixedDates(_) | Plan::SinceLast(_)
                if matches!(task, TaskKind::GaugeCheck | TaskKind::RingStock) =>
            {
                violations.add(
                    format!("{path}.plan"),
                    "NOT_FOR_THIS_TASK",
                    "the gauge's own check interval, or the stock itself, says when; leave the plan or \
                     switch it off",
                );
            }
            Plan::FixedDates(recurrence) | Plan::SinceLast(recurrence) => {
                check_recurrence(recurrence, task, path, violations);
            }
            Plan::NoDates | Plan::Off if task == TaskKind::Calibration => violations.add(
                format!("{path}.plan"),
                "AT_LEAST_MONTHLY",
                "a furnace is calibrated at least monthly, not only after use, events or trouble; send dates",
            ),
            Plan::NoDates | Plan::Off => {}
        }
    }

    /// The rule as people say it.
    pub fn words(&self, task: TaskKind, site: Option<&SiteDetails>) -> String {
        let mut words = match (&self.plan, task) {
            (Plan::Off, _) => return "not done here".to_owned(),
            (Plan::SiteInterval, TaskKind::GaugeCheck) => {
                "after the gauge's own interval".to_owned()
            }
            (Plan::SiteInterval, TaskKind::RingStock) => {
                "two weeks before rings run out or expire".to_owned()
            }
            (Plan::SiteInterval, _) => match site {
                Some(site) => format!(
                    "at least every {} days{}",
                    site.calibration_interval_days,
                    site.calibration_day
                        .map_or_else(String::new, |day| format!(", on {day:?}"))
                ),
                None => "after each site's own interval, on its calibration day".to_owned(),
            },
            (Plan::FixedDates(recurrence), _) => recurrence.words(),
            (Plan::SinceLast(recurrence), _) => {
                format!("{} since the last time", recurrence.words_since_last())
            }
            (Plan::NoDates, _) => String::new(),
        };
        let mut more = |text: String| {
            if !words.is_empty() {
                words.push_str("; ");
            }
            words.push_str(&text);
        };
        if self.after_firings > 0 {
            more(format!("after {} firings", self.after_firings));
        }
        if self.after_hours_hot > 0.0 {
            more(format!(
                "after {} h at sintering temperature",
                self.after_hours_hot
            ));
        }
        if self.busy_firings_per_day > 0.0 && task == TaskKind::Calibration {
            more(format!(
                "at least every {} days while it fires {} times a day or more",
                self.busy_interval_days, self.busy_firings_per_day
            ));
        }
        if !self.after_events.is_empty() {
            let kinds: Vec<&str> = self.after_events.iter().map(|kind| kind.words()).collect();
            more(format!("after any of: {}", kinds.join(", ")));
        }
        if words.is_empty() {
            words.push_str("when somebody finds it necessary");
        }
        words
    }

    /// Days of grace: the rule's own, or the usual ones of an interval (after AMS2750, from memory).
    pub fn grace(&self, interval_days: Option<i32>) -> i32 {
        self.grace_days.unwrap_or(match interval_days {
            Some(..=7) => 1,
            Some(8..=14) => 2,
            None | Some(15..=35) => 3,
            Some(36..=100) => 6,
            Some(_) => 18,
        })
    }

    /// Days before a due date from which a task is due soon.
    pub fn lead(&self, interval_days: Option<i32>) -> i32 {
        self.lead_days
            .unwrap_or_else(|| interval_days.map_or(7, |days| (days / 2).clamp(0, 7)))
    }
}

fn check_recurrence(
    recurrence: &Recurrence,
    task: TaskKind,
    path: &str,
    violations: &mut Violations,
) {
    let field = format!("{path}.recurrence");
    if !recurrence.is_endless() {
        violations.add(
            field,
            "ENDS",
            "ends; leave COUNT and UNTIL out, the rule holds until it is changed",
        );
        return;
    }
    match recurrence.longest_gap_days() {
        Some(days) if task == TaskKind::Calibration && days > MONTHLY_DAYS => violations.add(
            field,
            "AT_LEAST_MONTHLY",
            format!(
                "leaves {days} days between two calibrations; calibrate at least monthly, at most \
                 {MONTHLY_DAYS} days apart"
            ),
        ),
        Some(_) => {}
        None => violations.add(
            field,
            "NEVER",
            "hardly ever occurs; send a recurrence that comes again and again",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rules_name_has_one_spelling() {
        for name in [
            "scheduleRules/calibration",
            "sites/north/scheduleRules/calibration",
            "sites/north/furnaces/k2/scheduleRules/calibration",
        ] {
            let key = RuleKey::parse(name).expect("well formed");
            assert_eq!(key.expect("a task").name(), name);
        }
        for name in [
            "/scheduleRules/calibration",
            "sites/north//scheduleRules/calibration",
            "sites/northscheduleRules/calibration",
            "sites/north/furnaces/k2///scheduleRules/calibration",
        ] {
            assert!(RuleKey::parse(name).is_err(), "{name}");
        }
    }
}
