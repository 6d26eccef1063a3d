//! Exit of a Brownian motion with known drift from between two barriers.
//!
//! Two series give the probability of staying inside: images of the start mirrored in the barriers,
//! quick while little time has passed, and sines over the interval, quick later. Each is used where
//! it gives nearly all digits.

use std::f64::consts::{PI, SQRT_2};

use crate::coverage::normal_cdf;

/// Up to this wandering, in widths of the interval, images are summed.
const IMAGES_UP_TO: f64 = 0.05;
/// Beyond this wandering sines are summed whatever the drift. Between the two they are where a drift does not make
/// large terms cancel: they take half as long as images.
const SINES_FROM: f64 = 0.3;
/// The largest exponent in the sine series between the two: of sixteen digits four are lost at most.
const LARGEST: f64 = 9.0;
/// Terms of the sine series: the next would be exp(-58² π² 0.05² / 2) = 1e-18.
const SINES: u32 = 57;
/// Deviations from a barrier beyond which it is not felt.
const LAYER: f64 = 8.0;
/// Scales of the thinner layer beyond which nothing is left of it: exp(-2 · 12) = 4e-11.
const THIN_LAYER: f64 = 12.0;

/// Exponents below this are less than the last bit of a probability.
const NOTHING: f64 = -40.0;

/// The motion up to one time: barriers at plus and minus `tolerance`, in the unit of the start.
pub(super) struct Exit {
    tolerance: f64,
    /// Drift times time.
    moved: f64,
    /// Standard deviation of the wandering by that time.
    wandered: f64,
    /// Factors of the sine series that do not depend on the start, the first first; empty while images
    /// are summed.
    sines: Vec<f64>,
}

impl Exit {
    /// All three in one unit; tolerance and wandering above 0.
    pub(super) fn new(tolerance: f64, moved: f64, wandered: f64) -> Self {
        let width = 2.0 * tolerance;
        let deviation = wandered / width;
        let sines = if deviation < IMAGES_UP_TO {
            Vec::new()
        } else {
            sine_factors(moved / width, deviation)
        };
        Exit {
            tolerance,
            moved,
            wandered,
            sines,
        }
    }

    /// How far from a start the probability is smooth enough for one panel of eight nodes: a few
    /// deviations near the barriers and near the starts that the drift carries to them, else up to
    /// the next of these.
    ///
    /// A strong drift away from a barrier leaves a thinner layer there: from a distance d it is
    /// still met with a probability of exp(-2 · drift · d / wandering²).
    pub(super) fn smooth_width(&self, start: f64) -> f64 {
        let wandered = self.wandered;
        let thin = wandered * (wandered / self.moved.abs()).min(1.0);
        let mut width = f64::INFINITY;
        for edge in [-self.tolerance, self.tolerance] {
            for (place, layer, scale) in [
                (edge, LAYER * wandered, wandered),
                (edge - self.moved, LAYER * wandered, wandered),
                (edge, THIN_LAYER * thin, thin),
            ] {
                if start + scale < place - layer {
                    width = width.min(place - layer - start);
                } else if start < place + layer {
                    width = width.min(3.0 * scale);
                }
            }
        }
        width
    }

    /// Whether images are more exact from this start, in widths of the interval as all else.
    fn is_by_images(&self, start: f64, moved: f64, deviation: f64) -> bool {
        if self.sines.is_empty() {
            return true;
        }
        let tilt = moved / (deviation * deviation);
        let upwards = tilt * (1.0 - start - moved / 2.0);
        let downwards = -tilt * (start + moved / 2.0);
        // Not-a-number leads to the sines, as the sum of images then is none either.
        deviation < SINES_FROM && upwards.max(downwards) > LARGEST
    }

    /// Probability of having been outside, from a known start.
    pub(super) fn probability(&self, start: f64) -> f64 {
        if start.is_nan() || start.abs() >= self.tolerance {
            return 1.0;
        }
        let width = 2.0 * self.tolerance;
        // From here on in widths of the interval, which goes from 0 to 1.
        let start = (start + self.tolerance) / width;
        let moved = self.moved / width;
        let deviation = self.wandered / width;
        let stays = if self.is_by_images(start, moved, deviation) {
            stays_by_images(start, moved, deviation)
        } else {
            stays_by_sines(start, moved, deviation, &self.sines)
        };
        if stays.is_nan() {
            return 1.0;
        }
        (1.0 - stays).clamp(0.0, 1.0)
    }
}

/// Mirrored starts with alternating sign, each weighed for the drift (method of images; Borodin &
/// Salminen, from memory).
fn stays_by_images(start: f64, moved: f64, deviation: f64) -> f64 {
    let mut stays = 0.0;
    for shift in [0.0, -2.0, 2.0] {
        stays += mass_of_image(start, start + shift, moved, deviation);
    }
    // Mirrored starts lie below 0 or above 1, so the fourth is as near to the interval as the third.
    for shift in [0.0, 2.0, -2.0, 4.0] {
        stays -= mass_of_image(start, shift - start, moved, deviation);
    }
    stays
}

/// What an image at `centre` contributes between 0 and 1: its normal distribution moved by the drift,
/// times exp(drift · (centre - start) / variance).
fn mass_of_image(start: f64, centre: f64, moved: f64, deviation: f64) -> f64 {
    let from = (-centre - moved) / deviation;
    let to = (1.0 - centre - moved) / deviation;
    if from >= 0.0 {
        return weighed_tail(0.0, start, centre, moved, deviation)
            - weighed_tail(1.0, start, centre, moved, deviation);
    }
    if to <= 0.0 {
        return weighed_tail(1.0, start, centre, moved, deviation)
            - weighed_tail(0.0, start, centre, moved, deviation);
    }
    // The interval holds the middle of the distribution; then the drift points from the image to the
    // interval and the weight is at most 1.
    let weight = libm::exp(moved / deviation * ((centre - start) / deviation));
    weight * (normal_cdf(to) - normal_cdf(from))
}

/// The tail beyond an edge times the image's weight. Weight and tail may be far outside the range of
/// numbers while their product is not, so their exponents are added on paper first.
fn weighed_tail(edge: f64, start: f64, centre: f64, moved: f64, deviation: f64) -> f64 {
    let from_start = edge - start;
    let from_centre = edge - centre;
    let carried = (from_start - moved) / deviation;
    // (edge - centre)² - (edge - start)², without cancelling.
    let mirrored = (from_centre - from_start) * (from_centre + from_start) / deviation / deviation;
    let exponent = -0.5 * (carried * carried + mirrored);
    if exponent < NOTHING {
        return 0.0;
    }
    let distance = ((from_centre - moved) / deviation).abs();
    libm::exp(exponent) * 0.5 * scaled_erfc(distance / SQRT_2)
}

/// exp(x²) erfc(x) for x not below 0; for large x by its continued fraction (Abramowitz & Stegun
/// 7.1.14, from memory).
fn scaled_erfc(x: f64) -> f64 {
    if x < 5.0 {
        return libm::exp(x * x) * libm::erfc(x);
    }
    let mut fraction = x;
    let mut index = 24.0;
    while index > 0.5 {
        fraction = x + index / 2.0 / fraction;
        index -= 1.0;
    }
    1.0 / (fraction * PI.sqrt())
}

/// What every term of the sine series has that does not depend on the start.
fn sine_factors(moved: f64, deviation: f64) -> Vec<f64> {
    let variance = deviation * deviation;
    let tilt = moved / variance;
    let mut factors = Vec::new();
    for index in 1..=SINES {
        let wave = f64::from(index) * PI;
        let decay = -wave * wave * variance / 2.0;
        if decay < NOTHING {
            break;
        }
        factors.push(2.0 * wave / (tilt * tilt + wave * wave) * libm::exp(decay));
    }
    factors
}

/// Eigenfunctions of the interval (Borodin & Salminen, from memory).
fn stays_by_sines(start: f64, moved: f64, deviation: f64, factors: &[f64]) -> f64 {
    let tilt = moved / (deviation * deviation);
    let drained = moved * tilt / 2.0;
    let below = libm::exp(-tilt * start - drained);
    let above = libm::exp(tilt * (1.0 - start) - drained);
    // sin(n x) = 2 cos(x) sin((n - 1) x) - sin((n - 2) x).
    let (sine, cosine) = (libm::sin(PI * start), libm::cos(PI * start));
    let (mut before, mut wave) = (0.0, sine);
    let mut stays = 0.0;
    let mut sign = 1.0;
    for factor in factors {
        stays += factor * wave * (below + sign * above);
        (before, wave) = (wave, 2.0 * cosine * wave - before);
        sign = -sign;
    }
    stays
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sines_are_summed_early_only_where_they_say_what_images_say() {
        let mut compared = 0;
        for deviation in [0.05, 0.07, 0.1, 0.15, 0.2] {
            for moved in [0.0, 0.02, -0.05, 0.3, -0.7, 1.5] {
                for start in [0.001, 0.1, 0.4, 0.8, 0.99] {
                    let exit = Exit::new(0.5, moved, deviation);
                    if exit.is_by_images(start, moved, deviation) {
                        continue;
                    }
                    let images = stays_by_images(start, moved, deviation);
                    let sines = stays_by_sines(start, moved, deviation, &exit.sines);
                    assert!(
                        (images - sines).abs() < 1e-11,
                        "{deviation} {moved} {start}: {images} {sines}"
                    );
                    compared += 1;
                }
            }
        }
        assert!(compared > 60, "sines were summed {compared} times of 150");
        assert!(Exit::new(0.5, 0.0, 0.049).sines.is_empty());
    }

    #[test]
    fn both_series_say_the_same_where_they_meet() {
        for deviation in [0.25, 0.3, 0.35] {
            for moved in [0.0, 0.2, -0.7, 1.5, -3.0] {
                for start in [0.02, 0.3, 0.5, 0.9] {
                    let images = stays_by_images(start, moved, deviation);
                    let factors = sine_factors(moved, deviation);
                    let sines = stays_by_sines(start, moved, deviation, &factors);
                    assert!(
                        (images - sines).abs() < 1e-11,
                        "{deviation} {moved} {start}: {images} {sines}"
                    );
                }
            }
        }
    }

    #[test]
    fn with_one_barrier_far_away_the_inverse_gaussian_law_remains() {
        // First passage of one barrier at distance d: Φ((νt - d)/σ) + exp(2νd/q) Φ((-d - νt)/σ)
        // (Borodin & Salminen, from memory); σ² = q t.
        for (distance, moved, wandered) in [(1.0, 0.5, 0.8), (2.0, -0.4, 1.5), (0.2, 0.0, 0.6)] {
            let exit = Exit::new(50.0, moved, wandered);
            let variance = wandered * wandered;
            let wanted = normal_cdf((moved - distance) / wandered)
                + libm::exp(2.0 * moved * distance / variance)
                    * normal_cdf((-distance - moved) / wandered);
            let found = exit.probability(50.0 - distance);
            assert!((found - wanted).abs() < 1e-13, "{found} {wanted}");
        }
    }

    #[test]
    fn scaled_tails_join_smoothly() {
        let before = libm::exp(25.0) * libm::erfc(5.0);
        assert!((scaled_erfc(5.0) - before).abs() < 1e-14 * before.max(1.0));
        // Abramowitz & Stegun 7.1.23: close to 1/(x √π) for large x.
        assert!((scaled_erfc(1e8) * 1e8 * PI.sqrt() - 1.0).abs() < 1e-12);
        assert!((scaled_erfc(0.0) - 1.0).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn more_wandering_time_never_brings_a_motion_back(
            start in -0.99..0.99_f64, slope in -3.0..3.0_f64, wander in 1e-6..9.0_f64,
            weeks in 1e-3..50.0_f64, later in 1.0..3.0_f64,
        ) {
            let by = |t: f64| Exit::new(1.0, slope * t, (wander * t).sqrt()).probability(start);
            prop_assert!(by(weeks * later) >= by(weeks) - 1e-9);
        }

        #[test]
        fn a_mirrored_motion_leaves_as_often(
            start in -1.0..1.0_f64, moved in -1e3..1e3_f64, wandered in 1e-6..1e3_f64,
        ) {
            let one = Exit::new(1.0, moved, wandered).probability(start);
            let other = Exit::new(1.0, -moved, wandered).probability(-start);
            prop_assert!((one - other).abs() < 1e-9, "{one} {other}");
        }
    }
}
