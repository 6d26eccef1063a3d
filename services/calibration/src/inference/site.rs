//! A site's own effects (its gauges), eliminated so that only what concerns shared effects leaves it.
//!
//! Effects are handled in units of their prior standard deviation. A prior variance of zero then fixes
//! an effect to zero without being inverted, and every pivot is at least 1.

use super::chain::{Chain, Column};
use super::cholesky::{Cholesky, packed, packed_len};
use super::components::{Components, LARGEST_VARIANCE_C2};
use super::effects::Gaussian;
use super::network::Solution;

/// No check counts as surer than this, °C².
const SMALLEST_CHECK_C2: f64 = 1e-6;

/// An observation of an effect itself: of a gauge on a reference block, its bias times −200 °C/mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    /// What was found, °C.
    pub value_c: f64,
    /// Its variance, °C².
    pub variance_c2: f64,
}

impl Check {
    /// Gives the check with a variance that can be calculated with; none when it says nothing.
    pub(crate) fn usable(&self) -> Option<Check> {
        if !self.value_c.is_finite() || self.value_c.abs() > 1e6 || self.variance_c2.is_nan() {
            return None;
        }
        if self.variance_c2 >= LARGEST_VARIANCE_C2 {
            return None;
        }
        Some(Check {
            value_c: self.value_c,
            variance_c2: self.variance_c2.max(SMALLEST_CHECK_C2),
        })
    }
}

/// An effect of one site: a gauge.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LocalEffect {
    /// Nominal variance before anything is read, °C²; 0 fixes the effect to zero.
    pub prior_variance_c2: f64,
    /// True when the variance is multiplied by the learnt gauge scale.
    pub scaled: bool,
    /// Observations of the effect itself.
    pub checks: Vec<Check>,
}

/// Everything of a site that the network needs, and what is needed to come back. Only `globals`,
/// `reduced`, `rho` and the three sums concern other sites.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteBlock {
    /// Number of the site's own effects.
    pub locals: usize,
    /// Covariance of the site's own effects with the shared ones known, full, row by row, °C².
    pub inverse: Vec<f64>,
    /// Expected values of the site's own effects with the shared ones at zero, °C.
    pub means: Vec<f64>,
    /// Shared effects met here, ascending.
    pub globals: Vec<usize>,
    /// What one °C in a shared effect takes from an own effect: a row for every own effect.
    pub transfer: Vec<f64>,
    /// Precision about the shared effects, packed symmetric, 1/°C².
    pub reduced: Vec<f64>,
    /// Precision times estimate of the shared effects, 1/°C.
    pub rho: Vec<f64>,
    /// Logarithms of determinants.
    pub log_terms: f64,
    /// Sum of squares left.
    pub quadratic: f64,
    /// Observations counted.
    pub counted: u64,
}

/// Eliminates a site's own effects. Every furnace comes with the meaning of its chain's columns; a
/// column without a meaning, or of an effect that the site does not have, counts as fixed to zero.
pub fn eliminated(
    locals: &[LocalEffect],
    furnaces: &[(&[Column], &Chain)],
    components: &Components,
) -> SiteBlock {
    let mut sums = SiteSums::new(locals, furnaces);
    for (columns, chain) in furnaces {
        sums.add(columns, chain);
    }
    sums.checked(locals);
    let mut deviations = Vec::with_capacity(locals.len());
    for local in locals {
        deviations.push(
            components
                .local_prior_c2(local.prior_variance_c2, local.scaled)
                .sqrt(),
        );
    }
    sums.reduced(&deviations)
}

/// Sums of products over a site's furnaces.
struct SiteSums {
    locals: usize,
    globals: Vec<usize>,
    /// Packed symmetric: own effects with own effects.
    own: Vec<f64>,
    /// Own effects with the data.
    own_data: Vec<f64>,
    /// Own effects (rows) with shared effects.
    mixed: Vec<f64>,
    /// Packed symmetric: shared effects with shared effects.
    shared: Vec<f64>,
    /// Shared effects with the data.
    shared_data: Vec<f64>,
    quadratic: f64,
    log_terms: f64,
    counted: u64,
}

/// Place of a column in a site's sums.
#[derive(Clone, Copy)]
enum Place {
    Own(usize),
    Shared(usize),
    Nowhere,
}

impl SiteSums {
    fn new(locals: &[LocalEffect], furnaces: &[(&[Column], &Chain)]) -> Self {
        let mut globals = Vec::new();
        for (columns, chain) in furnaces {
            for column in columns.iter().take(chain.states.len() - 1) {
                if let Column::Global(index) = column {
                    globals.push(*index);
                }
            }
        }
        globals.sort_unstable();
        globals.dedup();
        let (n, b) = (locals.len(), globals.len());
        SiteSums {
            locals: n,
            globals,
            own: vec![0.0; packed_len(n)],
            own_data: vec![0.0; n],
            mixed: vec![0.0; n * b],
            shared: vec![0.0; packed_len(b)],
            shared_data: vec![0.0; b],
            quadratic: 0.0,
            log_terms: 0.0,
            counted: 0,
        }
    }

    fn place(&self, column: Option<&Column>) -> Place {
        match column {
            Some(Column::Local(index)) if *index < self.locals => Place::Own(*index),
            Some(Column::Global(index)) => match self.globals.binary_search(index) {
                Ok(place) => Place::Shared(place),
                Err(_) => Place::Nowhere,
            },
            _ => Place::Nowhere,
        }
    }

    fn add(&mut self, columns: &[Column], chain: &Chain) {
        self.quadratic += chain.sums[0];
        self.log_terms += chain.log_determinant;
        self.counted += u64::from(chain.counted);
        let effects = chain.states.len() - 1;
        let mut places = Vec::with_capacity(effects);
        for k in 0..effects {
            places.push(self.place(columns.get(k)));
        }
        let b = self.globals.len();
        for (k, first) in places.iter().enumerate() {
            let row = &chain.sums[packed_len(k + 1)..packed_len(k + 2)];
            match first {
                Place::Own(i) => self.own_data[*i] += row[0],
                Place::Shared(i) => self.shared_data[*i] += row[0],
                Place::Nowhere => continue,
            }
            for (l, second) in places[..=k].iter().enumerate() {
                let value = row[l + 1];
                match (first, second) {
                    (Place::Own(i), Place::Own(j)) => {
                        // Two columns of one effect meet twice on the diagonal.
                        let twice = i == j && k != l;
                        self.own[packed(*i, *j)] += if twice { 2.0 * value } else { value };
                    }
                    (Place::Shared(i), Place::Shared(j)) => {
                        let twice = i == j && k != l;
                        self.shared[packed(*i, *j)] += if twice { 2.0 * value } else { value };
                    }
                    (Place::Own(i), Place::Shared(j)) | (Place::Shared(j), Place::Own(i)) => {
                        self.mixed[i * b + j] += value;
                    }
                    _ => {}
                }
            }
        }
    }

    fn checked(&mut self, locals: &[LocalEffect]) {
        for (i, local) in locals.iter().enumerate() {
            for check in &local.checks {
                if let Some(check) = check.usable() {
                    let precise = check.value_c / check.variance_c2;
                    self.own[packed(i, i)] += 1.0 / check.variance_c2;
                    self.own_data[i] += precise;
                    self.quadratic += check.value_c * precise;
                    self.log_terms += libm::log(check.variance_c2);
                    self.counted += 1;
                }
            }
        }
    }

    /// Solves for the own effects and leaves what they tell about the shared ones.
    fn reduced(self, deviations: &[f64]) -> SiteBlock {
        let (n, b) = (self.locals, self.globals.len());
        let mut whitened = self.own;
        for i in 0..n {
            for j in 0..=i {
                whitened[packed(i, j)] *= deviations[i] * deviations[j];
            }
            whitened[packed(i, i)] += 1.0;
        }
        let mut block = SiteBlock {
            locals: n,
            inverse: vec![0.0; n * n],
            means: vec![0.0; n],
            globals: self.globals,
            transfer: vec![0.0; n * b],
            reduced: self.shared,
            rho: self.shared_data,
            log_terms: self.log_terms,
            quadratic: self.quadratic,
            counted: self.counted,
        };
        // Only sums that are no numbers could stop this; the effects then stay at zero.
        let Ok(factor) = Cholesky::above_identity(n, &whitened) else {
            return block;
        };
        block.log_terms += factor.log_determinant();
        let inverse = factor.inverse();
        for i in 0..n {
            for j in 0..n {
                block.inverse[i * n + j] = deviations[i] * inverse[packed(i, j)] * deviations[j];
            }
        }
        for i in 0..n {
            for j in 0..n {
                let weight = block.inverse[i * n + j];
                block.means[i] += weight * self.own_data[j];
                for k in 0..b {
                    block.transfer[i * b + k] += weight * self.mixed[j * b + k];
                }
            }
        }
        for i in 0..n {
            block.quadratic -= self.own_data[i] * block.means[i];
            for k in 0..b {
                let mixed = self.mixed[i * b + k];
                block.rho[k] -= mixed * block.means[i];
                for l in 0..=k {
                    block.reduced[packed(k, l)] -= mixed * block.transfer[i * b + l];
                }
            }
        }
        block
    }
}

impl SiteBlock {
    /// Gives the distribution of some of the site's effects and of shared effects together, all
    /// readings of all sites considered. An effect that is unknown here counts as fixed to zero.
    pub fn joint(&self, solution: &Solution, columns: &[Column]) -> Gaussian {
        let own = OwnEffects {
            inverse: &self.inverse,
            means: &self.means,
            globals: &self.globals,
            transfer: &self.transfer,
        };
        joint(&own, solution, columns)
    }
}

/// A site's own effects with the shared ones known.
pub(crate) struct OwnEffects<'a> {
    pub(crate) inverse: &'a [f64],
    pub(crate) means: &'a [f64],
    pub(crate) globals: &'a [usize],
    pub(crate) transfer: &'a [f64],
}

/// Distribution of some effects of a site and of shared effects together.
pub(crate) fn joint(own: &OwnEffects<'_>, solution: &Solution, columns: &[Column]) -> Gaussian {
    let (n, b) = (own.means.len(), own.globals.len());
    let order = columns.len();
    let mut mean = vec![0.0; order];
    // Every effect is a sum over shared effects and an own part; the sums are written over the shared
    // effects that this site met and those asked for.
    let mut shared = own.globals.to_vec();
    for column in columns {
        if let Column::Global(index) = column
            && own.globals.binary_search(index).is_err()
        {
            shared.push(*index);
        }
    }
    let width = shared.len();
    let mut weights = vec![0.0; order * width];
    for (p, column) in columns.iter().enumerate() {
        let row = &mut weights[p * width..(p + 1) * width];
        match column {
            Column::Local(i) if *i < n => {
                mean[p] = own.means[*i];
                let line = &own.transfer[i * b..(i + 1) * b];
                for ((weight, value), index) in row.iter_mut().zip(line).zip(own.globals) {
                    *weight = -value;
                    mean[p] += *weight * solution.mean_c(*index);
                }
            }
            Column::Local(_) => {}
            Column::Global(index) => {
                mean[p] = solution.mean_c(*index);
                if let Some(place) = shared.iter().position(|other| other == index) {
                    row[place] = 1.0;
                }
            }
        }
    }
    let mut covariance = vec![0.0; order * order];
    let mut spread = vec![0.0; width];
    for p in 0..order {
        for (k, value) in spread.iter_mut().enumerate() {
            *value = 0.0;
            for l in 0..width {
                let weight = weights[p * width + l];
                if weight.abs() > 0.0 {
                    *value += weight * solution.covariance_c2(shared[k], shared[l]);
                }
            }
        }
        for q in 0..=p {
            let mut sum = 0.0;
            for (k, value) in spread.iter().enumerate() {
                sum += weights[q * width + k] * value;
            }
            if let (Column::Local(i), Column::Local(j)) = (columns[p], columns[q])
                && i < n
                && j < n
            {
                sum += own.inverse[i * n + j];
            }
            covariance[p * order + q] = sum;
            covariance[q * order + p] = sum;
        }
    }
    Gaussian { mean, covariance }
}
