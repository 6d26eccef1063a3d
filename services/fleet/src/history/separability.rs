//! What of an offset's uncertainty is the gauge's and the batch's of the last reading, and what would
//! separate them.

use ringtrue_calibration::inference::{self, Chain, Column, Gaussian, Possibilities, Remedy};

use crate::effect::Effect;
use crate::knowledge::Knowledge;
use crate::tracking::{TrackedOffset, shared_errors};

/// A remedy that narrows the standard uncertainty by less than this beyond one more ring is not worth naming,
/// °C.
const LEAST_GAIN_C: f64 = 0.05;

/// Intervals for people are two standard uncertainties wide to each side.
const COVERAGE_FACTOR: f64 = 2.0;

/// What can and cannot be told apart in one furnace's offset, just after its last reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Separability {
    /// Standard uncertainty of the offset, °C.
    pub offset_c: f64,
    /// Part of it that is the last gauge's bias, °C: what would go, in squares, were that known; 0 for a
    /// thermocouple.
    pub gauge_part_c: f64,
    /// Part of it that is the last batch's bias, °C; likewise.
    pub batch_part_c: f64,
    /// Correlation of the offset with the gauge's bias.
    pub gauge_correlation: f64,
    /// Correlation of the offset with the batch's bias.
    pub batch_correlation: f64,
    /// Whether an act takes away at least a tenth of the offset's variance and more than one more reading
    /// like the last would.
    pub inseparable: bool,
    /// The acts that take away more than one more reading like the last would, the most effective first, in
    /// words.
    pub remedies: Vec<String>,
    /// Standard uncertainty of the offset after the first of them, °C; as it is when there is none.
    pub after_c: f64,
}

/// Finds what can and cannot be told apart at a temperature.
pub fn separability(
    tracked: &TrackedOffset,
    knowledge: &Knowledge,
    at_c: f64,
) -> Option<Separability> {
    let effects = shared_errors(tracked, knowledge);
    let components = &knowledge.fit.components;
    let independent_c2 = tracked.last.independent_c * tracked.last.independent_c;
    let mut with = Possibilities {
        reading_c2: components.noise_c2(independent_c2),
        ..Possibilities::default()
    };
    // The gauge and the batch of the last reading stand first, so that parts are named for these and for
    // no other error that the record knows.
    let mut order = Vec::with_capacity(tracked.columns.len());
    let mut columns = Vec::new();
    for part in &tracked.last.effects {
        let column = match part.effect {
            Effect::Gauge { .. } => Column::Local(0),
            Effect::Batch(_) => Column::Global(0),
            _ => continue,
        };
        let known = tracked
            .columns
            .iter()
            .position(|known| known.effect == part.effect);
        let Some(at) = known else { continue };
        let nominal_c2 = part.sd_c * part.sd_c;
        match column {
            Column::Local(_) => with.other_gauge_c2 = components.local_prior_c2(nominal_c2, true),
            Column::Global(_) => with.other_batch_c2 = components.global_prior_c2(nominal_c2, true),
        }
        columns.push(column);
        order.push(at);
    }
    for at in 0..tracked.columns.len() {
        if !order.contains(&at) {
            order.push(at);
        }
    }
    let (chain, effects) = reordered(&tracked.chain, &effects, &order);
    let found = inference::separability(&chain, &columns, &effects, at_c, &with)?;
    let mut remedies = Vec::new();
    let mut after_c = found.offset_c;
    for gain in &found.remedies {
        // What a plain second ring would bring as well is no remedy of its own.
        if gain.left_c > found.another_reading_c - LEAST_GAIN_C {
            continue;
        }
        if remedies.is_empty() {
            after_c = gain.left_c;
        }
        let act = match gain.remedy {
            Remedy::CheckGauge => "Check the gauge on a reference block",
            Remedy::OtherGauge => "Measure the last ring with another gauge as well",
            Remedy::OtherBatch => "Fire one ring of another batch alongside",
        };
        remedies.push(format!(
            "{act}: the offset would be known to ±{:.1} °C; one more ring of the same batch with the same \
             gauge would leave ±{:.1} °C.",
            COVERAGE_FACTOR * gain.left_c,
            COVERAGE_FACTOR * found.another_reading_c
        ));
    }
    Some(Separability {
        offset_c: found.offset_c,
        gauge_part_c: found.gauge.map_or(0.0, |part| part.in_offset_c),
        batch_part_c: found.batch.map_or(0.0, |part| part.in_offset_c),
        gauge_correlation: found.gauge.map_or(0.0, |part| part.correlation),
        batch_correlation: found.batch.map_or(0.0, |part| part.correlation),
        inseparable: found.best().is_some(),
        remedies,
        after_c,
    })
}

/// The same filter and the same errors, with the errors in another order.
fn reordered(chain: &Chain, effects: &Gaussian, order: &[usize]) -> (Chain, Gaussian) {
    let mut states = Vec::with_capacity(order.len() + 1);
    states.extend(chain.states.first().copied());
    let mut mean = Vec::with_capacity(order.len());
    let mut covariance = Vec::with_capacity(order.len() * order.len());
    for row in order {
        states.push(chain.states.get(row + 1).copied().unwrap_or_default());
        mean.push(effects.mean_c(*row));
        for column in order {
            covariance.push(effects.covariance_c2(*row, *column));
        }
    }
    let chain = Chain {
        states,
        sums: Vec::new(),
        ..chain.clone()
    };
    (chain, Gaussian { mean, covariance })
}
