//! Published estimates of variances by maximum likelihood and restricted maximum likelihood, found by
//! the same search over the same likelihood. Furnaces, batches and readings stand for whatever the
//! published example has: one level each, effects that all share, and noise.

use crate::inference::bulk::{SiteRecords, offsets, refit};
use crate::inference::network::LN_TWO_PI;
use crate::inference::*;

fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found} instead of {expected}"
    );
}

fn standing() -> Components {
    Components {
        wander_c2_per_week: 0.0,
        slope_sd_c_per_week: 0.0,
        bound_z: f64::INFINITY,
        ..Components::default()
    }
}

fn reading(weeks: f64, value: f64, variance: f64, effects: &[(Column, f64)]) -> Firing<'_, Column> {
    Firing {
        weeks,
        setpoint_c: 1500.0,
        offset_c: value,
        variance_c2: variance,
        event_variance_c2: 0.0,
        redraws_slope: false,
        shift_c: 0.0,
        effects,
    }
}

fn alone(quantities: &[Quantity]) -> Plan {
    Plan {
        quantities: quantities.to_vec(),
        prior_log_sd: None,
        ..Plan::default()
    }
}

/// Durbin & Koopman, Time Series Analysis by State Space Methods (2012), section 2.10: noise 15099,
/// wander 1469.1; more digits recomputed (15098.518, 1469.176, ratio 0.0973060). The diffuse
/// log-likelihood with n − 1 terms of ln 2π is −632.5456.
#[test]
fn the_variances_of_the_nile_are_found() {
    let mut records = SiteRecords::default();
    for line in include_str!("../../../../vectors/nile_local_level.csv")
        .lines()
        .skip(1)
    {
        let flow = line.split(',').nth(1).expect("a flow");
        records.push(&reading(1.0, flow.parse().expect("a number"), 1e4, &[]));
    }
    assert_eq!(records.readings().len(), 100);
    let start = Components {
        wander_c2_per_week: 300.0,
        ..standing()
    };
    let found = learnt(
        &[records],
        &[],
        &start,
        &alone(&[Quantity::Wander, Quantity::NoiseScale]),
    )
    .expect("a likelihood");
    assert!(found.converged);
    let noise = 1e4 * found.components.noise_scale * found.components.noise_scale;
    let wander = found.components.wander_c2_per_week;
    close(noise, 15_098.518, 15.0, "noise");
    close(wander, 1469.176, 1.4, "wander");
    close(wander / noise, 0.097_306_0, 1e-4, "ratio");
    close(found.log_likelihood, -632.5456, 5e-5, "log-likelihood");
    assert!(found.quantities.iter().all(|quantity| quantity.told));
}

/// Two columns of text and a number: a row's own name, the shared name, the value.
fn rows(csv: &str) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for line in csv.lines().skip(1) {
        let mut row = Vec::new();
        for field in line.split(',') {
            row.push(field.trim_matches('"').to_owned());
        }
        rows.push(row);
    }
    rows
}

/// Prior variance of the common mean: so large that what it takes from the likelihood is a constant.
const MEAN_C2: f64 = 1e9;

/// What restricted maximum likelihood minimises: the mean counts for nothing.
fn criterion(log_likelihood: f64) -> f64 {
    -2.0 * log_likelihood - LN_TWO_PI - libm::log(MEAN_C2)
}

/// Crossed random effects: Davies & Goldsmith, Statistical Methods in Research and Production (1972);
/// restricted maximum likelihood estimates as in Bates, Maechler, Bolker & Walker, J. Stat. Software
/// 67(1) (2015): plate 0.8467025, sample 1.9316138, residual 0.5499227, criterion 330.860589.
#[test]
fn plates_and_samples_of_penicillin_are_told_apart() {
    let mut globals = vec![GlobalEffect {
        prior_variance_c2: MEAN_C2,
        scaled: false,
    }];
    for _ in 0..6 {
        globals.push(GlobalEffect {
            prior_variance_c2: 1.0,
            scaled: true,
        });
    }
    let mut records = SiteRecords::default();
    let mut plate = String::new();
    for row in rows(include_str!("../../../../vectors/penicillin.csv")) {
        if row[1] != plate {
            records.push_furnace();
            plate.clone_from(&row[1]);
        }
        let sample = "ABCDEF".find(row[2].as_str()).expect("a sample");
        let effects = [(Column::Global(0), 1.0), (Column::Global(1 + sample), 1.0)];
        let value = row[0].parse().expect("a diameter");
        records.push(&reading(0.0, value, 1.0, &effects));
    }
    assert_eq!((records.furnaces(), records.readings().len()), (24, 144));
    let sites = [records];
    let start = Components {
        initial_sd_c: Some(1.5),
        ..standing()
    };
    let plan = alone(&[
        Quantity::InitialSd,
        Quantity::BatchScale,
        Quantity::NoiseScale,
    ]);
    let found = learnt(&sites, &globals, &start, &plan).expect("a likelihood");
    assert!(found.converged);
    let plates = found.components.initial_sd_c.expect("a spread of plates");
    close(plates, 0.846_702_5, 1e-3, "plates");
    close(found.components.batch_scale, 1.931_613_8, 1e-3, "samples");
    close(found.components.noise_scale, 0.549_922_7, 1e-3, "residual");
    close(
        criterion(found.log_likelihood),
        330.860_589,
        1e-5,
        "criterion",
    );
    let solved = refit(&sites, &globals, &found.components).expect("a refit");
    close(solved.solution.mean_c(0), 22.972_222_2, 1e-4, "mean");
    for (sample, value) in [
        2.187_058, -1.010_476, 1.937_900, -0.096_895, -0.013_842, -3.003_745,
    ]
    .into_iter()
    .enumerate()
    {
        close(solved.solution.mean_c(1 + sample), value, 2e-4, "sample");
    }
    let plates = offsets(&sites, &globals, &found.components, &solved);
    close(plates[0][0].level_c, 0.804_547, 2e-4, "plate a");
}

/// One random effect: the same book and paper; batch 42.000595, residual 49.510100, criterion
/// 319.654277, mean 1527.5.
#[test]
fn batches_of_dyestuff_are_told_from_noise() {
    let globals = [GlobalEffect {
        prior_variance_c2: MEAN_C2,
        scaled: false,
    }];
    let mut records = SiteRecords::default();
    let mut batch = String::new();
    for row in rows(include_str!("../../../../vectors/dyestuff.csv")) {
        if row[0] != batch {
            records.push_furnace();
            batch.clone_from(&row[0]);
        }
        // Counted from 1500, where the mean's prior does not pull at it.
        let value: f64 = row[1].parse().expect("a yield");
        records.push(&reading(
            0.0,
            value - 1500.0,
            100.0,
            &[(Column::Global(0), 1.0)],
        ));
    }
    assert_eq!((records.furnaces(), records.readings().len()), (6, 30));
    let sites = [records];
    let start = Components {
        initial_sd_c: Some(20.0),
        ..standing()
    };
    let plan = alone(&[Quantity::InitialSd, Quantity::NoiseScale]);
    let found = learnt(&sites, &globals, &start, &plan).expect("a likelihood");
    assert!(found.converged);
    let batches = found.components.initial_sd_c.expect("a spread of batches");
    close(batches, 42.000_595, 42.0 * 1e-3, "batches");
    close(
        10.0 * found.components.noise_scale,
        49.510_100,
        49.5 * 1e-3,
        "residual",
    );
    close(
        criterion(found.log_likelihood),
        319.654_277,
        1e-5,
        "criterion",
    );
    let solved = refit(&sites, &globals, &found.components).expect("a refit");
    close(solved.solution.mean_c(0), 27.5, 0.01, "mean");
    let found = offsets(&sites, &globals, &found.components, &solved);
    for (state, value) in found[0]
        .iter()
        .zip([-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953])
    {
        close(state.level_c, value, 0.02, "batch");
    }
}

/// NIST Statistical Reference Datasets, linear regression, data set Norris: a furnace that neither
/// wanders nor drifts is a straight line over its setpoints. As everywhere what is observed is counted
/// from the setpoint, so that the line's slope is 1 more than the furnace's.
#[test]
fn the_line_of_norris_is_certified() {
    // Wide enough not to pull at the line, narrow enough not to drown it in rounding.
    let components = Components {
        coefficient_sd_c_per_100c: 4e3,
        ..standing()
    };
    let mut chain = Chain::unread();
    let mut scratch = Scratch::default();
    for line in include_str!("../../../../vectors/nist_norris.csv")
        .lines()
        .skip(1)
    {
        let (y, x) = line.split_once(',').expect("two columns");
        let y: f64 = y.parse().expect("a number");
        let x: f64 = x.parse().expect("a number");
        let firing = Firing {
            weeks: 1.0,
            setpoint_c: x,
            offset_c: y - x,
            variance_c2: 1.0,
            event_variance_c2: 0.0,
            redraws_slope: false,
            shift_c: 0.0,
            effects: &[],
        };
        chain.follow(&firing, &[], &components, &mut scratch);
    }
    assert_eq!(chain.readings, 36);
    let line = chain.offset(&Gaussian::default());
    // 36 points less the two that the line takes up.
    let residual = (chain.sums[0] / 34.0).sqrt();
    for (what, found, certified) in [
        ("B0", line.estimate(0.0).offset_c, -0.262_323_073_774_029),
        (
            "B1",
            1.0 + line.coefficient_c_per_100c / 100.0,
            1.002_116_818_020_45,
        ),
        ("residual", residual, 0.884_796_396_144_373),
        (
            "deviation of B0",
            residual * line.estimate(0.0).standard_uncertainty_c,
            0.232_818_234_301_152,
        ),
        (
            "deviation of B1",
            residual * line.covariance[2][2].sqrt() / 100.0,
            0.429_796_848_199_937e-3,
        ),
    ] {
        assert!(
            (found / certified - 1.0).abs() < 1e-9,
            "{what}: {found} instead of {certified}"
        );
    }
}
