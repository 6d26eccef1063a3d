//! The errors that a reading shares with others: which they are, and what is told of them.

use std::borrow::Cow;

use ringtrue_calibration::decision::Reason;
use ringtrue_calibration::evaluation::Evaluation;

use super::{Known, Report};
use crate::effect::Effect;
use crate::gauge::{epoch_at, epochs};
use crate::reading::{Inputs, Method};
use crate::tracking::{PointEffect, Surprise};

/// How far a reading was from what was expected; none at a furnace's first.
pub(super) fn surprise(evaluation: &Evaluation) -> Option<Surprise> {
    Some(Surprise {
        z: evaluation.innovation_z?,
        standard_deviation_c: evaluation.innovation_sd_c?,
        gain: evaluation.gain?,
    })
}

/// The errors that a reading shares with others.
pub(super) fn effects(known: &Known, report: &Report, evaluation: &Evaluation) -> Vec<PointEffect> {
    let shared = &evaluation.shared;
    let mut effects = Vec::new();
    let mut add = |effect: Effect, coefficient: f64, sd_c: f64| {
        effects.push(PointEffect {
            effect,
            coefficient,
            sd_c,
        });
    };
    match &report.method {
        Method::Thermocouple(thermocouple) => {
            let letter = thermocouple.kind.letter();
            add(Effect::Thermocouple(letter), shared.thermocouple_sd_c, 1.0);
        }
        Method::Rings(measured) => {
            if let (Some(gauge), Some(rings)) = (shared.gauge, &known.rings) {
                let unchecked = rings.check.is_some_and(|check| {
                    let zone = known.site.details.zone();
                    let measured_on = report.measured_at.to_zoned_datetime(zone.clone()).date();
                    let details = &rings.gauge.details;
                    check
                        .details
                        .checked_at
                        .is_some_and(|at| measured_on > details.check_due_on(at, &zone))
                });
                let all = epochs(rings.checks);
                let epoch = epoch_at(&all, report.measured_at).map_or(0, |epoch| epoch.number);
                let effect = Effect::Gauge {
                    gauge: measured.gauge.gauge.clone(),
                    epoch,
                    unchecked,
                };
                add(effect, gauge.coefficient, gauge.sd_c);
            }
            let batch = &measured.batch;
            add(Effect::Batch(batch.clone()), 1.0, shared.batch_sd_c);
            if shared.hold_c.abs() > 0.0 {
                let of = (!shared.hold_is_assumed).then(|| batch.clone());
                add(Effect::Hold(of), shared.hold_c, 1.0);
            }
        }
    }
    if shared.position_sd_c > 0.0 {
        let position = evaluation
            .rings
            .first()
            .map_or("", |ring| ring.position.as_str());
        let effect = Effect::Position {
            furnace: known.furnace.key.furnace.to_string(),
            position: position.trim().to_lowercase(),
        };
        add(effect, 1.0, shared.position_sd_c);
    }
    effects
}

/// Biases smaller than this are not worth a person's attention, °C.
const NOTABLE_BIAS_C: f64 = 0.5;

/// Tells when what the network knows of gauge and batch makes the advice differ from what this reading
/// alone would give.
pub(super) fn known_bias(inputs: &Inputs, evaluation: &Evaluation) -> Option<Reason> {
    evaluation.decision.as_ref()?;
    let removed_c = evaluation.shared.gauge.map_or(0.0, |gauge| gauge.removed_c);
    let bias_c = inputs.expectation.bias_c - removed_c;
    let expanded_c = 2.0 * inputs.expectation.bias_variance_c2.max(0.0).sqrt();
    (bias_c.abs() >= NOTABLE_BIAS_C).then(|| Reason {
        code: Cow::Borrowed("KNOWN_BIAS_TAKEN_OFF"),
        text: format!(
            "The network's readings show that this batch and gauge together read {bias_c:+.1} ± \
             {expanded_c:.1} °C. The furnace's offset has that taken off, so the advice may differ from \
             the plain setpoint."
        ),
    })
}
