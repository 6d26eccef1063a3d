//! What the network's readings together say about the errors that they share, as of the last fit, and what
//! follows for one furnace.
//!
//! A furnace's own filter keeps how its estimate answers to every error that its readings share
//! (`TrackedOffset`); a fit says how large those errors are. Put together they are the offset. So a fit
//! touches no furnace, and a reading touches no fit.

use std::collections::BTreeMap;

use jiff::Timestamp;
use ringtrue_calibration::gauge::NOMINAL_SLOPE_C_PER_MM;
use ringtrue_calibration::inference::{Column, Components, Gaussian, SiteBlock, Solution};

use crate::effect::Effect;
use crate::gauge::{GaugeCheck, epoch_numbered, epochs};
use crate::key::{CheckId, GaugeId, SiteId};

/// What the last fit found for the whole network.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Counts fits; 0 before the first.
    pub number: i64,
    /// When it was made; none before the first.
    pub fitted_at: Option<Timestamp>,
    /// The variance components that it used.
    pub components: Components,
    /// Counts the changes of the variance components; the chains of furnaces name the one they used.
    pub components_number: i64,
    /// When the components were learnt from the network's readings; none for the assumptions.
    pub components_at: Option<Timestamp>,
    /// The errors that all sites share, in the order of the solution. Only ever appended to.
    pub globals: Vec<GlobalFit>,
    /// Where each of them stands in that order; see [`places_of`].
    pub places: BTreeMap<Effect, usize>,
    /// What is known of them.
    pub solution: Solution,
    /// Readings behind it.
    pub readings: i64,
    /// The count of changes that it takes in.
    pub changes: i64,
    /// The number of the reference records that it takes in.
    pub reference_version: i64,
}

impl Default for Fit {
    fn default() -> Self {
        Self {
            number: 0,
            fitted_at: None,
            components: Components::default(),
            components_number: 0,
            components_at: None,
            globals: Vec::new(),
            places: BTreeMap::new(),
            solution: Solution {
                means: Vec::new(),
                covariance: Vec::new(),
                log_likelihood: 0.0,
                counted: 0,
            },
            readings: 0,
            changes: 0,
            reference_version: 0,
        }
    }
}

/// Where each error stands in an order.
pub fn places_of(globals: &[GlobalFit]) -> BTreeMap<Effect, usize> {
    let mut places = BTreeMap::new();
    for (at, global) in globals.iter().enumerate() {
        places.insert(global.effect.clone(), at);
    }
    places
}

/// One error that all sites share, as the fit took it.
#[derive(Debug, Clone, PartialEq)]
pub struct GlobalFit {
    /// Which.
    pub effect: Effect,
    /// Its expected standard deviation, °C.
    pub sd_c: f64,
    /// Readings that it had a part in.
    pub readings: i64,
    /// Sites with such readings.
    pub sites: i64,
}

/// What the last fit found for one site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteFit {
    /// The errors that only this site's readings share, in the order of the block.
    pub locals: Vec<LocalFit>,
    /// The site's part of the network's equations.
    pub block: SiteBlock,
}

/// One error of a site, as the fit took it.
#[derive(Debug, Clone, PartialEq)]
pub struct LocalFit {
    /// Which.
    pub effect: Effect,
    /// Its expected standard deviation, °C.
    pub sd_c: f64,
    /// The gauge checks that were taken in.
    pub checks: Vec<CheckId>,
    /// Readings that it had a part in.
    pub readings: u32,
}

/// An error with its expected size.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedError {
    /// Which.
    pub effect: Effect,
    /// Its expected standard deviation before anything is known, °C (or times its coefficient).
    pub sd_c: f64,
    /// Readings of the furnace that it had a part in.
    pub readings: u32,
}

/// A check as an observation of a gauge's bias.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BiasSeen {
    /// The bias, °C at the nominal slope.
    pub value_c: f64,
    /// Its variance, °C².
    pub variance_c2: f64,
}

/// A checked gauge's permissible error says nothing beside its checks: its expected variance is taken this
/// many times larger, so that a first reading corrected by a check is believed as it is.
pub const CHECKED_PRIOR_FACTOR: f64 = 1e4;

/// What bears on one site's furnaces.
#[derive(Debug, Clone, Copy)]
pub struct Knowledge<'a> {
    /// The site.
    pub site: &'a SiteId,
    /// The last fit.
    pub fit: &'a Fit,
    /// Its part for the site; none when the site had no reading then.
    pub site_fit: Option<&'a SiteFit>,
    /// The checks of the site's gauges that are on record now.
    pub checks: &'a [(GaugeId, Vec<GaugeCheck>)],
}

impl Knowledge<'_> {
    /// What is known of some errors, in their order.
    ///
    /// Those that the fit knows come with all that it knows; others with what is expected of their kind.
    /// Checks made since the fit are taken in.
    pub fn of(&self, effects: &[ExpectedError]) -> Gaussian {
        let mut columns = Vec::new();
        let mut places = Vec::with_capacity(effects.len());
        let mut new = Vec::new();
        for sized in effects {
            if let Some(column) = self.column(&sized.effect) {
                places.push(columns.len());
                columns.push(column);
            } else {
                places.push(usize::MAX);
                new.push(sized);
            }
        }
        let empty = SiteBlock::default();
        let block = self.site_fit.map_or(&empty, |site| &site.block);
        let mut known = block.joint(&self.fit.solution, &columns);
        let mut next = columns.len();
        for place in &mut places {
            if *place == usize::MAX {
                *place = next;
                next += 1;
            }
        }
        for sized in new {
            known.append_independent(0.0, self.expected_variance_c2(sized));
        }
        let mut known = reordered(&known, &places);
        for (at, sized) in effects.iter().enumerate() {
            for seen in self.unseen_checks(&sized.effect, sized.sd_c) {
                known.observed(at, seen.value_c, seen.variance_c2);
            }
        }
        known
    }

    /// Expected variance of an error before anything is known, °C².
    fn expected_variance_c2(&self, sized: &ExpectedError) -> f64 {
        let checked = !checks_of(self.checks, &sized.effect).is_empty();
        expected_variance_c2(&sized.effect, sized.sd_c, checked, &self.fit.components)
    }

    fn column(&self, effect: &Effect) -> Option<Column> {
        if effect.is_global() {
            return self.fit.places.get(effect).copied().map(Column::Global);
        }
        let locals = &self.site_fit?.locals;
        let at = locals.iter().position(|known| &known.effect == effect)?;
        Some(Column::Local(at))
    }

    fn unseen_checks(&self, effect: &Effect, sd_c: f64) -> Vec<BiasSeen> {
        let seen: &[CheckId] = self
            .site_fit
            .and_then(|site| site.locals.iter().find(|local| &local.effect == effect))
            .map_or(&[], |local| local.checks.as_slice());
        checks_of(self.checks, effect)
            .into_iter()
            .filter(|check| !seen.contains(&check.key.check))
            .map(|check| bias_seen(check, effect, sd_c))
            .collect()
    }
}

/// Expected variance of an error before anything is known, °C².
pub fn expected_variance_c2(
    effect: &Effect,
    sd_c: f64,
    checked: bool,
    components: &Components,
) -> f64 {
    let scale = match effect {
        Effect::Gauge { .. } => components.gauge_scale,
        Effect::Batch(_) => components.batch_scale,
        _ => 1.0,
    };
    let variance = (scale * sd_c).powi(2);
    if checked {
        variance * CHECKED_PRIOR_FACTOR
    } else {
        variance
    }
}

/// The checks on a reference block that bear on an error, earliest first.
pub fn checks_of<'a>(
    checks: &'a [(GaugeId, Vec<GaugeCheck>)],
    effect: &Effect,
) -> Vec<&'a GaugeCheck> {
    let Effect::Gauge { gauge, epoch, .. } = effect else {
        return Vec::new();
    };
    let Some((_, own)) = checks.iter().find(|(of, _)| of == gauge) else {
        return Vec::new();
    };
    epoch_numbered(&epochs(own), *epoch).map_or(Vec::new(), |epoch| epoch.checks.clone())
}

/// A check as an observation of the gauge's bias. For a gauge past its check date the bias may have changed
/// unseen by as much as its permissible error.
pub fn bias_seen(check: &GaugeCheck, effect: &Effect, sd_c: f64) -> BiasSeen {
    let mut variance_c2 = (NOMINAL_SLOPE_C_PER_MM * check.standard_uncertainty_mm).powi(2);
    if let Effect::Gauge {
        unchecked: true, ..
    } = effect
    {
        variance_c2 += sd_c * sd_c;
    }
    BiasSeen {
        value_c: NOMINAL_SLOPE_C_PER_MM * check.bias_mm,
        variance_c2,
    }
}

/// The same distribution with the effects in another order: `places` says where each now stands.
fn reordered(effects: &Gaussian, places: &[usize]) -> Gaussian {
    let mut mean = Vec::with_capacity(places.len());
    let mut covariance = Vec::with_capacity(places.len() * places.len());
    for row in places {
        mean.push(effects.mean_c(*row));
        for column in places {
            covariance.push(effects.covariance_c2(*row, *column));
        }
    }
    Gaussian { mean, covariance }
}

#[cfg(test)]
mod tests;
