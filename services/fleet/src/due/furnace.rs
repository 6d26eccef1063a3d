//! What is due at a furnace: its calibration with its four steps, and its care.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_calibration::decision::Advice;

use super::dates::Dates;
use super::{Due, DueState, DueSubject, FurnaceRecords, Latest, Reason, Step, StepKind, StepState};
use crate::act::{Act, ActKind, Use};
use crate::calendar::{Calendar, Shift, plus};
use crate::furnace::FurnaceState;
use crate::rule::{InForce, Plan, RulePlace};
use crate::schedule::early_day;
use crate::site::SiteDetails;
use crate::task::TaskKind;

/// Days over which the firings of a day are averaged.
const USE_LOOKED_AT_DAYS: i32 = 28;

/// Days without a count of use after which dates alone decide.
const USE_IS_STALE_AFTER_DAYS: i32 = 7;

/// A site while its furnaces are looked at.
pub(super) struct Place<'a> {
    pub(super) site: &'a SiteDetails,
    pub(super) calendar: &'a Calendar,
    pub(super) today: Date,
}

/// What is due at a furnace for one task; none when nothing ever is: out of use, switched off, or waiting for
/// an event.
pub(super) fn of_furnace(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    dates: &mut Dates,
) -> Option<Due> {
    if furnace.state != FurnaceState::InUse || rule.details.plan == Plan::Off {
        return None;
    }
    let task = rule.task;
    let done_at = done_at(furnace, task);
    let done_on = done_at.map(|at| place.calendar.day_of(at));
    let interval = dates.interval(&rule.details.plan, place.site);
    let mut candidates = candidates(place, furnace, rule, dates, done_on);
    candidates.sort_by_key(|(day, _)| *day);
    let (first, reason) = candidates.first()?.clone();
    let mut reasons = vec![reason];
    if task == TaskKind::Calibration
        && rule.details.busy_firings_per_day > 0.0
        && let Some(stale) = stale_use(place, furnace)
    {
        reasons.push(stale);
    }
    let mut due_on = first;
    if let Some((until, why)) = deferred(place, furnace, task, done_at)
        && until > due_on
    {
        due_on = until;
        reasons.insert(0, why);
    }
    let grace = rule.details.grace(interval);
    let mut grace_ends_on = plus(due_on, grace);
    let waiting = ring_waiting(place, furnace, task);
    if let Some((fired_on, measure_by)) = waiting
        && fired_on <= due_on
    {
        due_on = due_on.max(measure_by);
        grace_ends_on = grace_ends_on.max(measure_by);
    }
    let mut due = Due {
        task,
        subject: DueSubject::Furnace(furnace.key.clone()),
        subject_display_name: furnace.display_name.clone(),
        due_on,
        soon_on: plus(due_on, -rule.details.lead(interval)),
        grace_ends_on,
        state: DueState::Current,
        lapsed: false,
        steps: Vec::new(),
        reasons,
        next_step: String::new(),
        rule_words: rule.details.words(task, Some(place.site)),
        rule_name: rule.name(),
        last_done_at: done_at,
    };
    due.placed_in_time(place.today);
    if task == TaskKind::Calibration {
        due.steps = steps(place, furnace, rule, &due, waiting);
    }
    due.next_step = next_step(&due, furnace);
    Some(due)
}

impl Due {
    /// Sets the state from the day.
    pub(super) fn placed_in_time(&mut self, today: Date) {
        self.state = if today < self.soon_on && today < self.due_on {
            DueState::Current
        } else if today < self.due_on {
            DueState::DueSoon
        } else if today == self.due_on {
            DueState::Due
        } else {
            DueState::Overdue
        };
        self.lapsed = today > self.grace_ends_on;
    }
}

/// When a task was done last; left out counts as done.
fn done_at(furnace: &FurnaceRecords, task: TaskKind) -> Option<Timestamp> {
    if task == TaskKind::Calibration {
        return furnace.calibrated.map(|calibrated| calibrated.fired_at);
    }
    furnace
        .acts
        .iter()
        .filter(|act| act.details.task == Some(task))
        .filter(|act| matches!(act.details.kind, Some(ActKind::Done | ActKind::Skipped)))
        .map(|act| act.details.acted_at)
        .max()
}

/// Every day by which something makes the task due, with its reason.
fn candidates(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    dates: &mut Dates,
    done_on: Option<Date>,
) -> Vec<(Date, Reason)> {
    let mut all = Vec::new();
    let created_on = place.calendar.day_of(furnace.created_at);
    let calibration = rule.task == TaskKind::Calibration;
    if calibration && done_on.is_none() {
        // A new furnace is calibrated before it works.
        let first = place.calendar.shifted(created_on, Shift::After, None);
        let reason = Reason {
            code: "NO_BASELINE",
            text: "Never calibrated: calibrate it before work for patients is fired.".to_owned(),
        };
        return vec![(first, reason)];
    }
    let planned = dates.planned(
        rule.details,
        place.site,
        place.calendar,
        done_on,
        created_on,
    );
    if let Some(day) = planned {
        let reason = Reason {
            code: "PLANNED",
            text: format!(
                "By rule: {}.",
                rule.details.words(rule.task, Some(place.site))
            ),
        };
        all.push((day, reason));
    }
    if let Some(done_on) = done_on
        && calibration
    {
        all.extend(sooner(place, furnace, rule, done_on));
    }
    let since = done_at(furnace, rule.task).unwrap_or(furnace.created_at);
    all.extend(event(place, furnace, rule, since));
    all.extend(used_up(place, furnace, rule, place.calendar.day_of(since)));
    all
}

/// What brings a calibration forward: a suspected drift, a doubtful reading, heavy use.
fn sooner(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    done_on: Date,
) -> Vec<(Date, Reason)> {
    let mut all = Vec::new();
    if furnace
        .calibrated
        .is_some_and(|calibrated| calibrated.may_drift)
    {
        all.push((
            early_day(place.calendar, done_on),
            Reason {
                code: "MAY_DRIFT",
                text: "Its readings speak for a drift without proving it: one more ring within a week tells."
                    .to_owned(),
            },
        ));
    }
    if let Some(latest) = &furnace.latest
        && latest.advice == Some(Advice::FireAgain)
    {
        all.push((
            place
                .calendar
                .next_open(place.calendar.day_of(latest.measured_at)),
            Reason {
                code: "FIRE_AGAIN",
                text: "The last reading asks for another ring before anything is changed."
                    .to_owned(),
            },
        ));
    }
    let threshold = rule.details.busy_firings_per_day;
    if threshold > 0.0
        && let Some(per_day) = firings_per_day(place, furnace)
        && per_day >= threshold
    {
        let day = place.calendar.shifted(
            plus(done_on, rule.details.busy_interval_days),
            Shift::Before,
            Some(done_on),
        );
        all.push((
            day,
            Reason {
                code: "BUSY",
                text: format!(
                    "{per_day:.1} firings a day: calibrate at least every {} days.",
                    rule.details.busy_interval_days
                ),
            },
        ));
    }
    all
}

/// The latest event after which the rule wants the task.
fn event(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    since: Timestamp,
) -> Option<(Date, Reason)> {
    let (kind, at) = furnace
        .events
        .iter()
        .filter(|(kind, at)| rule.details.after_events.contains(kind) && *at > since)
        .min_by_key(|(_, at)| *at)?;
    let day = place.calendar.day_of(*at);
    Some((
        place.calendar.shifted(day, Shift::After, None),
        Reason {
            code: "EVENT_SINCE_CHECK",
            text: format!("Since the last time: {} on {day}.", kind.words()),
        },
    ))
}

/// The day on which counted firings or hours reached the rule's limit.
fn used_up(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    since: Date,
) -> Option<(Date, Reason)> {
    let (limit, limit_h) = (rule.details.after_firings, rule.details.after_hours_hot);
    if limit <= 0 && limit_h <= 0.0 {
        return None;
    }
    let mut counts: Vec<Use> = uses(furnace)
        .filter(|counted| counted.from > since)
        .collect();
    counts.sort_by_key(|counted| counted.until);
    let (mut firings, mut hours) = (0, 0.0);
    for counted in counts {
        firings += counted.firings;
        hours += counted.hours_hot;
        if (limit > 0 && firings >= limit) || (limit_h > 0.0 && hours >= limit_h) {
            return Some((
                place
                    .calendar
                    .shifted(counted.until, Shift::After, Some(since)),
                Reason {
                    code: "USED",
                    text: format!(
                        "{firings} firings and {hours:.0} h at temperature since the last time."
                    ),
                },
            ));
        }
    }
    None
}

/// Use as people counted it, and as firings were reported on days that nobody counted.
fn uses(furnace: &FurnaceRecords) -> impl Iterator<Item = Use> {
    let by_hand = || {
        furnace
            .acts
            .iter()
            .filter_map(|act| match act.details.kind {
                Some(ActKind::UseCounted(counted)) => Some(counted),
                _ => None,
            })
    };
    let reported = furnace.fired.iter().copied().filter(move |day| {
        !by_hand().any(|counted| counted.from <= day.until && day.from <= counted.until)
    });
    by_hand().chain(reported)
}

/// Mean firings a day over the days counted of the last four weeks; none when nothing was counted of late.
fn firings_per_day(place: &Place<'_>, furnace: &FurnaceRecords) -> Option<f64> {
    let since = plus(place.today, -USE_LOOKED_AT_DAYS);
    let last = uses(furnace).map(|counted| counted.until).max()?;
    if last < plus(place.today, -USE_IS_STALE_AFTER_DAYS) {
        return None;
    }
    let (mut firings, mut days) = (0, 0);
    for counted in uses(furnace).filter(|counted| counted.from > since) {
        firings += counted.firings;
        days += counted.days();
    }
    (days > 0).then(|| f64::from(firings) / f64::from(days))
}

/// Whether use was counted so lately that the mean of a day still follows the days.
pub(super) fn use_matters(furnace: &FurnaceRecords, today: Date) -> bool {
    let last = uses(furnace).map(|counted| counted.until).max();
    last.is_some_and(|last| last >= plus(today, -USE_IS_STALE_AFTER_DAYS))
}

fn stale_use(place: &Place<'_>, furnace: &FurnaceRecords) -> Option<Reason> {
    let last = uses(furnace).map(|counted| counted.until).max()?;
    (last < plus(place.today, -USE_IS_STALE_AFTER_DAYS)).then(|| Reason {
        code: "USE_NOT_COUNTED",
        text: format!(
            "Firings were counted up to {last} only; until they are again, dates alone decide."
        ),
    })
}

/// Until when somebody put the task off.
fn deferred(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    task: TaskKind,
    done_at: Option<Timestamp>,
) -> Option<(Date, Reason)> {
    let last: &Act = furnace
        .acts
        .iter()
        .filter(|act| act.details.task == Some(task))
        .filter(|act| done_at.is_none_or(|done_at| act.details.acted_at > done_at))
        .filter(|act| matches!(act.details.kind, Some(ActKind::Deferred { .. })))
        .max_by_key(|act| act.details.acted_at)?;
    let Some(ActKind::Deferred { until: Some(until) }) = last.details.kind else {
        return None;
    };
    let reason = Reason {
        code: "DEFERRED",
        text: format!(
            "Put off on {} until {until}: {}",
            place.calendar.day_of(last.details.acted_at),
            last.details.reason
        ),
    };
    Some((until, reason))
}

/// The day on which a ring was fired that is not measured yet, and the day by which it is to be: the next
/// working day. A ring older than a week is taken for lost.
fn ring_waiting(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    task: TaskKind,
) -> Option<(Date, Date)> {
    let at = (task == TaskKind::Calibration)
        .then(|| waiting_since(furnace))
        .flatten()?;
    waited_for(at, place.calendar, place.today)
}

fn waited_for(at: Timestamp, calendar: &Calendar, today: Date) -> Option<(Date, Date)> {
    let fired_on = calendar.day_of(at);
    let measure_by = calendar.next_open(fired_on);
    (today <= plus(measure_by, RING_IS_LOST_AFTER_DAYS)).then_some((fired_on, measure_by))
}

/// Whether a fired ring is still waited for on a day.
pub(super) fn ring_is_waited_for(
    furnace: &FurnaceRecords,
    calendar: &Calendar,
    today: Date,
) -> bool {
    waiting_since(furnace).is_some_and(|at| waited_for(at, calendar, today).is_some())
}

/// Days after its measurement was due at which a fired ring is no longer waited for.
const RING_IS_LOST_AFTER_DAYS: i32 = 7;

/// When the ring was fired that no reading tells of yet.
pub(crate) fn waiting_since(furnace: &FurnaceRecords) -> Option<Timestamp> {
    let read = furnace.latest.as_ref().map(|latest| latest.fired_at);
    furnace
        .acts
        .iter()
        .filter(|act| act.details.kind == Some(ActKind::RingFired))
        .map(|act| act.details.acted_at)
        .max()
        // The end of the firing is entered a little differently with the reading: half a day either way.
        .filter(|at| {
            read.is_none_or(|read| {
                at.duration_since(read) > jiff::SignedDuration::from_hours(HALF_A_DAY_H)
            })
        })
}

const HALF_A_DAY_H: i64 = 12;

/// A reading whose advised setpoint was not entered yet.
pub(crate) fn setpoint_waiting(furnace: &FurnaceRecords) -> Option<&Latest> {
    let latest = furnace.latest.as_ref()?;
    let entered = furnace.adjusted.as_ref().is_some_and(|adjusted| {
        adjusted.at >= latest.fired_at && adjusted.programme == latest.programme
    });
    (latest.advice == Some(Advice::Adjust) && !entered).then_some(latest)
}

/// When the setpoint was changed that no ring has confirmed yet, where the rule asks for that.
pub(crate) fn verification_waiting(
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
) -> Option<Timestamp> {
    let adjusted = furnace.adjusted.as_ref().filter(|_| rule.details.verify)?;
    let confirmed = furnace
        .calibrated
        .is_some_and(|calibrated| calibrated.fired_at > adjusted.at);
    (!confirmed).then_some(adjusted.at)
}

fn steps(
    place: &Place<'_>,
    furnace: &FurnaceRecords,
    rule: &InForce<'_>,
    due: &Due,
    waiting: Option<(Date, Date)>,
) -> Vec<Step> {
    let by = |day: Date| {
        if place.today > day {
            StepState::Late
        } else {
            StepState::Open
        }
    };
    let step = |kind, state, due_on| Step {
        kind,
        state,
        due_on,
    };
    let (fire, measure) = match waiting {
        Some((fired_on, measure_by)) => (
            step(StepKind::Fire, StepState::Done, Some(fired_on)),
            step(StepKind::Measure, by(measure_by), Some(measure_by)),
        ),
        None if due.state == DueState::Current => (
            step(StepKind::Fire, StepState::Later, Some(due.due_on)),
            step(StepKind::Measure, StepState::Later, None),
        ),
        None => (
            step(StepKind::Fire, by(due.due_on), Some(due.due_on)),
            step(StepKind::Measure, StepState::Later, None),
        ),
    };
    let enter = match (setpoint_waiting(furnace), &furnace.latest) {
        (Some(latest), _) => {
            let day = place.calendar.day_of(latest.measured_at);
            step(StepKind::EnterSetpoint, by(day), Some(day))
        }
        (None, Some(latest)) if latest.advice == Some(Advice::Adjust) => {
            step(StepKind::EnterSetpoint, StepState::Done, None)
        }
        (None, Some(_)) => step(StepKind::EnterSetpoint, StepState::NotNeeded, None),
        (None, None) => step(StepKind::EnterSetpoint, StepState::Later, None),
    };
    let verify = match verification_waiting(furnace, rule) {
        Some(at) => {
            let day = place.calendar.next_open(place.calendar.day_of(at));
            step(StepKind::Verify, by(day), Some(day))
        }
        None if rule.details.verify && furnace.adjusted.is_some() => {
            step(StepKind::Verify, StepState::Done, None)
        }
        None => step(StepKind::Verify, StepState::NotNeeded, None),
    };
    vec![fire, measure, enter, verify]
}

/// What to do next, in one or two sentences.
fn next_step(due: &Due, furnace: &FurnaceRecords) -> String {
    let name = &furnace.display_name;
    if due.task != TaskKind::Calibration {
        return match due.state {
            DueState::Current => format!("Nothing yet; planned for {}.", due.due_on),
            _ => format!(
                "Do the {} of {name} by the maker's instructions and record it; or leave it out or put it \
                 off with a reason.",
                due.task.words()
            ),
        };
    }
    let open = due
        .steps
        .iter()
        .find(|step| matches!(step.state, StepState::Open | StepState::Late));
    match open.map(|step| step.kind) {
        Some(StepKind::Measure) => {
            format!("Measure the ring fired in {name} when it is cold, and record the reading.")
        }
        Some(StepKind::Fire) if due.last_done_at.is_none() => format!(
            "Fire a fresh test ring in {name} before work for patients is fired, and note that it was fired."
        ),
        Some(StepKind::Fire) => format!(
            "Fire a fresh test ring with the next load of {name}, by {}, and note that it was fired.",
            due.due_on
        ),
        Some(StepKind::EnterSetpoint) => {
            format!("Enter the advised setpoint on {name}, read it back and confirm it.")
        }
        Some(StepKind::Verify) => {
            format!("Fire a second ring in {name} to confirm the new setpoint.")
        }
        None => format!("Nothing yet; the next ring is planned for {}.", due.due_on),
    }
}

impl<'a> InForce<'a> {
    /// The rule of a furnace's task.
    pub(crate) fn of(
        records: &'a super::SiteRecords,
        furnace: &FurnaceRecords,
        task: TaskKind,
    ) -> Self {
        records
            .rules
            .in_force(&RulePlace::Furnace(furnace.key.clone()), task)
    }
}
