//! A small invented network for proofs, drawn from known variance components with a fixed seed.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

use crate::inference::*;

/// How large a network is, and how it misbehaves.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Network {
    pub(crate) sites: usize,
    pub(crate) readings: usize,
    pub(crate) batches: usize,
    /// Share of readings with a blunder of 30 °C.
    pub(crate) blunders: f64,
}

/// Nominal variances: of a batch, a gauge, a reading and an event, °C².
const BATCH_C2: f64 = 4.0;
const GAUGE_C2: f64 = 9.0;
const READING_C2: f64 = 4.0;
const EVENT_C2: f64 = 64.0;

/// Draws a network of one to five furnaces at a site.
pub(crate) fn drawn(
    size: Network,
    truth: &Components,
    seed: u64,
) -> (Vec<SiteRecords>, Vec<GlobalEffect>) {
    let mut dice = ChaCha8Rng::seed_from_u64(seed);
    let mut globals = Vec::new();
    let mut biases = Vec::new();
    for _ in 0..size.batches {
        globals.push(GlobalEffect {
            prior_variance_c2: BATCH_C2,
            scaled: true,
        });
        biases.push(normal(&mut dice, truth.batch_scale * BATCH_C2.sqrt()));
    }
    let mut sites = Vec::new();
    for _ in 0..size.sites {
        sites.push(site(size, &biases, truth, &mut dice));
    }
    (sites, globals)
}

fn site(
    size: Network,
    batch_biases: &[f64],
    truth: &Components,
    dice: &mut ChaCha8Rng,
) -> SiteRecords {
    let gauges = dice.random_range(1..=2);
    let mut locals = Vec::new();
    let mut gauge_biases = Vec::new();
    for _ in 0..gauges {
        let bias = normal(dice, truth.gauge_scale * GAUGE_C2.sqrt());
        gauge_biases.push(bias);
        let mut checks = Vec::new();
        if dice.random_bool(0.5) {
            checks.push(Check {
                value_c: bias + normal(dice, 1.0),
                variance_c2: 1.0,
            });
        }
        locals.push(LocalEffect {
            prior_variance_c2: GAUGE_C2,
            scaled: true,
            checks,
        });
    }
    let mut records = SiteRecords::new(locals);
    for _ in 0..dice.random_range(1..=5) {
        records.push_furnace();
        let mut level = normal(dice, 12.0);
        let mut slope = normal(dice, truth.slope_sd_c_per_week);
        let coefficient = normal(dice, truth.coefficient_sd_c_per_100c);
        for reading in 0..size.readings {
            let weeks = if reading == 0 {
                0.0
            } else {
                dice.random_range(1.0..4.0)
            };
            let replaced = reading > 0 && dice.random_bool(0.05);
            level += weeks * slope + normal(dice, (truth.wander_c2_per_week * weeks).sqrt());
            if replaced {
                level += normal(dice, truth.event_scale * EVENT_C2.sqrt());
                slope = normal(dice, truth.slope_sd_c_per_week);
            }
            let gauge = dice.random_range(0..gauges);
            let latest = reading * size.batches / size.readings;
            let batch = latest.saturating_sub(dice.random_range(0..3));
            let spans = if reading % 5 == 4 { -0.5 } else { 0.0 };
            let mut noise = normal(dice, truth.noise_scale * READING_C2.sqrt());
            if dice.random_bool(size.blunders) {
                noise += if dice.random_bool(0.5) { 30.0 } else { -30.0 };
            }
            records.push(&Firing {
                weeks,
                setpoint_c: 1500.0 + 100.0 * spans,
                offset_c: level
                    + coefficient * spans
                    + gauge_biases[gauge]
                    + batch_biases[batch]
                    + noise,
                variance_c2: READING_C2,
                event_variance_c2: if replaced { EVENT_C2 } else { 0.0 },
                redraws_slope: replaced,
                shift_c: 0.0,
                effects: &[(Column::Local(gauge), 1.0), (Column::Global(batch), 1.0)],
            });
        }
    }
    records
}

fn normal(dice: &mut ChaCha8Rng, deviation: f64) -> f64 {
    let standard: f64 = StandardNormal.sample(dice);
    deviation * standard
}
