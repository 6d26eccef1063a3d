//! The exact answer kept up reading by reading.
//!
//! A counted reading changes the precision about its site's effects and about the shared effects each
//! by one outer product, so that all covariances follow by the formula of Sherman and Morrison instead
//! of being solved anew. An amended or late reading runs its furnace again, eliminates its site again
//! and solves the shared effects again.

mod restored;

use super::chain::{Chain, Column, Firing, Scratch, Step};
use super::cholesky::{NotPositiveDefinite, dot, packed, packed_len};
use super::components::Components;
use super::effects::Gaussian;
use super::network::{GlobalEffect, LN_TWO_PI, Network, Solution};
use super::offset_state::{Expectation, OffsetState};
use super::site::{Check, LocalEffect, OwnEffects, SiteBlock, eliminated, joint};

/// A fleet whose posterior is exact after every reading.
#[derive(Debug, Clone)]
pub struct Online {
    components: Components,
    network: Network,
    solution: Solution,
    sites: Vec<Site>,
    furnaces: Vec<Furnace>,
    scratch: Scratch,
}

/// A site's own effects with the shared ones known.
#[derive(Debug, Clone, Default)]
struct Site {
    locals: Vec<LocalEffect>,
    furnaces: Vec<usize>,
    inverse: Vec<f64>,
    means: Vec<f64>,
    globals: Vec<usize>,
    transfer: Vec<f64>,
}

#[derive(Debug, Clone)]
struct Furnace {
    site: usize,
    columns: Vec<Column>,
    prior_variances_c2: Vec<f64>,
    chain: Chain,
}

/// What one firing did to the fleet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taken {
    /// What was expected before the firing was looked at.
    pub expectation: Expectation,
    /// What the furnace's own record made of it.
    pub step: Step,
    /// The furnace's offset, given everything read so far.
    pub state: OffsetState,
    /// Distance from what the whole fleet's record says, in standard deviations, before any robust
    /// step; none at a furnace's first firing with a diffuse start.
    pub fleet_z: Option<f64>,
}

impl Online {
    /// Starts an empty fleet.
    pub fn new(components: Components) -> Self {
        Online {
            components,
            network: Network::new(&[], &components),
            solution: Solution {
                means: Vec::new(),
                covariance: Vec::new(),
                log_likelihood: 0.0,
                counted: 0,
            },
            sites: Vec::new(),
            furnaces: Vec::new(),
            scratch: Scratch::default(),
        }
    }

    /// Adds a site and gives its index.
    pub fn add_site(&mut self) -> usize {
        self.sites.push(Site::default());
        self.sites.len() - 1
    }

    /// Adds a furnace to a site and gives its index in the fleet; none when there is no such site.
    pub fn add_furnace(&mut self, site: usize) -> Option<usize> {
        let index = self.furnaces.len();
        self.sites.get_mut(site)?.furnaces.push(index);
        self.furnaces.push(Furnace {
            site,
            columns: Vec::new(),
            prior_variances_c2: Vec::new(),
            chain: Chain::unread(),
        });
        Some(index)
    }

    /// Adds an effect shared by all sites (a batch) and gives its index.
    pub fn add_global(&mut self, global: GlobalEffect) -> usize {
        let index = self.solution.means.len();
        self.network.append(&global, &self.components);
        self.solution.means.push(0.0);
        self.solution.covariance.resize(packed_len(index + 1), 0.0);
        self.solution.covariance[packed(index, index)] = self
            .components
            .global_prior_c2(global.prior_variance_c2, global.scaled);
        index
    }

    /// Adds an effect of a site (a gauge) with its checks and gives its index there; none when there is
    /// no such site.
    pub fn add_local(&mut self, site: usize, mut local: LocalEffect) -> Option<usize> {
        let prior = self
            .components
            .local_prior_c2(local.prior_variance_c2, local.scaled);
        let checks = std::mem::take(&mut local.checks);
        let index = self.sites.get_mut(site)?.append(local, prior);
        for check in checks {
            self.record_check(site, index, check);
        }
        Some(index)
    }

    /// Takes in an observation of a gauge's effect itself; false when it says nothing or there is no
    /// such gauge.
    pub fn record_check(&mut self, site: usize, local: usize, check: Check) -> bool {
        let Some(effects) = self.sites.get_mut(site) else {
            return false;
        };
        let Some(effect) = effects.locals.get_mut(local) else {
            return false;
        };
        effect.checks.push(check);
        let Some(check) = check.usable() else {
            return false;
        };
        let mut own = vec![0.0; effects.locals.len()];
        own[local] = 1.0;
        let shared = vec![0.0; effects.globals.len()];
        self.absorb(site, &own, &shared, check.value_c, check.variance_c2);
        true
    }

    /// Gives the shared effects, given everything read so far.
    pub fn solution(&self) -> &Solution {
        &self.solution
    }

    /// Gives a furnace's chain; none when there is no such furnace.
    pub fn chain(&self, furnace: usize) -> Option<&Chain> {
        Some(&self.furnaces.get(furnace)?.chain)
    }

    /// Gives the meaning of a furnace's columns; none when there is no such furnace.
    pub fn columns(&self, furnace: usize) -> Option<&[Column]> {
        Some(&self.furnaces.get(furnace)?.columns)
    }

    /// Gives a site's own effects with their checks; none when there is no such site.
    pub fn locals(&self, site: usize) -> Option<&[LocalEffect]> {
        Some(&self.sites.get(site)?.locals)
    }

    /// Gives the effects of a furnace's columns, in their order; none when there is no such furnace.
    pub fn effects(&self, furnace: usize) -> Option<Gaussian> {
        let furnace = self.furnaces.get(furnace)?;
        self.joint(furnace.site, &furnace.columns)
    }

    /// Gives the distribution of effects of a site and of shared effects; none when there is no such
    /// site.
    pub fn joint(&self, site: usize, columns: &[Column]) -> Option<Gaussian> {
        let own = self.sites.get(site)?.own_effects();
        Some(joint(&own, &self.solution, columns))
    }

    /// Gives a furnace's offset; none when there is no such furnace or nothing was read.
    pub fn state(&self, furnace: usize) -> Option<OffsetState> {
        let chain = self.chain(furnace)?;
        if chain.readings == 0 {
            return None;
        }
        Some(chain.offset(&self.effects(furnace)?))
    }

    /// Gives what is expected of a furnace's next firing; none when there is no such furnace.
    pub fn expected(&self, furnace: usize, firing: &Firing<'_, Column>) -> Option<Expectation> {
        let furnace = self.furnaces.get(furnace)?;
        let mut columns = furnace.columns.clone();
        let effects = self.numbered(furnace.site, &mut columns, firing.effects);
        let known = self.joint(furnace.site, &columns)?;
        Some(
            furnace
                .chain
                .expectation(&known, &with_effects(firing, &effects), &self.components),
        )
    }

    /// Takes in a furnace's next firing; none when there is no such furnace.
    pub fn take(&mut self, furnace: usize, firing: &Firing<'_, Column>) -> Option<Taken> {
        let expectation = self.expected(furnace, firing)?;
        let site = self.furnaces.get(furnace)?.site;
        let mut scratch = std::mem::take(&mut self.scratch);
        let step = self.follow(furnace, firing, &mut scratch);
        let mut fleet_z = None;
        if let Some((data, effects)) = scratch.innovations().split_first() {
            let columns = &self.furnaces[furnace].columns;
            let (own, shared) = self.sites[site].sorted(columns, effects);
            let plain = step.variance_c2 - step.inflation_c2 - step.widened_c2;
            let (innovation, spread) = self.absorb(site, &own, &shared, *data, step.variance_c2);
            let total = plain + spread;
            if step.z.is_some() && total > 0.0 {
                fleet_z = Some(innovation / total.sqrt());
            }
        }
        self.scratch = scratch;
        let known = self.effects(furnace)?;
        Some(Taken {
            expectation,
            step,
            state: self.furnaces[furnace].chain.offset(&known),
            fleet_z,
        })
    }

    /// Replaces a furnace's record (a reading came late, was amended or withdrawn) and gives what each
    /// firing did; none when there is no such furnace.
    ///
    /// # Errors
    /// [`NotPositiveDefinite`] only if sums overflowed; the fleet is then unusable.
    pub fn replace_furnace(
        &mut self,
        furnace: usize,
        firings: &[Firing<'_, Column>],
    ) -> Result<Option<Vec<Step>>, NotPositiveDefinite> {
        let Some(site) = self.furnaces.get(furnace).map(|known| known.site) else {
            return Ok(None);
        };
        let before = self.eliminated(site);
        let replaced = &mut self.furnaces[furnace];
        replaced.columns.clear();
        replaced.prior_variances_c2.clear();
        replaced.chain = Chain::unread();
        let mut scratch = Scratch::default();
        let mut steps = Vec::with_capacity(firings.len());
        for firing in firings {
            steps.push(self.follow(furnace, firing, &mut scratch));
        }
        self.exchange(site, &before)?;
        Ok(Some(steps))
    }

    /// Replaces what is known of a gauge beforehand (its prior, its checks); false when there is no
    /// such gauge.
    ///
    /// # Errors
    /// [`NotPositiveDefinite`] only if sums overflowed; the fleet is then unusable.
    pub fn replace_local(
        &mut self,
        site: usize,
        local: usize,
        effect: LocalEffect,
    ) -> Result<bool, NotPositiveDefinite> {
        if self
            .sites
            .get(site)
            .is_none_or(|known| local >= known.locals.len())
        {
            return Ok(false);
        }
        let before = self.eliminated(site);
        let prior = self
            .components
            .local_prior_c2(effect.prior_variance_c2, effect.scaled);
        for furnace in &mut self.furnaces {
            if furnace.site == site {
                for (column, variance) in
                    furnace.columns.iter().zip(&mut furnace.prior_variances_c2)
                {
                    if *column == Column::Local(local) {
                        *variance = prior;
                    }
                }
            }
        }
        self.sites[site].locals[local] = effect;
        self.exchange(site, &before)?;
        Ok(true)
    }

    /// Sums everything anew from the chains, which clears what rounding has left behind.
    ///
    /// # Errors
    /// [`NotPositiveDefinite`] only if sums overflowed.
    pub fn rebuild(&mut self) -> Result<(), NotPositiveDefinite> {
        self.network.precision.fill(0.0);
        self.network.rho.fill(0.0);
        self.network.log_terms = 0.0;
        self.network.quadratic = 0.0;
        self.network.counted = 0;
        for site in 0..self.sites.len() {
            let block = self.eliminated(site);
            self.network.add(&block);
            self.sites[site].settle(block);
        }
        self.solution = self.network.solved()?;
        Ok(())
    }

    /// What a site contributes, from its chains.
    fn eliminated(&self, site: usize) -> SiteBlock {
        let site = &self.sites[site];
        let mut furnaces = Vec::with_capacity(site.furnaces.len());
        for index in &site.furnaces {
            let furnace = &self.furnaces[*index];
            furnaces.push((furnace.columns.as_slice(), &furnace.chain));
        }
        eliminated(&site.locals, &furnaces, &self.components)
    }

    /// Puts a site's present contribution in the place of the one before.
    fn exchange(&mut self, site: usize, before: &SiteBlock) -> Result<(), NotPositiveDefinite> {
        let block = self.eliminated(site);
        self.network.remove(before);
        self.network.add(&block);
        self.sites[site].settle(block);
        match self.network.solved() {
            Ok(solution) => {
                self.solution = solution;
                Ok(())
            }
            Err(NotPositiveDefinite) => self.rebuild(),
        }
    }

    /// Follows a firing in its furnace's chain alone.
    fn follow(
        &mut self,
        furnace: usize,
        firing: &Firing<'_, Column>,
        scratch: &mut Scratch,
    ) -> Step {
        let site = self.furnaces[furnace].site;
        let mut columns = std::mem::take(&mut self.furnaces[furnace].columns);
        let first_new = columns.len();
        let effects = if firing.is_usable() {
            self.numbered(site, &mut columns, firing.effects)
        } else {
            Vec::new()
        };
        for column in &columns[first_new..] {
            let own = &mut self.sites[site];
            let prior = match column {
                Column::Local(index) => {
                    let local = &own.locals[*index];
                    self.components
                        .local_prior_c2(local.prior_variance_c2, local.scaled)
                }
                Column::Global(index) => {
                    own.meet(*index);
                    let deviation = self.network.deviations_c[*index];
                    deviation * deviation
                }
            };
            self.furnaces[furnace].prior_variances_c2.push(prior);
        }
        let followed = &mut self.furnaces[furnace];
        followed.columns = columns;
        followed.chain.follow(
            &with_effects(firing, &effects),
            &followed.prior_variances_c2,
            &self.components,
            scratch,
        )
    }

    /// Numbers a firing's effects by the furnace's columns, appending those not met before. Effects that
    /// neither the site nor the network has count as fixed to zero.
    fn numbered(
        &self,
        site: usize,
        columns: &mut Vec<Column>,
        effects: &[(Column, f64)],
    ) -> Vec<(usize, f64)> {
        let mut numbered = Vec::with_capacity(effects.len());
        for (column, coefficient) in effects {
            let known = match column {
                Column::Local(index) => *index < self.sites[site].locals.len(),
                Column::Global(index) => *index < self.solution.means.len(),
            };
            if !known {
                continue;
            }
            let place = if let Some(place) = columns.iter().position(|other| other == column) {
                place
            } else {
                columns.push(*column);
                columns.len() - 1
            };
            numbered.push((place, *coefficient));
        }
        numbered
    }

    /// Takes in one independent observation of `own`·(own effects) + `shared`·(the site's shared
    /// effects). Gives its innovation and the variance of the effects' part in it, both before.
    fn absorb(
        &mut self,
        site: usize,
        own: &[f64],
        shared: &[f64],
        value: f64,
        variance_c2: f64,
    ) -> (f64, f64) {
        let seen = self.sites[site].absorb(own, shared, value, variance_c2);
        let globals = &self.sites[site].globals;
        for (k, row) in globals.iter().enumerate() {
            let scaled = seen.shared[k] / seen.variance_c2;
            self.network.rho[*row] += scaled * seen.innovation;
            for (l, column) in globals[..=k].iter().enumerate() {
                self.network.precision[packed(*row, *column)] += scaled * seen.shared[l];
            }
        }
        let log_variance = libm::log(seen.variance_c2);
        self.network.log_terms += log_variance;
        self.network.quadratic += seen.innovation * seen.innovation / seen.variance_c2;
        self.network.counted = self.network.counted.saturating_add(1);

        let solution = &mut self.solution;
        let order = solution.means.len();
        let mut cover = vec![0.0; order];
        let mut innovation = seen.innovation;
        for (column, weight) in globals.iter().zip(&seen.shared) {
            innovation -= weight * solution.means[*column];
            if weight.abs() > 0.0 {
                for (row, sum) in cover.iter_mut().enumerate() {
                    *sum += weight * solution.covariance[packed(row, *column)];
                }
            }
        }
        let mut spread = 0.0;
        for (column, weight) in globals.iter().zip(&seen.shared) {
            spread += weight * cover[*column];
        }
        let total = seen.variance_c2 + spread.max(0.0);
        for row in 0..order {
            let gain = cover[row] / total;
            solution.means[row] += gain * innovation;
            let start = packed_len(row);
            let line = &mut solution.covariance[start..=start + row];
            for (entry, other) in line.iter_mut().zip(&cover) {
                *entry -= gain * other;
            }
            line[row] = line[row].max(0.0);
        }
        solution.log_likelihood -=
            0.5 * (LN_TWO_PI + libm::log(total) + innovation * innovation / total);
        solution.counted = self.network.counted;
        (innovation, total - variance_c2)
    }
}

/// An observation with a site's own effects integrated out.
struct Seen {
    innovation: f64,
    variance_c2: f64,
    /// Coefficients of the site's shared effects.
    shared: Vec<f64>,
}

impl Site {
    fn own_effects(&self) -> OwnEffects<'_> {
        OwnEffects {
            inverse: &self.inverse,
            means: &self.means,
            globals: &self.globals,
            transfer: &self.transfer,
        }
    }

    /// Adds an own effect that nothing depends on yet and gives its index.
    fn append(&mut self, local: LocalEffect, prior_c2: f64) -> usize {
        let n = self.locals.len();
        let mut inverse = vec![0.0; (n + 1) * (n + 1)];
        for i in 0..n {
            let line = &self.inverse[i * n..(i + 1) * n];
            inverse[i * (n + 1)..i * (n + 1) + n].copy_from_slice(line);
        }
        inverse[n * (n + 1) + n] = prior_c2;
        self.inverse = inverse;
        self.means.push(0.0);
        self.transfer
            .resize(self.transfer.len() + self.globals.len(), 0.0);
        self.locals.push(local);
        n
    }

    /// Makes room for a shared effect that the site uses for the first time.
    fn meet(&mut self, global: usize) {
        let Err(place) = self.globals.binary_search(&global) else {
            return;
        };
        let b = self.globals.len();
        self.globals.insert(place, global);
        for i in (0..self.locals.len()).rev() {
            self.transfer.insert(i * b + place, 0.0);
        }
    }

    /// Sorts the innovations of a furnace's effects into the site's own and shared effects.
    fn sorted(&self, columns: &[Column], innovations: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let mut own = vec![0.0; self.locals.len()];
        let mut shared = vec![0.0; self.globals.len()];
        for (column, value) in columns.iter().zip(innovations) {
            match column {
                Column::Local(index) => own[*index] += value,
                Column::Global(index) => {
                    if let Ok(place) = self.globals.binary_search(index) {
                        shared[place] += value;
                    }
                }
            }
        }
        (own, shared)
    }

    /// Takes one observation into the site's own effects.
    fn absorb(&mut self, own: &[f64], shared: &[f64], value: f64, variance_c2: f64) -> Seen {
        let (n, b) = (self.means.len(), self.globals.len());
        let mut cover = vec![0.0; n];
        let mut seen = Seen {
            innovation: value,
            variance_c2,
            shared: shared.to_vec(),
        };
        for i in 0..n {
            cover[i] = dot(&self.inverse[i * n..(i + 1) * n], own);
            seen.innovation -= own[i] * self.means[i];
            for k in 0..b {
                seen.shared[k] -= self.transfer[i * b + k] * own[i];
            }
        }
        seen.variance_c2 += dot(own, &cover).max(0.0);
        for i in 0..n {
            let gain = cover[i] / seen.variance_c2;
            self.means[i] += gain * seen.innovation;
            let line = &mut self.inverse[i * n..(i + 1) * n];
            for (entry, other) in line.iter_mut().zip(&cover) {
                *entry -= gain * other;
            }
            for k in 0..b {
                self.transfer[i * b + k] += gain * seen.shared[k];
            }
        }
        seen
    }

    /// Takes over what an elimination has found.
    fn settle(&mut self, block: SiteBlock) {
        self.inverse = block.inverse;
        self.means = block.means;
        self.globals = block.globals;
        self.transfer = block.transfer;
    }
}

/// The firing with its effects numbered by the furnace's columns.
fn with_effects<'a>(firing: &Firing<'_, Column>, effects: &'a [(usize, f64)]) -> Firing<'a> {
    Firing {
        weeks: firing.weeks,
        setpoint_c: firing.setpoint_c,
        offset_c: firing.offset_c,
        variance_c2: firing.variance_c2,
        event_variance_c2: firing.event_variance_c2,
        redraws_slope: firing.redraws_slope,
        shift_c: firing.shift_c,
        effects,
    }
}
