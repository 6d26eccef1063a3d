//! Probabilities that several rules share.

use ringtrue_calibration::coverage::normal_cdf;

/// Probability that a standard normal variable is farther from 0 than `z`, either way; 1 when `z` is not a
/// number, because then nothing is shown.
pub(super) fn two_sided(z: f64) -> f64 {
    if z.is_nan() {
        return 1.0;
    }
    (2.0 * normal_cdf(-z.abs())).min(1.0)
}

/// Probability that the size of a normally distributed quantity exceeds a limit. Without uncertainty it is 1
/// or 0; 0 when a figure is not a number.
pub(super) fn size_exceeds(mean: f64, standard_deviation: f64, limit: f64) -> f64 {
    if mean.is_nan() || standard_deviation.is_nan() || limit.is_nan() {
        return 0.0;
    }
    if standard_deviation <= 0.0 {
        return if mean.abs() > limit { 1.0 } else { 0.0 };
    }
    let above = normal_cdf((mean - limit) / standard_deviation);
    let below = normal_cdf((-limit - mean) / standard_deviation);
    let sum = above + below;
    if sum.is_nan() {
        0.0
    } else {
        sum.clamp(0.0, 1.0)
    }
}

/// Share of false ones among all that are at least as strong, for each of many probabilities (the q-value of
/// Storey, Ann. Statist. 31 (2003) 2013-2035, with all taken as false beforehand; from memory): up to a
/// rate exactly those are reported that Benjamini & Hochberg's step-up procedure reports. One less it is
/// the probability that the finding is true.
pub(super) fn false_shares(probabilities: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|one, other| probabilities[*other].total_cmp(&probabilities[*one]));
    let mut shares = vec![1.0; probabilities.len()];
    let mut smallest = 1.0_f64;
    let tests = as_number(probabilities.len());
    for (weaker, at) in order.iter().enumerate() {
        let rank = tests - as_number(weaker);
        smallest = smallest.min(probabilities[*at] * tests / rank);
        shares[*at] = smallest;
    }
    shares
}

/// A count as a number.
pub(super) fn as_number(count: usize) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of readings, furnaces and sites are far below 2^53"
    )]
    let number = count as f64;
    number
}
