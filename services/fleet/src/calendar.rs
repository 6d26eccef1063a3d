//! A site's calendar: which days are working days, when a local day begins and ends, and when alerts wait
//! for the morning.

use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use crate::site::{Closure, SiteDetails};

/// Longest stretch of closed days that is looked across for a working day.
const LOOKED_ACROSS_DAYS: i32 = 70;

/// Longest time for which quiet hours and closed days together hold an alert back, days: late is never
/// muted for good.
const HELD_BACK_AT_MOST_DAYS: i32 = 4;

/// Where a due date on a closed day goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shift {
    /// To the working day before.
    Before,
    /// To the working day after.
    After,
}

/// A site's calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Calendar {
    zone: TimeZone,
    closed_days: Vec<Weekday>,
    closures: Vec<Closure>,
    quiet_from: Time,
    quiet_until: Time,
}

impl Calendar {
    /// The calendar of a site.
    pub fn of(site: &SiteDetails) -> Self {
        Self {
            zone: site.zone(),
            closed_days: site.closed_days.clone(),
            closures: site.closures.clone(),
            quiet_from: site.quiet_from,
            quiet_until: site.quiet_until,
        }
    }

    /// The network's own calendar: UTC, no closed days, no quiet hours.
    pub fn of_network() -> Self {
        Self {
            zone: TimeZone::UTC,
            closed_days: Vec::new(),
            closures: Vec::new(),
            quiet_from: Time::midnight(),
            quiet_until: Time::midnight(),
        }
    }

    /// The zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The local day of a moment.
    pub fn day_of(&self, moment: Timestamp) -> Date {
        self.zone.to_datetime(moment).date()
    }

    /// When a local day begins: midnight, or the first moment after it where clocks skip midnight.
    pub fn start_of(&self, day: Date) -> Timestamp {
        self.at(day, Time::midnight())
    }

    /// When a local day ends and the next begins.
    pub fn end_of(&self, day: Date) -> Timestamp {
        self.start_of(plus(day, 1))
    }

    /// A local time of a day. Where clocks skip it, as much later; where they show it twice, the first.
    pub fn at(&self, day: Date, time: Time) -> Timestamp {
        self.zone
            .to_ambiguous_timestamp(day.to_datetime(time))
            .compatible()
            .unwrap_or(if day.year() < 0 {
                Timestamp::MIN
            } else {
                Timestamp::MAX
            })
    }

    /// Whether people work on a day.
    pub fn is_open(&self, day: Date) -> bool {
        !self.closed_days.contains(&day.weekday())
            && !self
                .closures
                .iter()
                .any(|closure| (closure.from..=closure.until).contains(&day))
    }

    /// The day, or the nearest working day in the direction of the shift. When every day back to `after`
    /// is closed, or none is open ahead, the other direction is taken; `after` itself is never given.
    pub fn shifted(&self, day: Date, shift: Shift, after: Option<Date>) -> Date {
        let back = || {
            (0..=LOOKED_ACROSS_DAYS)
                .map(|days| plus(day, -days))
                .take_while(|candidate| after.is_none_or(|after| *candidate > after))
                .find(|candidate| self.is_open(*candidate))
        };
        let ahead = || {
            (0..=LOOKED_ACROSS_DAYS)
                .map(|days| plus(day, days))
                .find(|candidate| {
                    after.is_none_or(|after| *candidate > after) && self.is_open(*candidate)
                })
        };
        match shift {
            Shift::Before => back().or_else(ahead),
            Shift::After => ahead().or_else(back),
        }
        .unwrap_or(day)
    }

    /// The first working day after a day.
    pub fn next_open(&self, day: Date) -> Date {
        self.shifted(plus(day, 1), Shift::After, Some(day))
    }

    /// Whether alerts wait at a moment: in quiet hours, or on a closed day.
    pub fn is_quiet(&self, moment: Timestamp) -> bool {
        let local = self.zone.to_datetime(moment);
        !self.is_open(local.date()) || self.in_quiet_hours(local.time())
    }

    fn in_quiet_hours(&self, time: Time) -> bool {
        if self.quiet_from <= self.quiet_until {
            (self.quiet_from..self.quiet_until).contains(&time)
        } else {
            time >= self.quiet_from || time < self.quiet_until
        }
    }

    /// The first moment at or after this one at which alerts do not wait; four days on at the latest.
    pub fn loud_from(&self, moment: Timestamp) -> Timestamp {
        if !self.is_quiet(moment) {
            return moment;
        }
        let first = self.day_of(moment);
        for days in 0..HELD_BACK_AT_MOST_DAYS {
            let day = plus(first, days);
            if !self.is_open(day) {
                continue;
            }
            let mut starts = [self.start_of(day), self.at(day, self.quiet_until)];
            starts.sort_unstable();
            for start in starts {
                if start >= moment && !self.is_quiet(start) {
                    return start;
                }
            }
        }
        self.at(plus(first, HELD_BACK_AT_MOST_DAYS), self.quiet_until)
            .max(moment)
    }
}

/// A day some days later or, with a negative number, earlier; the calendar's end where there is none.
pub fn plus(day: Date, days: i32) -> Date {
    day.checked_add(Span::new().days(days))
        .unwrap_or(if days < 0 { Date::MIN } else { Date::MAX })
}

/// Days from one day to another; negative when the other is earlier.
pub fn days_between(from: Date, to: Date) -> i32 {
    to.since(from).map_or(i32::MAX, |span| span.get_days())
}

#[cfg(test)]
mod tests;
