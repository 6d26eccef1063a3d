//! Offsets in the past, as all readings before and after tell them.
//!
//! The backward pass carries what later innovations say (fixed-interval smoothing in the form of de Jong
//! and Durbin & Koopman 2012, section 4.4), so that no covariance is inverted: a furnace that does not
//! wander, or a drift that is known, makes no exception.

use super::chain::{Chain, Firing, Scratch, combined};
use super::components::{Components, usable_weeks};
use super::effects::Gaussian;
use super::offset_state::{COEFFICIENT_SPAN_C, OffsetState, carry_covariance};

/// One firing on the way forward.
struct Passed {
    states: Vec<[f64; 3]>,
    covariance: [[f64; 3]; 3],
    /// Innovations; empty when the firing was not counted.
    row: Vec<f64>,
    variance_c2: f64,
    /// Weights of level, slope and coefficient in the reading.
    weights: [f64; 3],
    /// Covariance of the reading with level, slope and coefficient before it.
    cover: [f64; 3],
    weeks: f64,
    redraws_slope: bool,
}

/// What later firings say about a state: for every column, and its precision.
struct Later {
    columns: Vec<[f64; 3]>,
    precision: [[f64; 3]; 3],
}

/// Gives the offset at every firing, given all of the furnace's firings and all that is known of its
/// effects. Robust decisions are those of the forward pass; firings whose numbers are no temperatures
/// are passed over as there.
pub fn smoothed(
    firings: &[Firing],
    prior_variances_c2: &[f64],
    components: &Components,
    effects: &Gaussian,
) -> Vec<OffsetState> {
    let mut chain = Chain::unread();
    let mut scratch = Scratch::default();
    let mut passed = Vec::with_capacity(firings.len());
    for firing in firings {
        let mut before = chain.covariance;
        let step = chain.follow(firing, prior_variances_c2, components, &mut scratch);
        if passed.is_empty() || chain.readings <= 1 {
            before = OffsetState::before_any_reading(firing.setpoint_c, components).covariance;
        } else {
            carry_covariance(
                &mut before,
                usable_weeks(firing.weeks),
                components.event_c2(firing.event_variance_c2),
                firing.redraws_slope,
                components,
            );
        }
        before[0][0] += step.widened_c2;
        let x = (firing.setpoint_c - chain.reference_c) / COEFFICIENT_SPAN_C;
        let mut cover = [0.0; 3];
        for (value, line) in cover.iter_mut().zip(&before) {
            *value = line[0] + x * line[2];
        }
        passed.push(Passed {
            states: chain.states.clone(),
            covariance: chain.covariance,
            row: scratch.innovations().to_vec(),
            variance_c2: step.variance_c2,
            weights: [1.0, 0.0, x],
            cover,
            weeks: usable_weeks(firing.weeks),
            redraws_slope: firing.redraws_slope,
        });
    }
    let mut later = Later {
        columns: vec![[0.0; 3]; chain.states.len()],
        precision: [[0.0; 3]; 3],
    };
    let mut offsets = Vec::with_capacity(passed.len());
    for firing in passed.iter().rev() {
        offsets.push(looked_back(firing, &later, &chain, effects));
        later.take_in(firing);
        later.carry_back(firing);
    }
    offsets.reverse();
    offsets
}

/// The offset at one firing given what later ones say.
fn looked_back(firing: &Passed, later: &Later, chain: &Chain, effects: &Gaussian) -> OffsetState {
    let p = &firing.covariance;
    let mut states = firing.states.clone();
    states.resize(later.columns.len(), [0.0; 3]);
    for (state, said) in states.iter_mut().zip(&later.columns) {
        for (value, line) in state.iter_mut().zip(p) {
            *value += line[0] * said[0] + line[1] * said[1] + line[2] * said[2];
        }
    }
    let told = times(&times(p, &later.precision), p);
    let mut covariance = *p;
    for (line, less) in covariance.iter_mut().zip(&told) {
        for (value, part) in line.iter_mut().zip(less) {
            *value -= part;
        }
    }
    for (i, line) in covariance.iter_mut().enumerate() {
        line[i] = line[i].max(0.0);
    }
    combined(chain, &states, &covariance, effects)
}

impl Later {
    /// Adds what this firing's reading says about the state just before it.
    fn take_in(&mut self, firing: &Passed) {
        if firing.row.is_empty() {
            return;
        }
        let (h, f) = (&firing.weights, firing.variance_c2);
        let mut gain = firing.cover;
        for value in &mut gain {
            *value /= f;
        }
        for (k, said) in self.columns.iter_mut().enumerate() {
            let innovation = firing.row.get(k).copied().unwrap_or(0.0);
            let along = gain[0] * said[0] + gain[1] * said[1] + gain[2] * said[2];
            for (value, weight) in said.iter_mut().zip(h) {
                *value += weight * (innovation / f - along);
            }
        }
        let mut kept = [[0.0; 3]; 3];
        for (i, line) in kept.iter_mut().enumerate() {
            for (j, value) in line.iter_mut().enumerate() {
                *value = f64::from(u8::from(i == j)) - gain[i] * h[j];
            }
        }
        let mut precision = times(&transposed(&kept), &times(&self.precision, &kept));
        for (line, a) in precision.iter_mut().zip(h) {
            for (value, b) in line.iter_mut().zip(h) {
                *value += a * b / f;
            }
        }
        self.precision = precision;
    }

    /// Goes back over the time before this firing.
    fn carry_back(&mut self, firing: &Passed) {
        let kept = if firing.redraws_slope { 0.0 } else { 1.0 };
        for said in &mut self.columns {
            said[1] = firing.weeks * said[0] + kept * said[1];
        }
        let forward = [[1.0, firing.weeks, 0.0], [0.0, kept, 0.0], [0.0, 0.0, 1.0]];
        self.precision = times(&transposed(&forward), &times(&self.precision, &forward));
    }
}

fn times(left: &[[f64; 3]; 3], right: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let mut product = [[0.0; 3]; 3];
    for (line, a) in product.iter_mut().zip(left) {
        for (j, value) in line.iter_mut().enumerate() {
            *value = a[0] * right[0][j] + a[1] * right[1][j] + a[2] * right[2][j];
        }
    }
    product
}

fn transposed(matrix: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let mut turned = [[0.0; 3]; 3];
    for (i, line) in matrix.iter().enumerate() {
        for (j, value) in line.iter().enumerate() {
            turned[j][i] = *value;
        }
    }
    turned
}
