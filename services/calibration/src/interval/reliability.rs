//! A reliability target for a pooled fleet: from the part that was found within tolerance after an
//! interval follows the interval after which the wanted part will be (exponential model; NCSL
//! Recommended Practice RP-1, from memory).

use statrs::function::beta::checked_beta_reg;

use super::{IntervalAdvice, IntervalPolicy, Method, advice, too_little_known};

/// With fewer calibrations than this the part within tolerance is hardly known: 18 of 20 may be
/// anything from 68 to 99 %.
pub const FEWEST_TRIALS: u32 = 20;

/// What a fleet's calibrations found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Record {
    /// Interval in use, days.
    pub interval_days: f64,
    /// Calibrations made after that interval.
    pub trials: u32,
    /// Those of them that found the furnace within tolerance before any adjustment.
    pub in_tolerance: u32,
}

/// Gives the interval after which the part `wanted` is within tolerance, when the part `observed` was
/// after `interval_days`: interval · ln(wanted) / ln(observed), days.
///
/// None when a part is not above 0 and below 1, or the interval not finite and above 0.
pub fn exponential_days(interval_days: f64, observed: f64, wanted: f64) -> Option<f64> {
    Some(-mean_days(interval_days, observed)? * logarithm_of_part(wanted)?)
}

/// Gives the mean time until a furnace is out of tolerance, days: -interval / ln(observed).
///
/// None as for [`exponential_days`].
pub fn mean_days(interval_days: f64, observed: f64) -> Option<f64> {
    let possible = interval_days > 0.0 && interval_days.is_finite();
    let days = -interval_days / logarithm_of_part(observed)?;
    (possible && days.is_finite()).then_some(days)
}

fn logarithm_of_part(part: f64) -> Option<f64> {
    (part > 0.0 && part < 1.0).then(|| libm::log(part))
}

/// Gives the limits within which the true part lies with a probability, exactly from the binomial
/// distribution (Clopper & Pearson, Biometrika 26 (1934) 404).
///
/// No trials, or a probability that is not above 0 and below 1, give 0 to 1; more successes than trials
/// count as all.
pub fn part_bounds(in_tolerance: u32, trials: u32, probability: f64) -> (f64, f64) {
    if trials == 0 || !(probability > 0.0 && probability < 1.0) {
        return (0.0, 1.0);
    }
    let all = f64::from(trials);
    let good = f64::from(in_tolerance.min(trials));
    let tail = (1.0 - probability) / 2.0;
    let lower = if good > 0.0 {
        beta_quantile(tail, good, all - good + 1.0)
    } else {
        0.0
    };
    let upper = if good < all {
        beta_quantile(1.0 - tail, good + 1.0, all - good)
    } else {
        1.0
    };
    (lower, upper)
}

/// Quantile of the beta distribution, by halving: it ends, and always on the same bits.
fn beta_quantile(probability: f64, a: f64, b: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if checked_beta_reg(a, b, middle).unwrap_or(0.0) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Gives the advised interval for every furnace of a pooled fleet.
///
/// A single furnace never has enough calibrations for this. When all were within tolerance, half a
/// calibration counts as outside, since never is not shown (an assumption of this program).
pub fn reliability_target(record: &Record, policy: &IntervalPolicy) -> IntervalAdvice {
    let method = Method::ReliabilityTarget;
    let (trials, good) = (record.trials, record.in_tolerance.min(record.trials));
    let interval = record.interval_days;
    let known = interval > 0.0 && interval.is_finite() && !policy.reliability.is_nan();
    if trials < FEWEST_TRIALS || !known {
        let reason = format!(
            "{trials} calibrations of this interval say too little, at least {FEWEST_TRIALS} are \
             needed; pool more furnaces of one kind"
        );
        return too_little_known(method, interval, policy, &reason);
    }
    let observed = f64::from(good).min(f64::from(trials) - 0.5) / f64::from(trials);
    let days = if good == 0 || policy.reliability >= 1.0 {
        Some(0.0)
    } else {
        // No part wanted, no calibration needed.
        exponential_days(interval, observed, policy.reliability)
    };
    let (low, high) = part_bounds(good, trials, 0.95);
    let reason = format!(
        "{good} of {trials} furnaces were within tolerance after {interval:.0} days (true part between \
         {:.0} and {:.0} %), and {:.0} % are wanted",
        low * 100.0,
        high * 100.0,
        policy.reliability * 100.0
    );
    advice(method, days, policy, &reason)
}
