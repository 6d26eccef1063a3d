//! Rules of recurrence: days in order and inside what was asked for, whatever somebody types.

use jiff::civil::{Date, date};
use ringtrue_fleet::recurrence::Recurrence;

/// Days that the first byte of an input picks from: usual ones, ends of months, leap days, ends of what is supported.
const STARTS: [Date; 8] = [
    date(2026, 1, 5),
    date(2026, 1, 31),
    date(2024, 2, 29),
    date(2026, 12, 31),
    date(2025, 3, 30),
    date(1970, 1, 1),
    date(2199, 12, 31),
    date(9999, 12, 31),
];

/// Reads an input as a rule: its first byte picks the day from which it counts, the rest is the rule.
pub fn read(input: &[u8]) {
    let Some((first, rule)) = input.split_first() else {
        return;
    };
    let Ok(text) = std::str::from_utf8(rule) else {
        return;
    };
    let starts_on = STARTS[usize::from(*first) % STARTS.len()];
    let Ok(recurrence) = Recurrence::parse(text, starts_on) else {
        return;
    };
    let again = Recurrence::parse(recurrence.text(), starts_on);
    assert_eq!(again.as_ref(), Ok(&recurrence), "{text}");
    let until = starts_on
        .checked_add(jiff::Span::new().years(3))
        .unwrap_or(Date::MAX);
    let days = recurrence.between(starts_on, until, 50);
    assert!(days.len() <= 50);
    assert!(
        days.iter().all(|day| (starts_on..=until).contains(day)),
        "{text}: {days:?}"
    );
    for pair in days.windows(2) {
        assert!(pair[0] < pair[1], "{text}: {pair:?} are not in order");
        assert_eq!(recurrence.first_after(pair[0]), Some(pair[1]), "{text}");
    }
}
