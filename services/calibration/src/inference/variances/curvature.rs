//! Standard errors from the curvature of the log-likelihood at its maximum.

use crate::inference::cholesky::{Cholesky, packed, packed_len};

/// Half the distance over which differences are taken, in natural logarithms.
const DIFFERENCE: f64 = 0.01;

/// A direction bent less than this has no standard error.
const FLAT: f64 = 1e-3;

/// Gives the standard error of every direction; none along flat ones, at the edge of the search, and
/// everywhere when the place is no maximum.
pub(super) fn standard_errors(
    mut surface: impl FnMut(&[f64]) -> Option<f64>,
    at: &[f64],
    flat: &[bool],
    furthest: f64,
) -> Vec<Option<f64>> {
    let mut errors = vec![None; at.len()];
    let Some(height) = surface(at) else {
        return errors;
    };
    let mut place = at.to_vec();
    let mut free = Vec::new();
    let mut bends = Vec::new();
    for i in 0..at.len() {
        if flat[i] || at[i].abs() >= furthest {
            continue;
        }
        place[i] = at[i] + DIFFERENCE;
        let above = surface(&place);
        place[i] = at[i] - DIFFERENCE;
        let below = surface(&place);
        place[i] = at[i];
        if let (Some(above), Some(below)) = (above, below) {
            let bend = (2.0 * height - above - below) / (DIFFERENCE * DIFFERENCE);
            if bend > FLAT {
                free.push(i);
                bends.push(bend);
            }
        }
    }
    let order = free.len();
    let mut information = vec![0.0; packed_len(order)];
    for (k, i) in free.iter().enumerate() {
        information[packed(k, k)] = bends[k];
        for (l, j) in free[..k].iter().enumerate() {
            let mut sum = 0.0;
            for (first, second) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)] {
                place[*i] = at[*i] + first * DIFFERENCE;
                place[*j] = at[*j] + second * DIFFERENCE;
                match surface(&place) {
                    Some(value) => sum -= first * second * value,
                    None => return errors,
                }
            }
            place[*i] = at[*i];
            place[*j] = at[*j];
            information[packed(k, l)] = sum / (4.0 * DIFFERENCE * DIFFERENCE);
        }
    }
    let Ok(factor) = Cholesky::of(order, &information) else {
        return errors;
    };
    let inverse = factor.inverse();
    for (k, i) in free.iter().enumerate() {
        errors[*i] = Some(inverse[packed(k, k)].sqrt());
    }
    errors
}
