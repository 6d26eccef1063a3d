//! The calibration line of GUM H.3 through the way that follows a furnace's offset from reading to
//! reading, and a prior weighed against a reading after JCGM 106 A.4.4.

use ringtrue_calibration::offset::{Noise, Observed, OffsetState, Weight, followed};

use crate::setup::{close, figure, rows};

/// H.3 states its line at 20 °C; here the level is stated at 1500 °C, so its thermometer is moved
/// there. One degree on the thermometer is one degree here.
const MOVED_C: f64 = 1480.0;

/// A furnace that does not wander and whose change with temperature is not known beforehand.
fn straight() -> Noise {
    Noise {
        wander_c2_per_week: 0.0,
        drift_c_per_week: 0.0,
        // Large enough to say nothing, °C per 100 °C; the line of H.3 has a slope of 0.2.
        coefficient_sd_c_per_100c: 1000.0,
        event_sd_c: 0.0,
        changed_bias_c: 0.0,
    }
}

#[test]
fn following_the_thermometer_of_gum_h_3_gives_its_printed_line() {
    // GUM H.3.3, Table H.6: s = 0.0035 °C with 9 degrees of freedom, unrounded 0.003497564.
    let s_c = 0.003_497_563_964;
    let mut state: Option<OffsetState> = None;
    for row in rows(include_str!("data/gum_h3.csv")) {
        let observed = Observed {
            setpoint_c: figure(row[1]) + MOVED_C,
            offset_c: figure(row[2]),
            independent_c: s_c,
            shared_c: 0.0,
        };
        let step = followed(state, &observed, false, &straight());
        assert_eq!(step.weight, Weight::Full, "{row:?}");
        state = Some(step.state);
    }
    let state = state.expect("eleven readings");
    assert_eq!(state.readings, 11);

    // y1 = -0.1712 °C with s = 0.0029 °C; y2 = 0.00218 with s = 0.00067; r = -0.930.
    close(state.level_c, -0.1712, 5e-5);
    close(state.variance[0][0].sqrt(), 0.0029, 5e-5);
    close(state.coefficient_c_per_100c / 100.0, 0.00218, 5e-6);
    close(state.variance[1][1].sqrt() / 100.0, 0.00067, 5e-6);
    let r = state.variance[0][1] / (state.variance[0][0] * state.variance[1][1]).sqrt();
    close(r, -0.930, 5e-4);

    // b(30 °C) = -0.1494 °C, u = 0.0041 °C (H.3.4); at the mean of the readings -0.1625(11) (H.3.5).
    let at_30 = state.estimate(30.0 + MOVED_C);
    close(at_30.offset_c, -0.1494, 5e-5);
    close(at_30.standard_uncertainty_c, 0.0041, 5e-5);
    let at_mean = state.estimate(24.0085 + MOVED_C);
    close(at_mean.offset_c, -0.1625, 5e-5);
    close(at_mean.standard_uncertainty_c, 0.0011, 5e-5);

    // The predictions of Table H.6, all eleven.
    for row in rows(include_str!("data/gum_h3.csv")) {
        let predicted = state.estimate(figure(row[1]) + MOVED_C);
        close(predicted.offset_c, figure(row[3]), 6e-5);
    }
}

#[test]
fn the_order_of_the_readings_does_not_matter_to_the_line() {
    let mut forwards: Option<OffsetState> = None;
    let mut backwards: Option<OffsetState> = None;
    let observed = |row: &Vec<&str>| Observed {
        setpoint_c: figure(row[1]) + MOVED_C,
        offset_c: figure(row[2]),
        independent_c: 0.0035,
        shared_c: 0.0,
    };
    let all = rows(include_str!("data/gum_h3.csv"));
    for row in &all {
        forwards = Some(followed(forwards, &observed(row), false, &straight()).state);
    }
    for row in all.iter().rev() {
        backwards = Some(followed(backwards, &observed(row), false, &straight()).state);
    }
    let (forwards, backwards) = (forwards.expect("readings"), backwards.expect("readings"));
    close(forwards.level_c, backwards.level_c, 1e-6);
    close(
        forwards.coefficient_c_per_100c,
        backwards.coefficient_c_per_100c,
        1e-4,
    );
}

#[test]
fn a_prior_and_a_reading_are_weighed_by_their_variances() {
    // JCGM 106 A.4.4, equations A.13 and A.14; a prior of 0 ± 12 °C and a reading of 19 ± 4.35 °C
    // give 16.79 ± 4.09 °C (recomputed).
    let noise = Noise {
        wander_c2_per_week: 0.0,
        ..Noise::default()
    };
    let prior = OffsetState::start(1500.0, 0.0, 12.0 * 12.0, 0.0, &noise);
    let reading = Observed {
        setpoint_c: 1500.0,
        offset_c: 19.0,
        independent_c: 4.35,
        shared_c: 0.0,
    };
    let after = followed(Some(prior), &reading, false, &noise)
        .state
        .estimate(1500.0);
    close(after.offset_c, 16.79, 0.005);
    close(after.standard_uncertainty_c, 4.09, 0.005);
}
