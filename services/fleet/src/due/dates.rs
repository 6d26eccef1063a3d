//! The dates of plans, worked out once for many furnaces.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;

use crate::calendar::{Calendar, Shift, days_between, plus};
use crate::recurrence::Recurrence;
use crate::rule::{Plan, RuleDetails};
use crate::schedule::interval_due_on;
use crate::site::SiteDetails;

/// How far occurrences are listed around the day asked about, days, for many furnaces at different days.
const LISTED_AROUND_DAYS: i32 = 800;

/// The same for one furnace: beyond the longest time between two calibrations.
const LISTED_ONCE_DAYS: i32 = 100;

/// Longest time by which a task may be done early and still count for its date, days.
const EARLY_AT_MOST_DAYS: i32 = 7;

/// Occurrences of recurrences, remembered: thousands of furnaces share a few rules.
#[derive(Debug)]
pub(super) struct Dates {
    around_days: i32,
    /// By text and by the day from which it counts.
    counted: HashMap<String, HashMap<Date, Option<Date>>>,
    listed: HashMap<(String, Date), Listed>,
    intervals: HashMap<(String, Date), Option<i32>>,
}

#[derive(Debug, Clone)]
struct Listed {
    from: Date,
    until: Date,
    days: Arc<[Date]>,
}

/// Farther away from a day than any shift across closed days brings a date, days.
const NEAR_DAYS: i32 = 90;

/// Most recurrences remembered; beyond that the memory starts anew.
const MOST: usize = 20_000;

impl Default for Dates {
    fn default() -> Self {
        Self {
            around_days: LISTED_AROUND_DAYS,
            listed: HashMap::new(),
            counted: HashMap::new(),
            intervals: HashMap::new(),
        }
    }
}

/// The day of the next calibration by a rule's dates alone, for one furnace calibrated on a day.
pub(crate) fn planned_on(
    rule: &RuleDetails,
    site: &SiteDetails,
    calendar: &Calendar,
    done_on: Date,
) -> Date {
    let mut dates = Dates {
        around_days: LISTED_ONCE_DAYS,
        ..Dates::default()
    };
    dates
        .planned(rule, site, calendar, Some(done_on), done_on)
        // A calibration's rule always has dates; without any the site's own interval stands in.
        .unwrap_or_else(|| interval_due_on(site, calendar, done_on, rule.shift))
}

impl Dates {
    /// The longest time between two dates of a plan, days.
    pub(super) fn interval(&mut self, plan: &Plan, site: &SiteDetails) -> Option<i32> {
        match plan {
            Plan::SiteInterval => Some(site.calibration_interval_days),
            Plan::FixedDates(recurrence) | Plan::SinceLast(recurrence) => {
                // The same text from another day may leave other gaps: monthly from the 31st is not every month.
                let key = (recurrence.text().to_owned(), recurrence.starts_on());
                if let Some(known) = self.intervals.get(&key) {
                    return *known;
                }
                let interval = recurrence.longest_gap_days();
                if self.intervals.len() > MOST {
                    self.intervals.clear();
                }
                self.intervals.insert(key, interval);
                interval
            }
            Plan::NoDates | Plan::Off => None,
        }
    }

    /// The day by which a task is due by its plan alone: after it was done last, or, never done, after
    /// `since`. None where the plan has no dates.
    pub(super) fn planned(
        &mut self,
        rule: &RuleDetails,
        site: &SiteDetails,
        calendar: &Calendar,
        done_on: Option<Date>,
        since: Date,
    ) -> Option<Date> {
        let shift = rule.shift;
        match &rule.plan {
            Plan::SiteInterval => {
                let from = done_on.unwrap_or(since);
                Some(interval_due_on(site, calendar, from, shift))
            }
            Plan::SinceLast(recurrence) => {
                let from = done_on.unwrap_or(since);
                let next = self.next_after(recurrence, from)?;
                Some(calendar.shifted(next, shift, Some(from)))
            }
            Plan::FixedDates(recurrence) => {
                let days = self.days(recurrence, done_on.unwrap_or(since));
                match done_on {
                    None => days
                        .iter()
                        .copied()
                        .find(|day| *day >= since)
                        .map(|day| calendar.shifted(day, shift, None)),
                    Some(done_on) => next_fixed(&days, calendar, shift, done_on),
                }
            }
            Plan::NoDates | Plan::Off => None,
        }
    }

    /// The first occurrence after a day from which a recurrence counts.
    fn next_after(&mut self, recurrence: &Recurrence, from: Date) -> Option<Date> {
        let text = recurrence.text();
        if let Some(known) = self.counted.get(text).and_then(|days| days.get(&from)) {
            return *known;
        }
        let next = recurrence.starting_on(from).first_after(from);
        if self.counted.len() > MOST {
            self.counted.clear();
        }
        let days = self.counted.entry(text.to_owned()).or_default();
        days.insert(from, next);
        next
    }

    /// Occurrences around a day.
    fn days(&mut self, recurrence: &Recurrence, about: Date) -> Arc<[Date]> {
        let key = (recurrence.text().to_owned(), recurrence.starts_on());
        if let Some(listed) = self.listed.get(&key)
            && listed.from <= plus(about, -self.around_days / 2)
            && listed.until >= plus(about, self.around_days / 2)
        {
            return Arc::clone(&listed.days);
        }
        let (from, until) = (
            plus(about, -self.around_days),
            plus(about, self.around_days),
        );
        let mut days = recurrence.between(from, until, 2 * 1600);
        if days.last().is_none_or(|last| *last <= about)
            && let Some(next) = recurrence.first_after(about)
        {
            days.push(next);
        }
        let days: Arc<[Date]> = days.into();
        if self.listed.len() > MOST {
            self.listed.clear();
        }
        self.listed.insert(
            key,
            Listed {
                from,
                until,
                days: Arc::clone(&days),
            },
        );
        days
    }
}

/// The first date that a task done on a day does not already serve. Done a little early it serves the date
/// ahead: within half the time since the date before, seven days at most.
fn next_fixed(days: &[Date], calendar: &Calendar, shift: Shift, done_on: Date) -> Option<Date> {
    // One before the dates that a shift can bring near is enough to know the time since the date before.
    let near = plus(done_on, -NEAR_DAYS);
    let first = days.partition_point(|day| *day < near).saturating_sub(1);
    let mut before: Option<Date> = None;
    for day in &days[first..] {
        let due = calendar.shifted(*day, shift, None);
        let early = before.map_or(EARLY_AT_MOST_DAYS, |before| {
            (days_between(before, *day) / 2).clamp(0, EARLY_AT_MOST_DAYS)
        });
        if plus(due, -early) > done_on {
            return Some(due);
        }
        before = Some(*day);
    }
    None
}
