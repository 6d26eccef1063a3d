//! The way up a smooth surface: quasi-Newton steps with numerical gradients.
//!
//! A library of optimisers would bring a tree of dependencies for one loop, and its arithmetic would not
//! promise the same digits everywhere. Inverse update of Broyden, Fletcher, Goldfarb and Shanno with
//! Armijo's condition (Nocedal & Wright, Numerical Optimization, 2006, sections 3.1 and 6.1, from
//! memory).

/// Half the distance over which differences are taken, in natural logarithms.
const DIFFERENCE: f64 = 1e-3;

/// The climb ends when the surface promises less than this.
const WORTH_CLIMBING: f64 = 1e-8;

/// No step changes a logarithm by more than this.
const LONGEST_STEP: f64 = 1.5;

/// A direction along which the surface is flatter than this says nothing.
const FLAT: f64 = 1e-6;

/// Where a climb ended.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Climbed {
    pub(super) at: Vec<f64>,
    /// Directions along which the surface is flat from the start.
    pub(super) flat: Vec<bool>,
    pub(super) converged: bool,
}

/// Climbs from a place; none when the surface has no value there. It has none where `surface` gives
/// none, and such places are not entered.
pub(super) fn climbed(
    mut surface: impl FnMut(&[f64]) -> Option<f64>,
    from: &[f64],
    furthest: f64,
    most_evaluations: u32,
) -> Option<Climbed> {
    let order = from.len();
    let mut at = from.to_vec();
    let mut height = surface(&at)?;
    let mut used = 1;
    let mut slope = slopes(&mut surface, &at, height);
    let mut flat = Vec::with_capacity(order);
    for (gradient, bend) in slope.gradient.iter().zip(&slope.bends) {
        flat.push(gradient.abs() < FLAT && bend.abs() < FLAT);
    }
    let mut inverse = diagonal(&slope.bends);
    let mut fresh = true;
    let mut converged = false;
    let per_slope = u32::try_from(2 * order).unwrap_or(u32::MAX);
    while used < most_evaluations {
        used = used.saturating_add(per_slope);
        let mut step = vec![0.0; order];
        let mut promised = 0.0;
        for i in 0..order {
            let outward = (at[i] >= furthest && slope.gradient[i] > 0.0)
                || (at[i] <= -furthest && slope.gradient[i] < 0.0);
            if flat[i] || outward {
                continue;
            }
            for j in 0..order {
                if !flat[j] {
                    step[i] += inverse[i * order + j] * slope.gradient[j];
                }
            }
            step[i] = step[i].clamp(-LONGEST_STEP, LONGEST_STEP);
            promised += step[i] * slope.gradient[i];
        }
        if promised <= 2.0 * WORTH_CLIMBING {
            if fresh || promised >= 0.0 {
                converged = promised >= 0.0;
                break;
            }
            inverse = diagonal(&slope.bends);
            fresh = true;
            continue;
        }
        let mut share = 1.0;
        let mut found = None;
        for _ in 0..30 {
            let mut next = at.clone();
            for (value, by) in next.iter_mut().zip(&step) {
                *value = (*value + share * by).clamp(-furthest, furthest);
            }
            used += 1;
            if let Some(reached) = surface(&next)
                && reached > height + 1e-4 * share * promised
            {
                found = Some((next, reached));
                break;
            }
            share *= 0.5;
        }
        let Some((next, reached)) = found else {
            if fresh {
                // What is promised drowns in the rounding of the surface.
                converged = promised < 1e-6 * height.abs().max(1.0);
                break;
            }
            inverse = diagonal(&slope.bends);
            fresh = true;
            continue;
        };
        let after = slopes(&mut surface, &next, reached);
        fresh = !updated(&mut inverse, &at, &next, &slope.gradient, &after.gradient);
        if fresh {
            inverse = diagonal(&after.bends);
        }
        at = next;
        height = reached;
        slope = after;
    }
    Some(Climbed {
        at,
        flat,
        converged,
    })
}

/// Gradient and second differences of a surface.
struct Slopes {
    gradient: Vec<f64>,
    bends: Vec<f64>,
}

fn slopes(surface: &mut impl FnMut(&[f64]) -> Option<f64>, at: &[f64], height: f64) -> Slopes {
    let mut gradient = vec![0.0; at.len()];
    let mut bends = vec![0.0; at.len()];
    let mut beside = at.to_vec();
    for i in 0..at.len() {
        beside[i] = at[i] + DIFFERENCE;
        let above = surface(&beside);
        beside[i] = at[i] - DIFFERENCE;
        let below = surface(&beside);
        beside[i] = at[i];
        if let (Some(above), Some(below)) = (above, below) {
            gradient[i] = (above - below) / (2.0 * DIFFERENCE);
            bends[i] = (above - 2.0 * height + below) / (DIFFERENCE * DIFFERENCE);
        }
    }
    Slopes { gradient, bends }
}

/// First guess at the inverse of the curvature, turned so that it points upwards.
fn diagonal(bends: &[f64]) -> Vec<f64> {
    let order = bends.len();
    let mut inverse = vec![0.0; order * order];
    for (i, bend) in bends.iter().enumerate() {
        inverse[i * order + i] = 1.0 / bend.abs().max(1.0);
    }
    inverse
}

/// Improves the inverse curvature by what a step showed; false when the step showed a surface that is
/// not bent downwards.
fn updated(inverse: &mut [f64], at: &[f64], next: &[f64], before: &[f64], after: &[f64]) -> bool {
    let order = at.len();
    let mut moved = Vec::with_capacity(order);
    let mut turned = Vec::with_capacity(order);
    let mut along = 0.0;
    for i in 0..order {
        moved.push(next[i] - at[i]);
        turned.push(before[i] - after[i]);
        along += moved[i] * turned[i];
    }
    if along <= 1e-12 {
        return false;
    }
    let mut spread = vec![0.0; order];
    let mut across = 0.0;
    for i in 0..order {
        for j in 0..order {
            spread[i] += inverse[i * order + j] * turned[j];
        }
        across += turned[i] * spread[i];
    }
    for i in 0..order {
        for j in 0..order {
            inverse[i * order + j] += (1.0 + across / along) * moved[i] * moved[j] / along
                - (spread[i] * moved[j] + moved[i] * spread[j]) / along;
        }
    }
    true
}
