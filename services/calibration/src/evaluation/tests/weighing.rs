//! How history and a reading are weighed against each other, against published and worked figures.

use super::*;
use crate::inference::Weighing;
use proptest::prelude::*;

/// A level that is sure to a standard deviation, at 1500 °C and nowhere else.
fn level(level_c: f64, standard_deviation_c: f64) -> OffsetState {
    OffsetState {
        reference_c: 1500.0,
        level_c,
        slope_c_per_week: 0.0,
        coefficient_c_per_100c: 0.0,
        covariance: [
            [standard_deviation_c * standard_deviation_c, 0.0, 0.0],
            [0.0; 3],
            [0.0; 3],
        ],
        readings: 1,
        lowest_setpoint_c: 1500.0,
        highest_setpoint_c: 1500.0,
    }
}

/// A reading without a bias is expected.
fn unbiased(state: OffsetState) -> Expectation {
    Expectation {
        state: Some(state),
        bias_c: 0.0,
        bias_variance_c2: 0.0,
        covariance_c2: [0.0; 3],
    }
}

fn own(variance_c2: f64) -> Weighing {
    Weighing {
        variance_c2,
        ..Weighing::default()
    }
}

/// After readings with one batch and one caliper: the level is sure to 2 °C but for their biases, 3 °C
/// together, which the next reading repeats.
fn history(level_c: f64) -> Expectation {
    Expectation {
        state: Some(OffsetState {
            reference_c: 1500.0,
            level_c,
            slope_c_per_week: 0.0,
            coefficient_c_per_100c: 0.0,
            covariance: [[13.0, 0.0, 0.0], [0.0; 3], [0.0; 3]],
            readings: 4,
            lowest_setpoint_c: 1500.0,
            highest_setpoint_c: 1500.0,
        }),
        bias_c: 0.0,
        bias_variance_c2: 9.0,
        covariance_c2: [-9.0, 0.0, 0.0],
    }
}

#[test]
fn history_weighs_a_reading_and_far_ones_are_fired_again() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let gauge = caliper(0.02);
    let mut known = setting(&cycle);
    known.expectation = history(15.0);
    let evaluation = evaluated(&rings, &gauge, &known);
    let offset = evaluation.decision.expect("evaluable").offset_c;
    assert!(offset > 15.0 && offset < 19.0);
    assert!(evaluation.innovation_z.expect("a history").abs() < 2.5);
    assert_eq!(evaluation.state.expect("evaluable").readings, 5);

    // 29 °C off where 2 and 2.1 °C are expected; the filter brings it to 3 standard deviations.
    known.expectation = history(-10.0);
    known.counted.inflation_c2 = 29.0 * 29.0 / 9.0 - 8.4;
    let far = evaluated(&rings, &gauge, &known);
    assert!(far.innovation_z.expect("a history") > 3.5);
    assert_eq!(codes(&far.notices), ["COUNTED_AT_REDUCED_WEIGHT"]);
    assert!(far.notices[0].text.contains("a second firing decides"));
    assert_eq!(far.decision.expect("evaluable").advice, Advice::FireAgain);

    // Mildly odd: counted less, but nobody is told to wait for a second firing.
    known.expectation = history(10.0);
    known.counted.inflation_c2 = 9.0 * 9.0 / 9.0 - 8.4;
    let mild = evaluated(&rings, &gauge, &known);
    let z = mild.innovation_z.expect("a history");
    assert!(z > 3.0 && z < 3.5, "{z}");
    assert_eq!(codes(&mild.notices), ["COUNTED_AT_REDUCED_WEIGHT"]);
    assert!(!mild.notices[0].text.contains("second firing"));
    assert_ne!(mild.decision.expect("evaluable").advice, Advice::FireAgain);

    known.expectation = history(-10.0);
    known.counted = Counted {
        inflation_c2: 0.0,
        widened_c2: 64.0,
    };
    known.confirmed = true;
    let confirmed = evaluated(&rings, &gauge, &known);
    assert_eq!(codes(&confirmed.notices), ["STEP_CONFIRMED"]);
    let followed = confirmed
        .state
        .expect("evaluable")
        .estimate(1500.0)
        .offset_c;
    let resisted = far.state.expect("evaluable").estimate(1500.0).offset_c;
    assert!(followed > 15.0 && resisted < 0.0, "{followed} {resisted}");
    assert_eq!(
        confirmed.decision.expect("evaluable").advice,
        Advice::Adjust
    );
}

#[test]
fn another_gauge_or_batch_makes_history_less_binding() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let mut known = setting(&cycle);
    known.expectation = history(7.0);
    let same = evaluated(&rings, &caliper(0.02), &known);
    // Nothing of the history's bias is repeated: its part no longer cancels.
    known.expectation.covariance_c2 = [0.0; 3];
    let other = evaluated(&rings, &caliper(0.02), &known);
    let (same_z, other_z) = (
        same.innovation_z.expect("a history"),
        other.innovation_z.expect("a history"),
    );
    assert!(same_z > 2.5 && other_z < 2.5 && other_z > 0.0);
    let sure = |evaluation: &Evaluation| {
        let state = evaluation.state.expect("evaluable");
        state.estimate(1500.0).standard_uncertainty_c
    };
    // Two independent gauges average their errors, one gauge does not.
    assert!(sure(&other) < sure(&same));
}

#[test]
fn prior_and_reading_are_weighed_as_in_jcgm_106_annex_a() {
    // JCGM 106:2012 A.4.4, equations A.13 and A.14: N(0, 12²) and 19 ± 4.35 °C.
    let reading = own(4.35 * 4.35);
    let updated = unbiased(level(0.0, 12.0)).updated(1500.0, 19.0, reading, &Components::default());
    let estimate = updated.state.estimate(1500.0);
    assert!((estimate.offset_c - 16.79).abs() < 0.005);
    assert!((estimate.standard_uncertainty_c - 4.09).abs() < 0.005);
    // A furnace's first reading is weighed in the same way when its make is known to lie at 0 ± 12 °C.
    let known_make = Components {
        initial_sd_c: Some(12.0),
        ..Components::default()
    };
    let first = Expectation {
        state: None,
        ..unbiased(level(0.0, 12.0))
    };
    let updated = first.updated(1500.0, 19.0, reading, &known_make);
    let estimate = updated.state.estimate(1500.0);
    assert!((estimate.offset_c - 16.79).abs() < 0.005);
    assert!((estimate.standard_uncertainty_c - 4.09).abs() < 0.005);
}

#[test]
fn a_known_furnace_moves_by_the_gain_only() {
    // History 10 ± 4 °C, reading 16 ± 3 °C: K = 16 / (16 + 9) = 0.64.
    let updated =
        unbiased(level(10.0, 4.0)).updated(1500.0, 16.0, own(9.0), &Components::default());
    assert!((updated.gain - 0.64).abs() < 1e-12);
    assert!((updated.state.level_c - 13.84).abs() < 1e-12);
    assert!((updated.innovation_z.expect("a history") - 1.2).abs() < 1e-12);
}

#[test]
fn the_first_reading_is_believed_as_it_is() {
    let first = Expectation {
        state: None,
        bias_c: 0.0,
        bias_variance_c2: 9.0,
        covariance_c2: [0.0; 3],
    };
    let state = first
        .updated(1481.0, 19.0, own(4.4), &Components::default())
        .state;
    let estimate = state.estimate(1481.0);
    assert!((estimate.offset_c - 19.0).abs() < 1e-12);
    assert!((estimate.standard_uncertainty_c - (4.4_f64 + 9.0).sqrt()).abs() < 1e-12);
    // 100 °C away the coefficient, 3 °C per 100 °C, is still unknown.
    let elsewhere = state.estimate(1581.0);
    assert!((elsewhere.offset_c - 19.0).abs() < 1e-12);
    assert!((elsewhere.standard_uncertainty_c - (4.4_f64 + 9.0 + 9.0).sqrt()).abs() < 1e-12);
}

#[test]
fn a_better_gauge_is_believed_more_than_the_history_it_corrects() {
    // History 0 ± 1.2 °C with a caliper of ± 4 °C; a reading 6 ± 2 °C with a gauge of ± 1 °C.
    let another_gauge = |bias_c: f64, others_c: f64| Expectation {
        bias_variance_c2: others_c * others_c,
        ..unbiased(level(0.0, (1.44 + bias_c * bias_c).sqrt()))
    };
    let components = Components::default();
    let found = another_gauge(4.0, 1.0).updated(1500.0, 6.0, own(4.0), &components);
    // Weighted mean of independent results (GUM 5.1.2): history 1.2² + 4², reading 2² + 1².
    let weight = (1.44 + 16.0) / (1.44 + 16.0 + 4.0 + 1.0);
    assert!((found.state.level_c - 6.0 * weight).abs() < 1e-9);
    let z = 6.0 / (1.44_f64 + 16.0 + 4.0 + 1.0).sqrt();
    assert!((found.innovation_z.expect("a history") - z).abs() < 1e-9);
    // What is claimed is what the weights make of the true errors.
    let variance = (1.0 - weight) * (1.0 - weight) * (1.44 + 16.0) + weight * weight * (4.0 + 1.0);
    let claimed = found.state.estimate(1500.0).standard_uncertainty_c;
    assert!((claimed - variance.sqrt()).abs() < 1e-9, "{claimed}");
    // The other way round a worse gauge hardly moves a well-known furnace.
    let kept = another_gauge(1.0, 4.0).updated(1500.0, 6.0, own(4.0), &components);
    assert!(kept.state.level_c < 6.0 * 0.12, "{:?}", kept.state);
}

#[test]
fn what_a_check_took_off_is_the_gauge_s_bias_and_not_the_furnace_s() {
    // The block shows the caliper to read 0.05 mm large: rings seem 10 °C colder than they were.
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.52, 19.51, 19.53])];
    let gauge = Gauge {
        check: Some(checked(0.05, true)),
        ..caliper(0.03)
    };
    let mut known = setting(&cycle);
    known.expectation.bias_c = -10.0;
    known.expectation.bias_variance_c2 = 5.0;
    let evaluation = evaluated(&rings, &gauge, &known);
    let removed_c = evaluation.shared.gauge.expect("a gauge").removed_c;
    assert!((removed_c + 10.0).abs() < 1e-9);
    let decision = evaluation.decision.expect("evaluable");
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-9);
    assert!((decision.advised_setpoint_c - 1481.0).abs() < 1e-9);
    let offset = evaluation.state.expect("evaluable").estimate(1500.0);
    assert!((offset.offset_c - 19.0).abs() < 1e-9);
}

#[test]
fn a_bias_that_the_network_found_is_taken_off_the_advice() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let mut known = setting(&cycle);
    known.expectation.bias_c = 6.0;
    known.expectation.bias_variance_c2 = 1.0;
    let decision = evaluated(&rings, &caliper(0.03), &known)
        .decision
        .expect("evaluable");
    // The ring shows 1519 °C; 6 °C of that is known to be batch and caliper.
    assert!((decision.plain_setpoint_c - 1481.0).abs() < 1e-9);
    assert!((decision.advised_setpoint_c - 1487.0).abs() < 1e-9);
}

#[test]
fn the_parts_that_readings_share_are_taken_out_of_the_budget() {
    let cycle = cycle(120.0);
    let rings = [ring("centre", &[19.46, 19.47, 19.48])];
    let evaluation = evaluated(&rings, &caliper(0.03), &setting(&cycle));
    let shared = evaluation.shared;
    let gauge = shared.gauge.expect("a gauge");
    // 0.03 mm, rectangular (GUM 4.3.7), at 200 °C/mm.
    assert!((gauge.sd_c - 6.0 / 3.0_f64.sqrt()).abs() < 1e-9);
    assert!((gauge.coefficient - 1.0).abs() < 1e-9);
    assert!(gauge.removed_c.abs() < 1e-12);
    assert!((shared.batch_sd_c - 2.0).abs() < 1e-12);
    assert!(shared.hold_c.abs() < 1e-12 && shared.position_sd_c.abs() < 1e-12);
    let all_c2 = shared.own_c.powi(2) + shared.batch_sd_c.powi(2) + gauge.sd_c.powi(2);
    assert!((all_c2 - evaluation.budget.combined_c.powi(2)).abs() < 1e-9);
}

proptest! {
    #[test]
    fn a_reading_never_makes_the_estimate_less_sure(
        setpoints in proptest::collection::vec((1300.0..1650.0_f64, -40.0..40.0_f64), 1..20),
        r in 0.5..30.0_f64,
    ) {
        let components = Components::default();
        let first = Expectation { state: None, ..unbiased(level(0.0, 1.0)) };
        let mut state = first.updated(1500.0, 0.0, own(r), &components).state;
        for (setpoint, y) in setpoints {
            let before = state.estimate(setpoint).standard_uncertainty_c;
            state = unbiased(state).updated(setpoint, y, own(r), &components).state;
            let after = state.estimate(setpoint).standard_uncertainty_c;
            prop_assert!(after <= before + 1e-9);
            for i in 0..3 {
                prop_assert!(state.covariance[i][i] >= 0.0);
                for j in 0..i {
                    let shared = state.covariance[i][j];
                    prop_assert!((shared - state.covariance[j][i]).abs() < 1e-12);
                    prop_assert!(shared * shared <= state.covariance[i][i] * state.covariance[j][j] + 1e-9);
                }
            }
        }
    }
}
