//! Conformity assessment after JCGM 106:2012, through the decision about a furnace.

use ringtrue_calibration::decision::{
    Advice, Limits, Policy, Situation, conformance_probability, decide,
};
use ringtrue_calibration::inference::Estimate;

use crate::setup::close;

/// A furnace whose error is known with a standard uncertainty, under a tolerance.
fn situation(error_c: f64, standard_uncertainty_c: f64, tolerance_c: f64) -> Situation {
    let known = Estimate {
        offset_c: error_c,
        standard_uncertainty_c,
    };
    Situation {
        current_setpoint_c: 1500.0,
        target_c: 1500.0,
        reading: known,
        reading_expanded_c: 2.0 * standard_uncertainty_c,
        estimate: known,
        innovation_z: None,
        confirmed: false,
        drift_c_per_week: 0.0,
        position_spread_c: None,
        limits: Limits {
            setpoint_step_c: 1.0,
            lowest_setpoint_c: 1300.0,
            highest_setpoint_c: 1700.0,
            largest_step_c: 100.0,
        },
        policy: Policy {
            tolerance_c,
            ..Policy::default()
        },
    }
}

#[test]
fn the_motor_oil_of_7_4_conforms_with_probability_0_66() {
    // JCGM 106 7.4: 13.6 ± 1.8 within 12.5 to 16.3, that is 0.8 below the middle of ± 1.9.
    let decision = decide(&situation(13.6 - 14.4, 1.8, 1.9));
    close(decision.conformance_probability, 0.66, 0.005);
    close(decision.error_c, -0.8, 1e-9);
}

#[test]
fn one_sided_examples_of_7_3_3_come_out_when_the_other_limit_is_far() {
    // JCGM 106 7.3.3, example 1 (Zener diode, V) and example 2 (burst strength, kPa): only one limit
    // counts, so the other is put a hundred standard uncertainties away.
    for (y, u, limit, wanted) in [(-5.47, 0.05, -5.40, 0.92), (-509.7, 8.6, -490.0, 0.99)] {
        let half = 50.0 * u;
        let found = decide(&situation(y - (limit - half), u, half));
        close(found.conformance_probability, wanted, 0.005);
    }
}

#[test]
fn table_1_gives_the_distances_for_the_usual_probabilities() {
    // JCGM 106 Table 1: a value that many standard uncertainties inside its limit.
    for (probability, z) in [
        (0.80, 0.84),
        (0.90, 1.28),
        (0.95, 1.64),
        (0.99, 2.33),
        (0.999, 3.09),
    ] {
        let far = 1000.0;
        let found = conformance_probability(far - z, 1.0, far);
        close(found, probability, 0.003);
    }
}

#[test]
fn a_furnace_at_its_acceptance_limit_is_in_tolerance_with_0_95() {
    // JCGM 106 8.3.2: a guard band of 1.64 standard uncertainties goes with 0.95 (Table 1).
    let u_c = 2.0;
    let guard_c = 1.64 * u_c;
    let decision = decide(&situation(10.0 - guard_c, u_c, 10.0));
    close(decision.guard_band_c, guard_c, 1e-12);
    close(decision.conformance_probability, 0.95, 0.001);
    // A guard band of the expanded uncertainty 2 u lets at most 2.3 % through wrongly (8.3.2.3).
    let wide = conformance_probability(1000.0 - 2.0, 1.0, 1000.0);
    close(1.0 - wide, 0.023, 5e-4);
}

#[test]
fn an_error_inside_the_noise_is_left_alone_and_one_that_may_be_out_is_not() {
    // GUM 3.3.1 and JCGM 106 8: a small error well inside the guarded limits is no reason to act; the
    // same error known badly is.
    assert_eq!(decide(&situation(2.0, 1.5, 10.0)).advice, Advice::Leave);
    assert_eq!(decide(&situation(8.0, 1.5, 10.0)).advice, Advice::Adjust);
}
