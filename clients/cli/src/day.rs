//! Days without a time of day: as people say them, and as they are shown beside a due date.

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

/// Ways to write a day, for messages.
const WAYS: &str = "`2026-12-04`, `today`, `tomorrow`, `yesterday` or a weekday";

/// Gives the day of the protocol; none when it is none.
pub(crate) fn received(date: Option<&ringtrue_proto::Date>) -> Option<Date> {
    let date = date?;
    let year = i16::try_from(date.year).ok()?;
    let month = i8::try_from(date.month).ok()?;
    let day = i8::try_from(date.day).ok()?;
    Date::new(year, month, day).ok()
}

/// Gives a day of the protocol.
pub(crate) fn sent(date: Date) -> ringtrue_proto::Date {
    ringtrue_proto::Date {
        year: i32::from(date.year()),
        month: i32::from(date.month()),
        day: i32::from(date.day()),
    }
}

/// The day that a moment falls on in a zone.
pub(crate) fn of(moment: Timestamp, zone: &TimeZone) -> Date {
    moment.to_zoned_datetime(zone.clone()).date()
}

/// Days from one to another; negative when the other lies before.
pub(crate) fn between(from: Date, until: Date) -> i32 {
    // Years of jiff are bounded to four digits, so that days fit.
    from.until(until).map_or(0, |span| span.get_days())
}

/// A day some days on; the day itself beyond the calendar's end.
pub(crate) fn after(date: Date, days: i64) -> Date {
    date.checked_add(days.days()).unwrap_or(date)
}

/// Writes a day with its weekday, the year only where it is another: `Fri 27 Nov`, `Fri 1 Jan 2027`.
pub(crate) fn shown(date: Date, today: Date) -> String {
    let pattern = if date.year() == today.year() {
        "%a %-d %b"
    } else {
        "%a %-d %b %Y"
    };
    date.strftime(pattern).to_string()
}

/// Writes a day and how far it is: `today (Fri 27 Nov)`, `Mon 30 Nov (in 3 days)`.
pub(crate) fn near(date: Date, today: Date) -> String {
    let day = shown(date, today);
    match between(today, date) {
        0 => format!("today ({day})"),
        1 => format!("tomorrow ({day})"),
        -1 => format!("yesterday ({day})"),
        days if days > 0 => format!("{day} (in {days} days)"),
        days => format!("{day} ({} days ago)", -days),
    }
}

/// Reads a day that has come: a weekday is the latest one, today included.
///
/// # Errors
/// A sentence for the person when it is not understood.
pub(crate) fn past(text: &str, today: Date) -> Result<Date, String> {
    read(text, today, -1)
}

/// Reads a day that comes: a weekday is the next one after today.
///
/// # Errors
/// A sentence for the person when it is not understood.
pub(crate) fn coming(text: &str, today: Date) -> Result<Date, String> {
    read(text, today, 1)
}

fn read(text: &str, today: Date, step: i64) -> Result<Date, String> {
    let word = text.trim().to_lowercase();
    match word.as_str() {
        "today" => return Ok(today),
        "yesterday" => return Ok(after(today, -1)),
        "tomorrow" => return Ok(after(today, 1)),
        _ => {}
    }
    if let Some(wanted) = weekday(&word) {
        let first = i64::from(step > 0);
        for days in first..first + 7 {
            let date = after(today, step * days);
            if date.weekday() == wanted {
                return Ok(date);
            }
        }
    }
    word.parse()
        .map_err(|_| format!("`{}` is not understood as a day; write {WAYS}", text.trim()))
}

/// Reads a weekday, whole or its first three letters, in small letters.
pub(crate) fn weekday(word: &str) -> Option<Weekday> {
    Some(match word {
        "monday" | "mon" => Weekday::Monday,
        "tuesday" | "tue" => Weekday::Tuesday,
        "wednesday" | "wed" => Weekday::Wednesday,
        "thursday" | "thu" => Weekday::Thursday,
        "friday" | "fri" => Weekday::Friday,
        "saturday" | "sat" => Weekday::Saturday,
        "sunday" | "sun" => Weekday::Sunday,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Date {
        text.parse().expect("a day")
    }

    #[test]
    fn days_are_read_as_people_say_them() {
        let monday = day("2026-11-30");
        for (text, expected) in [
            ("today", "2026-11-30"),
            ("Yesterday", "2026-11-29"),
            ("friday", "2026-11-27"),
            ("mon", "2026-11-30"),
            ("2026-11-05", "2026-11-05"),
        ] {
            assert_eq!(past(text, monday), Ok(day(expected)), "{text}");
        }
        for (text, expected) in [
            ("tomorrow", "2026-12-01"),
            ("fri", "2026-12-04"),
            ("monday", "2026-12-07"),
            (" 2027-01-04 ", "2027-01-04"),
        ] {
            assert_eq!(coming(text, monday), Ok(day(expected)), "{text}");
        }
        for text in ["", "soon", "04.12.2026", "2026-02-30"] {
            let refused = coming(text, monday).expect_err(text);
            assert!(refused.contains("2026-12-04"), "{refused}");
        }
    }

    #[test]
    fn days_are_shown_with_how_far_they_are() {
        let friday = day("2026-11-27");
        assert_eq!(near(friday, friday), "today (Fri 27 Nov)");
        assert_eq!(near(day("2026-11-28"), friday), "tomorrow (Sat 28 Nov)");
        assert_eq!(near(day("2026-12-11"), friday), "Fri 11 Dec (in 14 days)");
        assert_eq!(near(day("2026-11-26"), friday), "yesterday (Thu 26 Nov)");
        assert_eq!(near(day("2026-11-20"), friday), "Fri 20 Nov (7 days ago)");
        assert_eq!(
            near(day("2027-01-01"), friday),
            "Fri 1 Jan 2027 (in 35 days)"
        );
    }

    #[test]
    fn the_protocols_days_go_both_ways_and_odd_ones_are_none() {
        let date = day("2028-02-29");
        assert_eq!(received(Some(&sent(date))), Some(date));
        let odd = ringtrue_proto::Date {
            year: 2026,
            month: 2,
            day: 30,
        };
        assert_eq!(received(Some(&odd)), None);
        assert_eq!(received(None), None);
    }

    #[test]
    fn the_day_of_a_moment_is_the_sites() {
        let moment: Timestamp = "2026-07-01T23:30:00Z".parse().expect("a moment");
        let lisbon = TimeZone::get("Europe/Lisbon").expect("a zone of the tz database");
        assert_eq!(of(moment, &lisbon), day("2026-07-02"));
        assert_eq!(of(moment, &TimeZone::UTC), day("2026-07-01"));
    }
}
