//! Ring batches that read hot or cold.

use jiff::Timestamp;

use super::bias::{self, CONFIRMED, LIKELY, UNUSUAL_Z, plural, shrunken_z};
use super::{COVERAGE, Candidate, Evidence, FindingKind, Strength, Subject, rounded_probability};
use crate::key::{BatchId, ReadingKey};

/// Probability of a bias that matters above which a batch is named however unusual it is: in simulated
/// fleets this names a batch 6 °C off within 15 of its readings in nine cases of ten (own simulation).
const LARGE_ENOUGH: f64 = 0.95;

/// What the network knows of one batch.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchKnown {
    /// The batch.
    pub batch: BatchId,
    /// Code on its papers.
    pub code: String,
    /// Estimated bias, °C; positive when its rings read hot.
    pub bias_c: f64,
    /// Variance of it given all readings, °C².
    pub variance_c2: f64,
    /// Standard deviation that was expected before any reading, as the fit scaled it, °C.
    pub expected_sd_c: f64,
    /// Readings with it.
    pub readings: u32,
    /// Sites that used it.
    pub sites: u32,
    /// Its latest readings, latest first.
    pub latest: Vec<ReadingKey>,
    /// End of the latest firing with it; none before the first.
    pub last_fired_at: Option<Timestamp>,
}

/// How many standard deviations of what normal batches show the bias is: what its readings alone say, over
/// the standard deviation that this has among normal batches, √(s² - V). 0 while nothing was learnt.
pub fn batch_z(known: &BatchKnown) -> f64 {
    shrunken_z(known.bias_c, known.variance_c2, known.expected_sd_c)
}

fn matters(known: &BatchKnown) -> f64 {
    bias::matters(known.bias_c, known.variance_c2)
}

/// What is known of a batch, in words.
pub fn batch_statement(known: &BatchKnown) -> String {
    let code = &known.code;
    let expanded = COVERAGE * known.variance_c2.max(0.0).sqrt();
    if known.readings == 0 {
        return format!(
            "No reading with batch {code} counts yet; a bias of ±{:.1} °C is allowed for.",
            COVERAGE * known.expected_sd_c
        );
    }
    let direction = if known.bias_c >= 0.0 { "hot" } else { "cold" };
    let counts = format!(
        "{} reading{} at {} site{}",
        known.readings,
        plural(known.readings),
        known.sites,
        plural(known.sites)
    );
    let size = format!(
        "rings of batch {code} read {:.1} ± {expanded:.1} °C {direction} ({counts})",
        known.bias_c.abs()
    );
    if known.sites < 2 {
        return format!(
            "It seems that {size}. One site alone can hardly tell a batch from its own furnaces."
        );
    }
    if matters(known) > CONFIRMED {
        return format!("It is confirmed that {size}. Readings are corrected for it.");
    }
    if batch_z(known).abs() > UNUSUAL_Z {
        return format!(
            "It seems that {size}: more than normal batches do. Readings are corrected for it as far as it \
             is known."
        );
    }
    if matters(known) >= LIKELY {
        return format!(
            "It is likely that {size}; among batches that is not unusual. Readings are corrected for it as \
             far as it is known."
        );
    }
    format!("As far as is known {size}, as normal batches do. Readings are corrected for it.")
}

/// What speaks for a bias of a batch that matters; none before its first reading.
///
/// Clear when the bias is unusual among batches or confirmed, with at least two readings from two sites: one
/// site alone cannot tell its furnaces from a batch.
pub fn batch(known: &BatchKnown) -> Option<Candidate> {
    let seen_at = known.last_fired_at?;
    let probability = matters(known);
    let z = batch_z(known);
    let supported = known.readings >= 2 && known.sites >= 2;
    let unusual = z.abs() > UNUSUAL_Z && probability >= LIKELY;
    let clear = supported && (unusual || probability > LARGE_ENOUGH);
    Some(Candidate {
        kind: FindingKind::BatchSuspect,
        subject: Subject::Batch(known.batch.clone()),
        strength: if clear {
            Strength::Clear
        } else {
            Strength::Faint
        },
        probability: rounded_probability(probability),
        p_value: None,
        statement: batch_statement(known),
        next_step: format!(
            "Put batch {} on hold, and fire one of its rings beside one of another batch: the difference \
             shows it. Tell whoever supplied it.",
            known.code
        ),
        evidence: vec![
            Evidence::of("bias", known.bias_c, 1, "°C"),
            Evidence::of(
                "its standard uncertainty",
                known.variance_c2.max(0.0).sqrt(),
                1,
                "°C",
            ),
            Evidence::of("expected standard deviation", known.expected_sd_c, 1, "°C"),
            Evidence::of("standard deviations of normal batches", z, 1, ""),
            Evidence::of("readings", f64::from(known.readings), 0, ""),
            Evidence::of("sites", f64::from(known.sites), 0, ""),
        ],
        readings: known
            .latest
            .iter()
            .take(super::MOST_READINGS)
            .cloned()
            .collect(),
        seen_at,
    })
}
