//! The span in which work was exposed: from the last reading that showed the furnace within tolerance to
//! when it was mended.

use jiff::Timestamp;
use ringtrue_calibration::decision::Advice;

use crate::key::ReadingId;
use crate::standing::CONFORMANCE_WANTED;

/// Why a span begins or ends where it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// It was asked for.
    Asked,
    /// A reading showed the furnace within tolerance.
    WithinTolerance,
    /// No earlier reading did: the first firing on record.
    FirstFiring,
    /// The setpoint was adjusted.
    Adjusted,
    /// Nothing was mended yet.
    Now,
}

/// A span of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Begin; what ended before it is not in it.
    pub start: Timestamp,
    /// Why it begins there.
    pub start_reason: Bound,
    /// End; what ended after it is not in it.
    pub end: Timestamp,
    /// Why it ends there.
    pub end_reason: Bound,
}

/// A counted reading with what it showed.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedReading {
    /// The reading.
    pub reading: ReadingId,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// Probability that the furnace was within tolerance; none when it could not be evaluated.
    pub conformance: Option<f64>,
    /// What it advised; none likewise.
    pub advice: Option<Advice>,
}

impl JudgedReading {
    /// Whether it may be relied on that the furnace was within tolerance. One that was to be fired again
    /// counts at reduced weight only, so the probability says little of it.
    fn is_within(&self) -> bool {
        matches!(self.advice, Some(Advice::Leave | Advice::Adjust))
            && self
                .conformance
                .is_some_and(|probability| probability >= CONFORMANCE_WANTED)
    }
}

/// The span that a reading casts suspicion on. `readings` and `adjusted_at` are in order of time. None when
/// the reading is not among them.
///
/// An adjustment ends the span only when it came after the reading: what was entered before is in the
/// reading already.
pub fn span_of(
    reading: &ReadingId,
    readings: &[JudgedReading],
    adjusted_at: &[Timestamp],
    first_firing: Option<Timestamp>,
    now: Timestamp,
) -> Option<Span> {
    let at = readings.iter().position(|one| one.reading == *reading)?;
    let (before, from) = readings.split_at(at);
    let (this, after) = from.split_first()?;
    let within = before.iter().rev().find(|one| one.is_within());
    let (start, start_reason) = match within {
        Some(within) => (within.fired_at, Bound::WithinTolerance),
        None => (
            first_firing.unwrap_or(this.fired_at).min(this.fired_at),
            Bound::FirstFiring,
        ),
    };
    let adjusted = adjusted_at.iter().find(|moment| **moment > this.fired_at);
    let within_again = after.iter().find(|one| one.is_within());
    let adjusted = adjusted.map(|moment| (*moment, Bound::Adjusted));
    let within_again = within_again.map(|one| (one.fired_at, Bound::WithinTolerance));
    let (end, end_reason) = [adjusted, within_again]
        .into_iter()
        .flatten()
        .min_by_key(|(moment, _)| *moment)
        .unwrap_or((now.max(this.fired_at), Bound::Now));
    Some(Span {
        start,
        start_reason,
        end,
        end_reason,
    })
}
