//! Intervals against worked figures, and the promises that every advice keeps.

use super::control_chart::{DriftLine, Found, control_chart};
use super::reliability::{Record, exponential_days, mean_days, part_bounds, reliability_target};
use super::staircase::{Steps, next_days, staircase};
use super::tracked::tracked;
use super::*;
use crate::passage::Outlook;
use proptest::prelude::*;

/// Limits so wide that only the method decides.
fn wide() -> IntervalPolicy {
    IntervalPolicy {
        shortest_days: 1,
        longest_days: 10_000,
        reliability: 0.95,
    }
}

fn known(error_c: f64, u: f64, slope: f64, slope_u: f64) -> Outlook {
    Outlook {
        error_c,
        slope_c_per_week: slope,
        variance: [[u * u, 0.0], [0.0, slope_u * slope_u]],
        wander_c2_per_week: 0.5,
        slope_wander_c2_per_week3: 0.0,
        tolerance_c: 10.0,
    }
}

#[test]
fn the_staircase_climbs_and_falls_as_in_the_example() {
    // Rule of ILAC-G24:2022 / OIML D 10:2022, method 1 (80 % of the tolerance, from memory); the guide
    // prints no figures, so these are recomputed by hand.
    let mut interval = 28.0;
    let mut steps = 0;
    for line in include_str!("../../vectors/staircase_example.csv")
        .lines()
        .skip(1)
    {
        let f: Vec<&str> = line.split(',').collect();
        let error: f64 = f[1].parse().expect("error");
        let tolerance: f64 = f[2].parse().expect("tolerance");
        let before: f64 = f[3].parse().expect("interval");
        let wanted: f64 = f[5].parse().expect("next");
        assert!((interval - before).abs() < 1e-3, "{line}: {interval}");
        let advised = staircase(interval, error, tolerance, &Steps::default(), &wide());
        let next = next_days(interval, error, tolerance, &Steps::default());
        assert!((next - wanted).abs() < 1e-3, "{line}: {next}");
        assert!((f64::from(advised.days) - next.floor()).abs() < 0.5);
        assert_eq!(advised.limited_by, LimitedBy::Method);
        let change = match f[4] {
            "extend" => "grows",
            "reduce" => "shrinks",
            _ => "stays",
        };
        assert!(advised.words.contains(change), "{}", advised.words);
        interval = next;
        steps += 1;
    }
    assert_eq!(steps, 8);
}

#[test]
fn an_error_on_the_limit_is_within_whatever_its_last_bit() {
    let on_the_limit = 0.1 + 0.2;
    assert!(on_the_limit > 0.3);
    let stays = next_days(28.0, on_the_limit, 0.3, &Steps::default());
    assert!((stays - 28.0).abs() < 1e-12, "{stays}");
}

#[test]
fn limits_of_the_site_bound_every_step() {
    let policy = IntervalPolicy::default();
    let up = staircase(91.0, 1.0, 10.0, &Steps::default(), &policy);
    assert_eq!((up.days, up.limited_by), (91, LimitedBy::LongestAllowed));
    assert!((up.computed_days.expect("a figure") - 113.75).abs() < 1e-9);
    assert!(up.words.contains("the longest allowed"), "{}", up.words);
    let down = staircase(8.0, -11.0, 10.0, &Steps::default(), &policy);
    assert_eq!(
        (down.days, down.limited_by),
        (7, LimitedBy::ShortestAllowed)
    );
    let unknown = staircase(28.0, f64::NAN, 10.0, &Steps::default(), &policy);
    assert_eq!(
        (unknown.days, unknown.limited_by),
        (28, LimitedBy::TooLittleKnown)
    );
    assert_eq!(unknown.computed_days, None);
}

/// Errors of one furnace, every four weeks.
fn drifting() -> Vec<Found> {
    let mut found = Vec::new();
    let mut weeks = 0.0;
    for error_c in [0.5, 1.9, 3.2, 3.9, 5.6, 6.8] {
        found.push(Found { weeks, error_c });
        weeks += 4.0;
    }
    found
}

#[test]
fn the_drift_line_and_its_bound_are_those_of_the_worked_example() {
    // Own worked example of ILAC-G24 method 2, recomputed with a regression program.
    let line = DriftLine::through(&drifting()).expect("six errors");
    assert!((line.slope_c_per_week - 0.309_285_7).abs() < 1e-7);
    assert!((line.intercept_c - 0.557_142_9).abs() < 1e-7);
    assert!((line.residual_c - 0.218_436_0).abs() < 1e-7);
    let crossed = line.reaches(10.0, 20.0, 500.0).expect("it drifts");
    assert!((crossed - 30.5312).abs() < 5e-5, "{crossed}");
    let bound = line
        .bound_reaches(10.0, 0.95, 20.0, 500.0)
        .expect("it drifts");
    assert!((bound - 28.2218).abs() < 5e-5, "{bound}");
    let reach = line.prediction_reach_c(bound, 0.95);
    assert!((line.error_c(bound) + reach - 10.0).abs() < 1e-9);
}

#[test]
fn the_control_chart_counts_from_the_last_calibration() {
    let advised = control_chart(&drifting(), 10.0, &wide());
    // 28.2218 weeks less the 20 of the last calibration: 57.55 days.
    assert_eq!((advised.days, advised.limited_by), (57, LimitedBy::Method));
    assert!(
        advised.words.contains("+0.31 °C a week"),
        "{}",
        advised.words
    );
    let mut falling = drifting();
    for one in &mut falling {
        one.error_c = -one.error_c;
    }
    assert_eq!(control_chart(&falling, 10.0, &wide()).days, 57);
    let outside = control_chart(&drifting(), 6.0, &IntervalPolicy::default());
    assert_eq!(
        (outside.days, outside.limited_by),
        (7, LimitedBy::ShortestAllowed)
    );
}

#[test]
fn a_line_needs_three_calibrations_on_different_days() {
    let policy = IntervalPolicy::default();
    for found in [&[][..], &drifting()[..2]] {
        let advised = control_chart(found, 10.0, &policy);
        assert_eq!(
            (advised.days, advised.limited_by),
            (7, LimitedBy::TooLittleKnown)
        );
    }
    let same_day = [Found {
        weeks: 3.0,
        error_c: 1.0,
    }; 4];
    assert_eq!(DriftLine::through(&same_day), None);
    let broken = [Found {
        weeks: 3.0,
        error_c: f64::NAN,
    }; 4];
    assert_eq!(DriftLine::through(&broken), None);
}

#[test]
fn a_furnace_that_does_not_drift_gets_the_longest_interval() {
    let mut found = Vec::new();
    for (weeks, error_c) in [(0.0, 0.1), (4.0, -0.1), (8.0, 0.1), (12.0, -0.1)] {
        found.push(Found { weeks, error_c });
    }
    let advised = control_chart(&found, 10.0, &IntervalPolicy::default());
    assert_eq!(
        (advised.days, advised.limited_by),
        (91, LimitedBy::LongestAllowed)
    );
    assert_eq!(advised.computed_days, None);
    assert!(advised.words.contains("stays within"), "{}", advised.words);
}

#[test]
fn exponential_intervals_are_those_of_the_worked_examples() {
    // Exponential reliability target (NCSL RP-1, from memory), recomputed.
    for (observed, interval, wanted, days) in [
        (0.90, 28.0, 0.95, 13.6314),
        (0.80, 12.0, 0.95, 2.7584),
        (0.98, 28.0, 0.95, 71.0901),
    ] {
        let found = exponential_days(interval, observed, wanted).expect("parts");
        assert!((found - days).abs() < 5e-5, "{found}");
    }
    assert!((mean_days(30.0, 0.90).expect("a part") - 284.7366).abs() < 5e-5);
    for observed in [0.0, 1.0, -0.2, f64::NAN] {
        assert_eq!(exponential_days(28.0, observed, 0.95), None);
    }
    assert_eq!(exponential_days(0.0, 0.9, 0.95), None);
}

#[test]
fn bounds_of_a_part_are_those_of_clopper_and_pearson() {
    // Recomputed from the beta distribution: 45 of 50, 18 of 20, 20 of 20.
    for (good, all, low, high) in [
        (45, 50, 0.78186, 0.96672),
        (18, 20, 0.68302, 0.98765),
        (20, 20, 0.83157, 1.0),
    ] {
        let (lower, upper) = part_bounds(good, all, 0.95);
        assert!((lower - low).abs() < 6e-6, "{good}: {lower}");
        assert!((upper - high).abs() < 6e-6, "{good}: {upper}");
    }
    let (lower, upper) = part_bounds(0, 20, 0.95);
    assert!(lower.abs() < 1e-15 && (upper - (1.0 - 0.83157)).abs() < 6e-6);
    assert_eq!(part_bounds(0, 0, 0.95), (0.0, 1.0));
}

#[test]
fn a_pooled_fleet_gets_the_interval_of_its_target() {
    let policy = wide();
    let record = |trials, in_tolerance| Record {
        interval_days: 28.0,
        trials,
        in_tolerance,
    };
    let advised = reliability_target(&record(50, 45), &policy);
    assert_eq!((advised.days, advised.limited_by), (13, LimitedBy::Method));
    assert!(advised.words.contains("45 of 50"), "{}", advised.words);
    let few = reliability_target(&record(19, 19), &policy);
    assert_eq!((few.days, few.limited_by), (28, LimitedBy::TooLittleKnown));
    // One better is never a shorter interval, also when none was outside.
    let mut before = 0;
    for good in 0..=40 {
        let days = reliability_target(&record(40, good), &policy).days;
        assert!(days >= before, "{good}");
        before = days;
    }
    assert!(before > 28 && before < 1000, "{before}");
    let none = reliability_target(&record(40, 0), &IntervalPolicy::default());
    assert_eq!(
        (none.days, none.limited_by),
        (7, LimitedBy::ShortestAllowed)
    );
}

#[test]
fn the_tracked_interval_is_the_longest_that_keeps_the_promise() {
    let policy = wide();
    let outlook = known(2.0, 2.0, 0.3, 0.1);
    let advised = tracked(&outlook, &policy);
    assert_eq!(advised.limited_by, LimitedBy::Method);
    let left = |days: u32| outlook.probability_left_by(f64::from(days) / 7.0);
    assert!(left(advised.days) <= 0.05 && left(advised.days + 1) > 0.05);
    for longest_days in [advised.days - 1, advised.days] {
        let bounded = IntervalPolicy {
            longest_days,
            ..policy
        };
        assert_eq!(tracked(&outlook, &bounded).days, longest_days);
    }
    // Being outside at that moment is less probable than 5 %, so the interval is below the 9.6 weeks
    // after which it is 5 %.
    assert!(advised.days > 35 && advised.days < 67, "{}", advised.days);
    assert!(advised.words.contains("95 %"), "{}", advised.words);
}

#[test]
fn a_better_known_furnace_is_calibrated_less_often() {
    let policy = IntervalPolicy::default();
    let sure = tracked(&known(0.0, 1.0, 0.0, 0.02), &policy);
    let unsure = tracked(&known(0.0, 4.0, 0.0, 0.3), &policy);
    assert!(sure.days > unsure.days);
    let outside = tracked(&known(14.0, 2.0, 0.0, 0.1), &policy);
    assert_eq!(
        (outside.days, outside.limited_by),
        (7, LimitedBy::ShortestAllowed)
    );
    assert!(
        outside.words.contains("adjust the furnace"),
        "{}",
        outside.words
    );
    let unknown = tracked(&known(f64::NAN, 2.0, 0.0, 0.1), &policy);
    assert_eq!(
        (unknown.days, unknown.limited_by),
        (7, LimitedBy::TooLittleKnown)
    );
}

#[test]
fn the_words_tell_the_days_the_reason_and_the_method() {
    let advised = staircase(
        28.0,
        3.1,
        10.0,
        &Steps::default(),
        &IntervalPolicy::default(),
    );
    assert_eq!(
        advised.words,
        "Calibrate again 35 days after the last calibration: the last one found an error of +3.1 °C \
         under a tolerance of ±10.0 °C, so the interval grows from 28 days to 35. Found by method 1 of \
         ILAC-G24, automatic adjustment (staircase)."
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn every_advice_lies_within_the_policy(
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), trials in any::<u32>(),
        good in any::<u32>(), shortest_days in 0..400_u32, longest_days in 0..400_u32,
        reliability in any::<f64>(),
    ) {
        let policy = IntervalPolicy { shortest_days, longest_days, reliability };
        let found = [Found { weeks: a, error_c: b }, Found { weeks: b, error_c: c }, Found { weeks: c, error_c: a }];
        let record = Record { interval_days: a, trials, in_tolerance: good };
        for advised in [
            staircase(a, b, c, &Steps::default(), &policy),
            control_chart(&found, c, &policy),
            reliability_target(&record, &policy),
            tracked(&known(a, b, c, 0.1), &policy),
        ] {
            let least = shortest_days.max(1);
            prop_assert!(advised.days >= least && advised.days <= longest_days.max(least));
            prop_assert!(!advised.words.contains("NaN days"), "{}", advised.words);
        }
    }
}
