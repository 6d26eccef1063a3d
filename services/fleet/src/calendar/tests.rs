//! Working days, local days and quiet hours, also where clocks are put forward or back.

use jiff::civil::{Time, Weekday, date};
use proptest::prelude::*;

use super::*;

fn site(zone: &str) -> SiteDetails {
    SiteDetails {
        time_zone: zone.to_owned(),
        closed_days: vec![Weekday::Saturday, Weekday::Sunday],
        ..SiteDetails::default()
    }
}

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

#[test]
fn a_closed_day_gives_way_to_the_working_day_before_or_after() {
    let mut rules = site("Europe/Berlin");
    rules.closures = vec![Closure {
        from: date(2026, 12, 24),
        until: date(2027, 1, 3),
        reason: "holidays".to_owned(),
    }];
    let calendar = Calendar::of(&rules);
    let christmas = date(2026, 12, 25);
    assert_eq!(
        calendar.shifted(christmas, Shift::Before, None),
        date(2026, 12, 23)
    );
    assert_eq!(
        calendar.shifted(christmas, Shift::After, None),
        date(2027, 1, 4)
    );
    // Nothing open before it since the 23rd: then after it.
    let since = Some(date(2026, 12, 23));
    assert_eq!(
        calendar.shifted(christmas, Shift::Before, since),
        date(2027, 1, 4)
    );
    assert_eq!(calendar.next_open(date(2026, 11, 27)), date(2026, 11, 30));
}

#[test]
fn a_day_of_a_clock_change_has_23_or_25_hours() {
    let calendar = Calendar::of(&site("Europe/Berlin"));
    let length = |day| {
        calendar
            .end_of(day)
            .duration_since(calendar.start_of(day))
            .as_hours()
    };
    assert_eq!(length(date(2027, 3, 28)), 23);
    assert_eq!(length(date(2027, 10, 31)), 25);
    assert_eq!(length(date(2027, 6, 1)), 24);
}

#[test]
fn friday_evening_to_monday_morning_over_the_march_change_is_61_hours() {
    // The figure follows from the zone's rule alone: 62 h on the wall clock, one of them left out.
    let calendar = Calendar::of(&site("Europe/Berlin"));
    let fired = calendar.at(date(2027, 3, 26), Time::constant(18, 0, 0, 0));
    let measured = calendar.at(date(2027, 3, 29), Time::constant(8, 0, 0, 0));
    assert_eq!(measured.duration_since(fired).as_hours(), 61);
}

#[test]
fn a_day_without_midnight_begins_at_its_first_moment() {
    // On 2018-11-04 clocks in Sao Paulo went from 00:00 to 01:00 (IANA time zone database).
    let calendar = Calendar::of(&site("America/Sao_Paulo"));
    assert_eq!(
        calendar.start_of(date(2018, 11, 4)),
        at("2018-11-04T03:00:00Z")
    );
    // A whole day was left out in Samoa: 2011-12-30.
    let samoa = Calendar::of(&site("Pacific/Apia"));
    assert!(samoa.start_of(date(2011, 12, 30)) <= samoa.start_of(date(2011, 12, 31)));
}

#[test]
fn what_is_not_urgent_waits_for_the_morning_of_a_working_day() {
    let calendar = Calendar::of(&site("Europe/Berlin"));
    // Friday 2026-11-27 20:00 local: Monday 07:00 local.
    assert_eq!(
        calendar.loud_from(at("2026-11-27T19:00:00Z")),
        at("2026-11-30T06:00:00Z")
    );
    // Wednesday noon: at once.
    assert_eq!(
        calendar.loud_from(at("2026-11-25T11:00:00Z")),
        at("2026-11-25T11:00:00Z")
    );
    // Wednesday 00:00: the same morning.
    assert_eq!(
        calendar.loud_from(at("2026-11-24T23:00:00Z")),
        at("2026-11-25T06:00:00Z")
    );
}

#[test]
fn a_long_closure_holds_nothing_back_for_more_than_four_days() {
    let mut rules = site("Europe/Berlin");
    rules.closures = vec![Closure {
        from: date(2026, 12, 24),
        until: date(2027, 1, 10),
        reason: String::new(),
    }];
    let calendar = Calendar::of(&rules);
    assert_eq!(
        calendar.loud_from(at("2026-12-24T11:00:00Z")),
        at("2026-12-28T06:00:00Z")
    );
}

#[test]
fn equal_times_mean_no_quiet_hours_and_quiet_hours_may_lie_within_a_day() {
    let mut rules = site("UTC");
    rules.closed_days.clear();
    rules.quiet_from = Time::midnight();
    rules.quiet_until = Time::midnight();
    let calendar = Calendar::of(&rules);
    assert!(!calendar.is_quiet(at("2026-11-25T03:00:00Z")));
    rules.quiet_from = Time::constant(12, 0, 0, 0);
    rules.quiet_until = Time::constant(13, 0, 0, 0);
    let calendar = Calendar::of(&rules);
    assert_eq!(
        calendar.loud_from(at("2026-11-25T12:30:00Z")),
        at("2026-11-25T13:00:00Z")
    );
    assert!(!calendar.is_quiet(at("2026-11-25T23:30:00Z")));
}

proptest! {
    #[test]
    fn what_waits_is_never_early_and_never_muted_for_good(
        second in 1_700_000_000_i64..1_900_000_000,
        zone in prop::sample::select(vec!["Europe/Lisbon", "Asia/Kathmandu", "America/New_York",
            "Australia/Lord_Howe", "Pacific/Chatham", "Africa/Casablanca"]),
        from in 0_i8..24, until in 0_i8..24,
        closed in 0_usize..6,
    ) {
        let mut rules = site(zone);
        rules.closed_days = [Weekday::Monday, Weekday::Tuesday, Weekday::Wednesday, Weekday::Thursday,
            Weekday::Saturday, Weekday::Sunday][..closed].to_vec();
        rules.quiet_from = Time::constant(from, 0, 0, 0);
        rules.quiet_until = Time::constant(until, 0, 0, 0);
        let calendar = Calendar::of(&rules);
        let moment = Timestamp::from_second(second).expect("in range");
        let loud = calendar.loud_from(moment);
        prop_assert!(loud >= moment);
        prop_assert!(loud.duration_since(moment).as_hours() <= 5 * 24 + 1);
        let first = calendar.day_of(moment);
        prop_assert!(!calendar.is_quiet(loud) || days_between(first, calendar.day_of(loud)) >= 4);
        prop_assert_eq!(calendar.loud_from(loud) == loud, !calendar.is_quiet(loud));
    }

    #[test]
    fn a_shifted_day_is_open_and_after_the_last_one(
        offset in 0_i32..4000, closed in 0_usize..6, back in 0_i32..40,
    ) {
        let mut rules = site("UTC");
        rules.closed_days = [Weekday::Monday, Weekday::Tuesday, Weekday::Wednesday, Weekday::Thursday,
            Weekday::Saturday, Weekday::Sunday][..closed].to_vec();
        let calendar = Calendar::of(&rules);
        let day = plus(date(2024, 1, 1), offset);
        let after = plus(day, -back - 1);
        for shift in [Shift::Before, Shift::After] {
            let shifted = calendar.shifted(day, shift, Some(after));
            prop_assert!(calendar.is_open(shifted), "{} from {}", shifted, day);
            prop_assert!(shifted > after);
        }
    }
}
