//! Published records through the same filter.

use super::assert_close;
use crate::inference::*;

fn numbers(csv: &str) -> Vec<Vec<f64>> {
    let mut rows = Vec::new();
    for line in csv.lines().skip(1) {
        rows.push(
            line.split(',')
                .map(|field| field.parse().unwrap_or(f64::NAN))
                .collect(),
        );
    }
    rows
}

fn firing(weeks: f64, setpoint_c: f64, offset_c: f64, variance_c2: f64) -> Firing<'static> {
    Firing {
        weeks,
        setpoint_c,
        offset_c,
        variance_c2,
        event_variance_c2: 0.0,
        redraws_slope: false,
        shift_c: 0.0,
        effects: &[],
    }
}

/// GUM H.3 (JCGM 100:2008): a thermometer's correction b is a straight line in temperature; here the
/// furnace's offset, one span of the coefficient for each kelvin and nothing that wanders.
#[test]
fn the_thermometer_of_gum_h3_is_calibrated() {
    let components = Components {
        wander_c2_per_week: 0.0,
        slope_sd_c_per_week: 0.0,
        // Wide against the result's 0.0007 and yet not so wide that digits are lost.
        coefficient_sd_c_per_100c: 10.0,
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let residual = 0.003_497_563_963_505_287_f64;
    let at = |celsius: f64| 1500.0 + 100.0 * (celsius - 20.0);
    let mut chain = Chain::unread();
    let mut scratch = Scratch::default();
    let rows = numbers(include_str!("../../../vectors/gum_h3.csv"));
    for row in &rows {
        let reading = firing(1.0, at(row[1]), row[2], residual * residual);
        chain.follow(&reading, &[], &components, &mut scratch);
    }
    let state = chain.offset(&Gaussian::default());
    let line = state.estimate(at(20.0));
    let p = &state.covariance;
    let x = (at(20.0) - state.reference_c) / 100.0;
    let slope_u = p[2][2].sqrt();
    // Table H.6 and H.3.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930; recomputed unrounded beside.
    assert_close(line.offset_c, -0.171_203_790_131, 1e-8, "y1");
    assert!((line.offset_c + 0.1712).abs() < 5e-5);
    assert_close(
        line.standard_uncertainty_c,
        0.002_877_597_835,
        1e-9,
        "u(y1)",
    );
    assert!((line.standard_uncertainty_c - 0.0029).abs() < 5e-5);
    assert!((state.coefficient_c_per_100c - 0.002_182_697_740).abs() < 1e-8);
    assert!((state.coefficient_c_per_100c - 0.002_18).abs() < 5e-6);
    assert!((slope_u - 0.000_667_938_773).abs() < 1e-9);
    assert!((slope_u - 0.000_67).abs() < 5e-6);
    let correlation = (p[0][2] + x * p[2][2]) / (line.standard_uncertainty_c * slope_u);
    assert!((correlation + 0.930_429_603).abs() < 1e-6);
    assert!((correlation + 0.930).abs() < 5e-4);
    // H.3.4: b(30 °C) = -0.1494(41).
    let far = state.estimate(at(30.0));
    assert!((far.offset_c + 0.149_376_812_733).abs() < 1e-7);
    assert!((far.offset_c + 0.1494).abs() < 5e-5);
    assert!((far.standard_uncertainty_c - 0.004_138_595_753).abs() < 1e-9);
    assert!((far.standard_uncertainty_c - 0.0041).abs() < 5e-5);
    // Column 4 of Table H.6.
    for row in &rows {
        assert!((state.estimate(at(row[1])).offset_c - row[3]).abs() < 5.1e-5);
    }
}

/// The Nile at Aswan 1871-1970, local level (Durbin & Koopman 2012, chapter 2; the variances are their
/// maximum-likelihood values), exact diffuse start; filtered and smoothed values were recomputed by two
/// other programs that agree to 6e-12.
#[test]
fn the_nile_is_filtered_and_smoothed_as_published() {
    let components = Components {
        wander_c2_per_week: 1469.1,
        slope_sd_c_per_week: 0.0,
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let rows = numbers(include_str!("../../../vectors/nile_local_level.csv"));
    assert_eq!(rows.len(), 100);
    let mut firings = Vec::new();
    for row in &rows {
        firings.push(firing(1.0, 1500.0, row[1], 15099.0));
    }
    let mut chain = Chain::unread();
    let mut scratch = Scratch::default();
    for (one, row) in firings.iter().zip(&rows) {
        let step = chain.follow(one, &[], &components, &mut scratch);
        let state = chain.offset(&Gaussian::default());
        assert_close(state.level_c, row[6], 1e-8, "filtered");
        assert_close(state.covariance[0][0], row[7], 1e-8, "filtered variance");
        if let Some(innovation) = scratch.innovations().first() {
            assert!((innovation - row[4]).abs() < 1e-5, "{innovation}: {row:?}");
            assert_close(step.variance_c2, row[5], 1e-8, "innovation variance");
        }
    }
    let past = smoothed(&firings, &[], &components, &Gaussian::default());
    for (state, row) in past.iter().zip(&rows) {
        assert_close(state.level_c, row[8], 1e-8, "smoothed");
        assert_close(state.covariance[0][0], row[9], 1e-8, "smoothed variance");
    }
    // The five rows of the published comparison: years 1871, 1872, 1899, 1913, 1970.
    for (row, value) in [
        (0, 1111.6683),
        (1, 1110.8577),
        (28, 950.9301),
        (42, 799.4533),
        (99, 798.3703),
    ] {
        assert!((past[row].level_c - value).abs() < 5e-5);
    }
    let block = eliminated(&[], &[(&[], &chain)], &components);
    let mut network = Network::new(&[], &components);
    network.add(&block);
    let solution = network.solved().expect("a solution");
    assert_eq!(solution.counted, 99);
    // Diffuse log-likelihood with n - 1 terms of ln 2π.
    assert!((solution.log_likelihood + 632.5456).abs() < 5e-5);
}
