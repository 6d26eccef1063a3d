//! Looking ahead against recomputed first-passage figures and against simple laws.

use super::*;
use proptest::prelude::*;

/// An outlook without correlation or wandering slope.
fn outlook(error: f64, u: f64, slope: f64, slope_u: f64, wander: f64, tolerance: f64) -> Outlook {
    Outlook {
        error_c: error,
        slope_c_per_week: slope,
        variance: [[u * u, 0.0], [0.0, slope_u * slope_u]],
        wander_c2_per_week: wander,
        slope_wander_c2_per_week3: 0.0,
        tolerance_c: tolerance,
    }
}

/// P(first passage of one barrier), starts beyond it count (Borodin & Salminen, from memory).
fn one_barrier(distance: f64, moved: f64, variance: f64) -> f64 {
    if distance <= 0.0 {
        return 1.0;
    }
    let deviation = variance.sqrt();
    normal_cdf((moved - distance) / deviation)
        + libm::exp(2.0 * moved * distance / variance) * normal_cdf((-distance - moved) / deviation)
}

/// Both barriers by themselves, added: by the trapezoidal rule over start and slope.
fn sum_of_barriers(outlook: &Outlook, weeks: f64) -> f64 {
    let (u, s) = (outlook.variance[0][0].sqrt(), outlook.variance[1][1].sqrt());
    let tolerance = outlook.tolerance_c;
    let variance = outlook.wander_c2_per_week * weeks;
    let mut sum = 0.0;
    let mut weights = 0.0;
    for slope_step in -24_i32..=24 {
        let deviations = f64::from(slope_step) / 4.0;
        let weight = libm::exp(-0.5 * deviations * deviations);
        let moved = (outlook.slope_c_per_week + s * deviations) * weeks;
        let mut left = outside(outlook.error_c, u, tolerance);
        for start_step in -1000_i32..=1000 {
            let share = if start_step.abs() == 1000 { 0.5 } else { 1.0 };
            let start = f64::from(start_step) / 1000.0 * tolerance;
            let z = (start - outlook.error_c) / u;
            let density = libm::exp(-0.5 * z * z) / (u * TWO_PI_ROOT);
            let both = one_barrier(tolerance - start, moved, variance)
                + one_barrier(tolerance + start, -moved, variance);
            left += share * tolerance / 1000.0 * density * both.min(1.0);
        }
        sum += weight * left;
        weights += weight;
    }
    sum / weights
}

#[test]
fn recomputed_first_passages_are_met() {
    // Own computation (two barriers by a sine series, one barrier by the inverse Gaussian law), checked
    // by simulated paths with a Brownian-bridge correction; no outside source.
    let mut cases = 0;
    for line in include_str!("../../vectors/first_passage.csv")
        .lines()
        .skip(1)
    {
        let f: Vec<f64> = line
            .split(',')
            .map(|field| field.parse().expect("a number"))
            .collect();
        let ahead = outlook(f[0], f[1], f[2], f[3], f[4], f[5]);
        let weeks = f[6];
        let now_outside = ahead.probability_outside(weeks);
        assert!((now_outside - f[7]).abs() < 1e-6, "{line}: {now_outside}");
        let left = ahead.probability_left_by(weeks);
        assert!((left - f[8]).abs() < 5e-5, "{line}: {left}");
        // Simulated: 100,000 paths, so four standard deviations are 0.0063 at most.
        assert!((left - f[10]).abs() < 0.0065, "{line}: {left}");
        if f[8] < 0.6 {
            assert!((left - f[9]).abs() < 2e-3, "{line}: {left}");
        }
        // Every other case, because the plain sum is slow.
        if cases % 3 == 0 {
            let sum = sum_of_barriers(&ahead, weeks);
            assert!((sum - f[9]).abs() < 1e-5, "{line}: {sum}");
        }
        cases += 1;
    }
    assert_eq!(cases, 30);
}

#[test]
fn weeks_until_five_per_cent_outside_are_those_recomputed() {
    // Own computation by bracketing: tolerance 10 °C, wander 0.5 °C²/week, u = 2 °C.
    for (error, slope, slope_u, wanted) in [
        (0.0, 0.0, 0.0, 44.1),
        (3.0, 0.0, 0.1, 19.9),
        (2.0, 0.3, 0.1, 9.6),
        (6.0, 0.2, 0.1, 1.8),
    ] {
        let ahead = outlook(error, 2.0, slope, slope_u, 0.5, 10.0);
        let found = earlier_bracket(0.0, 100.0, |weeks| ahead.probability_outside(weeks) >= 0.05);
        assert!((found - wanted).abs() < 0.06, "{error}: {found}");
    }
}

#[test]
fn without_drift_leaving_is_twice_as_probable_as_being_outside() {
    // Reflection principle: exact for one barrier and a known start.
    let ahead = outlook(9.0, 0.0, 0.0, 0.0, 0.25, 10.0);
    let outside = ahead.probability_outside(2.0);
    let left = ahead.probability_left_by(2.0);
    assert!((left - 2.0 * outside).abs() < 1e-12, "{left} {outside}");
}

#[test]
fn a_known_drift_leaves_on_its_day() {
    let ahead = outlook(4.0, 0.0, 0.5, 0.0, 0.0, 10.0);
    let leaving = ahead.leaving(52.0);
    for weeks in [
        leaving.expected_weeks,
        leaving.earliest_weeks,
        leaving.latest_weeks,
    ] {
        assert!((weeks.expect("within a year") - 12.0).abs() < 0.02);
    }
    assert_eq!(ahead.leaving(11.0).expected_weeks, None);
    assert_eq!(ahead.leaving(11.0).earliest_weeks, None);
}

#[test]
fn a_furnace_already_outside_has_left_now() {
    let leaving = outlook(25.0, 1.0, 0.0, 0.1, 0.4, 10.0).leaving(52.0);
    assert_eq!(leaving.expected_weeks, Some(0.0));
    assert_eq!(leaving.earliest_weeks, Some(0.0));
    assert_eq!(leaving.latest_weeks, Some(0.0));
}

#[test]
fn the_expected_date_lies_between_the_earliest_and_the_latest() {
    let leaving = outlook(2.0, 2.0, 0.3, 0.1, 0.5, 10.0).leaving(400.0);
    let expected = leaving.expected_weeks.expect("expected");
    let earliest = leaving.earliest_weeks.expect("earliest");
    let latest = leaving.latest_weeks.expect("latest");
    assert!(earliest < expected && expected < latest);
    // 26.7 weeks at 0.3 °C/week; a little more, because slow slopes may never leave.
    assert!((expected - 26.7).abs() < 0.6, "{expected}");
    let still = outlook(0.0, 0.5, 0.0, 0.0, 0.0, 10.0).leaving(100.0);
    assert_eq!(still.expected_weeks, None);
    assert_eq!(still.earliest_weeks, None);
    assert_eq!(still.latest_weeks, None);
}

#[test]
fn times_found_together_are_right_to_the_resolution_and_never_too_late() {
    let wanted = [0.05, 0.5, 0.95];
    for error in [-6.0, -1.0, 0.0, 3.0, 8.5] {
        for (slope, slope_u) in [(0.0, 0.05), (0.3, 0.2), (-0.6, 0.02)] {
            let outlook = outlook(error, 1.5, slope, slope_u, 0.4, 10.0);
            let together = outlook.left_with_each(wanted, 104.0);
            for (probability, found) in wanted.into_iter().zip(together) {
                let Some(weeks) = found else {
                    assert!(outlook.probability_left_by(104.0) < probability);
                    continue;
                };
                assert!(weeks <= 0.0 || outlook.probability_left_by(weeks) < probability);
                let after = outlook.probability_left_by(weeks + RESOLUTION_WEEKS);
                assert!(after >= probability, "{outlook:?} {probability} {weeks}");
            }
        }
    }
}

#[test]
fn correlation_of_level_and_slope_counts() {
    // A furnace known to be either high and rising or low and falling leaves sooner than one whose
    // level and slope are unrelated.
    let apart = outlook(0.0, 3.0, 0.0, 0.3, 0.2, 10.0);
    let mut together = apart;
    together.variance[0][1] = 0.8;
    together.variance[1][0] = 0.8;
    let mut against = apart;
    against.variance[0][1] = -0.8;
    against.variance[1][0] = -0.8;
    for look in [Outlook::probability_outside, Outlook::probability_left_by] {
        assert!(look(&together, 13.0) > look(&apart, 13.0));
        assert!(look(&against, 13.0) < look(&apart, 13.0));
    }
    // Fully correlated, without wandering: error (1 + weeks/10) · 3 z, so only the end counts.
    let mut line = outlook(0.0, 3.0, 0.0, 0.3, 0.0, 10.0);
    line.variance[0][1] = 0.9;
    line.variance[1][0] = 0.9;
    let wanted = 2.0 * normal_cdf(-10.0 / 6.0);
    let found = line.probability_left_by(10.0);
    assert!((line.probability_outside(10.0) - wanted).abs() < 1e-12);
    assert!((found - wanted).abs() < 2e-3, "{found} {wanted}");
}

#[test]
fn a_wandering_slope_adds_a_third_of_the_cubed_time() {
    let mut ahead = outlook(0.0, 0.0, 0.0, 0.0, 0.0, 10.0);
    ahead.slope_wander_c2_per_week3 = 0.03;
    // 0.03 · 10³ / 3 = 10 °C².
    let wanted = 2.0 * normal_cdf(-10.0 / 10.0_f64.sqrt());
    assert!((ahead.probability_outside(10.0) - wanted).abs() < 1e-12);
    let left = ahead.probability_left_by(10.0);
    assert!(left >= wanted - 1e-12 && left < wanted + 3e-3, "{left}");
}

#[test]
fn nothing_is_shown_by_figures_that_are_no_numbers() {
    let good = outlook(0.0, 1.0, 0.0, 0.1, 0.4, 10.0);
    assert!(good.probability_left_by(1.0) < 0.01);
    let broken = [
        Outlook {
            error_c: f64::NAN,
            ..good
        },
        Outlook {
            tolerance_c: 0.0,
            ..good
        },
        Outlook {
            tolerance_c: f64::NAN,
            ..good
        },
        Outlook {
            variance: [[f64::NAN, 0.0], [0.0, 1.0]],
            ..good
        },
        Outlook {
            wander_c2_per_week: f64::NAN,
            ..good
        },
    ];
    for ahead in broken {
        assert!((ahead.probability_outside(1.0) - 1.0).abs() < 1e-15);
        assert!((ahead.probability_left_by(1.0) - 1.0).abs() < 1e-15);
    }
    assert!((good.probability_left_by(f64::NAN) - 1.0).abs() < 1e-15);
    assert_eq!(good.leaving(f64::INFINITY).expected_weeks, None);
    assert_eq!(good.left_with(f64::NAN, 52.0), None);
}

/// An outlook of any reasonable furnace.
fn any_outlook() -> impl Strategy<Value = Outlook> {
    let sizes = (0.0..6.0_f64, 0.0..0.5_f64, -0.95..0.95_f64);
    let motion = (-12.0..12.0_f64, -1.0..1.0_f64, 0.0..2.0_f64, 0.0..0.01_f64);
    (sizes, motion, 2.0..20.0_f64).prop_map(|((u, s, r), (e, v, q, qs), tolerance)| Outlook {
        error_c: e,
        slope_c_per_week: v,
        variance: [[u * u, r * u * s], [r * u * s, s * s]],
        wander_c2_per_week: q,
        slope_wander_c2_per_week3: qs,
        tolerance_c: tolerance,
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_wider_tolerance_is_left_less_often(
        ahead in any_outlook(), weeks in 0.0..60.0_f64, wider in 0.01..10.0_f64,
    ) {
        let wide = Outlook { tolerance_c: ahead.tolerance_c + wider, ..ahead };
        let (narrow_out, wide_out) = (ahead.probability_outside(weeks), wide.probability_outside(weeks));
        prop_assert!((0.0..=1.0).contains(&narrow_out) && wide_out <= narrow_out);
        let (narrow_left, wide_left) = (ahead.probability_left_by(weeks), wide.probability_left_by(weeks));
        prop_assert!((0.0..=1.0).contains(&narrow_left) && wide_left <= narrow_left + 1e-6);
    }

    #[test]
    fn having_left_is_never_undone(
        ahead in any_outlook(), weeks in 0.0..40.0_f64, later in 0.0..20.0_f64,
    ) {
        let ahead = Outlook { slope_wander_c2_per_week3: 0.0, ..ahead };
        let left = ahead.probability_left_by(weeks);
        prop_assert!(left >= ahead.probability_outside(weeks));
        // The rule over slopes is right to 1e-6, and beside sharp corners to 1e-4: a difference of two can be off by
        // some millionths where nothing changes.
        let still_left = ahead.probability_left_by(weeks + later);
        prop_assert!(still_left >= left - 1e-5, "{left} {still_left}");
    }

    #[test]
    fn a_smooth_rule_of_many_starts_says_the_same(
        ahead in any_outlook(), weeks in 0.5..40.0_f64,
    ) {
        // Against a plain midpoint sum over 3000 starts for one slope.
        let u = ahead.variance[0][0].sqrt().max(0.05);
        let ahead = Outlook {
            variance: [[u * u, 0.0], [0.0, 0.0]],
            wander_c2_per_week: ahead.wander_c2_per_week.max(0.01),
            slope_wander_c2_per_week3: 0.0,
            ..ahead
        };
        let exit = Exit::new(
            ahead.tolerance_c,
            ahead.slope_c_per_week * weeks,
            (ahead.wander_c2_per_week * weeks).sqrt(),
        );
        let mut sum = 0.0;
        let mut weights = 0.0;
        for index in 0..3000_u32 {
            let z = (f64::from(index) + 0.5) / 3000.0 * 16.0 - 8.0;
            let weight = libm::exp(-0.5 * z * z);
            sum += weight * exit.probability(ahead.error_c + u * z);
            weights += weight;
        }
        prop_assert!((ahead.probability_left_by(weeks) - sum / weights).abs() < 2e-3);
    }

    #[test]
    fn no_figure_makes_looking_ahead_panic_or_leave_zero_to_one(
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), d in any::<f64>(), e in any::<f64>(),
        f in any::<f64>(), weeks in any::<f64>(),
    ) {
        let ahead = Outlook {
            error_c: a,
            slope_c_per_week: b,
            variance: [[c, d], [d, e]],
            wander_c2_per_week: f,
            slope_wander_c2_per_week3: 0.0,
            tolerance_c: 10.0,
        };
        prop_assert!((0.0..=1.0).contains(&ahead.probability_outside(weeks)));
        prop_assert!((0.0..=1.0).contains(&ahead.probability_left_by(weeks)));
        let _ = ahead.leaving(weeks);
        let other = Outlook { tolerance_c: f, wander_c2_per_week: 0.4, ..ahead };
        prop_assert!((0.0..=1.0).contains(&other.probability_left_by(13.0)));
    }
}

#[test]
fn a_drift_away_from_a_barrier_is_averaged_over_as_finely_as_it_needs() {
    // Own computation with four times as many nodes and slopes; no outside source. The drift is strong, so
    // that only starts within a tenth of a degree of the barrier still meet it.
    let ahead = Outlook {
        error_c: 8.091_296_151,
        slope_c_per_week: -0.549_040_751,
        variance: [
            [21.697_779_716, -1.824_975_361],
            [-1.824_975_361, 0.187_292_221],
        ],
        wander_c2_per_week: 0.204_781_121,
        slope_wander_c2_per_week3: 0.0,
        tolerance_c: 18.126_999_012,
    };
    for (weeks, wanted) in [
        (1.058_666_287, 0.016_260_402),
        (4.0, 0.016_261_136),
        (12.815_685_337, 0.016_261_139),
        (20.0, 0.017_502_225),
    ] {
        let left = ahead.probability_left_by(weeks);
        assert!((left - wanted).abs() < 1e-7, "{weeks}: {left}");
    }
}
