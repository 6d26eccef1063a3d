//! What of a furnace's uncertainty more rings cannot remove, and what would.
//!
//! With one furnace, one gauge and one batch for ever, offset and biases cannot be told apart: only
//! their sum is read. The joint distribution says so by its correlations, and says too by how much each
//! act would reduce the variance of the offset.

use super::chain::{Chain, Column};
use super::effects::Gaussian;
use super::offset_state::{COEFFICIENT_SPAN_C, OffsetState};

/// Intervals for people are two standard uncertainties wide to each side.
const COVERAGE_FACTOR: f64 = 2.0;

/// Below this share of the offset's variance a bias is not worth an act of its own.
const WORTH_NAMING: f64 = 0.1;

/// An act that tells offset and biases apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Remedy {
    /// Check the gauge on a reference block.
    CheckGauge,
    /// Measure the last ring once with another gauge as well.
    OtherGauge,
    /// Fire one ring of another batch alongside.
    OtherBatch,
}

/// What the acts can be done with; variances in °C².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Possibilities {
    /// Variance of a check on a reference block: the squared 200 °C/mm times its uncertainty in mm.
    pub block_check_c2: f64,
    /// Variance of another gauge's bias.
    pub other_gauge_c2: f64,
    /// Variance of measuring the same ring again.
    pub repeat_c2: f64,
    /// Variance of another batch's bias.
    pub other_batch_c2: f64,
    /// Variance of what the next reading does not repeat.
    pub reading_c2: f64,
}

impl Default for Possibilities {
    /// Gives the defaults of this program: a block known to 0.005 mm, another 0.01 mm caliper, another
    /// batch, one ring (assumptions until something better is known).
    fn default() -> Self {
        Possibilities {
            block_check_c2: 1.0,
            other_gauge_c2: 9.0,
            repeat_c2: 2.0,
            other_batch_c2: 4.0,
            reading_c2: 4.41,
        }
    }
}

/// A bias and its part in the offset's uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Which effect.
    pub column: Column,
    /// Standard uncertainty of the bias itself, °C.
    pub bias_c: f64,
    /// Its part in the offset's standard uncertainty, °C: what would go, in squares, were it known.
    pub in_offset_c: f64,
    /// Correlation of bias and offset.
    pub correlation: f64,
}

/// What an act would leave of the offset's uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// The act.
    pub remedy: Remedy,
    /// Standard uncertainty of the offset after it, °C.
    pub left_c: f64,
}

/// What can and cannot be told apart for one furnace.
#[derive(Debug, Clone, PartialEq)]
pub struct Separability {
    /// Standard uncertainty of the offset, °C.
    pub offset_c: f64,
    /// The gauge that matters most; none when the furnace's record knows no gauge.
    pub gauge: Option<Part>,
    /// The batch that matters most; none when the furnace's record knows no batch.
    pub batch: Option<Part>,
    /// The correlation of largest size among offset, that gauge and that batch.
    pub largest_correlation: f64,
    /// Standard uncertainty of the offset after one more reading like the last, °C.
    pub another_reading_c: f64,
    /// The acts, the one that helps most first.
    pub remedies: Vec<Gain>,
}

/// Finds what can and cannot be told apart at a set temperature. `effects` are those of the chain's
/// columns in their order. None when nothing was read.
pub fn separability(
    chain: &Chain,
    columns: &[Column],
    effects: &Gaussian,
    temperature_c: f64,
    with: &Possibilities,
) -> Option<Separability> {
    if chain.readings == 0 {
        return None;
    }
    let state = chain.offset(effects);
    let offset_c = state.estimate(temperature_c).standard_uncertainty_c;
    let variance = offset_c * offset_c;
    let covers = covariances(chain, effects, &state, temperature_c);
    let mut gauge = None;
    let mut batch = None;
    let mut largest = 0.0;
    for (k, column) in columns.iter().take(covers.len()).enumerate() {
        let part = part(*column, covers[k], effects.covariance_c2(k, k), variance);
        let place = match column {
            Column::Local(_) => &mut gauge,
            Column::Global(_) => &mut batch,
        };
        if place.is_none_or(|(_, other): (usize, Part)| part.in_offset_c > other.in_offset_c) {
            *place = Some((k, part));
        }
    }
    for (_, part) in [gauge, batch].into_iter().flatten() {
        largest = larger(largest, part.correlation);
    }
    if let (Some((g, gauge)), Some((b, batch))) = (gauge, batch) {
        let scale = gauge.bias_c * batch.bias_c;
        if scale > 0.0 {
            largest = larger(largest, effects.covariance_c2(g, b) / scale);
        }
    }
    let of_gauge = gauge.map_or([0.0; 2], |(g, _)| [covers[g], effects.covariance_c2(g, g)]);
    let of_batch = batch.map_or([0.0; 2], |(b, _)| [covers[b], effects.covariance_c2(b, b)]);
    let both = match (gauge, batch) {
        (Some((g, _)), Some((b, _))) => effects.covariance_c2(g, b),
        _ => 0.0,
    };
    let with_gauge = variance + 2.0 * of_gauge[0] + of_gauge[1];
    let mut remedies = Vec::new();
    if gauge.is_some() {
        let check = left(variance, of_gauge[0], of_gauge[1] + with.block_check_c2);
        remedies.push(Gain {
            remedy: Remedy::CheckGauge,
            left_c: check,
        });
        let compared = of_gauge[1] + with.other_gauge_c2 + with.repeat_c2;
        let other = left(variance, of_gauge[0], compared);
        remedies.push(Gain {
            remedy: Remedy::OtherGauge,
            left_c: other,
        });
    }
    if batch.is_some() {
        let read = with_gauge + with.other_batch_c2 + with.reading_c2;
        let other = left(variance, variance + of_gauge[0], read);
        remedies.push(Gain {
            remedy: Remedy::OtherBatch,
            left_c: other,
        });
    }
    // The sort is stable: of acts that help alike the cheaper stands first.
    remedies.sort_by(|a, b| a.left_c.total_cmp(&b.left_c));
    let again = with_gauge + 2.0 * (of_batch[0] + both) + of_batch[1] + with.reading_c2;
    Some(Separability {
        offset_c,
        gauge: gauge.map(|(_, part)| part),
        batch: batch.map(|(_, part)| part),
        largest_correlation: largest,
        another_reading_c: left(variance, variance + of_gauge[0] + of_batch[0], again),
        remedies,
    })
}

/// Covariance of the offset at a temperature with every effect of the chain's columns, °C².
fn covariances(
    chain: &Chain,
    effects: &Gaussian,
    state: &OffsetState,
    temperature_c: f64,
) -> Vec<f64> {
    let x = (temperature_c - state.reference_c) / COEFFICIENT_SPAN_C;
    let mut weights = Vec::with_capacity(chain.states.len());
    for column in chain.states.iter().skip(1) {
        weights.push(-(column[0] + x * column[2]));
    }
    let mut covers = Vec::with_capacity(weights.len());
    for k in 0..weights.len() {
        covers.push(effects.covariance_along(&weights, k));
    }
    covers
}

fn part(column: Column, cover: f64, bias_c2: f64, offset_c2: f64) -> Part {
    let bias_c = bias_c2.max(0.0).sqrt();
    let (mut in_offset_c, mut correlation) = (0.0, 0.0);
    if bias_c > 0.0 {
        in_offset_c = cover.abs() / bias_c;
        let scale = bias_c * offset_c2.sqrt();
        if scale > 0.0 {
            correlation = (cover / scale).clamp(-1.0, 1.0);
        }
    }
    Part {
        column,
        bias_c,
        in_offset_c,
        correlation,
    }
}

fn larger(one: f64, other: f64) -> f64 {
    if other.abs() > one.abs() { other } else { one }
}

/// Standard deviation left after an observation of variance `observed` that covaries by `cover`.
fn left(variance: f64, cover: f64, observed: f64) -> f64 {
    if observed > 0.0 {
        (variance - cover * cover / observed).max(0.0).sqrt()
    } else {
        variance.sqrt()
    }
}

impl Separability {
    /// Gives the act that helps most, if it takes away at least a tenth of the offset's variance and more
    /// than one more reading like the last would.
    pub fn best(&self) -> Option<Gain> {
        let best = self.remedies.first()?;
        let taken = self.offset_c * self.offset_c - best.left_c * best.left_c;
        let worth = taken >= WORTH_NAMING * self.offset_c * self.offset_c;
        (worth && best.left_c < self.another_reading_c).then_some(*best)
    }

    /// Says it in plain words: how sure the offset is, whose part that is, and what to do next.
    pub fn sentence(&self) -> String {
        let mut text = format!(
            "The offset is known to ±{:.1} °C",
            COVERAGE_FACTOR * self.offset_c
        );
        let enough = WORTH_NAMING.sqrt() * self.offset_c;
        let mut owners = Vec::new();
        for (part, owner) in [
            (self.gauge, "the gauge's bias"),
            (self.batch, "the batch's bias"),
        ] {
            if let Some(part) = part
                && part.in_offset_c >= enough
            {
                owners.push(format!(
                    "±{:.1} °C {owner}",
                    COVERAGE_FACTOR * part.in_offset_c
                ));
            }
        }
        if !owners.is_empty() {
            text.push_str(", of which ");
            text.push_str(&owners.join(" and "));
        }
        text.push('.');
        if let Some(best) = self.best() {
            let act = match best.remedy {
                Remedy::CheckGauge => "Check the gauge on a reference block",
                Remedy::OtherGauge => "Measure the last ring with another gauge as well",
                Remedy::OtherBatch => "Fire one ring of another batch alongside",
            };
            let remedy = format!(
                " {act}: ±{:.1} °C would be left. One more ring of the same batch with the same gauge \
                 would leave ±{:.1} °C.",
                COVERAGE_FACTOR * best.left_c,
                COVERAGE_FACTOR * self.another_reading_c
            );
            text.push_str(&remedy);
        }
        text
    }
}
