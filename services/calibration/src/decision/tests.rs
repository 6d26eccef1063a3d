//! Decisions against the published conformity examples and the rules of this program.

use super::*;
use crate::coverage::normal_quantile;
use proptest::prelude::*;

fn limits() -> Limits {
    Limits {
        setpoint_step_c: 1.0,
        lowest_setpoint_c: 1400.0,
        highest_setpoint_c: 1600.0,
        largest_step_c: 30.0,
    }
}

fn estimate(offset_c: f64, standard_uncertainty_c: f64) -> Estimate {
    Estimate {
        offset_c,
        standard_uncertainty_c,
    }
}

/// A furnace set to 1500 °C with a target of 1500 °C whose readings say `offset_c`.
fn situation(offset_c: f64, u: f64) -> Situation {
    Situation {
        current_setpoint_c: 1500.0,
        target_c: 1500.0,
        reading: estimate(offset_c, u),
        reading_expanded_c: 2.0 * u,
        estimate: estimate(offset_c, u),
        innovation_z: None,
        confirmed: false,
        drift_c_per_week: 0.0,
        position_spread_c: None,
        limits: limits(),
        policy: Policy::default(),
    }
}

fn codes(decision: &Decision) -> Vec<&str> {
    decision
        .reasons
        .iter()
        .map(|reason| reason.code.as_ref())
        .collect()
}

fn set_to(decision: &Decision, wanted: f64) -> bool {
    (decision.advised_setpoint_c - wanted).abs() < 1e-9
}

#[test]
fn published_conformance_probabilities_are_reproduced() {
    // JCGM 106:2012 7.4, motor oil 13.6 ± 1.8 within [12.5, 16.3]: 0.66.
    let oil = conformance_probability(13.6 - 14.4, 1.8, 1.9);
    assert!((oil - 0.66).abs() < 0.005);
    assert!((oil - 0.662_630).abs() < 1e-6);
    // JCGM 106:2012 7.3.3 example 1, Zener diode, upper limit only: z = 1.40, 0.92.
    let wide = 1e6;
    let zener = conformance_probability(-5.47 - (-5.40 - wide), 0.05, wide);
    assert!((zener - 0.92).abs() < 0.005);
    // JCGM 106:2012 7.3.3 example 2, burst strength, lower limit only: 0.99.
    let burst = conformance_probability(509.7 - (490.0 + wide), 8.6, wide);
    assert!((burst - 0.99).abs() < 0.005);
    assert!((burst - 0.989_010).abs() < 1e-5);
}

#[test]
fn a_guard_band_of_two_standard_uncertainties_accepts_falsely_in_two_per_cent() {
    // JCGM 106:2012 8.3.2.3: at the acceptance limit at most 2.3 % lie outside.
    let outside = 1.0 - conformance_probability(100.0 - 2.0, 1.0, 100.0);
    assert!((outside - 0.023).abs() < 5e-4);
    assert!((outside - 0.022_750_1).abs() < 1e-6);
}

#[test]
fn the_default_guard_band_gives_ninety_five_per_cent_at_its_limit() {
    // JCGM 106:2012 Table 1: z = 1.64 for 0.95.
    let decision = decide(&situation(0.0, 2.0));
    assert!((decision.guard_band_c - 3.28).abs() < 1e-12);
    assert!((decision.acceptance_limit_c - 6.72).abs() < 1e-12);
    let at_limit = conformance_probability(decision.acceptance_limit_c, 2.0, 10.0);
    assert!((at_limit - 0.95).abs() < 1e-3);
    assert!((normal_quantile(0.95) - Policy::default().guard_factor).abs() < 0.006);
}

#[test]
fn the_probability_of_being_outside_matches_the_worked_rings() {
    // Residual 8.75 °C, tolerance 15 °C, micrometer u 2.947 and caliper u 3.360; residual 20 °C.
    let outside = |r: f64, u: f64| 1.0 - conformance_probability(r, u, 15.0);
    assert!((outside(8.75, 2.947) - 0.017).abs() < 5e-4);
    assert!((outside(8.75, 3.360) - 0.031).abs() < 5e-4);
    assert!((outside(20.0, 2.947) - 0.955).abs() < 5e-4);
}

#[test]
fn the_bridge_between_two_checks_matches_the_worked_probabilities() {
    // Error 0 ± 3 at the first check and +22 ± 3 °C at the second, 40 firings of 0.6 °C wander,
    // position 3 °C, tolerance 15 °C: mean and variance of a Brownian bridge at fraction f.
    let worked = [
        (0.1, 0.0012),
        (0.25, 0.0112),
        (0.5, 0.1667),
        (0.75, 0.6407),
        (0.9, 0.8732),
        (1.0, 0.9505),
    ];
    for (f, wanted) in worked {
        let u = 3.0_f64;
        let variance =
            (1.0 - f) * (1.0 - f) * u * u + f * f * u * u + 0.6 * 0.6 * 40.0 * f * (1.0 - f) + 9.0;
        let outside = 1.0 - conformance_probability(22.0 * f, variance.sqrt(), 15.0);
        assert!((outside - wanted).abs() < 5e-5, "{f}: {outside}");
    }
}

#[test]
fn nineteen_degrees_hot_at_1500_is_set_to_1481() {
    // Common practice, no source: set 1500, ring 1519, so set 1481.
    let decision = decide(&situation(19.0, 4.5));
    assert_eq!(decision.advice, Advice::Adjust);
    assert!(set_to(&decision, 1481.0));
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-12);
    assert!((decision.error_c - 19.0).abs() < 1e-12);
    assert_eq!(codes(&decision), ["OUTSIDE_ACTION_BAND"]);
}

#[test]
fn a_known_furnace_moves_by_four_where_plain_compensation_moves_by_six() {
    // Target 1500, set 1490, ring 1506: offset +16; prior +10 ± 4, reading ± 3, K = 0.64.
    let mut known = situation(16.0, 3.0);
    known.current_setpoint_c = 1490.0;
    known.estimate = estimate(13.84, 2.4);
    let weighted = decide(&known);
    assert_eq!(weighted.advice, Advice::Adjust);
    assert!(set_to(&weighted, 1486.0));
    known.policy.full_compensation = true;
    let full = decide(&known);
    assert!(set_to(&full, 1484.0));
    assert_eq!(codes(&full), ["PLAIN_COMPENSATION"]);
}

#[test]
fn an_error_within_the_action_band_is_left_alone() {
    let decision = decide(&situation(2.9, 3.0));
    assert_eq!(decision.advice, Advice::Leave);
    assert!(set_to(&decision, 1500.0));
    assert_eq!(codes(&decision), ["WITHIN_NOISE"]);
    assert!(decision.reasons[0].text.contains("would follow noise"));
}

#[test]
fn the_action_band_is_never_below_half_a_step() {
    let mut coarse = situation(4.0, 1.0);
    coarse.limits.setpoint_step_c = 10.0;
    assert_eq!(decide(&coarse).advice, Advice::Leave);
    coarse.estimate.offset_c = 6.0;
    coarse.reading.offset_c = 6.0;
    let decision = decide(&coarse);
    assert_eq!(decision.advice, Advice::Adjust);
    assert!(set_to(&decision, 1490.0));
}

#[test]
fn a_small_error_with_little_certainty_is_still_adjusted() {
    let decision = decide(&situation(2.5, 4.8));
    assert!(decision.conformance_probability < 0.95);
    assert_eq!(decision.advice, Advice::Adjust);
    assert_eq!(codes(&decision), ["CONFORMANCE_NOT_SHOWN"]);
}

#[test]
fn a_reading_far_from_history_is_fired_again_with_a_provisional_setpoint() {
    let mut far = situation(12.0, 2.0);
    far.innovation_z = Some(-3.6);
    let decision = decide(&far);
    assert_eq!(decision.advice, Advice::FireAgain);
    assert!(set_to(&decision, 1500.0));
    assert!((decision.provisional_setpoint_c.expect("provisional") - 1488.0).abs() < 1e-9);
    assert_eq!(
        codes(&decision),
        ["DISAGREES_WITH_HISTORY", "OUTSIDE_ACTION_BAND"]
    );
    far.confirmed = true;
    assert_eq!(decide(&far).advice, Advice::Adjust);
    far.confirmed = false;
    far.innovation_z = Some(3.4);
    assert_eq!(decide(&far).advice, Advice::Adjust);
}

#[test]
fn an_uncertainty_above_the_tolerance_cannot_decide() {
    let vague = situation(19.0, 5.1);
    let decision = decide(&vague);
    assert_eq!(decision.advice, Advice::FireAgain);
    assert_eq!(codes(&decision)[0], "MEASUREMENT_CANNOT_DECIDE");
    // What history knows may decide where the reading alone cannot.
    let mut known = vague;
    known.estimate.standard_uncertainty_c = 3.0;
    assert_eq!(decide(&known).advice, Advice::Adjust);
}

#[test]
fn a_step_above_thirty_degrees_wants_a_second_firing() {
    let mut large = situation(31.0, 2.0);
    let decision = decide(&large);
    assert_eq!(decision.advice, Advice::FireAgain);
    assert_eq!(codes(&decision)[0], "STEP_TOO_LARGE");
    assert!((decision.provisional_setpoint_c.expect("provisional") - 1469.0).abs() < 1e-9);
    large.confirmed = true;
    assert_eq!(decide(&large).advice, Advice::Adjust);
    assert!(set_to(&decide(&large), 1469.0));
    let exactly = situation(30.0, 2.0);
    assert_eq!(decide(&exactly).advice, Advice::Adjust);
}

#[test]
fn what_a_setpoint_cannot_mend_goes_to_service() {
    let mut limited = situation(-20.0, 2.0);
    limited.limits.highest_setpoint_c = 1510.0;
    let decision = decide(&limited);
    assert_eq!(decision.advice, Advice::Service);
    assert_eq!(codes(&decision)[0], "SETPOINT_OUT_OF_LIMITS");
    assert!(set_to(&decision, 1500.0));

    let mut huge = situation(51.0, 2.0);
    huge.limits.lowest_setpoint_c = 1300.0;
    huge.confirmed = true;
    assert_eq!(codes(&decide(&huge))[0], "OFFSET_TOO_LARGE");
    huge.confirmed = false;
    assert_eq!(decide(&huge).advice, Advice::FireAgain);

    let mut fast = situation(0.0, 2.0);
    fast.drift_c_per_week = -3.1;
    assert_eq!(decide(&fast).advice, Advice::Service);
    fast.drift_c_per_week = 2.9;
    assert_eq!(decide(&fast).advice, Advice::Leave);

    let mut uneven = situation(0.0, 2.0);
    uneven.position_spread_c = Some(10.5);
    assert_eq!(codes(&decide(&uneven)), ["POSITIONS_DIFFER"]);
    uneven.position_spread_c = Some(9.5);
    assert_eq!(decide(&uneven).advice, Advice::Leave);
}

#[test]
fn raising_a_setpoint_comes_with_a_caution_and_lowering_does_not() {
    let raising = decide(&situation(-12.0, 2.0));
    assert!(set_to(&raising, 1512.0));
    assert_eq!(codes(&raising), ["OUTSIDE_ACTION_BAND", "CAUTION_RAISING"]);
    assert!(!codes(&decide(&situation(12.0, 2.0))).contains(&"CAUTION_RAISING"));
}

#[test]
fn a_tie_goes_to_the_smaller_change() {
    let fives = Limits {
        setpoint_step_c: 5.0,
        ..limits()
    };
    let up = rounded_setpoint_c(1502.5, 1500.0, &fives);
    assert!((up.setpoint_c - 1500.0).abs() < 1e-9);
    let down = rounded_setpoint_c(1502.5, 1510.0, &fives);
    assert!((down.setpoint_c - 1505.0).abs() < 1e-9);
    let half = rounded_setpoint_c(1480.5, 1500.0, &limits());
    assert!((half.setpoint_c - 1481.0).abs() < 1e-9);
}

#[test]
fn limits_that_are_not_whole_steps_are_never_left() {
    let odd = Limits {
        setpoint_step_c: 5.0,
        lowest_setpoint_c: 1452.0,
        highest_setpoint_c: 1548.0,
        ..limits()
    };
    let top = rounded_setpoint_c(1600.0, 1500.0, &odd);
    assert!((top.setpoint_c - 1545.0).abs() < 1e-9 && top.limited);
    let bottom = rounded_setpoint_c(1300.0, 1500.0, &odd);
    assert!((bottom.setpoint_c - 1455.0).abs() < 1e-9 && bottom.limited);
    let narrow = Limits {
        lowest_setpoint_c: 1501.0,
        highest_setpoint_c: 1504.0,
        ..odd
    };
    let none = rounded_setpoint_c(1502.0, 1500.0, &narrow);
    assert!((none.setpoint_c - 1501.0).abs() < 1e-9 && none.limited);
}

#[test]
fn tenths_of_a_degree_are_clean_figures() {
    let tenths = Limits {
        setpoint_step_c: 0.1,
        ..limits()
    };
    let rounded = rounded_setpoint_c(1481.27, 1500.0, &tenths);
    assert_eq!(rounded.setpoint_c.to_string(), "1481.3");
}

proptest! {
    #[test]
    fn rounding_never_leaves_the_limits(
        wanted in -1e4..1e4_f64, current in 1000.0..1700.0_f64, step in 0.01..50.0_f64,
        low in 1000.0..1500.0_f64, width in 0.0..400.0_f64,
    ) {
        let limits = Limits {
            setpoint_step_c: step, lowest_setpoint_c: low, highest_setpoint_c: low + width,
            largest_step_c: 30.0,
        };
        let rounded = rounded_setpoint_c(wanted, current, &limits);
        prop_assert!(rounded.setpoint_c >= low && rounded.setpoint_c <= low + width);
        if !rounded.limited {
            prop_assert!((rounded.setpoint_c - wanted).abs() <= step / 2.0 + 1e-5);
        }
    }

    #[test]
    fn only_an_adjustment_changes_the_setpoint(
        offset in -100.0..100.0_f64, u in 0.1..12.0_f64, z in -6.0..6.0_f64,
        confirmed in any::<bool>(), full in any::<bool>(), spread in 0.0..30.0_f64,
    ) {
        let mut case = situation(offset, u);
        case.innovation_z = Some(z);
        case.confirmed = confirmed;
        case.policy.full_compensation = full;
        case.position_spread_c = Some(spread);
        let decision = decide(&case);
        let moves = (decision.advised_setpoint_c - case.current_setpoint_c).abs() > 1e-9;
        prop_assert_eq!(moves, decision.advice == Advice::Adjust);
        prop_assert!(!decision.reasons.is_empty());
        prop_assert!((0.0..=1.0).contains(&decision.conformance_probability));
        if moves {
            prop_assert!(
                (decision.advised_setpoint_c + offset - 1500.0).abs() <= decision.error_c.abs() + 1e-9
            );
        }
    }

    #[test]
    fn no_figure_makes_a_decision_panic(
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), d in any::<f64>(),
        z in proptest::option::of(any::<f64>()), confirmed in any::<bool>(),
    ) {
        let mut case = situation(a, b);
        case.current_setpoint_c = c;
        case.target_c = d;
        case.innovation_z = z;
        case.confirmed = confirmed;
        case.position_spread_c = z;
        case.limits.setpoint_step_c = a;
        case.limits.lowest_setpoint_c = b;
        case.limits.highest_setpoint_c = d;
        case.limits.largest_step_c = c;
        case.policy.tolerance_c = d;
        case.policy.action_band_c = a;
        let decision = decide(&case);
        prop_assert!(!decision.reasons.is_empty());
        let probability = conformance_probability(a, b, c);
        prop_assert!((0.0..=1.0).contains(&probability));
    }
}
