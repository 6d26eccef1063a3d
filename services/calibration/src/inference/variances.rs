//! Variance components learnt from the network's own record.
//!
//! The marginal likelihood of all readings (offsets, gauges and batches integrated out) is maximised
//! over the logarithms of the components, with log-normal priors around the values that held before.
//! With a diffuse mean among the effects this is restricted maximum likelihood (Patterson & Thompson,
//! Biometrika 58 (1971) 545-554, from memory).
//!
//! Variances are never learnt for one furnace alone: twenty or thirty readings cannot tell wandering
//! from noise.

mod climb;
mod curvature;
mod sample;

use super::bulk::{SiteRecords, contributions};
use super::cholesky::NotPositiveDefinite;
use super::components::Components;
use super::network::GlobalEffect;

/// The search stays within this many natural logarithms of where it began: a factor of about 1100.
const FURTHEST: f64 = 7.0;

/// Which readings count is decided anew, with what was learnt, at most this many times.
const MOST_ROUNDS: u32 = 4;

/// Components that moved by less than this, in logarithms, do not change which readings count.
const SETTLED: f64 = 0.01;

/// Data that leave a prior's width above this share of what it was said nothing.
const TOLD_SHARE: f64 = 0.9;

/// One of the components that can be learnt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Variance that the level gains in a week, °C²/week.
    Wander,
    /// Standard deviation of steady drift, °C/week.
    SlopeSd,
    /// Factor on the standard deviation of events.
    EventScale,
    /// Factor on the standard deviation of readings.
    NoiseScale,
    /// Factor on the standard deviation of batches.
    BatchScale,
    /// Factor on the standard deviation of gauges.
    GaugeScale,
    /// Standard deviation of an offset before anything is read, °C; learnt only where there is one.
    InitialSd,
}

impl Quantity {
    /// Every quantity, in a fixed order.
    pub const ALL: [Quantity; 7] = [
        Quantity::Wander,
        Quantity::SlopeSd,
        Quantity::EventScale,
        Quantity::NoiseScale,
        Quantity::BatchScale,
        Quantity::GaugeScale,
        Quantity::InitialSd,
    ];

    /// Gives the quantity's value among components; none for the start of a diffuse level.
    pub fn value(self, components: &Components) -> Option<f64> {
        Some(match self {
            Quantity::Wander => components.wander_c2_per_week,
            Quantity::SlopeSd => components.slope_sd_c_per_week,
            Quantity::EventScale => components.event_scale,
            Quantity::NoiseScale => components.noise_scale,
            Quantity::BatchScale => components.batch_scale,
            Quantity::GaugeScale => components.gauge_scale,
            Quantity::InitialSd => return components.initial_sd_c,
        })
    }

    fn put(self, components: &mut Components, value: f64) {
        match self {
            Quantity::Wander => components.wander_c2_per_week = value,
            Quantity::SlopeSd => components.slope_sd_c_per_week = value,
            Quantity::EventScale => components.event_scale = value,
            Quantity::NoiseScale => components.noise_scale = value,
            Quantity::BatchScale => components.batch_scale = value,
            Quantity::GaugeScale => components.gauge_scale = value,
            Quantity::InitialSd => components.initial_sd_c = Some(value),
        }
    }
}

/// What is learnt, and how.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What is learnt; the other components stay as they are.
    pub quantities: Vec<Quantity>,
    /// Standard deviation of the logarithm of every quantity around where the search begins, before
    /// anything is read; none lets the readings speak alone.
    pub prior_log_sd: Option<f64>,
    /// With more readings than this, every n-th site is taken.
    pub most_readings: usize,
    /// The search gives up after so many evaluations of the likelihood.
    pub most_evaluations: u32,
}

impl Default for Plan {
    fn default() -> Self {
        Plan {
            quantities: Quantity::ALL.to_vec(),
            prior_log_sd: Some(0.5),
            most_readings: 200_000,
            most_evaluations: 3000,
        }
    }
}

/// What was learnt about one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LearntQuantity {
    /// Which one.
    pub quantity: Quantity,
    /// Its value.
    pub value: f64,
    /// Standard error of its logarithm; none when it could not be determined.
    pub log_standard_error: Option<f64>,
    /// False when the readings say nothing about it and the value is what held before.
    pub told: bool,
}

/// Variance components learnt from a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// The components, learnt ones replaced.
    pub components: Components,
    /// The learnt ones with their standard errors.
    pub quantities: Vec<LearntQuantity>,
    /// Logarithm of the probability density of the readings used, without the priors.
    pub log_likelihood: f64,
    /// How often the likelihood was evaluated.
    pub evaluations: u32,
    /// True when the search ended at a maximum.
    pub converged: bool,
    /// Sites used.
    pub sites: usize,
    /// Readings used.
    pub readings: usize,
}

/// Learns variance components from a record. The search begins at `start`, and priors are centred there.
///
/// A reading that lies far off its furnace's record is left out, and a furnace that visibly changed
/// without a recorded event counts as another furnace from then on, so that blunders do not pass for
/// noise or wandering. What counts is held while the likelihood climbs and decided anew with what was
/// learnt. With [`Components::bound_z`] infinite everything counts.
///
/// # Errors
/// [`NotPositiveDefinite`] when the likelihood has no value where the search begins.
pub fn learnt(
    sites: &[SiteRecords],
    globals: &[GlobalEffect],
    start: &Components,
    plan: &Plan,
) -> Result<Learnt, NotPositiveDefinite> {
    let chosen = sample::every_nth(sites, plan.most_readings);
    let mut quantities = Vec::new();
    let mut centre = Vec::new();
    for quantity in &plan.quantities {
        if let Some(value) = quantity.value(start)
            && value > 0.0
            && value.is_finite()
            && !quantities.contains(quantity)
        {
            quantities.push(*quantity);
            centre.push(libm::log(value));
        }
    }
    let mut search = Search {
        globals,
        start: *start,
        quantities,
        centre,
        prior_precision: plan
            .prior_log_sd
            .map_or(0.0, |sd| 1.0 / (sd * sd).max(1e-6)),
        evaluations: 0,
    };
    let mut moved = vec![0.0; search.quantities.len()];
    let mut round = 0;
    let mut counted;
    let mut climbed;
    loop {
        counted = sample::weighed(&chosen, globals, &search.components(&moved));
        climbed = climb::climbed(
            |at| search.density(&counted, at),
            &moved,
            FURTHEST,
            plan.most_evaluations,
        )
        .ok_or(NotPositiveDefinite)?;
        round += 1;
        let mut largest = 0.0_f64;
        for (now, before) in climbed.at.iter().zip(&moved) {
            largest = largest.max((now - before).abs());
        }
        moved.clone_from(&climbed.at);
        let settled = start.bound_z.is_infinite() || largest < SETTLED;
        if settled || round == MOST_ROUNDS || search.evaluations >= plan.most_evaluations {
            break;
        }
    }
    let errors = curvature::standard_errors(
        |at| search.density(&counted, at),
        &climbed.at,
        &climbed.flat,
        FURTHEST,
    );
    let mut components = search.components(&moved);
    components.bound_z = start.bound_z;
    let log_likelihood = search.log_likelihood(&counted, &moved)?;
    let mut learnt = Vec::new();
    for (k, quantity) in search.quantities.iter().enumerate() {
        let error = errors.get(k).copied().flatten();
        learnt.push(LearntQuantity {
            quantity: *quantity,
            value: quantity.value(&components).unwrap_or_default(),
            log_standard_error: error,
            told: error.is_some_and(|error| {
                error < TOLD_SHARE * plan.prior_log_sd.unwrap_or(1.0 / TOLD_SHARE)
            }),
        });
    }
    Ok(Learnt {
        components,
        quantities: learnt,
        log_likelihood,
        evaluations: search.evaluations,
        converged: climbed.converged,
        sites: counted.len(),
        readings: sample::readings(&counted),
    })
}

/// The likelihood as a function of how far the logarithms moved from where the search began.
struct Search<'a> {
    globals: &'a [GlobalEffect],
    start: Components,
    quantities: Vec<Quantity>,
    centre: Vec<f64>,
    prior_precision: f64,
    evaluations: u32,
}

impl Search<'_> {
    /// Components at a place; readings count as the record has them, without a robust step.
    fn components(&self, moved: &[f64]) -> Components {
        let mut components = self.start;
        for ((quantity, centre), by) in self.quantities.iter().zip(&self.centre).zip(moved) {
            // Where nothing moved the value stays as it was, to the bit.
            if by.abs() > 0.0 {
                quantity.put(&mut components, libm::exp(centre + by));
            }
        }
        components
    }

    fn log_likelihood(
        &mut self,
        counted: &[SiteRecords],
        moved: &[f64],
    ) -> Result<f64, NotPositiveDefinite> {
        self.evaluations += 1;
        let mut components = self.components(moved);
        components.bound_z = f64::INFINITY;
        let network = contributions(counted, self.globals, &components);
        Ok(network.solved()?.log_likelihood)
    }

    /// Log-likelihood with the priors; none where it has no value.
    fn density(&mut self, counted: &[SiteRecords], moved: &[f64]) -> Option<f64> {
        let mut density = self.log_likelihood(counted, moved).ok()?;
        for by in moved {
            density -= 0.5 * self.prior_precision * by * by;
        }
        Some(density)
    }
}

#[cfg(test)]
mod tests;
