//! A rule taken apart, and its one spelling.

use std::fmt;

use jiff::civil::{Date, Weekday};

use super::refused::{MOST_CHARACTERS, NotARecurrence};

/// Most occurrences that a rule may count.
const MOST_COUNTED: u32 = 9_999;

/// The weekdays as RFC 5545 spells them.
const LETTERS: [(&str, Weekday); 7] = [
    ("MO", Weekday::Monday),
    ("TU", Weekday::Tuesday),
    ("WE", Weekday::Wednesday),
    ("TH", Weekday::Thursday),
    ("FR", Weekday::Friday),
    ("SA", Weekday::Saturday),
    ("SU", Weekday::Sunday),
];

/// How a weekday is spelled in a rule.
pub(super) fn letters(weekday: Weekday) -> &'static str {
    LETTERS[usize::from(weekday.to_monday_zero_offset().unsigned_abs())].0
}

/// How long a rule's period is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Frequency {
    Daily,
    Weekly,
    Monthly,
    Yearly,
}

impl Frequency {
    fn parse(text: &str) -> Result<Self, NotARecurrence> {
        match text {
            "DAILY" => Ok(Self::Daily),
            "WEEKLY" => Ok(Self::Weekly),
            "MONTHLY" => Ok(Self::Monthly),
            "YEARLY" => Ok(Self::Yearly),
            "HOURLY" | "MINUTELY" | "SECONDLY" => Err(NotARecurrence::FinerThanADay {
                what: format!("FREQ={text}"),
            }),
            _ => Err(NotARecurrence::BadValue {
                part: "FREQ",
                value: text.to_owned(),
                expected: "DAILY, WEEKLY, MONTHLY or YEARLY",
            }),
        }
    }

    fn word(self) -> &'static str {
        match self {
            Self::Daily => "DAILY",
            Self::Weekly => "WEEKLY",
            Self::Monthly => "MONTHLY",
            Self::Yearly => "YEARLY",
        }
    }

    /// The longest interval, ten years.
    fn longest_interval(self) -> u16 {
        match self {
            Self::Daily => 3_652,
            Self::Weekly => 521,
            Self::Monthly => 120,
            Self::Yearly => 10,
        }
    }
}

/// A weekday, each or the so many-th of its month or year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct NthDay {
    /// Days from Monday; first, so that a list in order reads like a week.
    pub(super) from_monday: i8,
    /// From 1 at the beginning, from -1 at the end; 0 is each.
    pub(super) nth: i8,
}

impl NthDay {
    pub(super) fn every(weekday: Weekday) -> Self {
        Self {
            from_monday: weekday.to_monday_zero_offset(),
            nth: 0,
        }
    }

    pub(super) fn is_numbered(self) -> bool {
        self.nth != 0
    }

    pub(super) fn weekday(self) -> Weekday {
        LETTERS[usize::from(self.from_monday.unsigned_abs())].1
    }

    fn parse(text: &str) -> Option<Self> {
        // Only plain ASCII arrives here; still nothing may be cut inside a character.
        let (number, day) = text.split_at_checked(text.len().checked_sub(2)?)?;
        let (_, weekday) = LETTERS.iter().find(|(letters, _)| *letters == day)?;
        let nth = if number.is_empty() {
            0
        } else {
            whole_number(number).filter(|nth| *nth != 0 && (-53..=53).contains(nth))?
        };
        Some(Self {
            nth: i8::try_from(nth).ok()?,
            ..Self::every(*weekday)
        })
    }
}

impl fmt::Display for NthDay {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_numbered() {
            write!(formatter, "{}", self.nth)?;
        }
        formatter.write_str(letters(self.weekday()))
    }
}

/// A rule's parts, lists in order and without repeats; what a part means stands in RFC 5545, 3.3.10.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Rule {
    pub(super) frequency: Frequency,
    pub(super) interval: u16,
    pub(super) count: Option<u32>,
    pub(super) until: Option<Date>,
    pub(super) by_month: Vec<i16>,
    pub(super) by_week_no: Vec<i16>,
    pub(super) by_year_day: Vec<i16>,
    pub(super) by_month_day: Vec<i16>,
    pub(super) by_day: Vec<NthDay>,
    pub(super) by_set_pos: Vec<i16>,
    pub(super) week_start: Weekday,
}

impl Rule {
    /// Takes a text apart and checks everything that needs no calendar.
    pub(super) fn parse(text: &str) -> Result<Self, NotARecurrence> {
        let parts = Parts::of(text)?;
        let frequency = match parts.get("FREQ") {
            Some(value) => Frequency::parse(value)?,
            None => return Err(NotARecurrence::NoFrequency),
        };
        let rule = Self {
            frequency,
            interval: parts.interval(frequency)?,
            count: parts.count()?,
            until: parts.until()?,
            by_month: parts.numbers("BYMONTH", 1, 12, "months from 1 to 12")?,
            by_week_no: parts.weeks()?,
            by_year_day: parts.numbers(
                "BYYEARDAY",
                -366,
                366,
                "days from 1 to 366 or -366 to -1",
            )?,
            by_month_day: parts.numbers("BYMONTHDAY", -31, 31, "days from 1 to 31 or -31 to -1")?,
            by_day: parts.days()?,
            by_set_pos: parts.positions(frequency)?,
            week_start: parts.week_start()?,
        };
        rule.fits_together()?;
        Ok(rule)
    }

    /// What RFC 5545 forbids, and what its readers disagree about.
    fn fits_together(&self) -> Result<(), NotARecurrence> {
        let not_with = |is_so: bool, part, other, instead| {
            if is_so {
                return Err(NotARecurrence::NotWith {
                    part,
                    other,
                    instead,
                });
            }
            Ok(())
        };
        let is_monthly = self.frequency == Frequency::Monthly;
        let is_yearly = self.frequency == Frequency::Yearly;
        let has_numbered = self.by_day.iter().any(|day| day.is_numbered());
        not_with(
            self.count.is_some() && self.until.is_some(),
            "COUNT",
            "UNTIL",
            "send one of them",
        )?;
        not_with(
            self.frequency == Frequency::Weekly && !self.by_month_day.is_empty(),
            "BYMONTHDAY",
            "FREQ=WEEKLY",
            "send FREQ=MONTHLY",
        )?;
        not_with(
            !is_yearly && !self.by_year_day.is_empty(),
            "BYYEARDAY",
            "a FREQ other than YEARLY",
            "send FREQ=YEARLY",
        )?;
        not_with(
            !is_yearly && !self.by_week_no.is_empty(),
            "BYWEEKNO",
            "a FREQ other than YEARLY",
            "send FREQ=YEARLY",
        )?;
        not_with(
            has_numbered && !is_monthly && !is_yearly,
            "a numbered BYDAY",
            "a FREQ other than MONTHLY or YEARLY",
            "send the weekday without a number, or FREQ=MONTHLY",
        )?;
        not_with(
            has_numbered && !self.by_week_no.is_empty(),
            "a numbered BYDAY",
            "BYWEEKNO",
            "send the weekday without a number",
        )?;
        // A month has a fifth Friday or not; no rule of this trade counts five from its end.
        not_with(
            is_monthly && self.by_day.iter().any(|day| !(-4..=5).contains(&day.nth)),
            "a BYDAY numbered below -4 or above 5",
            "FREQ=MONTHLY",
            "send a number from 1 to 5 or -4 to -1",
        )?;
        not_with(
            is_yearly && self.by_day.iter().any(|day| day.nth < -52),
            "a BYDAY numbered below -52",
            "FREQ=YEARLY",
            "send a number from 1 to 53 or -52 to -1",
        )?;
        let says_days = !self.by_month.is_empty()
            || !self.by_week_no.is_empty()
            || !self.by_year_day.is_empty()
            || !self.by_month_day.is_empty()
            || !self.by_day.is_empty();
        not_with(
            !self.by_set_pos.is_empty() && !says_days,
            "BYSETPOS",
            "no other BY part",
            "say of which days it is a position, for instance FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1",
        )?;
        if self.by_week_no.is_empty() {
            return Ok(());
        }
        // Weeks run across New Year: which year's set such a day belongs to, readers of RFC 5545 disagree.
        not_with(
            self.by_day.is_empty(),
            "BYWEEKNO",
            "no BYDAY",
            "say the weekday too, for instance FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
        )?;
        not_with(
            self.interval != 1,
            "BYWEEKNO",
            "INTERVAL",
            "leave INTERVAL out, or send BYMONTH with a numbered BYDAY",
        )?;
        not_with(
            !self.by_set_pos.is_empty(),
            "BYWEEKNO",
            "BYSETPOS",
            "leave BYSETPOS out, or send BYMONTH in place of BYWEEKNO",
        )
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "FREQ={}", self.frequency.word())?;
        if self.interval != 1 {
            write!(formatter, ";INTERVAL={}", self.interval)?;
        }
        if let Some(count) = self.count {
            write!(formatter, ";COUNT={count}")?;
        }
        if let Some(until) = self.until {
            let (year, month, day) = (until.year(), until.month(), until.day());
            write!(formatter, ";UNTIL={year:04}{month:02}{day:02}")?;
        }
        list(formatter, "BYMONTH", &self.by_month)?;
        list(formatter, "BYWEEKNO", &self.by_week_no)?;
        list(formatter, "BYYEARDAY", &self.by_year_day)?;
        list(formatter, "BYMONTHDAY", &self.by_month_day)?;
        list(formatter, "BYDAY", &self.by_day)?;
        list(formatter, "BYSETPOS", &self.by_set_pos)?;
        if self.week_start != Weekday::Monday {
            write!(formatter, ";WKST={}", letters(self.week_start))?;
        }
        Ok(())
    }
}

fn list(
    formatter: &mut fmt::Formatter<'_>,
    name: &str,
    values: &[impl fmt::Display],
) -> fmt::Result {
    for (index, value) in values.iter().enumerate() {
        if index == 0 {
            write!(formatter, ";{name}={value}")?;
        } else {
            write!(formatter, ",{value}")?;
        }
    }
    Ok(())
}

/// The parts of a text, in upper case, each at most once.
struct Parts(Vec<(String, String)>);

impl Parts {
    fn of(text: &str) -> Result<Self, NotARecurrence> {
        let n_characters = text.chars().count();
        if n_characters > MOST_CHARACTERS {
            return Err(NotARecurrence::TooLong { n_characters });
        }
        let is_known = |sign: char| sign.is_ascii_alphanumeric() || "=;,+-:".contains(sign);
        if let Some(place) = text.trim().chars().position(|sign| !is_known(sign)) {
            return Err(NotARecurrence::StrangeCharacter { place: place + 1 });
        }
        let upper = text.trim().to_ascii_uppercase();
        let upper = upper.strip_prefix("RRULE:").unwrap_or(&upper);
        if upper.is_empty() {
            return Err(NotARecurrence::Empty);
        }
        let mut parts: Vec<(String, String)> = Vec::new();
        for part in upper.split(';') {
            let (name, value) = part
                .split_once('=')
                .filter(|(name, value)| !name.is_empty() && !value.is_empty())
                .ok_or_else(|| NotARecurrence::NotAPart {
                    part: part.to_owned(),
                })?;
            known(name)?;
            if parts.iter().any(|(before, _)| before == name) {
                return Err(NotARecurrence::Repeated {
                    name: name.to_owned(),
                });
            }
            parts.push((name.to_owned(), value.to_owned()));
        }
        Ok(Self(parts))
    }

    fn get(&self, name: &str) -> Option<&str> {
        self.0
            .iter()
            .find(|(other, _)| other == name)
            .map(|(_, value)| value.as_str())
    }

    fn interval(&self, frequency: Frequency) -> Result<u16, NotARecurrence> {
        let Some(value) = self.get("INTERVAL") else {
            return Ok(1);
        };
        let interval = counted(value).ok_or_else(|| NotARecurrence::BadValue {
            part: "INTERVAL",
            value: value.to_owned(),
            expected: "a whole number from 1",
        })?;
        let most = frequency.longest_interval();
        u16::try_from(interval)
            .ok()
            .filter(|interval| *interval <= most)
            .ok_or(NotARecurrence::IntervalTooLong { interval, most })
    }

    fn count(&self) -> Result<Option<u32>, NotARecurrence> {
        let Some(value) = self.get("COUNT") else {
            return Ok(None);
        };
        let count = counted(value).filter(|count| *count <= MOST_COUNTED);
        count.map(Some).ok_or_else(|| NotARecurrence::BadValue {
            part: "COUNT",
            value: value.to_owned(),
            expected: "a whole number from 1 to 9999, or leave it out for a rule without an end",
        })
    }

    fn until(&self) -> Result<Option<Date>, NotARecurrence> {
        let Some(value) = self.get("UNTIL") else {
            return Ok(None);
        };
        let is_day = value.len() == 8 && value.bytes().all(|digit| digit.is_ascii_digit());
        let day = if is_day { value.parse().ok() } else { None };
        day.map(Some).ok_or_else(|| NotARecurrence::BadValue {
            part: "UNTIL",
            value: value.to_owned(),
            expected: "the last day without a time, as year, month and day: 20271231",
        })
    }

    fn week_start(&self) -> Result<Weekday, NotARecurrence> {
        let Some(value) = self.get("WKST") else {
            return Ok(Weekday::Monday);
        };
        let found = LETTERS.iter().find(|(letters, _)| *letters == value);
        found
            .map(|(_, weekday)| *weekday)
            .ok_or_else(|| NotARecurrence::BadValue {
                part: "WKST",
                value: value.to_owned(),
                expected: "the first day of the week: MO, TU, WE, TH, FR, SA or SU",
            })
    }

    fn days(&self) -> Result<Vec<NthDay>, NotARecurrence> {
        self.list(
            "BYDAY",
            "days such as MO, FR, 1FR (first) or -1FR (last)",
            NthDay::parse,
        )
    }

    /// The crate takes days around New Year for the wrong week when week 52 or 53 is asked for from either end
    /// (`BYWEEKNO=53` gives 2011-01-02, which is in week 52). The last week is -1.
    fn weeks(&self) -> Result<Vec<i16>, NotARecurrence> {
        let expected =
            "weeks from 1 to 51, or -51 to -1 from the end; -1 is the last week of the year";
        self.numbers("BYWEEKNO", -51, 51, expected)
    }

    /// As many positions as the period has days.
    fn positions(&self, frequency: Frequency) -> Result<Vec<i16>, NotARecurrence> {
        let (most, expected) = match frequency {
            Frequency::Daily => (1, "1, or leave it out: a day has one position"),
            Frequency::Weekly => (7, "positions in the week, from 1 to 7 or -7 to -1"),
            Frequency::Monthly => (31, "positions in the month, from 1 to 31 or -31 to -1"),
            Frequency::Yearly => (366, "positions in the year, from 1 to 366 or -366 to -1"),
        };
        self.numbers("BYSETPOS", -most, most, expected)
    }

    fn numbers(
        &self,
        name: &'static str,
        least: i16,
        most: i16,
        expected: &'static str,
    ) -> Result<Vec<i16>, NotARecurrence> {
        self.list(name, expected, |text| {
            whole_number(text).filter(|number| *number != 0 && (least..=most).contains(number))
        })
    }

    fn list<T: Ord>(
        &self,
        name: &'static str,
        expected: &'static str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Result<Vec<T>, NotARecurrence> {
        let Some(value) = self.get(name) else {
            return Ok(Vec::new());
        };
        let mut values = Vec::new();
        for text in value.split(',') {
            values.push(parse(text).ok_or_else(|| NotARecurrence::BadValue {
                part: name,
                value: text.to_owned(),
                expected,
            })?);
        }
        values.sort_unstable();
        values.dedup();
        Ok(values)
    }
}

fn known(name: &str) -> Result<(), NotARecurrence> {
    match name {
        "FREQ" | "INTERVAL" | "COUNT" | "UNTIL" | "BYMONTH" | "BYWEEKNO" | "BYYEARDAY"
        | "BYMONTHDAY" | "BYDAY" | "BYSETPOS" | "WKST" => Ok(()),
        "BYHOUR" | "BYMINUTE" | "BYSECOND" => Err(NotARecurrence::FinerThanADay {
            what: name.to_owned(),
        }),
        "SKIP" | "RSCALE" => Err(NotARecurrence::NotReadHere {
            name: name.to_owned(),
        }),
        _ => Err(NotARecurrence::UnknownPart {
            name: name.to_owned(),
        }),
    }
}

/// A whole number of at most three digits, with or without a sign.
fn whole_number(text: &str) -> Option<i16> {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    if digits.is_empty() || digits.len() > 3 || !digits.bytes().all(|digit| digit.is_ascii_digit())
    {
        return None;
    }
    text.parse().ok()
}

/// A whole number from 1, without a sign.
fn counted(text: &str) -> Option<u32> {
    let is_plain = text.bytes().all(|digit| digit.is_ascii_digit());
    text.parse().ok().filter(|number| is_plain && *number > 0)
}
