//! The calibration line of GUM H.3 through the way that follows a furnace's offset from reading to
//! reading, and a prior weighed against a reading after JCGM 106 A.4.4.

use ringtrue_calibration::inference::{Chain, Components, Firing, Gaussian, OffsetState, Scratch};

use crate::setup::{close, figure, rows};

/// H.3 states its line at 20 °C; here it stands at 1500 °C. One degree on the thermometer is one span of
/// 100 °C here, so that the coefficient is the line's slope.
fn moved(thermometer_c: f64) -> f64 {
    1500.0 + 100.0 * (thermometer_c - 20.0)
}

/// A furnace that does not wander or drift and whose change with temperature is not known beforehand.
fn straight() -> Components {
    Components {
        wander_c2_per_week: 0.0,
        slope_sd_c_per_week: 0.0,
        // Large enough to say nothing: the line of H.3 has a slope of 0.002.
        coefficient_sd_c_per_100c: 10.0,
        ..Components::default()
    }
}

fn firing(setpoint_c: f64, offset_c: f64, standard_uncertainty_c: f64) -> Firing<'static> {
    Firing {
        weeks: 1.0,
        setpoint_c,
        offset_c,
        variance_c2: standard_uncertainty_c * standard_uncertainty_c,
        event_variance_c2: 0.0,
        redraws_slope: false,
        shift_c: 0.0,
        effects: &[],
    }
}

/// The line through some rows of H.3, each followed in turn, all at full weight.
fn line<'r>(all: impl Iterator<Item = &'r Vec<&'static str>>, s_c: f64) -> OffsetState {
    let mut chain = Chain::unread();
    for row in all {
        let one = firing(moved(figure(row[1])), figure(row[2]), s_c);
        let step = chain.follow(&one, &[], &straight(), &mut Scratch::default());
        close(step.inflation_c2 + step.widened_c2, 0.0, 1e-300);
    }
    chain.offset(&Gaussian::default())
}

#[test]
fn following_the_thermometer_of_gum_h_3_gives_its_printed_line() {
    // GUM H.3.3, Table H.6: s = 0.0035 °C with 9 degrees of freedom, unrounded 0.003497564.
    let all = rows(include_str!("data/gum_h3.csv"));
    let state = line(all.iter(), 0.003_497_563_964);
    assert_eq!(state.readings, 11);

    // y1 = -0.1712 °C with s = 0.0029 °C; y2 = 0.00218 with s = 0.00067; r = -0.930.
    let at_20 = state.estimate(moved(20.0));
    close(at_20.offset_c, -0.1712, 5e-5);
    close(at_20.standard_uncertainty_c, 0.0029, 5e-5);
    close(state.coefficient_c_per_100c, 0.00218, 5e-6);
    let slope_u = state.covariance[2][2].sqrt();
    close(slope_u, 0.00067, 5e-6);
    let spans = (moved(20.0) - state.reference_c) / 100.0;
    let shared = state.covariance[0][2] + spans * state.covariance[2][2];
    close(
        shared / (at_20.standard_uncertainty_c * slope_u),
        -0.930,
        5e-4,
    );

    // b(30 °C) = -0.1494 °C, u = 0.0041 °C (H.3.4); at the mean of the readings -0.1625(11) (H.3.5).
    let at_30 = state.estimate(moved(30.0));
    close(at_30.offset_c, -0.1494, 5e-5);
    close(at_30.standard_uncertainty_c, 0.0041, 5e-5);
    let at_mean = state.estimate(moved(24.0085));
    close(at_mean.offset_c, -0.1625, 5e-5);
    close(at_mean.standard_uncertainty_c, 0.0011, 5e-5);

    // The predictions of Table H.6, all eleven.
    for row in rows(include_str!("data/gum_h3.csv")) {
        let predicted = state.estimate(moved(figure(row[1])));
        close(predicted.offset_c, figure(row[3]), 6e-5);
    }
}

#[test]
fn the_order_of_the_readings_does_not_matter_to_the_line() {
    let all = rows(include_str!("data/gum_h3.csv"));
    let (forwards, backwards) = (line(all.iter(), 0.0035), line(all.iter().rev(), 0.0035));
    for thermometer_c in [20.0, 30.0] {
        let (one, other) = (
            forwards.estimate(moved(thermometer_c)),
            backwards.estimate(moved(thermometer_c)),
        );
        close(one.offset_c, other.offset_c, 1e-6);
        close(
            one.standard_uncertainty_c,
            other.standard_uncertainty_c,
            1e-6,
        );
    }
    close(
        forwards.coefficient_c_per_100c,
        backwards.coefficient_c_per_100c,
        1e-6,
    );
}

#[test]
fn a_prior_and_a_reading_are_weighed_by_their_variances() {
    // JCGM 106 A.4.4, equations A.13 and A.14; a prior of 0 ± 12 °C and a reading of 19 ± 4.35 °C
    // give 16.79 ± 4.09 °C (recomputed).
    let known_make = Components {
        initial_sd_c: Some(12.0),
        ..Components::default()
    };
    let chain = Chain::start(&firing(1500.0, 19.0, 4.35), &known_make);
    let after = chain.offset(&Gaussian::default()).estimate(1500.0);
    close(after.offset_c, 16.79, 0.005);
    close(after.standard_uncertainty_c, 4.09, 0.005);
}
