//! Monotone piecewise cubic interpolation for tables with coarse steps.
//!
//! Slopes are the weighted harmonic means of Fritsch & Butland (SIAM J. Sci. Stat. Comput. 5, 1984,
//! 300-304) with the one-sided ends of Moler (Numerical Computing with MATLAB, 2004, section 3.6):
//! the same numbers as SciPy's `PchipInterpolator`, and not those of Fritsch & Carlson 1980.

/// Gives the slope at every knot; `x` strictly ascending, as long as `y`.
///
/// Fewer than three knots have no curvature to speak of: two give the line between them, fewer give
/// zeros.
pub(super) fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let count = x.len().min(y.len());
    if count < 2 {
        return vec![0.0; count];
    }
    let mut widths = Vec::with_capacity(count - 1);
    let mut chords = Vec::with_capacity(count - 1);
    for i in 0..count - 1 {
        let width = x[i + 1] - x[i];
        widths.push(width);
        chords.push((y[i + 1] - y[i]) / width);
    }
    if count == 2 {
        return vec![chords[0]; 2];
    }
    let mut slopes = Vec::with_capacity(count);
    slopes.push(end_slope(widths[0], widths[1], chords[0], chords[1]));
    for i in 1..count - 1 {
        slopes.push(inner_slope(
            widths[i - 1],
            widths[i],
            chords[i - 1],
            chords[i],
        ));
    }
    slopes.push(end_slope(
        widths[count - 2],
        widths[count - 3],
        chords[count - 2],
        chords[count - 3],
    ));
    slopes
}

fn inner_slope(width_before: f64, width_after: f64, before: f64, after: f64) -> f64 {
    if before * after <= 0.0 {
        return 0.0;
    }
    let weight_before = 2.0 * width_after + width_before;
    let weight_after = width_after + 2.0 * width_before;
    (weight_before + weight_after) / (weight_before / before + weight_after / after)
}

fn end_slope(width: f64, next_width: f64, chord: f64, next_chord: f64) -> f64 {
    let slope = ((2.0 * width + next_width) * chord - width * next_chord) / (width + next_width);
    if slope * chord <= 0.0 {
        0.0
    } else if chord * next_chord <= 0.0 && slope.abs() > 3.0 * chord.abs() {
        3.0 * chord
    } else {
        slope
    }
}

/// One knot of the curve.
#[derive(Debug, Clone, Copy)]
pub(super) struct Knot {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) slope: f64,
}

/// Gives the cubic between two neighbouring knots at `x`.
pub(super) fn value(left: Knot, right: Knot, x: f64) -> f64 {
    let width = right.x - left.x;
    let s = (x - left.x) / width;
    let r = 1.0 - s;
    left.y * (1.0 + 2.0 * s) * r * r
        + right.y * s * s * (3.0 - 2.0 * s)
        + width * s * r * (left.slope * r - right.slope * s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Data "RPN 14" of Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980) 238-246.
    const X: [f64; 9] = [7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0];
    const Y: [f64; 9] = [
        0.0,
        2.764_29e-5,
        4.374_98e-2,
        0.169_183,
        0.469_428,
        0.943_740,
        0.998_636,
        0.999_919,
        0.999_994,
    ];

    fn at(x: f64) -> f64 {
        let slopes = slopes(&X, &Y);
        let mut left = 0;
        while left + 2 < X.len() && X[left + 1] <= x {
            left += 1;
        }
        let knot = |i: usize| Knot {
            x: X[i],
            y: Y[i],
            slope: slopes[i],
        };
        value(knot(left), knot(left + 1), x)
    }

    #[test]
    fn rpn_14_has_the_slopes_of_scipy() {
        // SciPy 1.x PchipInterpolator, derivative at the knots.
        let scipy = [
            0.0,
            5.525_086_818_680_746e-4,
            0.335_876_834_608_350_5,
            0.349_449_167_685_967_2,
            0.596_958_238_926_787_1,
            0.060_321_845_522_970_48,
            9.003_953_827_692_708e-4,
            3.142_468_363_044_495e-5,
            0.0,
        ];
        for (own, other) in slopes(&X, &Y).iter().zip(scipy) {
            assert!((own - other).abs() < 1e-14, "{own} against {other}");
        }
    }

    #[test]
    fn rpn_14_has_the_values_of_scipy() {
        let scipy = [
            (8.0, 2.767_433_863_187_248e-7),
            (8.05, 9.956_474_181_099_992e-6),
            (8.14, 0.017_697_167_375_919_493),
            (8.45, 0.106_589_537_760_976_92),
            (9.0, 0.337_534_326_846_198_16),
            (9.5, 0.685_217_945_110_899_4),
            (11.0, 0.986_043_362_535_050_2),
            (13.0, 0.999_361_822_092_275_9),
            (17.5, 0.999_976_140_427_269_1),
        ];
        for (x, y) in scipy {
            assert!((at(x) - y).abs() < 1e-14, "at {x}: {} against {y}", at(x));
        }
    }

    #[test]
    fn the_slopes_of_fritsch_and_carlson_are_other_ones() {
        // R 4.x splinefun(method = "monoH.FC") at 8.45.
        assert!((at(8.45) - 0.102_152_952_656_453_8).abs() > 0.004);
    }

    #[test]
    fn every_knot_is_passed_through_exactly() {
        for i in 0..X.len() {
            assert!((at(X[i]) - Y[i]).abs() < f64::EPSILON, "knot {i}");
        }
    }

    #[test]
    fn a_change_of_direction_gets_a_level_slope() {
        assert_eq!(
            slopes(&[0.0, 1.0, 2.0], &[0.0, 1.0, 0.0])[1].to_bits(),
            0.0_f64.to_bits()
        );
    }

    #[test]
    fn two_knots_give_their_line_and_one_gives_nothing_to_lean_on() {
        assert_eq!(slopes(&[0.0, 2.0], &[0.0, 1.0]), vec![0.5, 0.5]);
        assert_eq!(slopes(&[1.0], &[1.0]), vec![0.0]);
        assert!(slopes(&[], &[]).is_empty());
    }
}
