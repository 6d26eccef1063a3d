//! Whatever is sent: no panic, and days that fit each other. How long it may take is held to in `tests/calendar`.

use jiff::ToSpan as _;
use proptest::collection::vec;
use proptest::prelude::*;

use super::*;

#[test]
fn a_rule_of_long_ago_is_taken_up_near_the_days_asked_for() {
    let daily = rule_from("FREQ=DAILY;INTERVAL=3", date(1900, 1, 1));
    let days = daily.between(date(2298, 1, 1), date(2298, 1, 7), 10);
    let rests: Vec<i32> = days
        .iter()
        .map(|day| (*day - date(1900, 1, 1)).get_days() % 3)
        .collect();
    assert!(rests.len() >= 2, "{days:?}");
    assert!(rests.iter().all(|rest| *rest == 0), "{days:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn any_text_is_a_rule_or_refused(text in ".{0,220}", days in -4_000_000..4_000_000_i64) {
        let starts_on = START.saturating_add(days.days());
        if let Err(why) = Recurrence::parse(&text, starts_on) {
            prop_assert!(!why.to_string().is_empty());
        }
    }

    #[test]
    fn any_parts_are_a_rule_or_refused(text in "(RRULE:)?FREQ=[A-Z]{5,7}(;(INTERVAL|COUNT|UNTIL|BYDAY|BYMONTH|BYSETPOS|WKST)=[-+0-9MOTUFR,]{0,8}){0,4}") {
        match Recurrence::parse(&text, START) {
            Ok(recurrence) => prop_assert_eq!(&rule(recurrence.text()), &recurrence),
            Err(why) => prop_assert!(!why.to_string().is_empty()),
        }
    }

    #[test]
    fn days_are_in_order_and_inside_what_was_asked(
        text in grammatical(),
        starts_after in 0..145_000_i64,
        from_after in -500..20_000_i64,
        length in 0..2_000_i64,
        most in 0..50_usize,
    ) {
        let starts_on = date(1900, 1, 1).saturating_add(starts_after.days());
        let Ok(recurrence) = Recurrence::parse(&text, starts_on) else {
            return Ok(());
        };
        let spelled = rule_from(recurrence.text(), starts_on);
        prop_assert_eq!(&spelled, &recurrence);

        let from = starts_on.saturating_add(from_after.days());
        let until = from.saturating_add(length.days());
        let days = recurrence.between(from, until, most);
        prop_assert!(days.len() <= most);
        prop_assert!(days.windows(2).all(|pair| pair[0] < pair[1]), "{text}: {days:?}");
        let inside = |day: &Date| (from.max(starts_on)..=until).contains(day);
        prop_assert!(days.iter().all(inside), "{text}: {days:?}");

        // Wherever the looking begins, the days are the same.
        let whole = recurrence.between(starts_on, until, usize::MAX);
        let same: Vec<Date> = whole.into_iter().filter(|day| *day >= from).take(most).collect();
        prop_assert_eq!(&days, &same, "{}", text);
        let next = recurrence.first_after(from.yesterday().expect("a day before"));
        if let Some(first) = days.first() {
            prop_assert_eq!(next, Some(*first), "{}", text);
        }
    }
}

/// Rules as the grammar has them, also such that never come round.
fn grammatical() -> impl Strategy<Value = String> {
    let numbers = |least: i16, most: i16| {
        let number = (least..=most).prop_filter("zero counts nothing", |number| *number != 0);
        vec(number, 1..4).prop_map(|numbers| {
            let numbers: Vec<String> = numbers.iter().map(ToString::to_string).collect();
            numbers.join(",")
        })
    };
    let part = move |name: &'static str, least, most| {
        proptest::option::weighted(0.25, numbers(least, most)).prop_map(move |value| {
            value.map_or_else(String::new, |value| format!(";{name}={value}"))
        })
    };
    let days =
        proptest::option::of(vec("(-?[1-4])?(MO|TU|WE|TH|FR|SA|SU)", 1..4)).prop_map(|days| {
            days.map_or_else(String::new, |days| format!(";BYDAY={}", days.join(",")))
        });
    (
        "FREQ=(DAILY|WEEKLY|MONTHLY|YEARLY)(;INTERVAL=[1-9][0-9]?)?(;COUNT=[1-9][0-9]{0,2}|;UNTIL=2[0-2][0-9]{2}0701)?",
        part("BYMONTH", 1, 12),
        part("BYMONTHDAY", -31, 31),
        part("BYYEARDAY", -366, 366),
        part("BYWEEKNO", -51, 51),
        part("BYSETPOS", -4, 4),
        days,
        "(;WKST=(SU|SA|TU))?",
    )
        .prop_map(|(head, month, month_day, year_day, week, position, days, start)| {
            format!("{head}{month}{month_day}{year_day}{week}{position}{days}{start}")
        })
}
