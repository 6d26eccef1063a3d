//! The effects that all sites share, solved from what every site contributes.

use super::cholesky::{Cholesky, NotPositiveDefinite, packed, packed_len};
use super::components::Components;
use super::site::SiteBlock;

/// Natural logarithm of 2π.
pub(crate) const LN_TWO_PI: f64 = 1.837_877_066_409_345_3;

/// An effect shared by all sites: a batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalEffect {
    /// Nominal variance before anything is read, °C²; 0 fixes the effect to zero.
    pub prior_variance_c2: f64,
    /// True when the variance is multiplied by the learnt batch scale.
    pub scaled: bool,
}

/// Sums over all sites, from which the shared effects are solved.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// Standard deviations of the shared effects before anything is read, °C.
    pub deviations_c: Vec<f64>,
    /// Precision about the shared effects without their priors, packed symmetric.
    pub precision: Vec<f64>,
    /// Precision times estimate.
    pub rho: Vec<f64>,
    /// Logarithms of determinants.
    pub log_terms: f64,
    /// Sum of squares left.
    pub quadratic: f64,
    /// Observations counted.
    pub counted: u64,
}

/// The shared effects, given all readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Expected values, °C.
    pub means: Vec<f64>,
    /// Covariance, packed symmetric, °C².
    pub covariance: Vec<f64>,
    /// Logarithm of the probability density of everything counted (a diffuse first reading of each
    /// furnace is not; Durbin & Koopman 2012, section 7.2 without its constant).
    pub log_likelihood: f64,
    /// Observations counted.
    pub counted: u64,
}

impl Solution {
    /// Gives an expected value, °C; zero for an effect that the network does not know.
    pub fn mean_c(&self, index: usize) -> f64 {
        self.means.get(index).copied().unwrap_or(0.0)
    }

    /// Gives a covariance, °C²; zero when the network does not know either effect.
    pub fn covariance_c2(&self, row: usize, column: usize) -> f64 {
        if row >= self.means.len() || column >= self.means.len() {
            return 0.0;
        }
        self.covariance
            .get(packed(row, column))
            .copied()
            .unwrap_or(0.0)
    }
}

impl Network {
    /// Starts with the shared effects and no site.
    pub fn new(globals: &[GlobalEffect], components: &Components) -> Self {
        let mut network = Network {
            deviations_c: Vec::new(),
            precision: Vec::new(),
            rho: Vec::new(),
            log_terms: 0.0,
            quadratic: 0.0,
            counted: 0,
        };
        for global in globals {
            network.append(global, components);
        }
        network
    }

    /// Adds a shared effect that no site has met yet.
    pub fn append(&mut self, global: &GlobalEffect, components: &Components) {
        self.deviations_c.push(
            components
                .global_prior_c2(global.prior_variance_c2, global.scaled)
                .sqrt(),
        );
        self.rho.push(0.0);
        self.precision.resize(packed_len(self.rho.len()), 0.0);
    }

    /// Adds what a site contributes. An effect that the network does not know counts as fixed to zero.
    pub fn add(&mut self, block: &SiteBlock) {
        self.accumulate(block, 1.0);
        self.counted = self.counted.saturating_add(block.counted);
    }

    /// Takes a site's contribution out again. Rounding leaves traces of the size of the last digits
    /// behind, so that sums are built anew from time to time.
    pub fn remove(&mut self, block: &SiteBlock) {
        self.accumulate(block, -1.0);
        self.counted = self.counted.saturating_sub(block.counted);
    }

    fn accumulate(&mut self, block: &SiteBlock, sign: f64) {
        let known = self.rho.len();
        for (k, row) in block.globals.iter().enumerate() {
            if *row >= known {
                break;
            }
            self.rho[*row] += sign * block.rho[k];
            for (l, column) in block.globals[..=k].iter().enumerate() {
                self.precision[packed(*row, *column)] += sign * block.reduced[packed(k, l)];
            }
        }
        self.log_terms += sign * block.log_terms;
        self.quadratic += sign * block.quadratic;
    }

    /// Solves for the shared effects.
    ///
    /// # Errors
    /// [`NotPositiveDefinite`] when more was taken out than was put in.
    pub fn solved(&self) -> Result<Solution, NotPositiveDefinite> {
        let order = self.rho.len();
        let s = &self.deviations_c;
        let mut whitened = self.precision.clone();
        for i in 0..order {
            for j in 0..=i {
                whitened[packed(i, j)] *= s[i] * s[j];
            }
            whitened[packed(i, i)] += 1.0;
        }
        let factor = Cholesky::of(order, &whitened)?;
        let mut means = Vec::with_capacity(order);
        for (rho, deviation) in self.rho.iter().zip(s) {
            means.push(rho * deviation);
        }
        factor.solve(&mut means);
        let mut quadratic = self.quadratic;
        for i in 0..order {
            means[i] *= s[i];
            quadratic -= self.rho[i] * means[i];
        }
        let mut covariance = factor.inverse();
        for i in 0..order {
            for j in 0..=i {
                covariance[packed(i, j)] *= s[i] * s[j];
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "counts stay far below 2^53")]
        let constants = self.counted as f64 * LN_TWO_PI;
        let log_likelihood =
            -0.5 * (constants + self.log_terms + factor.log_determinant() + quadratic);
        if !log_likelihood.is_finite() {
            return Err(NotPositiveDefinite);
        }
        Ok(Solution {
            means,
            covariance,
            log_likelihood,
            counted: self.counted,
        })
    }
}
