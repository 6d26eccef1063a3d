//! A fit of the network: what every furnace's filter says, put together.

use std::collections::BTreeMap;

use jiff::Timestamp;
use ringtrue_calibration::inference::{
    Chain, Check, Column, Components, GlobalEffect, LocalEffect, Network, NotPositiveDefinite,
    SiteBlock, eliminated,
};

use crate::effect::Effect;
use crate::gauge::GaugeCheck;
use crate::key::{GaugeId, SiteId};
use crate::knowledge::{
    CHECKED_PRIOR_FACTOR, Fit, GlobalFit, LocalFit, SiteFit, bias_seen, checks_of, places_of,
};
use crate::tracking::TrackedOffset;

/// Collects sites, in order of their ids, into a fit. The order decides the last digits, so it is always
/// the same.
#[derive(Debug)]
pub struct Fitting {
    components: Components,
    globals: Vec<GlobalFit>,
    places: BTreeMap<Effect, usize>,
    blocks: Vec<SiteBlock>,
    readings: i64,
}

impl Fitting {
    /// Begins with the shared errors that the fit before knew, so that the parts of sites that have not
    /// changed keep their meaning.
    pub fn after(before: &Fit, components: Components) -> Self {
        let mut globals = before.globals.clone();
        for global in &mut globals {
            global.readings = 0;
            global.sites = 0;
        }
        let places = places_of(&globals);
        Self {
            components,
            globals,
            places,
            blocks: Vec::new(),
            readings: 0,
        }
    }

    /// Adds a site with all its furnaces, in order of their ids, and the checks of its gauges; gives its
    /// part of the fit.
    pub fn add_site(
        &mut self,
        furnaces: &[TrackedOffset],
        checks: &[(GaugeId, Vec<GaugeCheck>)],
    ) -> SiteFit {
        let mut locals: Vec<LocalFit> = Vec::new();
        let mut columns: Vec<Vec<Column>> = Vec::with_capacity(furnaces.len());
        let mut met: Vec<usize> = Vec::new();
        for tracked in furnaces {
            self.readings += i64::from(tracked.chain.readings);
            let mut own = Vec::with_capacity(tracked.columns.len());
            for column in &tracked.columns {
                if column.effect.is_global() {
                    let at = self.global(&column.effect, column.sd_c, column.readings);
                    met.push(at);
                    own.push(Column::Global(at));
                } else {
                    own.push(Column::Local(local(
                        &mut locals,
                        &column.effect,
                        column.sd_c,
                        column.readings,
                    )));
                }
            }
            columns.push(own);
        }
        met.sort_unstable();
        met.dedup();
        for at in met {
            self.globals[at].sites += 1;
        }
        let mut effects = Vec::with_capacity(locals.len());
        for local in &mut locals {
            effects.push(local_effect(local, checks));
        }
        let chains: Vec<(&[Column], &Chain)> = columns
            .iter()
            .zip(furnaces)
            .map(|(columns, tracked)| (columns.as_slice(), &tracked.chain))
            .collect();
        let block = eliminated(&effects, &chains, &self.components);
        self.blocks.push(block.clone());
        SiteFit { locals, block }
    }

    fn global(&mut self, effect: &Effect, sd_c: f64, readings: u32) -> usize {
        let next = self.globals.len();
        let at = *self.places.entry(effect.clone()).or_insert(next);
        if at == next {
            self.globals.push(GlobalFit {
                effect: effect.clone(),
                sd_c,
                readings: 0,
                sites: 0,
            });
        }
        self.globals[at].readings += i64::from(readings);
        at
    }

    /// Solves for everything.
    pub fn finished(
        self,
        before: &Fit,
        fitted_at: Timestamp,
        counts: Counts,
    ) -> Result<Fit, NotPositiveDefinite> {
        let effects: Vec<GlobalEffect> = self
            .globals
            .iter()
            .map(|global| GlobalEffect {
                prior_variance_c2: global.sd_c * global.sd_c,
                scaled: global.effect.is_scaled(),
            })
            .collect();
        let mut network = Network::new(&effects, &self.components);
        for block in &self.blocks {
            network.add(block);
        }
        Ok(Fit {
            number: before.number.saturating_add(1),
            fitted_at: Some(fitted_at),
            components: self.components,
            components_number: counts.components_number,
            components_at: counts.components_at,
            globals: self.globals,
            places: self.places,
            solution: network.solved()?,
            readings: self.readings,
            changes: counts.changes,
            reference_version: counts.reference_version,
        })
    }
}

/// What a fit takes in, as the store counts it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counts {
    /// Number of the variance components.
    pub components_number: i64,
    /// When they were learnt.
    pub components_at: Option<Timestamp>,
    /// The count of recordings.
    pub changes: i64,
    /// The number of the reference records.
    pub reference_version: i64,
}

/// Where an error of a site stands, added when it is new.
pub(crate) fn local(
    locals: &mut Vec<LocalFit>,
    effect: &Effect,
    sd_c: f64,
    readings: u32,
) -> usize {
    if let Some(at) = locals.iter().position(|known| &known.effect == effect) {
        let known = &mut locals[at];
        known.sd_c = known.sd_c.max(sd_c);
        known.readings = known.readings.saturating_add(readings);
        return at;
    }
    locals.push(LocalFit {
        effect: effect.clone(),
        sd_c,
        checks: Vec::new(),
        readings,
    });
    locals.len() - 1
}

/// The error with its checks; a checked gauge's permissible error says nothing beside them.
pub(crate) fn local_effect(
    local: &mut LocalFit,
    checks: &[(GaugeId, Vec<GaugeCheck>)],
) -> LocalEffect {
    let own = checks_of(checks, &local.effect);
    let mut seen = Vec::with_capacity(own.len());
    for check in &own {
        let bias = bias_seen(check, &local.effect, local.sd_c);
        seen.push(Check {
            value_c: bias.value_c,
            variance_c2: bias.variance_c2,
        });
        local.checks.push(check.key.check.clone());
    }
    let factor = if own.is_empty() {
        1.0
    } else {
        CHECKED_PRIOR_FACTOR
    };
    LocalEffect {
        prior_variance_c2: local.sd_c * local.sd_c * factor,
        scaled: local.effect.is_scaled(),
        checks: seen,
    }
}

/// Splits furnaces in order of their keys into sites.
pub fn by_site(
    tracked: Vec<(crate::key::FurnaceKey, TrackedOffset)>,
) -> Vec<(SiteId, Vec<TrackedOffset>)> {
    let mut sites: Vec<(SiteId, Vec<TrackedOffset>)> = Vec::new();
    for (key, offset) in tracked {
        match sites.last_mut() {
            Some((site, offsets)) if *site == key.site => offsets.push(offset),
            _ => sites.push((key.site, vec![offset])),
        }
    }
    sites
}

#[cfg(test)]
pub(crate) mod tests;
