//! Looking ahead: the probability that a furnace is outside its tolerance at some time, that it has
//! been outside by then, and the date at which it is expected to leave.
//!
//! The error is a Brownian motion with a drift that is itself uncertain and correlated with the
//! present level. Being outside at a moment and having been outside by a moment are different
//! questions: without drift the second is about twice as probable (reflection principle), and it is
//! the one that counts for work fired in between.

mod exit;

use exit::Exit;

use crate::coverage::{normal_cdf, normal_quantile};
use crate::quadrature::legendre_rule;

/// What is known of a furnace's error now, and how it moves. Plain numbers, so that any estimate can
/// be looked ahead from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Expected error now: setpoint + offset - target, °C.
    pub error_c: f64,
    /// Expected drift, °C/week.
    pub slope_c_per_week: f64,
    /// Covariance of error and drift: °C², °C²/week, °C²/week².
    pub variance: [[f64; 2]; 2],
    /// Variance by which the error wanders, °C²/week.
    pub wander_c2_per_week: f64,
    /// Variance by which the drift wanders, °C²/week³.
    pub slope_wander_c2_per_week3: f64,
    /// Largest error that is within tolerance, °C.
    pub tolerance_c: f64,
}

/// When a furnace is expected to leave its tolerance; weeks from now, none when not within the
/// horizon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leaving {
    /// First time at which the error is as probably outside as inside.
    pub expected_weeks: Option<f64>,
    /// By this time it has left with a probability of 5 %.
    pub earliest_weeks: Option<f64>,
    /// By this time it has left with a probability of 95 %.
    pub latest_weeks: Option<f64>,
}

/// Times are found to this, weeks: less than two hours.
const RESOLUTION_WEEKS: f64 = 0.01;
/// Added to times before their logarithm is taken, weeks: what is found at the start is finite (an assumption that
/// only changes how many steps are taken).
const STRETCH_WEEKS: f64 = 0.3;
/// Distance between the times at which being outside is looked for, weeks: a day.
const LOOK_WEEKS: f64 = 1.0 / 7.0;
/// Most times looked at; a longer horizon is looked at more coarsely.
const MOST_LOOKS: u32 = 4000;
/// Starts farther from their mean than this many standard deviations weigh less than 2e-9.
const REACH: f64 = 6.0;
/// Starts are averaged over in panels of at most this many standard deviations.
const PANEL: f64 = 2.5;
/// Slopes farther from their mean than this many standard deviations weigh less than 1e-7.
const SLOPE_REACH: f64 = 5.4;
/// Distance between the slopes that are averaged over, in standard deviations, while start and
/// wandering blur them: the trapezoidal rule converges exponentially, with this step to 1e-6.
const SLOPE_STEP: f64 = 1.2;
/// Corners sharper than this, in standard deviations of the slope, change a probability by less than 1e-4.
const SHARPEST_CORNER: f64 = 0.08;
/// Most slopes that are averaged over, to each side of the mean.
const MOST_SLOPES: i32 = 600;
/// Wandering by less than this part of the tolerance is none: layers that thin are never seen.
const STILL: f64 = 1e-7;

impl Outlook {
    /// Tells whether the figures can be looked ahead from: all are numbers and the tolerance is above 0.
    pub fn is_usable(&self) -> bool {
        self.checked(0.0).is_some()
    }

    /// Gives the probability that the error lies outside the tolerance in so many weeks (JCGM 106 7.3.2
    /// with mean and variance carried forward).
    ///
    /// Weeks below 0 count as 0, variances below 0 as none. 1 when a figure is not a number, because
    /// then nothing is shown to be inside.
    pub fn probability_outside(&self, weeks: f64) -> f64 {
        let Some(known) = self.checked(weeks) else {
            return 1.0;
        };
        let weeks = weeks.max(0.0);
        let variance = known.error_variance
            + weeks * (2.0 * known.covariance + weeks * known.slope_variance(weeks))
            + known.wander * weeks;
        outside(
            known.error + known.slope * weeks,
            variance.max(0.0).sqrt(),
            known.tolerance,
        )
    }

    /// Gives the probability that the error has been outside the tolerance at any time from now until so
    /// many weeks from now.
    ///
    /// For a known start and slope it is the exit of a Brownian motion from between two barriers
    /// (Borodin & Salminen, Handbook of Brownian Motion, from memory), averaged over the normal
    /// distributions of slope and start. The wandering of the slope itself enters as further
    /// uncertainty of the slope with the same variance at that time, because no formula is known for
    /// it; then, and only then, the probability may fall a little with time. Input as for [`Outlook::probability_outside`], and never below it.
    pub fn probability_left_by(&self, weeks: f64) -> f64 {
        let Some(known) = self.checked(weeks) else {
            return 1.0;
        };
        let weeks = weeks.max(0.0);
        let at_least = self
            .probability_outside(weeks)
            .max(self.probability_outside(0.0));
        let left = known.left_by(weeks);
        if left.is_nan() {
            at_least
        } else {
            left.clamp(at_least, 1.0)
        }
    }

    /// Gives when the furnace is expected to leave its tolerance, looking ahead so many weeks.
    pub fn leaving(&self, horizon_weeks: f64) -> Leaving {
        let [earliest_weeks, latest_weeks] = self.left_with_each([0.05, 0.95], horizon_weeks);
        Leaving {
            expected_weeks: self.first_outside(horizon_weeks),
            earliest_weeks,
            latest_weeks,
        }
    }

    /// Gives the time by which the error has left the tolerance with a probability, weeks; none when
    /// that is not within the horizon. Right to a hundredth of a week, and never too late.
    pub fn left_with(&self, probability: f64, horizon_weeks: f64) -> Option<f64> {
        let [weeks] = self.left_with_each([probability], horizon_weeks);
        weeks
    }

    /// Gives the same for several probabilities, each in fewer steps than by itself: what is found for one
    /// narrows the next.
    pub fn left_with_each<const N: usize>(
        &self,
        probabilities: [f64; N],
        horizon_weeks: f64,
    ) -> [Option<f64>; N] {
        let Some(horizon) = usable_horizon(horizon_weeks) else {
            return [None; N];
        };
        let mut known = vec![(0.0, self.probability_left_by(0.0))];
        if horizon > 0.0 {
            known.push((horizon, self.probability_left_by(horizon)));
        }
        probabilities.map(|probability| self.left_within(probability, &mut known))
    }

    /// Finds when one probability is reached, from what is known at some times in their order, and adds to it.
    fn left_within(&self, probability: f64, known: &mut Vec<(f64, f64)>) -> Option<f64> {
        let wanted = straightened(probability);
        // Not-a-number as the probability wanted is never reached.
        let reached = known.iter().position(|(_, left)| *left >= probability)?;
        let after = *known.get(reached)?;
        let Some(before) = reached.checked_sub(1).and_then(|at| known.get(at)) else {
            return Some(after.0);
        };
        let place = |(weeks, left): (f64, f64)| (weeks, straightened(left) - wanted);
        let (mut before, mut after) = (place(*before), place(after));
        let mut other = None;
        let mut rounds = 0_u32;
        while after.0 - before.0 > RESOLUTION_WEEKS {
            rounds += 1;
            let Some(weeks) = next_guess(before, after, other, rounds) else {
                break;
            };
            let left = self.probability_left_by(weeks);
            let at = known.partition_point(|(earlier, _)| *earlier < weeks);
            known.insert(at, (weeks, left));
            if left >= probability {
                other = Some(after);
                after = place((weeks, left));
            } else {
                other = Some(before);
                before = place((weeks, left));
            }
        }
        Some(before.0)
    }

    /// First time at which being outside is as probable as being inside. The probability need not
    /// grow with time, so it is looked for day by day.
    fn first_outside(&self, horizon_weeks: f64) -> Option<f64> {
        let horizon = usable_horizon(horizon_weeks)?;
        let even = |weeks: f64| self.probability_outside(weeks) >= 0.5;
        if even(0.0) {
            return Some(0.0);
        }
        let step = LOOK_WEEKS.max(horizon / f64::from(MOST_LOOKS));
        let mut before = 0.0;
        while before < horizon {
            let weeks = (before + step).min(horizon);
            if even(weeks) {
                return Some(earlier_bracket(before, weeks, even));
            }
            before = weeks;
        }
        None
    }

    /// The figures as they are used; none when one of them is no use.
    fn checked(&self, weeks: f64) -> Option<Known> {
        let [[error_variance, covariance], [_, slope_variance]] = self.variance;
        let (wander, slope_wander) = (self.wander_c2_per_week, self.slope_wander_c2_per_week3);
        let numbers = self.error_c
            + self.slope_c_per_week
            + error_variance
            + covariance
            + slope_variance
            + wander
            + slope_wander
            + weeks;
        // Two infinities may cancel to not-a-number too; nothing is shown by those either.
        if numbers.is_nan() || self.tolerance_c.is_nan() || self.tolerance_c <= 0.0 {
            return None;
        }
        let error_variance = error_variance.max(0.0);
        let slope_variance = slope_variance.max(0.0);
        // Rounding may have pushed a covariance beyond what the variances allow.
        let most = (error_variance * slope_variance).sqrt();
        Some(Known {
            error: self.error_c,
            slope: self.slope_c_per_week,
            error_variance,
            covariance: covariance.max(-most).min(most),
            slope_variance_now: slope_variance,
            wander: wander.max(0.0),
            slope_wander: slope_wander.max(0.0),
            tolerance: self.tolerance_c,
        })
    }
}

/// A horizon that can be looked ahead to.
fn usable_horizon(horizon_weeks: f64) -> Option<f64> {
    (horizon_weeks >= 0.0 && horizon_weeks.is_finite()).then_some(horizon_weeks)
}

/// A probability as a normal quantile: over time that is nearly straight, and a straight line finds its
/// zero in few steps. Each step averages over thousands of starts and slopes.
fn straightened(probability: f64) -> f64 {
    normal_quantile(probability.clamp(1e-15, 1.0 - 1e-15))
}

/// Where to look next between two times and what was found there less what is wanted: on the curve through
/// these and the last time that was left behind (inverse quadratic interpolation, as in Brent's method, from
/// memory), else on the line; every fifth time in the middle. Over the logarithm of the time what is found is
/// nearly straight. A little towards the farther end, so that the bracket closes from both sides. None when no
/// number lies between.
fn next_guess(
    before: (f64, f64),
    after: (f64, f64),
    other: Option<(f64, f64)>,
    rounds: u32,
) -> Option<f64> {
    let middle = f64::midpoint(before.0, after.0);
    let is_between = |weeks: f64| weeks > before.0 && weeks < after.0;
    let stretched = |(weeks, found): (f64, f64)| (libm::log(weeks + STRETCH_WEEKS), found);
    let back = |stretched: f64| libm::exp(stretched) - STRETCH_WEEKS;
    let (a, b) = (stretched(before), stretched(after));
    let on_line = back(a.0 + (b.0 - a.0) * (a.1 / (a.1 - b.1)));
    let on_curve = other.map(|other| {
        let c = stretched(other);
        back(
            a.0 * (b.1 * c.1) / ((a.1 - b.1) * (a.1 - c.1))
                + b.0 * (a.1 * c.1) / ((b.1 - a.1) * (b.1 - c.1))
                + c.0 * (a.1 * b.1) / ((c.1 - a.1) * (c.1 - b.1)),
        )
    });
    let smooth = on_curve
        .filter(|weeks| is_between(*weeks))
        .unwrap_or(on_line);
    let nudge = 0.4 * RESOLUTION_WEEKS;
    let guess = if rounds.is_multiple_of(5) || !smooth.is_finite() {
        middle
    } else if smooth < middle {
        smooth + nudge
    } else {
        smooth - nudge
    };
    let guess = if is_between(guess) { guess } else { middle };
    is_between(guess).then_some(guess)
}

/// The earlier end of the bracket around the time from which something holds.
fn earlier_bracket(before: f64, holds_at: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut before, mut holds_at) = (before, holds_at);
    while holds_at - before > RESOLUTION_WEEKS {
        let middle = f64::midpoint(before, holds_at);
        // Far from now neighbouring numbers are farther apart than the resolution.
        if middle <= before || middle >= holds_at {
            break;
        }
        if holds(middle) {
            holds_at = middle;
        } else {
            before = middle;
        }
    }
    before
}

/// Probability that a normal variable lies outside plus and minus the tolerance. Each tail by itself,
/// because the small ones matter.
fn outside(mean: f64, deviation: f64, tolerance: f64) -> f64 {
    if deviation <= 0.0 {
        return if mean.abs() > tolerance { 1.0 } else { 0.0 };
    }
    let above = normal_cdf((mean - tolerance) / deviation);
    let below = normal_cdf((-tolerance - mean) / deviation);
    let sum = above + below;
    if sum.is_nan() {
        1.0
    } else {
        sum.clamp(0.0, 1.0)
    }
}

/// Figures of an outlook that hold together.
struct Known {
    error: f64,
    slope: f64,
    error_variance: f64,
    covariance: f64,
    slope_variance_now: f64,
    wander: f64,
    slope_wander: f64,
    tolerance: f64,
}

impl Known {
    /// Variance of the mean slope until a time: integrated, the slope's own wandering has a variance of
    /// slope wander · weeks³ / 3.
    fn slope_variance(&self, weeks: f64) -> f64 {
        self.slope_variance_now + self.slope_wander * weeks / 3.0
    }

    fn left_by(&self, weeks: f64) -> f64 {
        let rule = legendre_rule(8);
        let wandered = (self.wander * weeks).sqrt();
        let slope_variance = self.slope_variance(weeks);
        let slope_deviation = slope_variance.sqrt();
        if slope_deviation * weeks <= STILL * STILL * self.tolerance {
            return self.left_with_slope(self.slope, self.error, self.error_variance, weeks, &rule);
        }
        // Regression of the start on the slope. The wandering part of the slope is not correlated with
        // the start.
        let regression = self.covariance / slope_variance;
        let start_variance =
            (self.error_variance - self.covariance * self.covariance / slope_variance).max(0.0);
        let moved = slope_deviation * weeks;
        let blur = (start_variance + wandered * wandered).sqrt();
        let sharpness = (moved + (regression * slope_deviation).abs()) / blur;
        // Slopes to either side of 0 leave by different barriers; only wandering rounds that corner.
        let corner = (wandered / moved).max(SHARPEST_CORNER);
        let step = SLOPE_STEP * corner.min(1.0 / (1.0 + sharpness * sharpness).sqrt());
        let step = step.max(SLOPE_REACH / f64::from(MOST_SLOPES));
        let slopes = whole_up(SLOPE_REACH / step);
        let mut weights = 0.0;
        let mut sum = 0.0;
        for index in -slopes..=slopes {
            let deviations = f64::from(index) * step;
            let weight = libm::exp(-0.5 * deviations * deviations);
            let slope = self.slope + slope_deviation * deviations;
            let start = self.error + regression * slope_deviation * deviations;
            weights += weight;
            sum += weight * self.left_with_slope(slope, start, start_variance, weeks, &rule);
        }
        sum / weights
    }

    /// With a known slope: the mean over the start.
    fn left_with_slope(
        &self,
        slope: f64,
        mean: f64,
        variance: f64,
        weeks: f64,
        rule: &[(f64, f64)],
    ) -> f64 {
        let deviation = variance.sqrt();
        let tolerance = self.tolerance;
        let wandered = (self.wander * weeks).sqrt();
        let moved = slope * weeks;
        if wandered <= STILL * tolerance {
            // A straight line is outside at some time exactly when it is so at one of its ends.
            let lowest = (-tolerance).max(-tolerance - moved);
            let highest = tolerance.min(tolerance - moved);
            return outside_between(mean, deviation, lowest, highest);
        }
        let exit = Exit::new(tolerance, moved, wandered);
        if deviation <= STILL * wandered.min(tolerance) {
            return exit.probability(mean);
        }
        let lowest = (-tolerance).max(mean - REACH * deviation);
        let highest = tolerance.min(mean + REACH * deviation);
        let mut sum = outside(mean, deviation, tolerance);
        let mut from = lowest;
        while from < highest {
            let width = (PANEL * deviation).min(exit.smooth_width(from));
            let to = (from + width).min(highest);
            // Figures so large that adding the width changes nothing.
            if to <= from {
                break;
            }
            let half = (to - from) / 2.0;
            let middle = f64::midpoint(from, to);
            for (node, weight) in rule {
                let start = middle + half * node;
                let z = (start - mean) / deviation;
                let density = libm::exp(-0.5 * z * z) / (deviation * TWO_PI_ROOT);
                sum += weight * half * density * exit.probability(start);
            }
            from = to;
        }
        sum
    }
}

/// The next whole number, up to [`MOST_SLOPES`].
fn whole_up(count: f64) -> i32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "clamped to a small positive number"
    )]
    let whole = count.ceil().clamp(1.0, f64::from(MOST_SLOPES)) as i32;
    whole
}

/// √(2π).
const TWO_PI_ROOT: f64 = 2.506_628_274_631_000_5;

/// Probability that a normal variable lies outside an interval.
fn outside_between(mean: f64, deviation: f64, lowest: f64, highest: f64) -> f64 {
    if lowest >= highest {
        return 1.0;
    }
    if deviation <= 0.0 {
        return if mean < lowest || mean > highest {
            1.0
        } else {
            0.0
        };
    }
    normal_cdf((lowest - mean) / deviation) + normal_cdf((mean - highest) / deviation)
}

#[cfg(test)]
mod tests;
