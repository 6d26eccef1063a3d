//! The examples of RFC 5545 and own ones: days, and what moments they are at the wall time in the zone.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::*;

/// Sources are in `services/fleet/vectors/README.md`.
const EXAMPLES: &str = include_str!("../../../vectors/recurrences.csv");

#[test]
fn the_days_of_published_examples_come_out() {
    let mut n_examples = 0;
    for line in EXAMPLES.lines().skip(1) {
        let [name, start, text, days, origin, moments] = fields(line);
        let start: DateTime = start.parse().expect("a wall time");
        let recurrence = rule_from(&text, start.date());
        let expected: Vec<&str> = days.split(' ').collect();
        assert_eq!(first_days(&recurrence, expected.len()), expected, "{name}");
        // A rule that counts ends there.
        if text.contains("COUNT") {
            assert_eq!(first_days(&recurrence, usize::MAX), expected, "{name}");
        }

        let (zone, form) = if origin == "own" {
            ("Europe/Berlin", "%Y-%m-%dT%H:%MZ")
        } else {
            ("America/New_York", "%z")
        };
        let zone = TimeZone::get(zone).expect("a zone of the database");
        let days = recurrence.between(Date::MIN, Date::MAX, expected.len());
        let found: Vec<String> = days
            .iter()
            .map(|day| {
                let at = zone.to_ambiguous_zoned_datetime(day.to_datetime(start.time()));
                let at = at.compatible().expect("a moment");
                let shown_in = if origin == "own" {
                    TimeZone::UTC
                } else {
                    zone.clone()
                };
                at.with_time_zone(shown_in).strftime(form).to_string()
            })
            .collect();
        assert_eq!(found.join(" "), moments, "{name}");
        n_examples += 1;
    }
    assert_eq!(n_examples, 21);
}

#[test]
fn a_day_whose_wall_time_is_skipped_in_spring_still_comes() {
    // RFC 5545, 3.3.10, would ignore it; see the head of the module.
    let sundays = rule_from("FREQ=WEEKLY;INTERVAL=4", date(2026, 3, 1));
    assert_eq!(
        first_days(&sundays, 3),
        ["2026-03-01", "2026-03-29", "2026-04-26"]
    );
}

/// The six fields of a line; only the name and the rule may be in quotes.
fn fields(line: &str) -> [String; 6] {
    let mut fields = vec![String::new()];
    let mut is_quoted = false;
    for sign in line.chars() {
        match sign {
            '"' => is_quoted = !is_quoted,
            ',' if !is_quoted => fields.push(String::new()),
            _ => fields.last_mut().expect("one at least").push(sign),
        }
    }
    fields.try_into().expect("six fields")
}
