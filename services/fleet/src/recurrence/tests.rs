//! Tests of recurrences: published examples, refusals, words, and properties of drawn rules.

mod examples;
mod properties;

use jiff::civil::{Weekday, date};

use super::*;

/// A Monday.
const START: Date = Date::constant(2026, 11, 2);

fn rule(text: &str) -> Recurrence {
    rule_from(text, START)
}

fn rule_from(text: &str, starts_on: Date) -> Recurrence {
    match Recurrence::parse(text, starts_on) {
        Ok(recurrence) => recurrence,
        Err(why) => panic!("{text}: {why}"),
    }
}

fn first_days(recurrence: &Recurrence, n: usize) -> Vec<String> {
    let days = recurrence.between(Date::MIN, Date::MAX, n);
    days.iter().map(ToString::to_string).collect()
}

#[test]
fn a_day_that_shorter_months_lack_is_their_last_one_when_made_so() {
    let text = Recurrence::monthly_on_day(31).expect("a rule");
    assert_eq!(text, "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1");
    let days = first_days(&rule_from(&text, date(2028, 1, 31)), 4);
    assert_eq!(
        days,
        ["2028-01-31", "2028-02-29", "2028-03-31", "2028-04-30"]
    );

    let text = Recurrence::monthly_on_day(30).expect("a rule");
    let days = first_days(&rule_from(&text, date(2027, 1, 1)), 3);
    assert_eq!(days, ["2027-01-30", "2027-02-28", "2027-03-30"]);

    let text = Recurrence::monthly_on_day(29).expect("a rule");
    let days = first_days(&rule_from(&text, date(2027, 2, 1)), 2);
    assert_eq!(days, ["2027-02-28", "2027-03-29"]);
}

#[test]
fn the_thirty_first_as_typed_passes_over_shorter_months() {
    let days = first_days(
        &rule_from("FREQ=MONTHLY;BYMONTHDAY=31", date(2026, 1, 1)),
        3,
    );
    assert_eq!(days, ["2026-01-31", "2026-03-31", "2026-05-31"]);
}

#[test]
fn made_rules_are_what_they_say() {
    let friday = Weekday::Friday;
    let made = [
        (
            Recurrence::every_days(10),
            "FREQ=DAILY;INTERVAL=10",
            "every 10 days",
        ),
        (Recurrence::every_days(1), "FREQ=DAILY", "every day"),
        (
            Recurrence::every_weeks(2, friday),
            "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR",
            "every 2 weeks on Friday",
        ),
        (
            Recurrence::monthly_on_day(15),
            "FREQ=MONTHLY;BYMONTHDAY=15",
            "monthly on day 15",
        ),
        (
            Recurrence::monthly_on_day(-1),
            "FREQ=MONTHLY;BYMONTHDAY=-1",
            "monthly on the last day",
        ),
        (
            Recurrence::monthly_on_weekday(1, friday),
            "FREQ=MONTHLY;BYDAY=1FR",
            "monthly on the first Friday",
        ),
        (
            Recurrence::monthly_on_weekday(-1, friday),
            "FREQ=MONTHLY;BYDAY=-1FR",
            "monthly on the last Friday",
        ),
    ];
    for (text, expected, words) in made {
        let text = text.expect("a rule");
        assert_eq!(text, expected);
        assert_eq!(rule(&text).words(), words);
    }
    let refused = [
        Recurrence::every_days(0),
        Recurrence::every_days(u16::MAX),
        Recurrence::every_weeks(522, friday),
        Recurrence::monthly_on_day(0),
        Recurrence::monthly_on_day(32),
        Recurrence::monthly_on_day(i8::MIN),
        Recurrence::monthly_on_weekday(0, friday),
        Recurrence::monthly_on_weekday(6, friday),
        Recurrence::monthly_on_weekday(i8::MIN, friday),
    ];
    for (index, made) in refused.into_iter().enumerate() {
        assert!(made.is_err(), "{index}: {made:?}");
    }
}

#[test]
fn rules_are_said_in_words_and_unusual_ones_as_they_are() {
    let words = [
        ("FREQ=WEEKLY", "weekly on Monday"),
        (
            "FREQ=WEEKLY;BYDAY=FR,MO,WE",
            "weekly on Monday, Wednesday and Friday",
        ),
        (
            "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR;COUNT=5",
            "every 2 weeks on Friday, 5 times",
        ),
        ("FREQ=DAILY;COUNT=1", "every day, once"),
        ("FREQ=MONTHLY", "monthly on day 2"),
        ("FREQ=MONTHLY;BYMONTHDAY=1,15", "monthly on days 1 and 15"),
        (
            "FREQ=MONTHLY;INTERVAL=3;BYMONTHDAY=15",
            "every 3 months on day 15",
        ),
        (
            "FREQ=MONTHLY;BYDAY=1FR,-1FR",
            "monthly on the first Friday and the last Friday",
        ),
        (
            "FREQ=MONTHLY;BYDAY=FR;BYSETPOS=2",
            "monthly on the second Friday",
        ),
        (
            "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1",
            "monthly on the last day from Monday to Friday",
        ),
        (
            "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1",
            "monthly on the last day",
        ),
        (
            "FREQ=MONTHLY;BYMONTHDAY=28,29,30;BYSETPOS=-1",
            "monthly on day 30 or the last day of a shorter month",
        ),
        (
            "FREQ=YEARLY;UNTIL=20301231",
            "yearly on 2 November, until 2030-12-31",
        ),
        ("FREQ=YEARLY;BYMONTH=3;BYMONTHDAY=15", "yearly on 15 March"),
        (
            "FREQ=YEARLY;BYMONTH=3;BYDAY=1FR",
            "yearly on the first Friday of March",
        ),
        // Too unusual for words.
        (
            "FREQ=MONTHLY;BYMONTHDAY=13;BYDAY=FR",
            "FREQ=MONTHLY;BYMONTHDAY=13;BYDAY=FR",
        ),
        ("FREQ=DAILY;BYMONTH=1", "FREQ=DAILY;BYMONTH=1"),
        (
            "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
            "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
        ),
        ("FREQ=YEARLY;BYMONTHDAY=1", "FREQ=YEARLY;BYMONTHDAY=1"),
        ("FREQ=MONTHLY;BYMONTHDAY=-2", "FREQ=MONTHLY;BYMONTHDAY=-2"),
        (
            "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,SU;WKST=SU",
            "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,SU;WKST=SU",
        ),
    ];
    for (text, expected) in words {
        assert_eq!(rule(text).words(), expected, "{text}");
    }
}

#[test]
fn a_rule_has_one_spelling() {
    let spelled = rule(" rrule:interval=1;byday=fr,MO,fr;wkst=mo;freq=weekly;count=03 ");
    assert_eq!(spelled.text(), "FREQ=WEEKLY;COUNT=3;BYDAY=MO,FR");
    assert_eq!(
        rule("FREQ=MONTHLY;BYDAY=+1FR").text(),
        "FREQ=MONTHLY;BYDAY=1FR"
    );
    assert_eq!(rule(spelled.text()), spelled);
}

#[test]
fn what_is_no_rule_is_refused_with_what_to_send() {
    let long = format!("FREQ=MONTHLY;BYMONTHDAY={}", "1,".repeat(100));
    let refusals = [
        ("", "the rule is empty"),
        ("RRULE:", "the rule is empty"),
        (long.as_str(), "at most 200 are read"),
        ("every Friday", "character that no rule has (at place 6)"),
        ("FREQ=WEEKLY\nFREQ=DAILY", "at place 12"),
        ("FREQ=WÖCHENTLICH", "at place 7"),
        ("weekly", "\"WEEKLY\" is not NAME=VALUE"),
        ("FREQ=WEEKLY;", "\"\" is not NAME=VALUE"),
        ("FREQ=WEEKLY;BYDAY=", "\"BYDAY=\" is not NAME=VALUE"),
        ("INTERVAL=2", "begin it with FREQ=DAILY"),
        ("FREQ=FORTNIGHTLY", "send DAILY, WEEKLY, MONTHLY or YEARLY"),
        ("FREQ=HOURLY", "FREQ=HOURLY is finer than a day"),
        ("FREQ=DAILY;BYHOUR=9", "BYHOUR is finer than a day"),
        ("FREQ=DAILY;EVERY=2", "no part EVERY"),
        (
            "FREQ=MONTHLY;RSCALE=GREGORIAN;SKIP=BACKWARD",
            "BYMONTHDAY=28,29,30,31;BYSETPOS=-1",
        ),
        ("FREQ=DAILY;FREQ=DAILY", "FREQ is given twice"),
        ("FREQ=DAILY;INTERVAL=0", "a whole number from 1"),
        ("FREQ=DAILY;INTERVAL=-2", "a whole number from 1"),
        (
            "FREQ=DAILY;INTERVAL=99999999999999",
            "a whole number from 1",
        ),
        ("FREQ=YEARLY;INTERVAL=10000", "send at most 10"),
        ("FREQ=MONTHLY;INTERVAL=121", "send at most 120"),
        (
            "FREQ=DAILY;COUNT=0",
            "leave it out for a rule without an end",
        ),
        ("FREQ=DAILY;COUNT=3;UNTIL=20271231", "send one of them"),
        ("FREQ=DAILY;UNTIL=20271231T120000Z", "without a time"),
        ("FREQ=DAILY;UNTIL=20270230", "as year, month and day"),
        (
            "FREQ=DAILY;UNTIL=20201231",
            "before it starts on 2026-11-02",
        ),
        ("FREQ=MONTHLY;BYMONTHDAY=0", "days from 1 to 31"),
        ("FREQ=MONTHLY;BYMONTHDAY=32", "days from 1 to 31"),
        ("FREQ=MONTHLY;BYMONTHDAY=1,,2", "days from 1 to 31"),
        ("FREQ=YEARLY;BYMONTH=-1", "months from 1 to 12"),
        ("FREQ=WEEKLY;BYMONTHDAY=1", "send FREQ=MONTHLY"),
        ("FREQ=MONTHLY;BYYEARDAY=1", "send FREQ=YEARLY"),
        ("FREQ=MONTHLY;BYWEEKNO=1;BYDAY=MO", "send FREQ=YEARLY"),
        ("FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO", "-1 is the last week"),
        ("FREQ=YEARLY;BYWEEKNO=20", "say the weekday too"),
        ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=1MO", "without a number"),
        (
            "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;INTERVAL=2",
            "leave INTERVAL out",
        ),
        (
            "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;BYSETPOS=1",
            "leave BYSETPOS out",
        ),
        ("FREQ=WEEKLY;BYDAY=1FR", "the weekday without a number"),
        ("FREQ=DAILY;BYDAY=-1FR", "the weekday without a number"),
        ("FREQ=MONTHLY;BYDAY=6FR", "a number from 1 to 5"),
        ("FREQ=MONTHLY;BYDAY=-5FR", "or -4 to -1"),
        ("FREQ=MONTHLY;BYDAY=0FR", "1FR (first)"),
        ("FREQ=MONTHLY;BYDAY=FRI", "1FR (first)"),
        ("FREQ=MONTHLY;BYDAY=F", "1FR (first)"),
        ("FREQ=YEARLY;BYDAY=-53MO", "-52 to -1"),
        ("FREQ=MONTHLY;BYSETPOS=1", "say of which days"),
        ("FREQ=DAILY;BYDAY=FR;BYSETPOS=2", "a day has one position"),
        ("FREQ=WEEKLY;WKST=1MO", "the first day of the week"),
        (
            "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
            "no day in the 12 years",
        ),
        ("FREQ=DAILY;INTERVAL=7;BYDAY=TU", "no day in the 12 years"),
        ("FREQ=MONTHLY;BYDAY=MO;BYSETPOS=6", "no day in the 12 years"),
    ];
    for (text, words) in refusals {
        match Recurrence::parse(text, START) {
            Ok(recurrence) => panic!("{text} was taken: {recurrence:?}"),
            Err(why) => assert!(why.to_string().contains(words), "{text}: {why}"),
        }
    }
}

#[test]
fn a_rule_that_comes_round_once_a_generation_is_refused() {
    // 29 February is a Monday in 2044 and 2072.
    let hostile = "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO";
    let refused = Recurrence::parse(hostile, date(2040, 1, 1));
    let first = date(2044, 2, 29);
    assert_eq!(refused, Err(NotARecurrence::TooRare { first, years: 12 }));
    // With an end it is what it says.
    let days = first_days(
        &rule_from(&format!("{hostile};COUNT=2"), date(2040, 1, 1)),
        9,
    );
    assert_eq!(days, ["2044-02-29", "2072-02-29"]);
}

#[test]
fn a_rule_starts_in_a_year_of_this_calendar() {
    for starts_on in [Date::MIN, date(1899, 12, 31), date(2300, 1, 1), Date::MAX] {
        let refused = Recurrence::parse("FREQ=DAILY", starts_on);
        assert_eq!(refused, Err(NotARecurrence::StartOutOfRange { starts_on }));
        let moved = rule("FREQ=DAILY").starting_on(starts_on);
        assert_eq!(moved.between(Date::MIN, Date::MAX, 3), []);
        assert_eq!(moved.first_after(starts_on), None);
    }
}

#[test]
fn the_next_occurrence_is_after_the_day_and_not_before_the_start() {
    let fridays = rule("FREQ=WEEKLY;BYDAY=FR");
    let friday = date(2026, 11, 6);
    assert_eq!(fridays.first_after(date(2026, 11, 5)), Some(friday));
    assert_eq!(fridays.first_after(friday), Some(date(2026, 11, 13)));
    assert_eq!(fridays.first_after(Date::MIN), Some(friday));
    assert_eq!(fridays.first_after(Date::MAX), None);
    let once = rule("FREQ=WEEKLY;BYDAY=FR;COUNT=1");
    assert_eq!(once.first_after(friday), None);
}

#[test]
fn a_count_counts_from_the_start_also_when_the_days_asked_for_are_later() {
    let ten = rule("FREQ=DAILY;INTERVAL=10;COUNT=10");
    let days = ten.between(date(2027, 1, 25), date(2027, 12, 31), 100);
    assert_eq!(days, [date(2027, 1, 31)]);
}

#[test]
fn the_same_rule_counts_from_another_day() {
    let first = rule("FREQ=DAILY;INTERVAL=10;COUNT=2");
    let second = first.starting_on(date(2026, 11, 5));
    assert_eq!(second.starts_on(), date(2026, 11, 5));
    assert_eq!(first_days(&second, 9), ["2026-11-05", "2026-11-15"]);
    let ended = rule("FREQ=DAILY;UNTIL=20261231").starting_on(date(2027, 1, 1));
    assert_eq!(ended.first_after(date(2027, 1, 1)), None);
}

#[test]
fn a_rule_is_endless_without_count_and_until() {
    assert!(rule("FREQ=DAILY").is_endless());
    assert!(!rule("FREQ=DAILY;COUNT=9").is_endless());
    assert!(!rule("FREQ=DAILY;UNTIL=20301231").is_endless());
}

#[test]
fn the_longest_gap_is_that_of_the_worst_month() {
    let gap = |text: &str| rule(text).longest_gap_days();
    assert_eq!(gap("FREQ=WEEKLY;INTERVAL=2;BYDAY=FR"), Some(14));
    assert_eq!(gap("FREQ=MONTHLY;BYMONTHDAY=15"), Some(31));
    // 31 March to 31 May; 30 January to 30 March of a leap year.
    assert_eq!(gap("FREQ=MONTHLY;BYMONTHDAY=31"), Some(61));
    assert_eq!(gap("FREQ=MONTHLY;BYMONTHDAY=30"), Some(60));
    assert_eq!(
        gap("FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1"),
        Some(31)
    );
    assert_eq!(gap("FREQ=MONTHLY;BYDAY=-1FR"), Some(35));
    assert_eq!(gap("FREQ=WEEKLY;BYDAY=MO,TH"), Some(4));
    // From one leap day to the next.
    assert_eq!(gap("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29"), Some(1461));
    assert_eq!(gap("FREQ=YEARLY;INTERVAL=10"), Some(3653));
    assert_eq!(gap("FREQ=DAILY;COUNT=1"), None);
}

#[test]
fn a_plain_weekday_beside_a_numbered_one_adds_to_it() {
    let days = first_days(&rule("FREQ=MONTHLY;BYDAY=1TU,FR"), 6);
    assert_eq!(
        days,
        [
            "2026-11-03",
            "2026-11-06",
            "2026-11-13",
            "2026-11-20",
            "2026-11-27",
            "2026-12-01"
        ]
    );
}

#[test]
fn a_position_counts_in_the_whole_week_also_in_the_first() {
    // From a Wednesday: the week's first of these days was Monday, before the start.
    let from_wednesday = rule_from("FREQ=WEEKLY;BYDAY=MO,FR;BYSETPOS=1", date(2026, 11, 4));
    assert_eq!(first_days(&from_wednesday, 2), ["2026-11-09", "2026-11-16"]);
}
