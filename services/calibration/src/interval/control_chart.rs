//! The control chart of errors: a line through them says when the tolerance will be reached (method 2
//! of ILAC-G24:2022 / OIML D 10:2022; the line as in any text on linear regression).

use super::{IntervalAdvice, IntervalPolicy, Method, advice, too_little_known};
use crate::coverage::student_t_factor;

/// Fewer calibrations than this leave no scatter to judge a line by.
const FEWEST_READINGS: usize = 3;
/// Days of a week.
const DAYS_A_WEEK: f64 = 7.0;

/// An error found at a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// When, in weeks from any fixed moment.
    pub weeks: f64,
    /// Error as it would be without adjustments in between, °C.
    pub error_c: f64,
}

/// Least-squares line through errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftLine {
    /// Error of the line at week 0, °C.
    pub intercept_c: f64,
    /// Drift, °C/week.
    pub slope_c_per_week: f64,
    /// Standard deviation of the errors around the line, °C.
    pub residual_c: f64,
    /// Degrees of freedom of that standard deviation: readings less two.
    pub degrees_of_freedom: f64,
    /// Mean time of the errors, weeks.
    pub mean_weeks: f64,
    /// Sum of squared distances of the times from their mean, weeks².
    pub spread_weeks2: f64,
}

impl DriftLine {
    /// Gives the line through errors; none with fewer than three, when all are of one time, or when a
    /// figure is not finite.
    pub fn through(found: &[Found]) -> Option<Self> {
        if found.len() < FEWEST_READINGS {
            return None;
        }
        let mut count = 0.0;
        let mut weeks = 0.0;
        let mut error = 0.0;
        for one in found {
            count += 1.0;
            weeks += one.weeks;
            error += one.error_c;
        }
        let (mean_weeks, mean_error) = (weeks / count, error / count);
        let mut spread = 0.0;
        let mut product = 0.0;
        for one in found {
            let distance = one.weeks - mean_weeks;
            spread += distance * distance;
            product += distance * (one.error_c - mean_error);
        }
        let slope = product / spread;
        let intercept = mean_error - slope * mean_weeks;
        let mut squares = 0.0;
        for one in found {
            let rest = one.error_c - mean_error - slope * (one.weeks - mean_weeks);
            squares += rest * rest;
        }
        let freedom = count - 2.0;
        let line = DriftLine {
            intercept_c: intercept,
            slope_c_per_week: slope,
            residual_c: (squares / freedom).sqrt(),
            degrees_of_freedom: freedom,
            mean_weeks,
            spread_weeks2: spread,
        };
        let finite = slope.is_finite() && intercept.is_finite() && line.residual_c.is_finite();
        (spread > 0.0 && finite).then_some(line)
    }

    /// Gives the line's error at a time, °C.
    pub fn error_c(&self, weeks: f64) -> f64 {
        self.intercept_c + self.slope_c_per_week * weeks
    }

    /// Gives how far a single new error may lie beyond the line with the given one-sided probability,
    /// °C: half the prediction interval.
    pub fn prediction_reach_c(&self, weeks: f64, probability: f64) -> f64 {
        let factor = student_t_factor(2.0 * probability - 1.0, self.degrees_of_freedom);
        let readings = self.degrees_of_freedom + 2.0;
        let distance = weeks - self.mean_weeks;
        let variance = 1.0 + 1.0 / readings + distance * distance / self.spread_weeks2;
        factor * self.residual_c * variance.sqrt()
    }

    /// Gives the first time, within a span, at which the line reaches the tolerance on either side, weeks.
    pub fn reaches(&self, tolerance_c: f64, from_weeks: f64, until_weeks: f64) -> Option<f64> {
        first_reached(from_weeks, until_weeks, |weeks| {
            self.error_c(weeks).abs() - tolerance_c
        })
    }

    /// Gives the first time, within a span, at which the prediction bound of a one-sided probability
    /// reaches the tolerance on either side, weeks.
    pub fn bound_reaches(
        &self,
        tolerance_c: f64,
        probability: f64,
        from_weeks: f64,
        until_weeks: f64,
    ) -> Option<f64> {
        // The factor needs its distribution inverted, so it is not computed anew at every time.
        let at_mean = self.prediction_reach_c(self.mean_weeks, probability);
        let readings = self.degrees_of_freedom + 2.0;
        let shape = |weeks: f64| {
            let distance = weeks - self.mean_weeks;
            let rest = distance * distance / self.spread_weeks2 / (1.0 + 1.0 / readings);
            at_mean * (1.0 + rest).sqrt()
        };
        first_reached(from_weeks, until_weeks, |weeks| {
            self.error_c(weeks).abs() + shape(weeks) - tolerance_c
        })
    }
}

/// First zero within a span of a function that is convex and so, once it is above 0 on the way up,
/// stays there.
fn first_reached(from: f64, until: f64, beyond: impl Fn(f64) -> f64) -> Option<f64> {
    if from.is_nan() || until.is_nan() || beyond(from) >= 0.0 {
        return (from <= until).then_some(from);
    }
    let reached = beyond(until) >= 0.0;
    if !reached {
        return None;
    }
    let (mut inside, mut outside) = (from, until);
    for _ in 0..100 {
        let middle = f64::midpoint(inside, outside);
        if beyond(middle) >= 0.0 {
            outside = middle;
        } else {
            inside = middle;
        }
    }
    Some(inside)
}

/// Gives the advised interval from the errors of one furnace: until the prediction bound of the
/// policy's reliability reaches the tolerance.
///
/// The errors must be free of adjustments: where a setpoint was changed, what the change did is taken
/// out by the caller.
pub fn control_chart(found: &[Found], tolerance_c: f64, policy: &IntervalPolicy) -> IntervalAdvice {
    let method = Method::ControlChart;
    let line = DriftLine::through(found);
    let (Some(line), false) = (line, tolerance_c.is_nan()) else {
        let reason = format!(
            "a line needs at least {FEWEST_READINGS} calibrations on different days, and there are {}",
            found.len()
        );
        let shortest = f64::from(policy.shortest());
        return too_little_known(method, shortest, policy, &reason);
    };
    let mut last = f64::NEG_INFINITY;
    for one in found {
        last = last.max(one.weeks);
    }
    // A week beyond the longest interval, so that one exactly as long is still told from a longer one.
    let until = last + f64::from(policy.longest()) / DAYS_A_WEEK + 1.0;
    let reached = line.bound_reaches(tolerance_c, policy.reliability, last, until);
    let percent = policy.reliability * 100.0;
    let line_says = format!(
        "the line through {} calibrations drifts by {:+.2} °C a week",
        found.len(),
        line.slope_c_per_week
    );
    let reason = match reached {
        Some(weeks) => format!(
            "{line_says}, and its {percent:.0} % bound reaches ±{tolerance_c:.1} °C {:.1} weeks after \
             the last",
            weeks - last
        ),
        None => {
            format!("{line_says}, and its {percent:.0} % bound stays within ±{tolerance_c:.1} °C")
        }
    };
    let days = reached.map(|weeks| (weeks - last) * DAYS_A_WEEK);
    advice(method, days, policy, &reason)
}
