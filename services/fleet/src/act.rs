//! Acts of care: what people say they did, left out or counted. Only ever added to.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::calendar::days_between;
use crate::event::past;
use crate::key::{ActKey, BadName, BatchId, FurnaceKey, SiteId};
use crate::task::TaskKind;
use crate::violation::Violations;

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

/// Most days for which a task may be deferred.
const DEFERRED_AT_MOST_DAYS: i32 = 31;

/// Most days in one count of use.
const COUNTED_AT_MOST_DAYS: i32 = 62;

impl ActDetails {
    /// Checks every field; `path` is the request field that holds the act, `today` the site's day.
    pub fn check(
        &self,
        site: &SiteId,
        path: &str,
        now: Timestamp,
        today: Date,
        violations: &mut Violations,
    ) {
        past(
            &format!("{path}.act_time"),
            Some(self.acted_at),
            now,
            violations,
        );
        violations.text(&format!("{path}.performed_by"), &self.performed_by, 0, 40);
        self.check_subject(site, path, violations);
        let Some(kind) = self.kind else {
            violations.add(
                format!("{path}.kind"),
                "REQUIRED",
                "is missing; say what was done",
            );
            return;
        };
        self.check_task(kind, path, violations);
        let wants_reason = matches!(kind, ActKind::Skipped | ActKind::Deferred { .. });
        violations.text(
            &format!("{path}.reason"),
            self.reason.trim(),
            usize::from(wants_reason),
            500,
        );
        match kind {
            ActKind::Deferred { until } => check_deferral(until, path, today, violations),
            ActKind::UseCounted(counted) => counted.check(path, today, violations),
            ActKind::RingsCounted { left } if !(0..=100_000).contains(&left) => violations.add(
                format!("{path}.rings_left"),
                "OUT_OF_RANGE",
                format!("{left} is outside 0 to 100000 rings"),
            ),
            ActKind::Done
                if self.task.is_some_and(TaskKind::wants_empty_chamber)
                    && !self.chamber_was_empty =>
            {
                violations.add(
                    format!("{path}.chamber_was_empty"),
                    "REQUIRED",
                    "must be confirmed: purge and regeneration firings are run with the chamber empty; what \
                     was in it is for a qualified person to review",
                );
            }
            _ => {}
        }
    }

    fn check_subject(&self, site: &SiteId, path: &str, violations: &mut Violations) {
        let counts_rings = matches!(self.kind, Some(ActKind::RingsCounted { .. }));
        match &self.subject {
            Some(subject) if subject.site().is_some_and(|own| own != site) => violations.add(
                format!("{path}.subject"),
                "OF_ANOTHER_SITE",
                format!("{} does not stand in {}", subject.name(), site.name()),
            ),
            Some(ActSubject::Rings(_)) if !counts_rings => violations.add(
                format!("{path}.subject"),
                "NOT_A_FURNACE",
                "names a ring batch; send a furnace such as `sites/porto/furnaces/k2`",
            ),
            Some(ActSubject::Furnace(_)) if counts_rings => violations.add(
                format!("{path}.subject"),
                "NOT_A_RING_BATCH",
                "names a furnace; send a ring batch such as `ringBatches/b7`",
            ),
            None | Some(_) => {}
        }
    }

    fn check_task(&self, kind: ActKind, path: &str, violations: &mut Violations) {
        let field = format!("{path}.task");
        match (kind, self.task) {
            (
                ActKind::Done | ActKind::Skipped | ActKind::Deferred { .. },
                Some(TaskKind::Calibration),
            ) => {
                violations.add(
                    field,
                    "NOT_FOR_CALIBRATIONS",
                    "a calibration is done by recording its reading and cannot be left out; record the \
                     reading, or set the furnace out of service",
                );
            }
            (
                ActKind::Done | ActKind::Skipped | ActKind::Deferred { .. },
                Some(TaskKind::GaugeCheck | TaskKind::RingStock),
            ) => violations.add(
                field,
                "NOT_FOR_THIS_TASK",
                "record the gauge check, or count the rings",
            ),
            (ActKind::Done | ActKind::Skipped | ActKind::Deferred { .. }, None) => {
                violations.add(field, "REQUIRED", "is missing; say which task");
            }
            (ActKind::RingFired, Some(task)) if task != TaskKind::Calibration => violations.add(
                field,
                "NOT_FOR_THIS_TASK",
                "a fired ring belongs to a calibration",
            ),
            (ActKind::RingsCounted { .. }, Some(task)) if task != TaskKind::RingStock => violations
                .add(
                    field,
                    "NOT_FOR_THIS_TASK",
                    "counted rings belong to the stock of rings",
                ),
            (ActKind::UseCounted(_), Some(_)) => {
                violations.add(field, "NOT_WANTED", "belongs to no task; leave it out");
            }
            _ => {}
        }
    }
}

fn check_deferral(until: Option<Date>, path: &str, today: Date, violations: &mut Violations) {
    let field = format!("{path}.deferred_until_date");
    match until.map(|until| days_between(today, until)) {
        None => violations.add(
            field,
            "REQUIRED",
            "is missing; send the day until which it waits",
        ),
        Some(1..=DEFERRED_AT_MOST_DAYS) => {}
        Some(_) => violations.add(
            field,
            "OUT_OF_RANGE",
            format!("lies outside the next {DEFERRED_AT_MOST_DAYS} days; choose a day after today"),
        ),
    }
}

impl Use {
    /// Days counted.
    pub fn days(&self) -> i32 {
        days_between(self.from, self.until).saturating_add(1)
    }

    fn check(&self, path: &str, today: Date, violations: &mut Violations) {
        let days = self.days();
        if !(1..=COUNTED_AT_MOST_DAYS).contains(&days) || self.until > today {
            violations.add(
                format!("{path}.until_date"),
                "OUT_OF_RANGE",
                format!(
                    "a count ends on or after its first day, covers at most {COUNTED_AT_MOST_DAYS} days and \
                     does not lie in the future; check the dates"
                ),
            );
            return;
        }
        if !(0..=100 * days).contains(&self.firings) {
            violations.add(
                format!("{path}.firings"),
                "OUT_OF_RANGE",
                format!("{} is outside 0 to 100 firings a day", self.firings),
            );
        }
        violations.number(
            &format!("{path}.hours_hot"),
            self.hours_hot,
            0.0,
            24.0 * f64::from(days),
            "h",
        );
    }
}
