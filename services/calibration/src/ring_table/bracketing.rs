//! Where a monotone function crosses zero inside a bracket.

/// Most steps ever taken; bisection alone would need about 60 for any bracket used in this crate.
const MOST_STEPS: u32 = 200;

/// Finds where `function` crosses zero between `low` and `high`, to within `tolerance` of the true
/// place; none when it has the same sign at both ends or is not a number there.
///
/// Regula falsi with the Illinois halving (Dowell & Jarratt, BIT 11, 1971, 168-174; from memory);
/// every third step bisects, so the bracket shrinks even where the function is far from a line.
pub(crate) fn crossing(
    low: f64,
    high: f64,
    tolerance: f64,
    function: impl Fn(f64) -> f64,
) -> Option<f64> {
    let (mut a, mut b) = (low, high);
    let (mut at_a, mut at_b) = (function(a), function(b));
    if at_a.is_nan() || at_b.is_nan() {
        return None;
    }
    if is_zero(at_a) {
        return Some(a);
    }
    if is_zero(at_b) {
        return Some(b);
    }
    if (at_a > 0.0) == (at_b > 0.0) {
        return None;
    }
    for step in 1..=MOST_STEPS {
        if (b - a).abs() <= tolerance {
            break;
        }
        let secant = (a * at_b - b * at_a) / (at_b - at_a);
        let inside = secant > a.min(b) && secant < a.max(b);
        let middle = if inside && step % 3 != 0 {
            secant
        } else {
            f64::midpoint(a, b)
        };
        let at_middle = function(middle);
        if at_middle.is_nan() {
            return None;
        }
        if is_zero(at_middle) {
            return Some(middle);
        }
        // `b` is always the newest point. Where it would replace a point on its own side, the value
        // kept at the far end is halved: that is what pulls the far end in.
        if (at_middle > 0.0) == (at_b > 0.0) {
            at_a *= 0.5;
        } else {
            a = b;
            at_a = at_b;
        }
        b = middle;
        at_b = at_middle;
    }
    Some(b)
}

fn is_zero(value: f64) -> bool {
    value.abs() <= 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_crossed_where_algebra_says() {
        let found = crossing(0.0, 10.0, 1e-12, |x| 3.0 * x - 7.5).expect("signs differ");
        assert!((found - 2.5).abs() < 1e-11, "{found}");
    }

    #[test]
    fn a_steep_exponential_is_crossed_too() {
        let found = crossing(0.0, 100.0, 1e-10, |x| libm::exp(x) - 1e20).expect("signs differ");
        assert!(
            (found - 20.0 * std::f64::consts::LN_10).abs() < 1e-9,
            "{found}"
        );
    }

    #[test]
    fn a_falling_function_is_crossed_as_well() {
        let found = crossing(0.0, 5.0, 1e-12, |x| 8.0 - x * x * x).expect("signs differ");
        assert!((found - 2.0).abs() < 1e-11, "{found}");
    }

    #[test]
    fn equal_signs_or_no_number_give_nothing() {
        assert_eq!(crossing(1.0, 2.0, 1e-9, |x| x), None);
        assert_eq!(crossing(f64::NAN, 2.0, 1e-9, |x| x), None);
        assert_eq!(crossing(-1.0, 2.0, 1e-9, |_| f64::NAN), None);
    }

    #[test]
    fn an_end_that_is_zero_is_the_answer() {
        assert_eq!(crossing(0.0, 2.0, 1e-9, |x| x), Some(0.0));
        assert_eq!(crossing(-2.0, 0.0, 1e-9, |x| x), Some(0.0));
    }
}
