//! Dates of a rule: words of the command line, and the recurrence (RFC 5545, 3.3.10) that they mean.

use clap::Args;
use jiff::civil::{Date, Weekday};

use crate::day;

/// When a task recurs, in words.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Dates {
    /// Every so many days, weeks or months: 10d, 2w, 1m.
    #[arg(long, value_name = "TIME", value_parser = every)]
    every: Option<Every>,
    /// Day of the month, 1 to 31 or last; where a month is shorter, its last day.
    #[arg(long, value_name = "DAY", value_parser = month_day, conflicts_with = "on")]
    on_day: Option<i8>,
    /// Weekday, or one of the month: friday, first-friday, last-monday.
    #[arg(long, value_name = "WEEKDAY", value_parser = on)]
    on: Option<On>,
    /// Value of an RRULE property in full, as RFC 5545 writes it.
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["every", "on_day", "on"])]
    rrule: Option<String>,
}

/// Day of the month that means its last.
const LAST: i8 = -1;

/// Shortest month, days.
const SHORTEST_MONTH: i8 = 28;

/// How often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Every {
    Days(u16),
    Weeks(u16),
    Months(u16),
}

/// Which weekday, and which of the month.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct On {
    /// 1 to 4, or -1 for the last; none for every one.
    of_month: Option<i8>,
    weekday: Weekday,
}

impl Dates {
    /// Whether anything of it was named.
    pub(super) fn are_named(&self) -> bool {
        self.every.is_some() || self.on_day.is_some() || self.on.is_some() || self.rrule.is_some()
    }

    /// Gives the recurrence that is meant, for dates that begin on a day or count from the last time.
    ///
    /// # Errors
    /// A sentence for the person when the words do not go together.
    pub(super) fn recurrence(&self, start: Option<Date>) -> Result<String, String> {
        if let Some(text) = &self.rrule {
            let bare = text.trim();
            return Ok(bare.strip_prefix("RRULE:").unwrap_or(bare).to_owned());
        }
        if let Some(day) = self.on_day {
            return Ok(format!("{};{}", self.monthly()?, by_month_day(day)));
        }
        match (self.every, self.on) {
            (every, Some(On { of_month: Some(place), weekday })) => {
                let months = self.monthly().map_err(|why| match every {
                    Some(_) => why,
                    None => String::new(),
                })?;
                Ok(format!("{months};BYDAY={place}{}", code(weekday)))
            }
            (None, Some(On { weekday, .. })) => Ok(format!("FREQ=WEEKLY;BYDAY={}", code(weekday))),
            (Some(Every::Weeks(count)), Some(On { weekday, .. })) => {
                let weekly = frequency("WEEKLY", count);
                Ok(format!("{weekly};BYDAY={}", code(weekday)))
            }
            (Some(_), Some(_)) => Err(
                "A weekday goes with --every in weeks, like --every 2w --on friday; for months say \
                 which one, like --on first-friday."
                    .to_owned(),
            ),
            (Some(Every::Days(count)), None) => Ok(frequency("DAILY", count)),
            (Some(Every::Weeks(count)), None) => Ok(frequency("WEEKLY", count)),
            (Some(Every::Months(count)), None) => match start {
                Some(start) => {
                    let monthly = frequency("MONTHLY", count);
                    Ok(format!("{monthly};{}", by_month_day(start.day())))
                }
                None => Err(
                    "Months have no fixed length to count from the last time; give weeks or days, \
                     like --every 4w, or a day of the month with --on-day."
                        .to_owned(),
                ),
            },
            (None, None) => Err(
                "No dates are named. Give --every, --on-day, --on or --rrule.".to_owned(),
            ),
        }
    }

    /// Gives the day from which dates count when nobody names one: today, or the first day on or after it
    /// that the weekday meant falls on.
    pub(super) fn first_day(&self, today: Date) -> Date {
        let Some(On {
            of_month: None,
            weekday,
        }) = self.on
        else {
            return today;
        };
        let mut date = today;
        for _ in 0..7 {
            if date.weekday() == weekday {
                break;
            }
            date = day::after(date, 1);
        }
        date
    }

    /// Months, as far as `--every` says so.
    fn monthly(&self) -> Result<String, String> {
        match self.every {
            None => Ok("FREQ=MONTHLY".to_owned()),
            Some(Every::Months(count)) => Ok(frequency("MONTHLY", count)),
            Some(Every::Days(_) | Every::Weeks(_)) => Err(
                "A day of the month goes with --every in months, like --every 2m; leave --every out \
                 for every month."
                    .to_owned(),
            ),
        }
    }
}

fn frequency(of: &str, count: u16) -> String {
    match count {
        1 => format!("FREQ={of}"),
        count => format!("FREQ={of};INTERVAL={count}"),
    }
}

/// A day of the month. A month that lacks it would be left out (RFC 5545, 3.3.10), so the last day that
/// there is is taken of those up to it.
fn by_month_day(day: i8) -> String {
    if day <= SHORTEST_MONTH {
        return format!("BYMONTHDAY={day}");
    }
    let mut days = Vec::new();
    for day in SHORTEST_MONTH..=day {
        days.push(day.to_string());
    }
    format!("BYMONTHDAY={};BYSETPOS=-1", days.join(","))
}

/// Two letters of a weekday (RFC 5545, 3.3.10).
fn code(weekday: Weekday) -> &'static str {
    match weekday {
        Weekday::Monday => "MO",
        Weekday::Tuesday => "TU",
        Weekday::Wednesday => "WE",
        Weekday::Thursday => "TH",
        Weekday::Friday => "FR",
        Weekday::Saturday => "SA",
        Weekday::Sunday => "SU",
    }
}

fn every(text: &str) -> Result<Every, String> {
    let unclear = || format!("`{text}` is not understood; write it like 10d, 2w or 1m");
    let lower = text.trim().to_lowercase();
    let digits = lower.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit = lower.get(digits.len()..).unwrap_or_default();
    let count: u16 = digits.trim().parse().map_err(|_| unclear())?;
    if !(1..=366).contains(&count) {
        return Err(unclear());
    }
    match unit {
        "d" => Ok(Every::Days(count)),
        "w" => Ok(Every::Weeks(count)),
        "m" => Ok(Every::Months(count)),
        _ => Err(unclear()),
    }
}

fn month_day(text: &str) -> Result<i8, String> {
    if text.trim().eq_ignore_ascii_case("last") {
        return Ok(LAST);
    }
    match text.trim().parse() {
        Ok(day @ 1..=31) => Ok(day),
        _ => Err(format!(
            "`{text}` is no day of a month; write 1 to 31, or last"
        )),
    }
}

fn on(text: &str) -> Result<On, String> {
    let unclear = || {
        format!(
            "`{text}` is not understood; write a weekday like friday, or one of the month like \
             first-friday or last-monday (first, second, third, fourth, last)"
        )
    };
    let lower = text.trim().to_lowercase();
    let (of_month, name) = match lower.split_once('-') {
        None => (None, lower.as_str()),
        Some((place, name)) => {
            let place = match place {
                "first" => 1,
                "second" => 2,
                "third" => 3,
                "fourth" => 4,
                "last" => LAST,
                _ => return Err(unclear()),
            };
            (Some(place), name)
        }
    };
    let weekday = day::weekday(name).ok_or_else(unclear)?;
    Ok(On { of_month, weekday })
}

#[cfg(test)]
mod tests {
    use super::*;

    use clap::Parser;

    #[derive(Debug, Parser)]
    struct Line {
        #[command(flatten)]
        dates: Dates,
    }

    fn dates(line: &str) -> Dates {
        let words = std::iter::once("t").chain(line.split_whitespace());
        Line::try_parse_from(words).expect(line).dates
    }

    fn friday() -> Date {
        "2026-11-27".parse().expect("a day")
    }

    fn rule(line: &str) -> String {
        dates(line).recurrence(Some(friday())).expect(line)
    }

    #[test]
    fn words_become_recurrences() {
        for (line, expected) in [
            ("--every 10d", "FREQ=DAILY;INTERVAL=10"),
            ("--every 1w", "FREQ=WEEKLY"),
            ("--every 2w --on friday", "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR"),
            ("--on mon", "FREQ=WEEKLY;BYDAY=MO"),
            ("--on-day 15", "FREQ=MONTHLY;BYMONTHDAY=15"),
            ("--on-day last", "FREQ=MONTHLY;BYMONTHDAY=-1"),
            ("--on first-friday", "FREQ=MONTHLY;BYDAY=1FR"),
            ("--on last-monday", "FREQ=MONTHLY;BYDAY=-1MO"),
            (
                "--every 3m --on third-tuesday",
                "FREQ=MONTHLY;INTERVAL=3;BYDAY=3TU",
            ),
            (
                "--every 2m --on-day 1",
                "FREQ=MONTHLY;INTERVAL=2;BYMONTHDAY=1",
            ),
            ("--every 1m", "FREQ=MONTHLY;BYMONTHDAY=27"),
            ("--rrule RRULE:FREQ=DAILY", "FREQ=DAILY"),
        ] {
            assert_eq!(rule(line), expected, "{line}");
        }
    }

    #[test]
    fn a_day_that_some_months_lack_is_their_last_day() {
        // RFC 5545, 3.3.10 leaves out what does not exist; 29 and 30 February never do.
        assert_eq!(rule("--on-day 28"), "FREQ=MONTHLY;BYMONTHDAY=28");
        assert_eq!(
            rule("--on-day 29"),
            "FREQ=MONTHLY;BYMONTHDAY=28,29;BYSETPOS=-1"
        );
        assert_eq!(
            rule("--on-day 31"),
            "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1"
        );
        let end = "2027-01-30".parse().expect("a day");
        assert_eq!(
            dates("--every 1m").recurrence(Some(end)),
            Ok("FREQ=MONTHLY;BYMONTHDAY=28,29,30;BYSETPOS=-1".to_owned())
        );
    }

    #[test]
    fn what_does_not_go_together_is_said_with_a_way_that_does() {
        for (line, hint) in [
            ("--every 10d --on friday", "--every 2w --on friday"),
            ("--every 2w --on-day 15", "--every 2m"),
            ("--every 2w --on first-friday", "--every 2m"),
        ] {
            let refused = dates(line).recurrence(Some(friday())).expect_err(line);
            assert!(refused.contains(hint), "{line}: {refused}");
        }
        let refused = dates("--every 1m").recurrence(None).expect_err("months");
        assert!(refused.contains("--every 4w"), "{refused}");
        for line in [
            "--every 0d",
            "--every 2",
            "--every 2y",
            "--on-day 32",
            "--on-day 0",
            "--on fifth-friday",
            "--on soon",
            "--on friday --on-day 3",
        ] {
            let words = std::iter::once("t").chain(line.split_whitespace());
            assert!(Line::try_parse_from(words).is_err(), "{line}");
        }
    }

    #[test]
    fn dates_begin_on_the_weekday_that_is_meant() {
        let first = |line: &str| dates(line).first_day(friday()).to_string();
        assert_eq!(first("--every 2w --on friday"), "2026-11-27");
        assert_eq!(first("--every 2w --on monday"), "2026-11-30");
        assert_eq!(first("--on first-friday"), "2026-11-27");
        assert_eq!(first("--every 10d"), "2026-11-27");
    }
}
