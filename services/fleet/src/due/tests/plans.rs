//! Plans: fixed dates and dates since the last time, anchored months, closed days, the nearest rule.

use proptest::prelude::*;

use super::bench::{calibrated, day, due, k2, network_rule, rule};
use crate::calendar::{Calendar, Shift, plus};
use crate::due::dates::{Dates, planned_on};
use crate::key::SiteId;
use crate::recurrence::Recurrence;
use crate::rule::{Plan, RuleBook, RuleDetails, RulePlace};
use crate::site::SiteDetails;
use crate::task::TaskKind;

fn fixed(text: &str, start: &str) -> RuleDetails {
    RuleDetails {
        plan: Plan::FixedDates(Recurrence::parse(text, day(start)).expect("a recurrence")),
        ..RuleDetails::built_in(TaskKind::Calibration)
    }
}

fn since_last(text: &str) -> RuleDetails {
    RuleDetails {
        plan: Plan::SinceLast(Recurrence::parse(text, day("2024-01-01")).expect("a recurrence")),
        ..RuleDetails::built_in(TaskKind::Calibration)
    }
}

fn always_open() -> SiteDetails {
    SiteDetails {
        time_zone: "UTC".to_owned(),
        ..SiteDetails::default()
    }
}

fn next(rule: &RuleDetails, done: &str) -> String {
    let site = always_open();
    planned_on(rule, &site, &Calendar::of(&site), day(done)).to_string()
}

#[test]
fn an_anchored_month_end_stays_at_the_month_end_and_a_floating_one_drifts() {
    // Monthly from 2027-01-31: anchored 01-31, 02-28, 03-31, 04-30; floating 01-31, 02-28, 03-28, 04-28.
    // "That day or the last of a shorter month" is furnace practice (AMS2750E 2.2.25 as reported, from memory).
    let anchored = fixed(
        "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1",
        "2027-01-31",
    );
    let mut done = "2027-01-31".to_owned();
    let mut seen = Vec::new();
    for _ in 0..4 {
        done = next(&anchored, &done);
        seen.push(done.clone());
    }
    assert_eq!(
        seen,
        ["2027-02-28", "2027-03-31", "2027-04-30", "2027-05-31"]
    );
    // Plain RFC 5545 leaves out the months that are too short, and so does a day typed as 31.
    let skipping = fixed("FREQ=MONTHLY;BYMONTHDAY=31", "2027-01-31");
    assert_eq!(next(&skipping, "2027-01-31"), "2027-03-31");
}

#[test]
fn done_early_within_the_window_serves_its_date_and_earlier_does_not() {
    let weekly = fixed("FREQ=WEEKLY;BYDAY=FR", "2026-01-02");
    // Fridays 2026-02-06, -13. Three days early serve; four do not.
    assert_eq!(next(&weekly, "2026-02-10"), "2026-02-20");
    assert_eq!(next(&weekly, "2026-02-09"), "2026-02-13");
    let monthly = fixed("FREQ=MONTHLY;BYDAY=1FR", "2026-01-02");
    // First Fridays 2026-03-06 and 2026-04-03: seven days early at most.
    assert_eq!(next(&monthly, "2026-02-27"), "2026-04-03");
    assert_eq!(next(&monthly, "2026-02-26"), "2026-03-06");
    // Done late it serves what it is late for, and the plan stays.
    assert_eq!(next(&monthly, "2026-03-12"), "2026-04-03");
}

#[test]
fn a_floating_plan_counts_from_the_last_time() {
    assert_eq!(
        next(&since_last("FREQ=DAILY;INTERVAL=10"), "2026-02-03"),
        "2026-02-13"
    );
    assert_eq!(
        next(&since_last("FREQ=WEEKLY;INTERVAL=2"), "2026-02-03"),
        "2026-02-17"
    );
    assert_eq!(
        next(&since_last("FREQ=MONTHLY"), "2027-01-28"),
        "2027-02-28"
    );
}

#[test]
fn a_date_on_a_holiday_moves_before_or_after_as_the_rule_says() {
    let mut records = calibrated("2026-11-27T18:00:00Z");
    records.site.details.closures = vec![crate::site::Closure {
        from: day("2026-12-24"),
        until: day("2027-01-03"),
        reason: "holidays".to_owned(),
    }];
    // 28 days after Friday 2026-11-27 is Friday 2026-12-25.
    assert_eq!(
        due(&records, TaskKind::Calibration, "2026-12-01T09:00:00Z").due_on,
        day("2026-12-23")
    );
    records.rules = network_rule(
        TaskKind::Calibration,
        RuleDetails {
            shift: Shift::After,
            ..RuleDetails::built_in(TaskKind::Calibration)
        },
    );
    assert_eq!(
        due(&records, TaskKind::Calibration, "2026-12-01T09:00:00Z").due_on,
        day("2027-01-04")
    );
}

#[test]
fn the_nearest_rule_holds() {
    let site = SiteId::new("porto").expect("an id");
    let weekly = |weeks: u8| since_last(&format!("FREQ=WEEKLY;INTERVAL={weeks}"));
    let mut records = calibrated("2026-02-06T18:00:00Z");
    let expect = |records: &crate::due::SiteRecords, on: &str, name: &str| {
        let due = due(records, TaskKind::Calibration, "2026-02-07T09:00:00Z");
        assert_eq!((due.due_on, due.rule_name.as_str()), (day(on), name));
    };
    expect(&records, "2026-03-06", "");
    let mut rules = vec![rule(RulePlace::Network, TaskKind::Calibration, weekly(3))];
    records.rules = RuleBook(rules.clone());
    expect(&records, "2026-02-27", "scheduleRules/calibration");
    rules.insert(
        0,
        rule(RulePlace::Site(site), TaskKind::Calibration, weekly(2)),
    );
    records.rules = RuleBook(rules.clone());
    expect(
        &records,
        "2026-02-20",
        "sites/porto/scheduleRules/calibration",
    );
    rules.insert(
        0,
        rule(RulePlace::Furnace(k2()), TaskKind::Calibration, weekly(1)),
    );
    records.rules = RuleBook(rules.clone());
    expect(
        &records,
        "2026-02-13",
        "sites/porto/furnaces/k2/scheduleRules/calibration",
    );
    // A rule for another task or another furnace means nothing here.
    let other = crate::key::FurnaceKey::parse("sites/porto/furnaces/k9").expect("a name");
    records.rules = RuleBook(vec![
        rule(RulePlace::Furnace(other), TaskKind::Calibration, weekly(1)),
        rule(RulePlace::Network, TaskKind::PurgeFiring, weekly(1)),
    ]);
    expect(&records, "2026-03-06", "");
}

proptest! {
    #[test]
    fn a_planned_day_is_after_the_last_one_and_within_the_longest_gap(
        done in 0_i32..3000, weeks in 1_u8..5, weekday in 0_usize..7, floating: bool,
    ) {
        let names = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"];
        let text = format!("FREQ=WEEKLY;INTERVAL={weeks};BYDAY={}", names[weekday]);
        let rule = if floating { since_last(&text) } else { fixed(&text, "2023-01-02") };
        let site = always_open();
        let done_on = plus(day("2024-01-01"), done);
        let due_on = planned_on(&rule, &site, &Calendar::of(&site), done_on);
        prop_assert!(due_on > done_on);
        // Done early it serves the date ahead, so the next one is up to a window further away.
        prop_assert!(due_on <= plus(done_on, i32::from(weeks) * 7 + 7), "{} after {}", due_on, done_on);
    }

    #[test]
    fn one_furnace_by_itself_and_one_of_many_get_the_same_day(
        done in 0_i32..3000, monthly: bool,
    ) {
        let rule = if monthly {
            fixed("FREQ=MONTHLY;BYDAY=-1FR", "2020-01-31")
        } else {
            fixed("FREQ=DAILY;INTERVAL=9", "2020-01-01")
        };
        let site = always_open();
        let calendar = Calendar::of(&site);
        let mut shared = Dates::default();
        for further in [0, 400, 35, 900] {
            let done_on = plus(day("2021-01-01"), done + further);
            let alone = planned_on(&rule, &site, &calendar, done_on);
            prop_assert_eq!(shared.planned(&rule, &site, &calendar, Some(done_on), done_on), Some(alone));
        }
    }
}
