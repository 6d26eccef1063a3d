//! Why a gauge's coefficient is taken at the diameter of the SET temperature.
//!
//! Taken at the measured diameter, the coefficient is itself a function of the reading. A huge bias of the
//! gauge against a huge opposite bias of the batch then explains every reading, noise and all, and the
//! likelihood prefers biases of hundreds of degrees to the truth.

use super::Dice;
use super::invented_fleet::{Fired, Fleet, batch, gauge};
use crate::inference::*;

/// Slope of an invented table at the diameter it gives for a temperature, over the nominal −200 °C/mm.
fn coefficient_at(temperature_c: f64) -> f64 {
    let mut z = (1519.0 - temperature_c) / 200.0;
    for _ in 0..50 {
        let value = 1519.0 - 200.0 * z - 60.0 * z * z - 90.0 * z * z * z;
        z += (value - temperature_c) / (200.0 + 120.0 * z + 270.0 * z * z);
    }
    (200.0 + 120.0 * z + 270.0 * z * z) / 200.0
}

/// Eight sites, two furnaces and two gauges each, three batches; biases and noise as large as usual.
fn simulated(at_measured_diameter: bool) -> Fleet {
    let mut dice = Dice::new(2024);
    let mut fleet = Fleet {
        components: Components::default(),
        globals: vec![batch(4.0); 3],
        sites: Vec::new(),
        furnaces: Vec::new(),
    };
    let batches = [dice.normal(2.0), dice.normal(2.0), dice.normal(2.0)];
    for site in 0..8 {
        fleet.sites.push(vec![gauge(9.0), gauge(9.0)]);
        let gauges = [dice.normal(3.0), dice.normal(3.0)];
        for _ in 0..2 {
            let mut level = dice.normal(12.0);
            let mut fired = Vec::new();
            for k in 0..12 {
                level += dice.normal((0.4_f64 * 3.0).sqrt());
                let (g, b) = (dice.below(2), (k / 4 + site) % 3);
                let at_set = coefficient_at(1500.0);
                let offset_c = level + at_set * gauges[g] + batches[b] + dice.normal(2.1);
                let coefficient = if at_measured_diameter {
                    coefficient_at(1500.0 + offset_c)
                } else {
                    at_set
                };
                let mut one = Fired::plain(3.0, offset_c);
                one.effects = vec![(Column::Local(g), coefficient), (Column::Global(b), 1.0)];
                fired.push(one);
            }
            fleet.furnaces.push((site, fired));
        }
    }
    fleet
}

/// Scales of noise and of biases at which the likelihood is greatest on a grid, and that likelihood less
/// the one at the truth (both scales 1).
fn best_scales(fleet: &Fleet) -> (f64, f64, f64) {
    let mut best = (0.0, 0.0, f64::NEG_INFINITY);
    let mut truth = 0.0;
    for noise_scale in [0.1, 0.2, 0.5, 1.0, 2.0] {
        for bias_scale in [0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0] {
            let mut scaled = fleet.clone();
            scaled.components.noise_scale = noise_scale;
            scaled.components.gauge_scale = bias_scale;
            scaled.components.batch_scale = bias_scale;
            scaled.components.bound_z = f64::INFINITY;
            let found = scaled.solved().solution.log_likelihood;
            if found > best.2 {
                best = (noise_scale, bias_scale, found);
            }
            if (noise_scale - 1.0).abs() < 1e-9 && (bias_scale - 1.0).abs() < 1e-9 {
                truth = found;
            }
        }
    }
    (best.0, best.1, best.2 - truth)
}

#[test]
fn at_the_set_diameter_the_likelihood_is_greatest_at_the_truth() {
    let (noise, bias, gain) = best_scales(&simulated(false));
    assert!((noise - 1.0).abs() < 1e-9, "{noise}");
    assert!((bias - 1.0).abs() < 1e-9, "{bias}");
    assert!(gain.abs() < 1e-9);
}

#[test]
fn at_the_measured_diameter_the_likelihood_runs_away() {
    let (noise, bias, gain) = best_scales(&simulated(true));
    assert!(noise <= 0.2, "{noise}");
    assert!(bias >= 30.0, "{bias}");
    assert!(gain > 100.0, "{gain}");
}
