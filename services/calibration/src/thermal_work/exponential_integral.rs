//! The exponential integral E1 where its values would underflow, and sums of logarithms.

/// Below this, the continued fraction converges slowly and the series is used.
const SERIES_BELOW: f64 = 1.0;
/// Terms after which either expansion has long converged.
const MOST_TERMS: u32 = 200;
/// Below this difference of arguments two values of E1 cancel, and the integral between them is taken.
const CLOSE: f64 = 0.01;
/// e⁻⁴⁵ is below the last bit of a sum with one.
const FAR: f64 = 45.0;
const EULER_GAMMA: f64 = 0.577_215_664_901_532_9;

/// Gives exp(x) E1(x) for x above zero.
pub(super) fn scaled_e1(x: f64) -> f64 {
    if x < SERIES_BELOW {
        libm::exp(x) * series_e1(x)
    } else {
        fraction_e1(x)
    }
}

/// E1(x) by its series (Abramowitz & Stegun 5.1.11; from memory).
fn series_e1(x: f64) -> f64 {
    let mut sum = -EULER_GAMMA - libm::log(x);
    let mut term = 1.0;
    let mut index = 0.0;
    for _ in 0..MOST_TERMS {
        index += 1.0;
        term *= -x / index;
        sum -= term / index;
        if term.abs() < f64::EPSILON * 0.1 {
            break;
        }
    }
    sum
}

/// exp(x) E1(x) by its continued fraction 1/(x+1-1/(x+3-4/(x+5-...))) (Abramowitz & Stegun 5.1.22),
/// summed by Lentz's method; both from memory.
fn fraction_e1(x: f64) -> f64 {
    let mut partial = x + 1.0;
    let mut upward = 1.0 / f64::MIN_POSITIVE;
    let mut downward = 1.0 / partial;
    let mut value = downward;
    let mut index = 0.0;
    for _ in 0..MOST_TERMS {
        index += 1.0;
        let numerator = -index * index;
        partial += 2.0;
        downward = 1.0 / (numerator * downward + partial);
        upward = partial + numerator / upward;
        let factor = upward * downward;
        value *= factor;
        if (factor - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    value
}

/// Gives exp(low) [E1(low) - E1(high)] for 0 < low <= high.
pub(super) fn difference_times_exp(low: f64, high: f64) -> f64 {
    let apart = high - low;
    if apart < CLOSE {
        return between(low, apart);
    }
    if apart > FAR {
        return scaled_e1(low);
    }
    scaled_e1(low) - libm::exp(-apart) * scaled_e1(high)
}

/// ∫ exp(-(u - low)) / u du over a short stretch, by three-point Gauss-Legendre.
fn between(low: f64, width: f64) -> f64 {
    const AWAY: f64 = 0.774_596_669_241_483_4;
    let half = width / 2.0;
    let at = |offset: f64| {
        let from_low = half * (1.0 + offset);
        libm::exp(-from_low) / (low + from_low)
    };
    half * (5.0 * at(-AWAY) + 8.0 * at(0.0) + 5.0 * at(AWAY)) / 9.0
}

/// Gives ln(exp(a) + exp(b)) without leaving the logarithms.
pub(super) fn sum_of_logs(a: f64, b: f64) -> f64 {
    if a.is_nan() || b.is_nan() {
        return f64::NAN;
    }
    let (small, large) = (a.min(b), a.max(b));
    // Two of minus infinity have no difference, and nothing need be added to the larger.
    if small.is_infinite() {
        return large;
    }
    large + libm::log1p(libm::exp(small - large))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn e1_has_its_tabled_values() {
        // Abramowitz & Stegun table 5.1 (E1 at 0.5, 1, 2) and 5.2 (x exp(x) E1 at 10, 20), from memory.
        for (x, e1) in [
            (0.5, 0.559_773_595),
            (1.0, 0.219_383_934),
            (2.0, 0.048_900_511),
        ] {
            let found = scaled_e1(x) * libm::exp(-x);
            assert!((found - e1).abs() < 1e-9, "{x}: {found}");
        }
        for (x, scaled) in [(10.0, 0.915_633_339), (20.0, 0.954_370_911)] {
            let found = x * scaled_e1(x);
            assert!((found - scaled).abs() < 2e-9, "{x}: {found}");
        }
    }

    #[test]
    fn series_and_fraction_meet() {
        let below = scaled_e1(1.0 - 1e-12);
        let above = scaled_e1(1.0);
        assert!((below - above).abs() < 1e-11, "{below} and {above}");
    }

    #[test]
    fn a_short_stretch_agrees_with_the_difference() {
        for low in [0.7, 5.0, 35.0, 60.0] {
            let short = between(low, CLOSE);
            let long = scaled_e1(low) - libm::exp(-CLOSE) * scaled_e1(low + CLOSE);
            assert!(
                (short / long - 1.0).abs() < 1e-12,
                "{low}: {short} and {long}"
            );
        }
    }

    #[test]
    fn logs_are_summed_at_any_size() {
        assert!((sum_of_logs(-2000.0, -2000.0) - (-2000.0 + std::f64::consts::LN_2)).abs() < 1e-12);
        assert!((sum_of_logs(f64::NEG_INFINITY, 3.0) - 3.0).abs() < 1e-15);
        assert!(sum_of_logs(f64::NEG_INFINITY, f64::NEG_INFINITY).is_infinite());
        assert!(sum_of_logs(f64::NAN, 1.0).is_nan());
        assert!(sum_of_logs(1.0, f64::NAN).is_nan());
        assert!(sum_of_logs(f64::NAN, f64::NEG_INFINITY).is_nan());
        assert!(sum_of_logs(f64::NEG_INFINITY, f64::NAN).is_nan());
    }
}
