//! What is due at a site as a calendar file (RFC 5545), for the calendar programs that people use anyway.
//!
//! The same dues give the same bytes all day long, so that a program that asks again is told that nothing
//! changed. Moments are written in UTC: no program needs to know the site's zone or its clock changes.

use icalendar::{
    Alarm, Calendar as File, Component as _, Event, EventLike as _, Property, Trigger,
};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::calendar::{Calendar, days_between};
use ringtrue_fleet::due::{Due, DueState};
use ringtrue_fleet::site::Site;

/// Identifies what wrote the file (RFC 5545, 3.7.3).
const WRITER: &str = "-//Ringtrue//Due dates//EN";

/// How often programs are asked to look again (RFC 7986, 5.7).
const LOOK_AGAIN: &str = "PT1H";

/// How long an entry lasts, minutes: loading a furnace and starting it, an assumption.
const LASTS_MIN: i64 = 30;

/// When a person is reminded.
const REMINDED: &str = "-P1D";

/// Gives the file: one entry for each due task, on its day at the site's hour of firing; what is overdue
/// stands on today.
pub fn calendar_file(site: &Site, dues: &[Due], name: &str, now: Timestamp) -> String {
    let calendar = Calendar::of(&site.details);
    let today = calendar.day_of(now);
    let mut file = File::empty();
    for (key, value) in [
        ("PRODID", WRITER),
        ("VERSION", "2.0"),
        ("CALSCALE", "GREGORIAN"),
    ] {
        file.append_property((key, value));
    }
    // Named as text: the library escapes only what it knows to be text.
    file.append_property(
        Property::new("NAME", plain(name))
            .add_parameter("VALUE", "TEXT")
            .done(),
    );
    file.append_property(Property::new("X-WR-CALNAME", plain(name)));
    file.append_property(
        Property::new("REFRESH-INTERVAL", LOOK_AGAIN)
            .add_parameter("VALUE", "DURATION")
            .done(),
    );
    file.append_property(("X-PUBLISHED-TTL", LOOK_AGAIN));
    for due in dues {
        file.push(entry(site, &calendar, due, today));
    }
    without_stamps_of_alarms(&file.to_string())
}

fn entry(site: &Site, calendar: &Calendar, due: &Due, today: Date) -> Event {
    let is_late = due.state == DueState::Overdue && due.due_on < today;
    let day = if is_late { today } else { due.due_on };
    let starts = calendar.at(day, site.details.firing_time);
    let ends = starts
        .checked_add(SignedDuration::from_mins(LASTS_MIN))
        .unwrap_or(Timestamp::MAX);
    // The start of today: it stays the same all day, and nothing in an entry is known to have changed later.
    let changed = utc(calendar.start_of(today));
    let uid = format!(
        "{}.{}.{}@ringtrue",
        due.subject.name().replace('/', "."),
        due.task.word(),
        due.due_on
    );
    let what = plain(&title(due, is_late));
    let mut event = Event::new();
    event
        .uid(&uid)
        .add_property("DTSTAMP", changed.clone())
        .add_property("LAST-MODIFIED", changed.clone())
        // Each day on which it is put off is one change of the entry (RFC 5545, 3.8.7.4).
        .add_property(
            "SEQUENCE",
            if is_late {
                days_between(due.due_on, today).to_string()
            } else {
                "0".to_owned()
            },
        )
        .add_property("DTSTART", utc(starts))
        .add_property("DTEND", utc(ends))
        .summary(&what)
        .description(&plain(&details(due)))
        .location(&plain(&site.details.display_name))
        .add_property("STATUS", "CONFIRMED")
        .add_property("TRANSP", "TRANSPARENT")
        .categories(["Ringtrue", due.task.words()]);
    if !is_late {
        event.alarm(reminder(&what, &uid, &changed));
    }
    event
}

fn title(due: &Due, is_late: bool) -> String {
    let since = if is_late {
        format!(", overdue since {}", short_day(due.due_on))
    } else {
        String::new()
    };
    let grace = if is_late && due.lapsed {
        ", grace is used up"
    } else {
        ""
    };
    format!(
        "{}: {}{since}{grace}",
        capitalised(due.task.words()),
        due.subject_display_name
    )
}

fn details(due: &Due) -> String {
    let mut paragraphs = Vec::new();
    if !due.next_step.is_empty() {
        paragraphs.push(due.next_step.clone());
    }
    for reason in &due.reasons {
        paragraphs.push(reason.text.clone());
    }
    if !due.rule_words.is_empty() {
        paragraphs.push(format!("Rule: {}", due.rule_words));
    }
    paragraphs.extend(due.task.cautions());
    paragraphs.join("\n\n")
}

fn reminder(what: &str, uid: &str, changed: &str) -> Alarm {
    // The library reads no duration that goes back; the right one takes its place below.
    let a_day = Property::new("TRIGGER", "P1D");
    let trigger = Trigger::try_from(&a_day).expect("a day is a duration");
    let mut alarm = Alarm::display(what, trigger);
    // Without an id and a stamp of its own the library would draw one and read the clock.
    alarm
        .add_property("TRIGGER", REMINDED)
        .uid(&format!("reminder.{uid}"))
        .add_property("DTSTAMP", changed);
    alarm
}

/// Takes the stamps out of alarms again: RFC 5545, 3.6.6 knows none there.
fn without_stamps_of_alarms(text: &str) -> String {
    let mut kept = String::with_capacity(text.len());
    let mut in_alarm = false;
    for line in text.split_inclusive("\r\n") {
        match line.trim_end() {
            "BEGIN:VALARM" => in_alarm = true,
            "END:VALARM" => in_alarm = false,
            _ => {}
        }
        if !(in_alarm && line.starts_with("DTSTAMP:")) {
            kept.push_str(line);
        }
    }
    kept
}

/// A text without control characters but line feeds, which no line of the file may hold.
fn plain(text: &str) -> String {
    text.chars()
        .filter(|letter| !letter.is_control() || *letter == '\n')
        .collect()
}

fn utc(moment: Timestamp) -> String {
    TimeZone::UTC
        .to_datetime(moment)
        .strftime("%Y%m%dT%H%M%SZ")
        .to_string()
}

fn short_day(day: Date) -> String {
    day.strftime("%-d %b").to_string()
}

fn capitalised(words: &str) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests;
