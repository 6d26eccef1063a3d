//! Records that are too small, too even or wrong: nothing panics and no answer is not a number.

use super::assert_close;
use super::invented_fleet::{Fired, Fleet, batch, gauge};
use crate::inference::cholesky::Cholesky;
use crate::inference::*;
use proptest::prelude::*;

fn fleet_of(fired: Vec<Fired>) -> Fleet {
    Fleet {
        components: Components::default(),
        globals: vec![batch(4.0)],
        sites: vec![vec![gauge(9.0)]],
        furnaces: vec![(0, fired)],
    }
}

fn assert_finite(state: &OffsetState) {
    assert!(state.level_c.is_finite() && state.slope_c_per_week.is_finite());
    assert!(state.coefficient_c_per_100c.is_finite());
    for line in &state.covariance {
        for value in line {
            assert!(value.is_finite());
        }
    }
    let u = state.estimate(1500.0).standard_uncertainty_c;
    assert!(u.is_finite() && u >= 0.0);
}

#[test]
fn one_reading_is_believed_and_tells_nothing_of_biases() {
    let fleet = fleet_of(vec![Fired::plain(0.0, 19.0)]);
    let solved = fleet.solved();
    let state = solved.state(&fleet, 0);
    assert_close(state.level_c, 19.0, 1e-12, "level");
    assert_close(state.covariance[0][0], 4.41 + 9.0 + 4.0, 1e-12, "variance");
    assert_close(solved.solution.mean_c(0), 0.0, 1e-12, "batch");
    assert_close(solved.solution.covariance_c2(0, 0), 4.0, 1e-12, "batch");
    assert_eq!(solved.solution.counted, 0);
    assert_close(solved.solution.log_likelihood, 0.0, 1e-12, "likelihood");
    assert_eq!(fleet.smoothed(&solved, 0), vec![state]);
}

#[test]
fn readings_that_are_all_equal_are_no_proof_of_certainty() {
    let fleet = fleet_of((0..12).map(|_| Fired::plain(1.0, 7.0)).collect());
    let solved = fleet.solved();
    let state = solved.state(&fleet, 0);
    assert_finite(&state);
    assert_close(state.level_c, 7.0, 1e-12, "level");
    assert_close(state.slope_c_per_week, 0.0, 1e-12, "slope");
    assert!(state.estimate(1500.0).standard_uncertainty_c > 3.0);
}

#[test]
fn a_site_without_a_gauge_is_tracked_all_the_same() {
    let mut fired = Vec::new();
    for offset in [8.0, 9.0, 10.0] {
        let mut one = Fired::plain(1.0, offset);
        one.effects = vec![(Column::Global(0), 1.0)];
        fired.push(one);
    }
    let mut fleet = fleet_of(fired);
    fleet.sites = vec![Vec::new()];
    let solved = fleet.solved();
    let state = solved.state(&fleet, 0);
    assert_finite(&state);
    assert!(state.level_c > 8.0 && state.level_c < 10.0);
    assert!(state.covariance[0][0] > 4.0);
}

#[test]
fn a_batch_used_once_by_one_furnace_keeps_most_of_its_prior() {
    let mut fired: Vec<Fired> = (0..6).map(|_| Fired::plain(2.0, 5.0)).collect();
    fired[5].effects[1].0 = Column::Global(1);
    let mut fleet = fleet_of(fired);
    fleet.globals.push(batch(4.0));
    let solution = fleet.solved().solution;
    let variance = solution.covariance_c2(1, 1);
    assert!(variance > 2.0 && variance < 4.0, "{variance}");
}

#[test]
fn dates_out_of_order_count_as_no_time() {
    let mut backwards = fleet_of((0..4).map(|_| Fired::plain(2.0, 5.0)).collect());
    let mut at_once = backwards.clone();
    backwards.furnaces[0].1[2].weeks = -9.0;
    at_once.furnaces[0].1[2].weeks = 0.0;
    let (a, b) = (backwards.solved(), at_once.solved());
    assert_eq!(a.state(&backwards, 0), b.state(&at_once, 0));
    assert_eq!(a.solution, b.solution);
}

#[test]
fn a_reading_that_is_no_temperature_is_passed_over() {
    let mut fleet = fleet_of((0..4).map(|_| Fired::plain(2.0, 5.0)).collect());
    fleet.furnaces[0].1[2].offset_c = f64::NAN;
    let solved = fleet.solved();
    let state = solved.state(&fleet, 0);
    assert_finite(&state);
    assert_eq!(state.readings, 3);
    // The same as four weeks between the second and the last.
    let mut without = fleet.clone();
    without.furnaces[0].1.remove(2);
    without.furnaces[0].1[2].weeks = 4.0;
    let expected = without.solved().state(&without, 0);
    assert_close(state.level_c, expected.level_c, 1e-12, "level");
    assert_close(
        state.covariance[0][0],
        expected.covariance[0][0],
        1e-12,
        "variance",
    );
    for past in fleet.smoothed(&solved, 0) {
        assert_finite(&past);
    }
}

#[test]
fn a_first_reading_that_is_no_temperature_starts_nothing() {
    let mut fleet = fleet_of(vec![Fired::plain(0.0, 5.0), Fired::plain(1.0, 6.0)]);
    fleet.furnaces[0].1[0].setpoint_c = f64::INFINITY;
    let solved = fleet.solved();
    let state = solved.state(&fleet, 0);
    assert_eq!(state.readings, 1);
    assert_close(state.level_c, 6.0, 1e-12, "level");
    assert_close(state.reference_c, 1500.0, 1e-12, "reference");
    assert_eq!(fleet.smoothed(&solved, 0).len(), 2);
}

#[test]
fn a_prior_of_zero_fixes_an_effect_without_dividing_by_it() {
    let mut fired = Vec::new();
    for (k, offset) in [5.0, 6.0, 4.0, 9.0].into_iter().enumerate() {
        let mut one = Fired::plain(1.0, offset);
        one.effects[1].0 = Column::Global(k % 2);
        fired.push(one);
    }
    let mut fleet = fleet_of(fired);
    fleet.globals = vec![batch(0.0), batch(0.0)];
    fleet.sites = vec![vec![gauge(0.0)]];
    let fixed = fleet.solved();
    assert_close(fixed.solution.mean_c(0), 0.0, 0.0, "batch");
    assert_close(fixed.solution.covariance_c2(0, 0), 0.0, 0.0, "batch");
    let mut bare = fleet.clone();
    for one in &mut bare.furnaces[0].1 {
        one.effects.clear();
    }
    let (a, b) = (fixed.state(&fleet, 0), bare.solved().state(&bare, 0));
    assert_close(a.level_c, b.level_c, 1e-12, "level");
    assert_close(a.covariance[0][0], b.covariance[0][0], 1e-12, "variance");
    let expected = bare.solved().solution.log_likelihood;
    assert_close(fixed.solution.log_likelihood, expected, 1e-12, "likelihood");
}

#[test]
fn a_matrix_that_is_not_positive_definite_is_refused() {
    assert_eq!(Cholesky::of(2, &[1.0, 2.0, 1.0]), Err(NotPositiveDefinite));
    assert_eq!(Cholesky::of(1, &[f64::NAN]), Err(NotPositiveDefinite));
    assert_eq!(Cholesky::of(2, &[1.0]), Err(NotPositiveDefinite));
    let factor = Cholesky::of(2, &[4.0, 2.0, 5.0]).expect("a factor");
    assert_close(
        factor.log_determinant(),
        libm::log(16.0),
        1e-15,
        "determinant",
    );
    let mut right = vec![8.0, 12.0];
    factor.solve(&mut right);
    assert_close(right[0], 1.0, 1e-15, "first");
    assert_close(right[1], 2.0, 1e-15, "second");
    let inverse = factor.inverse();
    for (found, expected) in inverse.iter().zip([5.0 / 16.0, -2.0 / 16.0, 4.0 / 16.0]) {
        assert_close(*found, expected, 1e-15, "inverse");
    }
    assert_eq!(
        Cholesky::of(0, &[])
            .expect("nothing")
            .log_determinant()
            .to_bits(),
        0
    );
}

#[test]
fn taking_out_what_was_never_put_in_is_refused() {
    let fleet = fleet_of((0..12).map(|_| Fired::plain(1.0, 7.0)).collect());
    let mut fleet = fleet;
    fleet.globals.push(batch(4.0));
    fleet.furnaces[0].1[6].effects[1].0 = Column::Global(1);
    let solved = fleet.solved();
    let mut network = Network::new(&fleet.globals, &fleet.components);
    network.remove(&solved.blocks[0]);
    assert_eq!(network.solved(), Err(NotPositiveDefinite));
}

fn odd() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -50.0..50.0_f64,
        1 => any::<f64>(),
        1 => prop_oneof![
            Just(0.0), Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY),
            Just(1e300), Just(-1e300), Just(1e6), Just(5e-324)
        ],
    ]
}

fn odd_fired() -> impl Strategy<Value = Fired> {
    (
        (odd(), odd(), odd(), odd()),
        (odd(), any::<bool>(), odd(), odd()),
        (0..4_usize, 0..4_usize, any::<bool>()),
    )
        .prop_map(
            |(
                (weeks, setpoint, offset, variance),
                (event, redraws, shift, coefficient),
                (g, b, far),
            )| {
                Fired {
                    weeks,
                    setpoint_c: if far { setpoint } else { 1500.0 },
                    offset_c: offset,
                    variance_c2: variance,
                    event_variance_c2: event,
                    redraws_slope: redraws,
                    shift_c: shift,
                    effects: vec![(Column::Local(g), coefficient), (Column::Global(b), 1.0)],
                }
            },
        )
}

proptest! {
    #[test]
    fn no_record_makes_an_answer_that_is_not_a_number(
        records in prop::collection::vec((0..2_usize, odd_fired()), 1..12),
        parameters in prop::collection::vec(odd(), 9),
        priors in prop::collection::vec(odd(), 6),
        check in (odd(), odd()),
    ) {
        let components = Components {
            wander_c2_per_week: parameters[0],
            slope_sd_c_per_week: parameters[1],
            slope_wander_c2_per_week3: parameters[2],
            coefficient_sd_c_per_100c: parameters[3],
            event_scale: parameters[4],
            noise_scale: parameters[5],
            batch_scale: parameters[6],
            gauge_scale: parameters[7],
            initial_sd_c: if parameters[8] > 0.0 { Some(parameters[8]) } else { None },
            bound_z: parameters[0],
        };
        let mut online = Online::new(components);
        let site = online.add_site();
        for prior in &priors[..3] {
            let effect = LocalEffect {
                prior_variance_c2: *prior,
                scaled: true,
                checks: vec![Check { value_c: check.0, variance_c2: check.1 }],
            };
            online.add_local(site, effect);
            online.add_global(GlobalEffect { prior_variance_c2: *prior, scaled: false });
        }
        let furnaces = [online.add_furnace(site), online.add_furnace(site)];
        for (furnace, fired) in &records {
            let furnace = furnaces[*furnace].expect("the site");
            let taken = online.take(furnace, &fired.firing()).expect("the furnace");
            assert_finite(&taken.state);
            prop_assert!(taken.step.variance_c2.is_finite());
            prop_assert!(taken.step.z.is_none_or(f64::is_finite));
            prop_assert!(taken.fleet_z.is_none_or(f64::is_finite));
            prop_assert!(taken.expectation.bias_c.is_finite());
            for value in online.solution().means.iter().chain(&online.solution().covariance) {
                prop_assert!(value.is_finite());
            }
            prop_assert!(online.solution().log_likelihood.is_finite());
        }
        // Solved anew the answer may be refused, but it is never not a number.
        if online.rebuild().is_ok() {
            for furnace in furnaces.into_iter().flatten() {
                if let Some(state) = online.state(furnace) {
                    assert_finite(&state);
                }
            }
        }
    }

    #[test]
    fn observing_an_effect_never_breaks_what_is_known(
        index in 0..4_usize, value in odd(), variance in odd(),
    ) {
        let mut known = Gaussian::independent(&[9.0, 4.0, 0.0]);
        known.observed(0, 1.0, 1.0);
        known.append_independent(0.0, 2.0);
        known.observed(index, value, variance);
        for number in known.mean.iter().chain(&known.covariance) {
            prop_assert!(number.is_finite());
        }
    }
}
