//! What is known of the biases of ring batches and gauges, as people and findings look at them.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_calibration::gauge::NOMINAL_SLOPE_C_PER_MM;
use ringtrue_calibration::inference::{Column, SiteBlock};

use crate::effect::Effect;
use crate::finding::{BatchKnown, GaugeKnown};
use crate::gauge::{Gauge, GaugeCheck, epochs};
use crate::knowledge::{ExpectedError, Fit, Knowledge, LocalFit, expected_variance_c2};
use crate::ring_batch::RingBatch;

/// Standard deviation of the bias of a batch whose papers state none, °C: an assumption, the same as in the
/// uncertainty budget.
pub const BATCH_SD_C: f64 = 2.0;

/// What the last fit knows of a batch. Its readings and the last firing are not known to a fit and are left
/// empty.
pub fn batch_known(batch: &RingBatch, fit: &Fit) -> BatchKnown {
    let effect = Effect::Batch(batch.key.clone());
    let place = fit.places.get(&effect).copied();
    let global = place.and_then(|at| fit.globals.get(at));
    let stated_c = batch.details.stated_expanded_uncertainty_c;
    let sd_c = match global {
        Some(global) => global.sd_c,
        None => stated_c.map_or(BATCH_SD_C, |expanded_c| expanded_c / 2.0),
    };
    let expected_c2 = expected_variance_c2(&effect, sd_c, false, &fit.components);
    let (bias_c, variance_c2) = match place {
        Some(at) => {
            let known = SiteBlock::default().joint(&fit.solution, &[Column::Global(at)]);
            (known.mean_c(0), known.covariance_c2(0, 0))
        }
        None => (0.0, expected_c2),
    };
    BatchKnown {
        batch: batch.key.clone(),
        code: batch.details.code.clone(),
        bias_c,
        variance_c2,
        expected_sd_c: expected_c2.sqrt(),
        readings: global.map_or(0, |global| {
            u32::try_from(global.readings).unwrap_or(u32::MAX)
        }),
        sites: global.map_or(0, |global| u32::try_from(global.sites).unwrap_or(u32::MAX)),
        latest: Vec::new(),
        last_fired_at: None,
    }
}

/// What is known of a gauge since it last changed, as a reading measured with it now would meet it. Its
/// readings and the last firing are left empty.
pub fn gauge_known(
    gauge: &Gauge,
    zone: &TimeZone,
    knowledge: &Knowledge,
    now: Timestamp,
) -> GaugeKnown {
    let id = &gauge.key.gauge;
    let none: &[GaugeCheck] = &[];
    let checks = knowledge
        .checks
        .iter()
        .find(|(of, _)| of == id)
        .map_or(none, |(_, checks)| checks.as_slice());
    let all = epochs(checks);
    let today = now.to_zoned_datetime(zone.clone()).date();
    let last_checked_at = checks
        .iter()
        .filter_map(|check| check.details.checked_at)
        .max();
    let effect = Effect::Gauge {
        gauge: id.clone(),
        epoch: all.last().map_or(0, |epoch| epoch.number),
        unchecked: last_checked_at.is_some_and(|at| today > gauge.details.check_due_on(at, zone)),
    };
    let none: &[LocalFit] = &[];
    let locals = knowledge.site_fit.map_or(none, |fit| fit.locals.as_slice());
    let nominal_c =
        gauge.details.maximum_permissible_error_mm / 3.0_f64.sqrt() * NOMINAL_SLOPE_C_PER_MM.abs();
    let sd_c = locals
        .iter()
        .find(|local| local.effect == effect)
        .map_or(nominal_c, |local| local.sd_c);
    let mut readings = 0_u32;
    let mut measured_with = Vec::new();
    for local in locals {
        let Effect::Gauge { gauge: of, .. } = &local.effect else {
            continue;
        };
        if of == id {
            readings = readings.saturating_add(local.readings);
        }
        if local.readings > 0 && !measured_with.contains(&of) {
            measured_with.push(of);
        }
    }
    if !measured_with.contains(&id) {
        measured_with.push(id);
    }
    let expected_c2 = expected_variance_c2(&effect, sd_c, false, &knowledge.fit.components);
    let known = knowledge.of(&[ExpectedError {
        effect,
        sd_c,
        readings: 0,
    }]);
    GaugeKnown {
        gauge: gauge.key.clone(),
        display_name: gauge.details.display_name.clone(),
        bias_c: known.mean_c(0),
        variance_c2: known.covariance_c2(0, 0),
        expected_sd_c: expected_c2.sqrt(),
        readings,
        checks: all.last().map_or(0, |epoch| {
            u32::try_from(epoch.checks.len()).unwrap_or(u32::MAX)
        }),
        gauges_of_site: u32::try_from(measured_with.len()).unwrap_or(u32::MAX),
        latest: Vec::new(),
        last_fired_at: None,
    }
}

#[cfg(test)]
mod tests;
