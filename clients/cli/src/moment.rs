//! Moments and days: as people say them at a site, and as they are shown to them.

use jiff::civil::{Date, DateTime, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

/// Ways to write a moment, for messages.
pub(crate) const WAYS: &str = "`2026-11-20 18:00`, `friday 18:00`, `yesterday 18:00`, `18:00` \
                               (today), `now`, or with an offset `2026-11-20T18:00:00+00:00`";

/// Reads a moment that says its own offset (RFC 3339), so that no zone is needed.
pub(crate) fn absolute(text: &str) -> Option<Timestamp> {
    text.trim().parse().ok()
}

/// Reads a moment as a person at a site says it. A weekday is the latest such day whose time has
/// come; `now` and the zone are passed in.
///
/// # Errors
/// A sentence for the person when it is not understood, does not exist or happens twice.
pub(crate) fn spoken(text: &str, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    if let Some(moment) = absolute(text) {
        return Ok(moment);
    }
    let lower = text.trim().to_lowercase();
    if lower == "now" {
        return Ok(now);
    }
    let unclear = || {
        format!(
            "`{}` is not understood as a moment; write {WAYS}",
            text.trim()
        )
    };
    let here = now.to_zoned_datetime(zone.clone()).datetime();
    let (day, clock) = match lower
        .split_once([' ', 't'])
        .filter(|_| !is_word_with_t(&lower))
    {
        Some((day, clock)) => (day, clock),
        None => match lower.split_once(' ') {
            Some((day, clock)) => (day, clock),
            None => ("today", lower.as_str()),
        },
    };
    let clock = time_of_day(clock.trim()).ok_or_else(unclear)?;
    let date = match day {
        "today" => here.date(),
        "yesterday" => before(here.date(), 1).ok_or_else(unclear)?,
        _ => match crate::day::weekday(day) {
            Some(wanted) => latest(wanted, clock, here).ok_or_else(unclear)?,
            None => day.parse::<Date>().map_err(|_| unclear())?,
        },
    };
    let local = date.to_datetime(clock);
    zone.to_ambiguous_timestamp(local).unambiguous().map_err(|_| {
        let earlier = zone.to_ambiguous_timestamp(local).earlier().ok();
        let later = zone.to_ambiguous_timestamp(local).later().ok();
        let offset = |moment: Timestamp| {
            moment.to_zoned_datetime(zone.clone()).strftime("%:z").to_string()
        };
        let offsets = (earlier.map(offset), later.map(offset));
        match (offsets, earlier.map(|moment| zone.to_datetime(moment)) == Some(local)) {
            ((Some(first), Some(second)), true) => format!(
                "the clocks went back then, so {date} {clock} was twice; write which one, \
                 {date}T{clock}{first} or {date}T{clock}{second}"
            ),
            _ => format!(
                "the clocks went forward then, so {date} {clock} never was; look at the clock again"
            ),
        }
    })
}

/// `today` and `tuesday 18:00` have a t that does not part day and time.
fn is_word_with_t(lower: &str) -> bool {
    !lower.starts_with(|c: char| c.is_ascii_digit())
}

fn time_of_day(text: &str) -> Option<Time> {
    let mut parts = text.split(':');
    let hour = parts.next()?.parse().ok()?;
    let minute = parts.next()?.parse().ok()?;
    let second = match parts.next() {
        Some(second) => second.parse().ok()?,
        None => 0,
    };
    if parts.next().is_some() {
        return None;
    }
    Time::new(hour, minute, second, 0).ok()
}

fn before(date: Date, days: i64) -> Option<Date> {
    date.checked_sub(days.days()).ok()
}

fn latest(wanted: Weekday, clock: Time, here: DateTime) -> Option<Date> {
    for back in 0..=7 {
        let date = before(here.date(), back)?;
        if date.weekday() == wanted && date.to_datetime(clock) <= here {
            return Some(date);
        }
    }
    None
}

/// Reads a length of time from now: `30min`, `4h`, `1d`.
///
/// # Errors
/// A sentence for the person when it is not understood.
pub(crate) fn length(text: &str) -> Result<SignedDuration, String> {
    let lower = text.trim().to_lowercase();
    let digits = lower.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit = &lower[digits.len()..];
    let minutes = match unit {
        "min" | "m" => 1,
        "h" => 60,
        "d" => 24 * 60,
        _ => 0,
    };
    match digits.trim().parse::<i64>() {
        Ok(count) if minutes > 0 && (1..=10_000).contains(&count) => {
            Ok(SignedDuration::from_mins(count * minutes))
        }
        _ => Err(format!(
            "`{}` is not a length of time; write it like 30min, 4h or 1d",
            text.trim()
        )),
    }
}

/// Reads a moment that comes, as a person at a site says it: `17:00` is the next such time, a weekday the
/// next such day, `tomorrow 08:00`.
///
/// # Errors
/// A sentence for the person when it is not understood, does not exist or happens twice.
pub(crate) fn coming(text: &str, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    if let Some(moment) = absolute(text) {
        return Ok(moment);
    }
    let unclear = || {
        format!(
            "`{}` is not understood as a moment; write `17:00`, `tomorrow 08:00`, `monday 08:00`, \
             `2026-11-30 08:00`, or with an offset `2026-11-30T08:00:00+00:00`",
            text.trim()
        )
    };
    let here = now.to_zoned_datetime(zone.clone()).datetime();
    let (day, clock) = match text.trim().split_once(' ') {
        Some((day, clock)) => (Some(day), clock),
        None => (None, text.trim()),
    };
    let clock = time_of_day(clock.trim()).ok_or_else(unclear)?;
    let date = match day {
        Some(day) => crate::day::coming(day, here.date()).map_err(|_| unclear())?,
        None if here.date().to_datetime(clock) > here => here.date(),
        None => crate::day::after(here.date(), 1),
    };
    zone.to_ambiguous_timestamp(date.to_datetime(clock))
        .compatible()
        .map_err(|_| unclear())
}

/// Reads a day, `2027-03-31`.
///
/// # Errors
/// A sentence for the person when it is not one.
pub(crate) fn day(text: &str) -> Result<ringtrue_proto::Date, String> {
    let date: Date = text
        .trim()
        .parse()
        .map_err(|_| format!("`{}` is not a day; write it like 2027-03-31", text.trim()))?;
    Ok(ringtrue_proto::Date {
        year: i32::from(date.year()),
        month: i32::from(date.month()),
        day: i32::from(date.day()),
    })
}

/// Writes a day with its weekday: `Friday 27 November 2026`.
pub(crate) fn shown_day(date: &ringtrue_proto::Date) -> String {
    let civil = || {
        let year = i16::try_from(date.year).ok()?;
        let month = i8::try_from(date.month).ok()?;
        let day = i8::try_from(date.day).ok()?;
        Date::new(year, month, day).ok()
    };
    match civil() {
        Some(civil) => civil.strftime("%A %-d %B %Y").to_string(),
        None => brief_day(date),
    }
}

/// Writes a day briefly, for tables: `2026-11-27`.
pub(crate) fn brief_day(date: &ringtrue_proto::Date) -> String {
    format!("{:04}-{:02}-{:02}", date.year, date.month, date.day)
}

/// Gives the moment at which a day begins in a zone; none when the text is no day.
pub(crate) fn start_of_day(text: &str, zone: &TimeZone) -> Option<Timestamp> {
    let date: Date = text.trim().parse().ok()?;
    let midnight = date.to_datetime(Time::midnight());
    zone.to_ambiguous_timestamp(midnight).compatible().ok()
}

/// Writes a moment in a zone: `Friday 20 November 2026 18:00 WET`.
pub(crate) fn shown(moment: Timestamp, zone: &TimeZone) -> String {
    let local = moment.to_zoned_datetime(zone.clone());
    local.strftime("%A %-d %B %Y %H:%M %Z").to_string()
}

/// Writes a moment briefly, for tables: `Fri 2026-11-20 18:00 WET`.
pub(crate) fn brief(moment: Timestamp, zone: &TimeZone) -> String {
    let local = moment.to_zoned_datetime(zone.clone());
    local.strftime("%a %Y-%m-%d %H:%M %Z").to_string()
}

/// Takes a moment of the protocol; none when unset or impossible.
pub(crate) fn received(stamp: Option<&prost_types::Timestamp>) -> Option<Timestamp> {
    let stamp = stamp?;
    Timestamp::new(stamp.seconds, stamp.nanos).ok()
}

/// Gives a moment of the protocol.
pub(crate) fn sent(moment: Timestamp) -> prost_types::Timestamp {
    prost_types::Timestamp {
        seconds: moment.as_second(),
        nanos: moment.subsec_nanosecond(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lisbon() -> TimeZone {
        TimeZone::get("Europe/Lisbon").expect("a zone of the tz database")
    }

    fn monday_morning() -> Timestamp {
        "2026-11-23T08:12:00Z".parse().expect("a moment")
    }

    fn read(text: &str) -> Result<String, String> {
        spoken(text, monday_morning(), &lisbon()).map(|moment| moment.to_string())
    }

    #[test]
    fn moments_are_read_in_the_sites_zone() {
        let friday = Ok("2026-11-20T18:00:00Z".to_owned());
        assert_eq!(read("2026-11-20 18:00"), friday);
        assert_eq!(read("2026-11-20T18:00"), friday);
        assert_eq!(read("2026-11-20T18:00:00"), friday);
        assert_eq!(read("friday 18:00"), friday);
        assert_eq!(read("Fri 18:00"), friday);
        assert_eq!(read("2026-11-20T19:00:00+01:00"), friday);
        assert_eq!(
            read("yesterday 18:00"),
            Ok("2026-11-22T18:00:00Z".to_owned())
        );
        assert_eq!(read("today 07:30"), Ok("2026-11-23T07:30:00Z".to_owned()));
        assert_eq!(read("07:30"), Ok("2026-11-23T07:30:00Z".to_owned()));
        assert_eq!(read("now"), Ok("2026-11-23T08:12:00Z".to_owned()));
        // Summer time: UTC+1.
        assert_eq!(
            read("2026-07-01 18:00"),
            Ok("2026-07-01T17:00:00Z".to_owned())
        );
    }

    #[test]
    fn a_weekday_is_the_latest_one_whose_time_has_come() {
        assert_eq!(read("monday 08:00"), Ok("2026-11-23T08:00:00Z".to_owned()));
        assert_eq!(read("monday 09:00"), Ok("2026-11-16T09:00:00Z".to_owned()));
        assert_eq!(read("tuesday 18:00"), Ok("2026-11-17T18:00:00Z".to_owned()));
    }

    #[test]
    fn a_moment_that_happens_twice_or_never_is_asked_about() {
        // Lisbon leaves summer time on 25 October 2026 at 02:00 and enters it on 28 March 2027 at
        // 01:00 (IANA tz database).
        let twice = read("2026-10-25 01:30").expect_err("twice");
        for meant in ["2026-10-25T01:30:00+01:00", "2026-10-25T01:30:00+00:00"] {
            assert!(twice.contains(meant), "{twice}");
            assert!(read(meant).is_ok(), "{meant}");
        }
        let never = read("2027-03-28 01:30").expect_err("never");
        assert!(never.contains("never was"), "{never}");
    }

    #[test]
    fn coming_moments_and_lengths_are_read_in_the_sites_zone() {
        let read = |text: &str| coming(text, monday_morning(), &lisbon()).map(|at| at.to_string());
        assert_eq!(read("17:00"), Ok("2026-11-23T17:00:00Z".to_owned()));
        assert_eq!(read("08:00"), Ok("2026-11-24T08:00:00Z".to_owned()));
        assert_eq!(
            read("tomorrow 07:30"),
            Ok("2026-11-24T07:30:00Z".to_owned())
        );
        assert_eq!(read("monday 08:00"), Ok("2026-11-30T08:00:00Z".to_owned()));
        assert_eq!(
            read("2027-07-01 08:00"),
            Ok("2027-07-01T07:00:00Z".to_owned())
        );
        assert!(
            read("later")
                .expect_err("no moment")
                .contains("tomorrow 08:00")
        );
        assert_eq!(length("4h"), Ok(SignedDuration::from_hours(4)));
        assert_eq!(length("30 min"), Ok(SignedDuration::from_mins(30)));
        assert_eq!(length("1d"), Ok(SignedDuration::from_hours(24)));
        for text in ["", "4", "h", "-4h", "0h", "4 weeks", "1.5h"] {
            assert!(length(text).expect_err(text).contains("4h"), "{text}");
        }
    }

    #[test]
    fn what_is_not_understood_is_answered_with_the_ways_to_write_it() {
        for text in [
            "",
            "soon",
            "20.11.2026 18:00",
            "friday",
            "2026-11-20",
            "25:00",
            "2026-13-01 10:00",
        ] {
            let refused = read(text).expect_err(text);
            assert!(refused.contains("friday 18:00"), "{text}: {refused}");
        }
    }

    #[test]
    fn moments_and_days_are_shown_with_weekday_and_zone() {
        let moment = "2026-11-20T18:00:00Z".parse().expect("a moment");
        assert_eq!(
            shown(moment, &lisbon()),
            "Friday 20 November 2026 18:00 WET"
        );
        let date = day("2026-11-27").expect("a day");
        assert_eq!(shown_day(&date), "Friday 27 November 2026");
        assert!(day("27.11.2026").is_err());
        assert_eq!(brief_day(&date), "2026-11-27");
        let summer = start_of_day("2026-07-01", &lisbon()).expect("a day");
        assert_eq!(summer.to_string(), "2026-06-30T23:00:00Z");
        assert_eq!(start_of_day("friday", &lisbon()), None);
        let odd = ringtrue_proto::Date {
            year: 2026,
            month: 13,
            day: 1,
        };
        assert_eq!(shown_day(&odd), "2026-13-01");
    }
}
