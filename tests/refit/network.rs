//! An invented network of any size, the same for the same seed, held in memory only.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use ringtrue_calibration::inference::{
    Column, Components, Firing, GlobalEffect, LocalEffect, SiteRecords,
};

/// Nominal variances: of a batch, a gauge, a reading and an event, °C².
const BATCH_C2: f64 = 4.0;
const GAUGE_C2: f64 = 9.0;
const READING_C2: f64 = 4.41;
const EVENT_C2: f64 = 64.0;

/// How large a network is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Size {
    pub(crate) furnaces: usize,
    pub(crate) readings: usize,
    pub(crate) batches: usize,
    /// Set temperatures that a furnace is fired at.
    pub(crate) setpoints: usize,
}

/// A network with its record.
pub(crate) struct InventedNetwork {
    pub(crate) sites: Vec<SiteRecords>,
    pub(crate) globals: Vec<GlobalEffect>,
}

impl InventedNetwork {
    pub(crate) fn readings(&self) -> usize {
        let mut sum = 0;
        for site in &self.sites {
            sum += site.readings().len();
        }
        sum
    }
}

/// Draws a network: four furnaces at a site, one or two gauges there, a reading every two weeks, and a
/// site changes its batch every eight or nine readings.
pub(crate) fn drawn(size: Size, truth: &Components, seed: u64) -> InventedNetwork {
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
    let mut left = size.furnaces;
    while left > 0 {
        let furnaces = left.min(4);
        left -= furnaces;
        sites.push(site(furnaces, size, &biases, truth, &mut dice));
    }
    InventedNetwork { sites, globals }
}

fn site(
    furnaces: usize,
    size: Size,
    batch_biases: &[f64],
    truth: &Components,
    dice: &mut ChaCha8Rng,
) -> SiteRecords {
    let gauges = 1 + usize::from(dice.random_bool(0.4));
    let mut locals = Vec::new();
    let mut gauge_biases = Vec::new();
    for _ in 0..gauges {
        locals.push(LocalEffect {
            prior_variance_c2: GAUGE_C2,
            scaled: true,
            checks: Vec::new(),
        });
        gauge_biases.push(normal(dice, truth.gauge_scale * GAUGE_C2.sqrt()));
    }
    let mut used = Vec::new();
    let mut batch = 0;
    for reading in 0..size.readings {
        if reading == 0 || dice.random_range(0.0..9.0) < 1.0 {
            // New batches come out all the time; a site takes one of the newest.
            let newest = (reading + 1) * size.batches / size.readings.max(1);
            batch = newest
                .saturating_sub(1 + dice.random_range(0..4))
                .min(size.batches - 1);
        }
        used.push(batch);
    }
    let mut records = SiteRecords::new(locals);
    for _ in 0..furnaces {
        records.push_furnace();
        let mut level = normal(dice, 12.0);
        let mut slope = normal(dice, truth.slope_sd_c_per_week);
        let coefficient = normal(dice, truth.coefficient_sd_c_per_100c);
        let mut weeks = 0.0;
        for (reading, batch) in used.iter().enumerate() {
            if reading > 0 {
                weeks = 2.0 + dice.random_range(-0.5..0.5);
            }
            let replaced = reading > 0 && dice.random_bool(0.02);
            level += weeks * slope + normal(dice, (truth.wander_c2_per_week * weeks).sqrt());
            if replaced {
                level += normal(dice, truth.event_scale * EVENT_C2.sqrt());
                slope = normal(dice, truth.slope_sd_c_per_week);
            }
            let gauge = dice.random_range(0..gauges);
            let spans = if size.setpoints > 1 && reading % 3 == 2 {
                -0.5
            } else {
                0.0
            };
            let noise = normal(dice, truth.noise_scale * READING_C2.sqrt());
            records.push(&Firing {
                weeks,
                setpoint_c: 1500.0 + 100.0 * spans,
                offset_c: level
                    + coefficient * spans
                    + gauge_biases[gauge]
                    + batch_biases[*batch]
                    + noise,
                variance_c2: READING_C2,
                event_variance_c2: if replaced { EVENT_C2 } else { 0.0 },
                redraws_slope: replaced,
                shift_c: 0.0,
                effects: &[(Column::Local(gauge), 1.0), (Column::Global(*batch), 1.0)],
            });
        }
    }
    records.shrink();
    records
}

fn normal(dice: &mut ChaCha8Rng, deviation: f64) -> f64 {
    let standard: f64 = StandardNormal.sample(dice);
    deviation * standard
}
