//! The staircase: a good result lengthens the interval, a bad one shortens it (ILAC-G24:2022 / OIML
//! D 10:2022, method 1).

use super::{IntervalAdvice, IntervalPolicy, Method, advice, too_little_known};

/// How the steps are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// Errors up to this part of the tolerance lengthen the interval.
    pub lengthen_within: f64,
    /// Factor by which it is lengthened.
    pub lengthen_by: f64,
    /// Factor by which an error outside the tolerance shortens it.
    pub shorten_by: f64,
}

impl Default for Steps {
    /// 80 % of the tolerance (the guide's example, from memory), a quarter longer, half as long
    /// (assumptions of this program).
    fn default() -> Self {
        Steps {
            lengthen_within: 0.8,
            lengthen_by: 1.25,
            shorten_by: 0.5,
        }
    }
}

/// Gives the next interval in days, unrounded and without limits; not a number when an input is none.
///
/// `error_c` is the error as found, before any adjustment.
pub fn next_days(interval_days: f64, error_c: f64, tolerance_c: f64, steps: &Steps) -> f64 {
    if error_c.is_nan() || tolerance_c.is_nan() {
        return f64::NAN;
    }
    // An error that is printed as 8.0 of 10 lies on the limit, whatever its last bit.
    let size = error_c.abs() - 1e-9 * tolerance_c.abs();
    if size > tolerance_c {
        interval_days * steps.shorten_by
    } else if size > steps.lengthen_within * tolerance_c {
        interval_days
    } else {
        interval_days * steps.lengthen_by
    }
}

/// Gives the advised interval after a calibration that found `error_c`, when `interval_days` was the
/// interval until then.
pub fn staircase(
    interval_days: f64,
    error_c: f64,
    tolerance_c: f64,
    steps: &Steps,
    policy: &IntervalPolicy,
) -> IntervalAdvice {
    let days = next_days(interval_days, error_c, tolerance_c, steps);
    if !days.is_finite() {
        let reason = "the last error or interval is not known";
        return too_little_known(Method::Staircase, interval_days, policy, reason);
    }
    let change = if days > interval_days {
        "so the interval grows"
    } else if days < interval_days {
        "so the interval shrinks"
    } else {
        "so the interval stays"
    };
    let reason = format!(
        "the last one found an error of {error_c:+.1} °C under a tolerance of ±{tolerance_c:.1} °C, \
         {change} from {interval_days:.0} days to {days:.0}"
    );
    advice(Method::Staircase, Some(days), policy, &reason)
}
