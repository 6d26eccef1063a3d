//! A rule in words, for screens, mails and calendars. What is unusual is better read as it was written.

use jiff::civil::{Date, Weekday};

use super::rule::{Frequency, NthDay, Rule};

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// Gives the rule in words, or none when it is too unusual for them.
pub(super) fn of(rule: &Rule, starts_on: Date) -> Option<String> {
    if !rule.by_week_no.is_empty() || !rule.by_year_day.is_empty() {
        return None;
    }
    let days = match rule.frequency {
        Frequency::Daily => daily(rule)?,
        Frequency::Weekly => weekly(rule, starts_on)?,
        Frequency::Monthly if rule.by_month.is_empty() => {
            format!(
                "{} on {}",
                rhythm(rule, "monthly", "months"),
                in_month(rule, starts_on)?
            )
        }
        Frequency::Monthly => return None,
        Frequency::Yearly => yearly(rule, starts_on)?,
    };
    Some(match (rule.count, rule.until) {
        (Some(1), _) => format!("{days}, once"),
        (Some(count), _) => format!("{days}, {count} times"),
        (None, Some(until)) => format!("{days}, until {until}"),
        (None, None) => days,
    })
}

/// Gives the rule in words when it counts from the last time and names no day: then its first day says
/// nothing.
pub(super) fn since_last(rule: &Rule) -> Option<String> {
    let names_a_day = !rule.by_day.is_empty()
        || !rule.by_month_day.is_empty()
        || !rule.by_month.is_empty()
        || !rule.by_week_no.is_empty()
        || !rule.by_year_day.is_empty();
    if names_a_day || rule.count.is_some() || rule.until.is_some() {
        return None;
    }
    Some(match rule.frequency {
        Frequency::Daily => rhythm(rule, "every day", "days"),
        Frequency::Weekly => rhythm(rule, "every week", "weeks"),
        Frequency::Monthly => rhythm(rule, "every month", "months"),
        Frequency::Yearly => rhythm(rule, "every year", "years"),
    })
}

fn rhythm(rule: &Rule, once: &str, periods: &str) -> String {
    if rule.interval == 1 {
        return once.to_owned();
    }
    format!("every {} {periods}", rule.interval)
}

fn daily(rule: &Rule) -> Option<String> {
    let is_plain = rule.by_month.is_empty()
        && rule.by_month_day.is_empty()
        && rule.by_day.is_empty()
        && rule.by_set_pos.is_empty();
    is_plain.then(|| rhythm(rule, "every day", "days"))
}

fn weekly(rule: &Rule, starts_on: Date) -> Option<String> {
    if !rule.by_month.is_empty() || !rule.by_set_pos.is_empty() {
        return None;
    }
    let days: Vec<Weekday> = if rule.by_day.is_empty() {
        vec![starts_on.weekday()]
    } else {
        rule.by_day.iter().map(|day| day.weekday()).collect()
    };
    // Where the week begins matters only to several days of every second week and rarer.
    if rule.interval > 1 && days.len() > 1 && rule.week_start != Weekday::Monday {
        return None;
    }
    let names: Vec<&str> = days.iter().map(|day| name(*day)).collect();
    let rhythm = rhythm(rule, "weekly", "weeks");
    Some(format!("{rhythm} on {}", listed(&names)))
}

/// Which day or days of a month: "day 15", "the first Friday".
fn in_month(rule: &Rule, starts_on: Date) -> Option<String> {
    let implied = [i16::from(starts_on.day())];
    let days: &[i16] = if rule.by_month_day.is_empty() && rule.by_day.is_empty() {
        &implied
    } else {
        &rule.by_month_day
    };
    match (days, rule.by_day.as_slice(), rule.by_set_pos.as_slice()) {
        ([-1], [], []) | ([28, 29, 30, 31], [], [-1]) => Some("the last day".to_owned()),
        (days, [], []) if days.iter().all(|day| *day > 0) => {
            let days: Vec<String> = days.iter().map(ToString::to_string).collect();
            let days: Vec<&str> = days.iter().map(String::as_str).collect();
            let noun = if days.len() == 1 { "day" } else { "days" };
            Some(format!("{noun} {}", listed(&days)))
        }
        ([28, 29], [], [-1]) => Some("day 29 or the last day of a shorter month".to_owned()),
        ([28, 29, 30], [], [-1]) => Some("day 30 or the last day of a shorter month".to_owned()),
        ([], days, []) if days.iter().all(|day| day.is_numbered()) => {
            // From the month's beginning before those from its end.
            let mut days = days.to_vec();
            days.sort_by_key(|day| day.nth < 0);
            let days: Option<Vec<String>> = days
                .iter()
                .map(|day| {
                    Some(format!(
                        "the {} {}",
                        ordinal(day.nth.into())?,
                        name(day.weekday())
                    ))
                })
                .collect();
            let days = days?;
            let days: Vec<&str> = days.iter().map(String::as_str).collect();
            Some(listed(&days))
        }
        ([], [day], [position]) if !day.is_numbered() => Some(format!(
            "the {} {}",
            ordinal(*position)?,
            name(day.weekday())
        )),
        ([], days, [position]) if is_monday_to_friday(days) => Some(format!(
            "the {} day from Monday to Friday",
            ordinal(*position)?
        )),
        _ => None,
    }
}

fn yearly(rule: &Rule, starts_on: Date) -> Option<String> {
    let rhythm = rhythm(rule, "yearly", "years");
    let month = match rule.by_month.as_slice() {
        [] if rule.by_month_day.is_empty() && rule.by_day.is_empty() => starts_on.month(),
        [month] => i8::try_from(*month).ok()?,
        _ => return None,
    };
    let month = MONTHS.get(usize::from(month.unsigned_abs()).checked_sub(1)?)?;
    let days = in_month(rule, starts_on)?;
    match days.strip_prefix("day ") {
        Some(day) if day.bytes().all(|digit| digit.is_ascii_digit()) => {
            Some(format!("{rhythm} on {day} {month}"))
        }
        _ => Some(format!("{rhythm} on {days} of {month}")),
    }
}

fn is_monday_to_friday(days: &[NthDay]) -> bool {
    let working = [
        Weekday::Monday,
        Weekday::Tuesday,
        Weekday::Wednesday,
        Weekday::Thursday,
        Weekday::Friday,
    ];
    days.iter().copied().eq(working.map(NthDay::every))
}

fn ordinal(nth: i16) -> Option<&'static str> {
    Some(match nth {
        1 => "first",
        2 => "second",
        3 => "third",
        4 => "fourth",
        5 => "fifth",
        -1 => "last",
        -2 => "second to last",
        -3 => "third to last",
        -4 => "fourth to last",
        _ => return None,
    })
}

/// "a", "a and b", "a, b and c".
fn listed(words: &[&str]) -> String {
    match words {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [before @ .., last] => format!("{} and {last}", before.join(", ")),
    }
}

fn name(weekday: Weekday) -> &'static str {
    match weekday {
        Weekday::Monday => "Monday",
        Weekday::Tuesday => "Tuesday",
        Weekday::Wednesday => "Wednesday",
        Weekday::Thursday => "Thursday",
        Weekday::Friday => "Friday",
        Weekday::Saturday => "Saturday",
        Weekday::Sunday => "Sunday",
    }
}
