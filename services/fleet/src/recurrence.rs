//! On which days something comes round: recurrence rules of RFC 5545 over civil dates.
//!
//! A rule is the value of an `RRULE` property (RFC 5545, 3.3.10). Here an occurrence is a day and nothing else: the
//! wall time, and with it the moment, is put to it by whoever knows the site's zone. So daylight saving never drops
//! an occurrence. RFC 5545 itself disagrees about that: 3.3.10 says that a time in the hour that is skipped in
//! spring is an invalid date and is ignored, 3.3.5 reads such a time with the offset before the change. A due date
//! in that hour still comes; `jiff`'s "compatible" rule then gives the moment of 3.3.5.
//!
//! Working out the days is the work of the crate `rrule`; `recurrence/expansion.rs` is the one door to it. As there,
//! the first day counts only when it fits the rule.
//!
//! What RFC 5545 allows and what is refused here, because a due date is a day, because nobody can wait for it, or
//! because readers of the same text disagree about it: hours, minutes and seconds; an `UNTIL` with a time of day; an
//! `INTERVAL` above ten years; a fifth-to-last weekday; weeks 52 and 53 of a year by number (the last one is -1);
//! `BYWEEKNO` without `BYDAY`, with `INTERVAL` or with `BYSETPOS`; rules without an occurrence for twelve years. Each refusal says what to send instead.

mod expansion;
mod refused;
mod rule;
#[cfg(test)]
mod tests;
mod words;

use jiff::ToSpan as _;
use jiff::civil::{Date, Weekday};

use self::expansion::{FIRST_YEAR, LAST_YEAR, days};
pub use self::refused::{MOST_CHARACTERS, NotARecurrence};
use self::rule::Rule;

/// How far ahead the next occurrence is looked for; 29 February is at most eight years away (1896, 1904).
const YEARS_AHEAD: i16 = 12;

/// Span in which the longest gap is looked for; it holds leap years.
const YEARS_OF_GAPS: i16 = 8;

/// A recurrence rule with the day from which it counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recurrence {
    text: String,
    starts_on: Date,
    rule: Rule,
}

impl Recurrence {
    /// Reads a rule, such as `FREQ=WEEKLY;INTERVAL=2;BYDAY=FR`, that counts from the day `starts_on`.
    ///
    /// A leading `RRULE:` and lower case are accepted.
    pub fn parse(text: &str, starts_on: Date) -> Result<Self, NotARecurrence> {
        if !(FIRST_YEAR..=LAST_YEAR).contains(&starts_on.year()) {
            return Err(NotARecurrence::StartOutOfRange { starts_on });
        }
        let rule = Rule::parse(text)?;
        if let Some(until) = rule.until
            && until < starts_on
        {
            return Err(NotARecurrence::UntilBeforeStart { until, starts_on });
        }
        let recurrence = Self {
            text: rule.to_string(),
            starts_on,
            rule,
        };
        let ahead = years_after(starts_on, YEARS_AHEAD);
        let first = recurrence.between(starts_on, ahead, 1);
        let Some(first) = first.first() else {
            return Err(NotARecurrence::NeverOccurs {
                starts_on,
                years: YEARS_AHEAD,
            });
        };
        if recurrence.is_endless() && recurrence.first_after(*first).is_none() {
            return Err(NotARecurrence::TooRare {
                first: *first,
                years: YEARS_AHEAD,
            });
        }
        Ok(recurrence)
    }

    /// Gives the rule in one fixed spelling: upper case, parts in a fixed order, defaults left out.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Gives the day from which the rule counts.
    pub fn starts_on(&self) -> Date {
        self.starts_on
    }

    /// Gives the same rule counted from another day, `COUNT` included.
    ///
    /// From that day it may have no occurrence at all, for instance after its `UNTIL`.
    pub fn starting_on(&self, date: Date) -> Self {
        Self {
            starts_on: date,
            ..self.clone()
        }
    }

    /// Gives the occurrences from `from` to `until`, both included, in order, at most `most`.
    pub fn between(&self, from: Date, until: Date, most: usize) -> Vec<Date> {
        days(&self.rule, self.starts_on, from, until, most)
    }

    /// Gives the first occurrence after a day, never that day itself; none when there is none for twelve years.
    pub fn first_after(&self, day: Date) -> Option<Date> {
        let from = day.max(self.starts_on.yesterday().unwrap_or(Date::MIN));
        let next = from.tomorrow().ok()?;
        self.between(next, years_after(from, YEARS_AHEAD), 1)
            .first()
            .copied()
    }

    /// Says whether the rule has neither `COUNT` nor `UNTIL`.
    pub fn is_endless(&self) -> bool {
        self.rule.count.is_none() && self.rule.until.is_none()
    }

    /// Gives the longest time between two neighbouring occurrences of the first eight years, in days; none when
    /// there are fewer than two occurrences.
    pub fn longest_gap_days(&self) -> Option<i32> {
        let longest = |years| {
            let until = years_after(self.starts_on, years);
            self.between(self.starts_on, until, usize::MAX)
                .windows(2)
                .map(|pair| (pair[1] - pair[0]).get_days())
                .max()
        };
        longest(YEARS_OF_GAPS).or_else(|| longest(2 * YEARS_AHEAD))
    }

    /// Says the rule in words, such as "every 2 weeks on Friday"; an unusual rule is given as its text.
    pub fn words(&self) -> String {
        words::of(&self.rule, self.starts_on).unwrap_or_else(|| self.text.clone())
    }

    /// The same for a plan that counts from the last time: where the rule names no day, neither do the words.
    pub fn words_since_last(&self) -> String {
        words::since_last(&self.rule).unwrap_or_else(|| self.words())
    }

    /// Gives the text of a rule for every `n` days.
    pub fn every_days(n: u16) -> Result<String, NotARecurrence> {
        made(&format!("FREQ=DAILY;INTERVAL={n}"))
    }

    /// Gives the text of a rule for one weekday of every `n` weeks.
    pub fn every_weeks(n: u16, weekday: Weekday) -> Result<String, NotARecurrence> {
        let day = rule::letters(weekday);
        made(&format!("FREQ=WEEKLY;INTERVAL={n};BYDAY={day}"))
    }

    /// Gives the text of a rule for one day of every month, 1 to 31, or -1 for the last.
    ///
    /// Days 29 to 31 mean that day or the last one of a shorter month, as is the practice of heat treatment
    /// (AMS2750E 2.2.25, from memory). `BYMONTHDAY=31` by itself passes over shorter months (RFC 5545, 3.3.10).
    pub fn monthly_on_day(day: i8) -> Result<String, NotARecurrence> {
        if !(29..=31).contains(&day) {
            return made(&format!("FREQ=MONTHLY;BYMONTHDAY={day}"));
        }
        let days: Vec<String> = (28..=day).map(|day| day.to_string()).collect();
        let days = days.join(",");
        made(&format!("FREQ=MONTHLY;BYMONTHDAY={days};BYSETPOS=-1"))
    }

    /// Gives the text of a rule for the first (1), second (2), ... or last (-1) such weekday of every month.
    pub fn monthly_on_weekday(nth: i8, weekday: Weekday) -> Result<String, NotARecurrence> {
        let day = rule::letters(weekday);
        made(&format!("FREQ=MONTHLY;BYDAY={nth}{day}"))
    }
}

/// The rule's fixed spelling, when it is one.
fn made(text: &str) -> Result<String, NotARecurrence> {
    Ok(Rule::parse(text)?.to_string())
}

fn years_after(day: Date, years: i16) -> Date {
    day.checked_add(years.years()).unwrap_or(Date::MAX)
}
