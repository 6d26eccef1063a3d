//! Rules as they are set and shown.

use clap::Parser;

use super::*;

#[derive(Debug, Parser)]
struct Line {
    #[command(flatten)]
    wanted: Wanted,
}

fn wanted(line: &str) -> Wanted {
    let words = ["t", "calibration"]
        .into_iter()
        .chain(line.split_whitespace());
    Line::try_parse_from(words).expect(line).wanted
}

fn friday() -> Date {
    "2026-11-27".parse().expect("a day")
}

/// Fixed dates every second Friday, with everything else set.
fn in_force() -> ScheduleRule {
    ScheduleRule {
        name: "sites/porto/scheduleRules/calibration".to_owned(),
        task: TaskKind::Calibration.into(),
        plan: PlanKind::FixedDates.into(),
        recurrence: "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR".to_owned(),
        start_date: Some(day::sent("2026-11-13".parse().expect("a day"))),
        after_firings: 60,
        after_hours_hot: 200.0,
        after_events: vec![FurnaceEventKind::Moved.into()],
        busy_firings_per_day: 2.0,
        busy_interval_days: 14,
        shift: ClosedDayShift::Before.into(),
        grace_days: Some(2),
        lead_days: None,
        verify: true,
        words: "every 2 weeks on Friday".to_owned(),
        set_at: "sites/porto/scheduleRules/calibration".to_owned(),
        ..ScheduleRule::default()
    }
}

fn applied(line: &str) -> ScheduleRule {
    let mut rule = in_force();
    wanted(line).apply(&mut rule, friday()).expect(line);
    rule
}

#[test]
fn what_is_not_named_stays() {
    let rule = applied("--grace 1");
    let expected = ScheduleRule {
        grace_days: Some(1),
        ..in_force()
    };
    assert_eq!(rule, expected);
    let rule = applied("--verify false --busy-from 0 --after-no-event --shift after");
    assert!(!rule.verify && rule.after_events.is_empty());
    assert!(rule.busy_firings_per_day.abs() < f64::EPSILON);
    assert_eq!(rule.shift(), ClosedDayShift::After);
    assert_eq!(rule.recurrence, in_force().recurrence);
}

#[test]
fn new_dates_begin_today_or_on_their_weekday_or_when_said() {
    let start = |line: &str| day::received(applied(line).start_date.as_ref()).expect("a day");
    assert_eq!(start("--every 10d"), friday());
    assert_eq!(start("--every 2w --on monday").to_string(), "2026-11-30");
    assert_eq!(
        start("--every 2w --start 2026-12-04").to_string(),
        "2026-12-04"
    );
    // The rhythm stays, only its first day moves.
    let moved = applied("--start 2026-12-04");
    assert_eq!(moved.recurrence, in_force().recurrence);
    assert_eq!(start("--start 2026-12-04").to_string(), "2026-12-04");
}

#[test]
fn plans_without_a_first_day_have_none() {
    let since = applied("--every 3w --since-last");
    assert_eq!(since.plan(), PlanKind::SinceLast);
    assert_eq!(since.recurrence, "FREQ=WEEKLY;INTERVAL=3");
    assert_eq!(since.start_date, None);
    assert_eq!(applied("--since-last").recurrence, in_force().recurrence);
    for (line, plan) in [
        ("--site-interval", PlanKind::SiteInterval),
        ("--no-dates", PlanKind::NoDates),
        ("--off", PlanKind::Off),
    ] {
        let rule = applied(line);
        assert_eq!(rule.plan(), plan);
        assert_eq!((rule.recurrence.as_str(), rule.start_date), ("", None));
    }
}

#[test]
fn dates_that_are_missing_are_asked_for() {
    let bare = ScheduleRule {
        plan: PlanKind::NoDates.into(),
        recurrence: String::new(),
        start_date: None,
        ..in_force()
    };
    for line in ["--since-last", "--start 2026-12-04"] {
        let mut rule = bare.clone();
        let refused = wanted(line).apply(&mut rule, friday()).expect_err(line);
        assert!(refused.contains("--every"), "{refused}");
    }
    assert!(!wanted("").says_something());
    assert!(wanted("--lead 3").says_something());
}

#[test]
fn plans_that_exclude_each_other_are_a_usage_error() {
    for line in [
        "--off --every 2w",
        "--no-dates --off",
        "--site-interval --since-last",
        "--start 2026-12-04 --since-last --every 2w",
        "--after-event moved --after-no-event",
        "--furnace k2 --network",
    ] {
        let words = ["t", "calibration"]
            .into_iter()
            .chain(line.split_whitespace());
        assert!(Line::try_parse_from(words).is_err(), "{line}");
    }
}

#[test]
fn a_rule_is_named_after_its_place_and_task() {
    assert_eq!(
        rule_name("", TaskKind::PurgeFiring),
        "scheduleRules/purge-firing"
    );
    assert_eq!(
        rule_name("sites/porto/furnaces/k2", TaskKind::Calibration),
        "sites/porto/furnaces/k2/scheduleRules/calibration"
    );
}

#[test]
fn a_rule_is_shown_in_words_with_units() {
    let expected = "\
Task             calibration
When it is due   every 2 weeks on Friday
From             set for the site
Plan             fixed dates, whenever it was done
Recurrence       FREQ=WEEKLY;INTERVAL=2;BYDAY=FR
First day        Friday 13 November 2026
After firings    60 firings
After use        200 h hot
After events     moved
When busy        every 14 days at least, from 2 firings a day on
On a closed day  the working day before
Grace            2 days
Due soon from    as usual for the interval
Verified         every changed setpoint, by a second ring";
    assert_eq!(drawn(&in_force(), &TimeZone::UTC, 100), expected);
}
