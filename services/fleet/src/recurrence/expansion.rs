//! From a rule to its days: the one door to the crate `rrule`, and the only file that meets its calendar.
//!
//! What is kept from the crate, and why:
//!
//! - `COUNT` and `UNTIL` are applied here. So the crate may begin earlier than the rule (a week is always looked at
//!   whole, also the one in which the rule starts: `BYSETPOS` counts in it) or later (a rule that began years ago is
//!   taken up near the days asked for).
//! - The crate looks for the next occurrence as far as the year 10000. The Gregorian calendar repeats itself after 400
//!   years, weekdays included (146,097 days are 20,871 weeks), so the rule is evaluated just below that year: a rule
//!   without any further occurrence costs at most some four hundred years of looking.
//! - A plain weekday beside a numbered one (`BYDAY=MO,1FR`) would give only days that are both. It is written out as
//!   first, second, ... such weekday, which means the same.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use rrule::RRuleSet;

use super::rule::{Frequency, NthDay, Rule};

/// First year in which a rule may start.
pub(super) const FIRST_YEAR: i16 = 1900;

/// Last year in which a rule may start, and for which days are worked out.
pub(super) const LAST_YEAR: i16 = 2299;

/// Years after which the calendar repeats itself.
const CYCLE_YEARS: i32 = 400;

/// Last year in which the crate is made to work, with room for a year to look beyond.
const LAST_YEAR_INSIDE: i32 = 9_990;

/// Gives the occurrences of a rule from `from` to `until`, both included, in order, at most `most`.
///
/// There are none for a rule that starts outside the years that are known here.
pub(super) fn days(
    rule: &Rule,
    starts_on: Date,
    from: Date,
    until: Date,
    most: usize,
) -> Vec<Date> {
    let years = FIRST_YEAR..=LAST_YEAR;
    let from = from.max(starts_on);
    let until = until
        .min(rule.until.unwrap_or(until))
        .min(Date::constant(LAST_YEAR, 12, 31));
    if !years.contains(&starts_on.year()) || until < from {
        return Vec::new();
    }
    let begins_on = if rule.count.is_some() {
        whole_week(rule, starts_on)
    } else {
        // Nothing is counted, so that it may begin wherever the rhythm is the same.
        near(rule, whole_week(rule, starts_on), from)
    };
    let cycles = (LAST_YEAR_INSIDE - i32::from(until.year())) / CYCLE_YEARS;
    let years_off = cycles * CYCLE_YEARS;
    let Some(set) = evaluated(rule, starts_on, begins_on, years_off) else {
        return Vec::new();
    };
    let count = rule.count.map_or(usize::MAX, |count| {
        usize::try_from(count).unwrap_or(usize::MAX)
    });
    set.into_iter()
        .map_while(|moment| day_of(moment.timestamp(), years_off))
        .take_while(|day| *day <= until)
        .skip_while(|day| *day < starts_on)
        .take(count)
        .skip_while(|day| *day < from)
        .take(most)
        .collect()
}

/// The crate's own rule, from a day on, so many years later. At noon UTC, where no daylight saving is met.
///
/// It is handed over and taken back as text and seconds, so that the crate's own calendar types stay inside it.
fn evaluated(rule: &Rule, starts_on: Date, begins_on: Date, years_off: i32) -> Option<RRuleSet> {
    let rule = Rule {
        count: None,
        until: None,
        by_day: weekdays(rule, starts_on),
        ..rule.clone()
    };
    let year = i32::from(begins_on.year()) + years_off;
    let (month, day) = (begins_on.month(), begins_on.day());
    let set: RRuleSet = format!("DTSTART:{year:04}{month:02}{day:02}T120000Z\nRRULE:{rule}")
        .parse()
        .ok()?;
    Some(set.limit())
}

/// The day of an occurrence, brought back by so many years.
fn day_of(seconds: i64, years_off: i32) -> Option<Date> {
    let moment = Timestamp::from_second(seconds).ok()?;
    let inside = TimeZone::UTC.to_datetime(moment).date();
    let year = i16::try_from(i32::from(inside.year()) - years_off).ok()?;
    Date::new(year, inside.month(), inside.day()).ok()
}

/// The first day of the week in which a weekly rule starts; for other rules the day itself.
fn whole_week(rule: &Rule, starts_on: Date) -> Date {
    if rule.frequency != Frequency::Weekly {
        return starts_on;
    }
    let days = i64::from(starts_on.weekday().since(rule.week_start));
    starts_on.checked_sub(days.days()).unwrap_or(starts_on)
}

/// The last day on or before `from` at which a daily or weekly rule is at the same point of its rhythm. Months and
/// years are few enough to be gone through.
fn near(rule: &Rule, begins_on: Date, from: Date) -> Date {
    let length = match rule.frequency {
        Frequency::Daily => i32::from(rule.interval),
        Frequency::Weekly => 7 * i32::from(rule.interval),
        Frequency::Monthly | Frequency::Yearly => return begins_on,
    };
    let days = (from - begins_on).get_days();
    let skipped = (days / length) * length;
    begins_on
        .checked_add(i64::from(skipped.max(0)).days())
        .unwrap_or(begins_on)
}

/// The weekdays of a rule; of a weekly one without any, the weekday on which it starts.
fn weekdays(rule: &Rule, starts_on: Date) -> Vec<NthDay> {
    if rule.by_day.is_empty() && rule.frequency == Frequency::Weekly {
        return vec![NthDay::every(starts_on.weekday())];
    }
    let is_mixed = rule.by_day.iter().any(|day| day.is_numbered())
        && !rule.by_day.iter().all(|day| day.is_numbered());
    if !is_mixed {
        return rule.by_day.clone();
    }
    let most = if rule.frequency == Frequency::Monthly || !rule.by_month.is_empty() {
        5
    } else {
        53
    };
    let mut days = Vec::new();
    for day in &rule.by_day {
        if day.is_numbered() {
            days.push(*day);
        } else {
            days.extend((1..=most).map(|nth| NthDay { nth, ..*day }));
        }
    }
    days
}
