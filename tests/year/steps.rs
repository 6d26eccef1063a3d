//! The moments at which the invented year stands still: every third hour, and every quarter of an hour around
//! each change of the clocks.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

/// Zones of the laboratories: changes at midnight, of half an hour, in either half of the year, around Ramadan,
/// and none at all.
pub(crate) const ZONES: [&str; 12] = [
    "Europe/Berlin",
    "America/New_York",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/Sao_Paulo",
    "Pacific/Auckland",
    "Africa/Casablanca",
    "Pacific/Chatham",
    "America/St_Johns",
    "Europe/Lisbon",
    "Africa/Cairo",
    "America/Santiago",
];

/// When the year begins, a Monday. It is past, so that no zone's rules for it change any more, and it holds a
/// 29 February.
pub(crate) const START: &str = "2023-07-03T00:00:00Z";

/// From when to when around a change of the clocks every quarter of an hour counts: the midnight before it and
/// the morning after it.
const CLOSELY_FROM: SignedDuration = SignedDuration::from_hours(-5);
const CLOSELY_UNTIL: SignedDuration = SignedDuration::from_hours(10);

const THREE_HOURS: SignedDuration = SignedDuration::from_hours(3);
const QUARTER: SignedDuration = SignedDuration::from_mins(15);

/// When the year begins.
pub(crate) fn start() -> Timestamp {
    START.parse().expect("the start is a moment")
}

/// All moments of so many days, in order.
pub(crate) fn steps(days: i64) -> Vec<Timestamp> {
    let end = start() + SignedDuration::from_hours(24 * days);
    let mut all = BTreeSet::new();
    let mut add = |from: Timestamp, until: Timestamp, every: SignedDuration| {
        let mut at = from;
        while at <= until {
            if at >= start() && at <= end {
                all.insert(at);
            }
            at += every;
        }
    };
    add(start(), end, THREE_HOURS);
    for zone in ZONES {
        let zone = TimeZone::get(zone).expect("the zone is known");
        for change in zone.following(start()) {
            let at = change.timestamp();
            if at > end {
                break;
            }
            // Clocks change on whole quarters of an hour.
            add(at + CLOSELY_FROM, at + CLOSELY_UNTIL, QUARTER);
        }
    }
    all.into_iter().collect()
}
