//! Learning the network's own variance components: how furnaces wander and drift, how readings scatter,
//! how much batches and gauges differ.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use ringtrue_calibration::inference::{
    Column, Components, Firing, GlobalEffect, Learnt, LearntQuantity, NotPositiveDefinite, Plan,
    Quantity, SiteRecords, learnt,
};

use crate::effect::Effect;
use crate::event::FurnaceEvent;
use crate::fitting::{local, local_effect};
use crate::gauge::GaugeCheck;
use crate::key::GaugeId;
use crate::knowledge::{Fit, LocalFit};
use crate::tracking::{Happened, TrackPoint, happened, weeks_between};

/// Fewest readings from which a network learns; with less, assumptions are better.
const FEWEST_READINGS: i64 = 200;

/// Days after which it learns anew.
const EVERY_DAYS: i64 = 30;

/// Where the search for the spread of furnaces' offsets begins, °C: displays are often 10 to 30 °C off
/// (common practice, no source). Once it is learnt, what the furnaces of a site have in common speaks for
/// its gauge from the first reading on.
const ASSUMED_SPREAD_C: f64 = 15.0;

/// Largest standard error of a quantity's logarithm at which it is taken over: known to about a quarter.
/// About eight batches are needed to know so much of how batches differ.
const VAGUEST_LOG_ERROR: f64 = 0.25;

/// Whether a network should learn its variance components now.
pub fn is_due(fit: &Fit, now: Timestamp) -> bool {
    let old_enough = fit
        .components_at
        .is_none_or(|at| now.duration_since(at) >= SignedDuration::from_hours(24 * EVERY_DAYS));
    old_enough && fit.readings >= FEWEST_READINGS
}

/// Of how many sites one is taken, so that about as many readings are used as are needed.
pub fn stride(fit: &Fit) -> usize {
    let most = Plan::default().most_readings;
    let readings = usize::try_from(fit.readings).unwrap_or(usize::MAX);
    readings.div_ceil(most.max(1)).max(1)
}

/// Collects the records of sites, in order of their ids.
#[derive(Debug, Default)]
pub struct Learning {
    sites: Vec<SiteRecords>,
    globals: Vec<GlobalEffect>,
    places: BTreeMap<Effect, usize>,
}

impl Learning {
    /// Adds a site: every furnace's readings in order with its events, and the checks of its gauges.
    pub fn add_site(
        &mut self,
        furnaces: &[(Vec<TrackPoint>, Vec<FurnaceEvent>)],
        checks: &[(GaugeId, Vec<GaugeCheck>)],
    ) {
        let mut locals: Vec<LocalFit> = Vec::new();
        let mut firings: Vec<Vec<Vec<(Column, f64)>>> = Vec::with_capacity(furnaces.len());
        for (points, _) in furnaces {
            let mut own = Vec::with_capacity(points.len());
            for point in points {
                own.push(self.columns(point, &mut locals));
            }
            firings.push(own);
        }
        let mut effects = Vec::with_capacity(locals.len());
        for local in &mut locals {
            let mut effect = local_effect(local, checks);
            // A fit lets a checked gauge be anything that the block shows. Here what checks find tells how
            // much gauges differ, so it is held against what is expected of their kind.
            effect.prior_variance_c2 = local.sd_c * local.sd_c;
            effects.push(effect);
        }
        let mut records = SiteRecords::new(effects);
        for ((points, events), columns) in furnaces.iter().zip(&firings) {
            records.push_furnace();
            let mut last: Option<Timestamp> = None;
            for (point, effects) in points.iter().zip(columns) {
                records.push(&firing(point, events, last, effects));
                last = Some(point.fired_at);
            }
        }
        records.shrink();
        self.sites.push(records);
    }

    fn columns(&mut self, point: &TrackPoint, locals: &mut Vec<LocalFit>) -> Vec<(Column, f64)> {
        let mut columns = Vec::with_capacity(point.effects.len());
        for part in &point.effects {
            let column = if part.effect.is_global() {
                let next = self.globals.len();
                let at = *self.places.entry(part.effect.clone()).or_insert(next);
                if at == next {
                    self.globals.push(GlobalEffect {
                        prior_variance_c2: part.sd_c * part.sd_c,
                        scaled: part.effect.is_scaled(),
                    });
                }
                Column::Global(at)
            } else {
                Column::Local(local(locals, &part.effect, part.sd_c, 1))
            };
            columns.push((column, part.coefficient));
        }
        columns
    }

    /// Learns; what the readings do not tell, or tell too vaguely, stays as it is assumed.
    ///
    /// Three batches say little about how batches differ: believed, they would make a bad batch look
    /// normal. So a first look finds what the readings tell well, and a second learns only that.
    pub fn finished(self) -> Result<Learnt, NotPositiveDefinite> {
        // Always from the assumptions, not from what was learnt before: a network's readings are not
        // to count twice.
        let assumed = Components {
            initial_sd_c: Some(ASSUMED_SPREAD_C),
            ..Components::default()
        };
        let look = |plan: &Plan| learnt(&self.sites, &self.globals, &assumed, plan);
        let first = look(&Plan::default())?;
        let told: Vec<Quantity> = first
            .quantities
            .iter()
            .filter(|learnt| is_told(learnt))
            .map(|learnt| learnt.quantity)
            .collect();
        if told.len() == first.quantities.len() {
            return Ok(first);
        }
        let spread_is_told = told.contains(&Quantity::InitialSd);
        let mut second = look(&Plan {
            quantities: told,
            ..Plan::default()
        })?;
        if !spread_is_told {
            second.components.initial_sd_c = None;
        }
        Ok(second)
    }
}

/// Whether readings tell a quantity well enough to take the place of an assumption.
fn is_told(learnt: &LearntQuantity) -> bool {
    learnt.told
        && learnt
            .log_standard_error
            .is_some_and(|error| error <= VAGUEST_LOG_ERROR)
}

fn firing<'a>(
    point: &TrackPoint,
    events: &[FurnaceEvent],
    last: Option<Timestamp>,
    effects: &'a [(Column, f64)],
) -> Firing<'a, Column> {
    let (since, weeks) = last.map_or((Happened::default(), 0.0), |last| {
        (
            happened(events, last, point.fired_at),
            weeks_between(last, point.fired_at),
        )
    });
    Firing {
        weeks,
        setpoint_c: point.setpoint_c,
        offset_c: point.observed_offset_c + point.removed_c,
        variance_c2: point.independent_c * point.independent_c,
        event_variance_c2: since.variance_c2,
        redraws_slope: since.redraws_slope,
        shift_c: since.shift_c,
        effects,
    }
}

#[cfg(test)]
mod tests;
