//! When the bias of a batch or a gauge matters, and when it is unusual.

use super::probability::size_exceeds;

/// A bias of this size is worth looking into, °C, as a length 0.015 mm (an assumption of this program).
const MATTERS_C: f64 = 3.0;

/// Beyond this many standard deviations of what normal batches or gauges show one is looked into: one normal
/// one in a hundred.
pub(super) const UNUSUAL_Z: f64 = 2.576;

/// Probability of a bias that matters from which it is confirmed.
pub(super) const CONFIRMED: f64 = 0.99;

/// Below this probability of a bias that matters nothing is said.
pub(super) const LIKELY: f64 = 0.5;

/// Probability that a bias is large enough to matter.
pub(super) fn matters(bias_c: f64, variance_c2: f64) -> f64 {
    size_exceeds(bias_c, variance_c2.max(0.0).sqrt(), MATTERS_C)
}

/// An estimate drawn towards 0 by what was expected, in standard deviations that it has when nothing is
/// wrong, √(s² - V). 0 while nothing was learnt.
pub(super) fn shrunken_z(estimate_c: f64, variance_c2: f64, expected_sd_c: f64) -> f64 {
    let learnt_c2 = expected_sd_c * expected_sd_c - variance_c2;
    // A millionth of what was expected is rounding, not knowledge.
    if learnt_c2 > 1e-6 * expected_sd_c * expected_sd_c {
        estimate_c / learnt_c2.sqrt()
    } else {
        0.0
    }
}

/// The ending of a counted word.
pub(super) fn plural(count: u32) -> &'static str {
    if count == 1 { "" } else { "s" }
}
