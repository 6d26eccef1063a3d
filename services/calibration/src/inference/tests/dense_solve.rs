//! Elimination against one dense solve of the whole fleet.
//!
//! Here every furnace, gauge, batch and noise is written as a sum of independent sources, the covariance
//! of all readings is formed in full, and the equations are solved by plain elimination with pivots.
//! Nothing of the filter is used. A diffuse level is an unknown constant (generalised least squares).

use super::invented_fleet::Fleet;
use super::{Dice, assert_close};
use crate::inference::*;
use proptest::prelude::*;

/// A sum of independent sources, an unknown start level, and a constant.
#[derive(Debug, Clone, Default)]
struct Form {
    sources: Vec<f64>,
    starts: Vec<f64>,
    constant: f64,
}

impl Form {
    fn add(&mut self, other: &Form, factor: f64) {
        add(&mut self.sources, &other.sources, factor);
        add(&mut self.starts, &other.starts, factor);
        self.constant += factor * other.constant;
    }
}

fn add(to: &mut Vec<f64>, other: &[f64], factor: f64) {
    if to.len() < other.len() {
        to.resize(other.len(), 0.0);
    }
    for (value, more) in to.iter_mut().zip(other) {
        *value += factor * more;
    }
}

/// The whole fleet in the open.
#[derive(Default)]
struct Dense {
    variances: Vec<f64>,
    starts: usize,
    observed: Vec<Form>,
    values: Vec<f64>,
}

/// Level, slope and coefficient of a furnace as sums of sources.
type State = [Form; 3];

impl Dense {
    fn source(&mut self, variance: f64) -> Form {
        self.variances.push(variance);
        let mut sources = vec![0.0; self.variances.len()];
        sources[self.variances.len() - 1] = 1.0;
        Form {
            sources,
            ..Form::default()
        }
    }

    fn start(&mut self) -> Form {
        self.starts += 1;
        let mut starts = vec![0.0; self.starts];
        starts[self.starts - 1] = 1.0;
        Form {
            starts,
            ..Form::default()
        }
    }

    fn observe(&mut self, form: &Form, variance: f64, value: f64) {
        let mut observed = form.clone();
        observed.add(&self.source(variance), 1.0);
        self.values.push(value - observed.constant);
        self.observed.push(observed);
    }

    fn covariance(&self, a: &Form, b: &Form) -> f64 {
        let mut sum = 0.0;
        for ((x, y), variance) in a.sources.iter().zip(&b.sources).zip(&self.variances) {
            sum += x * y * variance;
        }
        sum
    }
}

/// Solves by Gaussian elimination with row pivots; gives the solutions (one for each right side) and the
/// logarithm of the determinant.
fn eliminated_plainly(mut a: Vec<Vec<f64>>, mut rights: Vec<Vec<f64>>) -> (Vec<Vec<f64>>, f64) {
    let n = a.len();
    let mut log_determinant = 0.0;
    for k in 0..n {
        let mut best = k;
        for i in k + 1..n {
            if a[i][k].abs() > a[best][k].abs() {
                best = i;
            }
        }
        a.swap(k, best);
        for right in &mut rights {
            right.swap(k, best);
        }
        let pivot = a[k].clone();
        log_determinant += libm::log(pivot[k].abs());
        for i in k + 1..n {
            let factor = a[i][k] / pivot[k];
            for (value, other) in a[i][k..].iter_mut().zip(&pivot[k..]) {
                *value -= factor * other;
            }
            for right in &mut rights {
                right[i] -= factor * right[k];
            }
        }
    }
    for right in &mut rights {
        for i in (0..n).rev() {
            let mut sum = right[i];
            for j in i + 1..n {
                sum -= a[i][j] * right[j];
            }
            right[i] = sum / a[i][i];
        }
    }
    (rights, log_determinant)
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The dense answer: posterior of any sums of sources.
struct Answer {
    dense: Dense,
    /// V⁻¹y and V⁻¹X, column by column.
    solved_values: Vec<f64>,
    solved_starts: Vec<Vec<f64>>,
    starts: Vec<f64>,
    information: Vec<Vec<f64>>,
    matrix: Vec<Vec<f64>>,
    log_likelihood: f64,
}

impl Answer {
    fn of(dense: Dense) -> Self {
        let n = dense.values.len();
        let mut matrix = vec![vec![0.0; n]; n];
        for (line, a) in matrix.iter_mut().zip(&dense.observed) {
            for (value, b) in line.iter_mut().zip(&dense.observed) {
                *value = dense.covariance(a, b);
            }
        }
        let mut rights = vec![dense.values.clone()];
        let mut design = Vec::new();
        for k in 0..dense.starts {
            let column: Vec<f64> = dense
                .observed
                .iter()
                .map(|form| form.starts.get(k).copied().unwrap_or(0.0))
                .collect();
            design.push(column.clone());
            rights.push(column);
        }
        let (solved, log_determinant) = eliminated_plainly(matrix.clone(), rights);
        let mut information = vec![vec![0.0; dense.starts]; dense.starts];
        let mut right = vec![0.0; dense.starts];
        for (k, column) in design.iter().enumerate() {
            right[k] = product(column, &solved[0]);
            for l in 0..dense.starts {
                information[k][l] = product(column, &solved[l + 1]);
            }
        }
        let (starts, log_information) =
            eliminated_plainly(information.clone(), vec![right.clone()]);
        let counted = u32::try_from(n - dense.starts).expect("a small fleet");
        let squares = product(&dense.values, &solved[0]) - product(&right, &starts[0]);
        let log_likelihood = -0.5
            * (f64::from(counted) * libm::log(std::f64::consts::TAU)
                + log_determinant
                + log_information
                + squares);
        Answer {
            solved_values: solved[0].clone(),
            solved_starts: solved[1..].to_vec(),
            starts: starts[0].clone(),
            information,
            matrix,
            log_likelihood,
            dense,
        }
    }

    /// Means and covariances of some sums of sources given everything observed.
    fn posterior(&self, forms: &[Form]) -> (Vec<f64>, Vec<Vec<f64>>) {
        let mut covers = Vec::new();
        let mut means = Vec::new();
        // What of the start levels the readings do not reach.
        let mut open = Vec::new();
        for form in forms {
            let cover: Vec<f64> = self
                .dense
                .observed
                .iter()
                .map(|observed| self.dense.covariance(form, observed))
                .collect();
            let mut mean = form.constant + product(&cover, &self.solved_values);
            let mut left = vec![0.0; self.dense.starts];
            for (k, value) in left.iter_mut().enumerate() {
                *value = form.starts.get(k).copied().unwrap_or(0.0)
                    - product(&cover, &self.solved_starts[k]);
                mean += *value * self.starts[k];
            }
            means.push(mean);
            covers.push(cover);
            open.push(left);
        }
        let (solved, _) = eliminated_plainly(self.matrix.clone(), covers.clone());
        let (solved_open, _) = eliminated_plainly(self.information.clone(), open.clone());
        let mut covariance = vec![vec![0.0; forms.len()]; forms.len()];
        for (i, a) in forms.iter().enumerate() {
            for (j, b) in forms.iter().enumerate() {
                covariance[i][j] = self.dense.covariance(a, b) - product(&covers[i], &solved[j])
                    + product(&open[i], &solved_open[j]);
            }
        }
        (means, covariance)
    }
}

/// Everything of a fleet written as sums of sources.
struct Written {
    answer: Answer,
    globals: Vec<Form>,
    locals: Vec<Vec<Form>>,
    /// State of every furnace at every firing.
    states: Vec<Vec<State>>,
}

fn written(fleet: &Fleet) -> Written {
    let c = &fleet.components;
    let mut dense = Dense::default();
    let mut globals = Vec::new();
    for index in 0..fleet.globals.len() {
        globals.push(dense.source(fleet.prior(0, Column::Global(index))));
    }
    let mut locals = Vec::new();
    for (site, effects) in fleet.sites.iter().enumerate() {
        let mut own = Vec::new();
        for (index, effect) in effects.iter().enumerate() {
            let source = dense.source(fleet.prior(site, Column::Local(index)));
            for check in &effect.checks {
                dense.observe(&source, check.variance_c2, check.value_c);
            }
            own.push(source);
        }
        locals.push(own);
    }
    let mut states = Vec::new();
    for (site, fired) in &fleet.furnaces {
        let level = match c.initial_sd_c {
            Some(sd) => dense.source(sd * sd),
            None => dense.start(),
        };
        let slope_c2 = c.slope_sd_c_per_week * c.slope_sd_c_per_week;
        let coefficient_c2 = c.coefficient_sd_c_per_100c * c.coefficient_sd_c_per_100c;
        let mut state: State = [level, dense.source(slope_c2), dense.source(coefficient_c2)];
        let mut history = Vec::new();
        for (k, one) in fired.iter().enumerate() {
            if k > 0 {
                let [level, slope, _] = &mut state;
                level.add(slope, one.weeks);
                level.constant += one.shift_c;
                let wander = dense.source(c.wander_c2_per_week * one.weeks);
                level.add(&wander, 1.0);
                // Integrated wandering of the slope: half of it moves with the slope's own change, the
                // rest has variance q t³/12.
                let bend = dense.source(c.slope_wander_c2_per_week3 * one.weeks);
                let rest = c.slope_wander_c2_per_week3 * one.weeks.powi(3) / 12.0;
                let rest = dense.source(rest);
                level.add(&bend, one.weeks / 2.0);
                level.add(&rest, 1.0);
                slope.add(&bend, 1.0);
                let scale = c.event_scale * c.event_scale;
                let event = dense.source(one.event_variance_c2 * scale);
                level.add(&event, 1.0);
                if one.redraws_slope {
                    *slope = dense.source(slope_c2);
                }
            }
            let mut reading = state[0].clone();
            reading.add(&state[2], (one.setpoint_c - fired[0].setpoint_c) / 100.0);
            for (column, coefficient) in &one.effects {
                let effect = match column {
                    Column::Local(index) => &locals[*site][*index],
                    Column::Global(index) => &globals[*index],
                };
                reading.add(effect, *coefficient);
            }
            let noise = one.variance_c2 * c.noise_scale * c.noise_scale;
            dense.observe(&reading, noise, one.offset_c);
            history.push(state.clone());
        }
        states.push(history);
    }
    for form in globals.iter_mut().chain(locals.iter_mut().flatten()) {
        form.sources.resize(dense.variances.len(), 0.0);
    }
    Written {
        answer: Answer::of(dense),
        globals,
        locals,
        states,
    }
}

fn assert_state(found: &OffsetState, answer: &Answer, state: &State, what: &str) {
    let (means, covariance) = answer.posterior(state);
    assert_close(found.level_c, means[0], 1e-9, what);
    assert_close(found.slope_c_per_week, means[1], 1e-9, what);
    assert_close(found.coefficient_c_per_100c, means[2], 1e-9, what);
    for (line, expected) in found.covariance.iter().zip(&covariance) {
        for (a, b) in line.iter().zip(expected) {
            assert_close(*a, *b, 1e-9, what);
        }
    }
}

fn assert_equals_the_dense_solve(fleet: &Fleet) {
    let solved = fleet.solved();
    let written = written(fleet);
    let answer = &written.answer;
    assert_close(
        solved.solution.log_likelihood,
        answer.log_likelihood,
        1e-9,
        "log likelihood",
    );
    for (site, own) in written.locals.iter().enumerate() {
        let mut forms = own.clone();
        forms.extend(written.globals.iter().cloned());
        let (means, covariance) = answer.posterior(&forms);
        let mut columns = Vec::new();
        for index in 0..own.len() {
            columns.push(Column::Local(index));
        }
        for index in 0..written.globals.len() {
            columns.push(Column::Global(index));
        }
        let joint = solved.blocks[site].joint(&solved.solution, &columns);
        for (found, expected) in joint.mean.iter().zip(&means) {
            assert_close(*found, *expected, 1e-9, "effect");
        }
        for (found, expected) in joint.covariance.iter().zip(covariance.iter().flatten()) {
            assert_close(*found, *expected, 1e-9, "effects");
        }
    }
    for (furnace, states) in written.states.iter().enumerate() {
        let now = solved.state(fleet, furnace);
        assert_state(&now, answer, &states[states.len() - 1], "now");
        let past = fleet.smoothed(&solved, furnace);
        assert_eq!(past.len(), states.len());
        for (found, state) in past.iter().zip(states) {
            assert_state(found, answer, state, "past");
        }
    }
}

/// Variance components from all over the range, with parts switched off now and then.
fn components(seed: u64, initial_sd_c: Option<f64>) -> Components {
    let mut dice = Dice::new(seed);
    let mut draw = |low: f64, high: f64| {
        let value = dice.between(low, high);
        if dice.chance(0.2) { 0.0 } else { value }
    };
    Components {
        wander_c2_per_week: draw(0.1, 1.0),
        slope_sd_c_per_week: draw(0.05, 0.4),
        slope_wander_c2_per_week3: draw(0.001, 0.01),
        coefficient_sd_c_per_100c: draw(1.0, 4.0),
        event_scale: draw(0.5, 1.5),
        noise_scale: 0.5 + draw(0.1, 1.0),
        batch_scale: draw(0.5, 2.0),
        gauge_scale: draw(0.5, 2.0),
        initial_sd_c,
        bound_z: f64::INFINITY,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn a_fleet_with_known_start_levels_equals_the_dense_solve(seed in any::<u64>()) {
        let fleet = Fleet::invented(seed, components(seed, Some(12.0)));
        assert_equals_the_dense_solve(&fleet);
    }

    #[test]
    fn a_fleet_with_diffuse_start_levels_equals_generalised_least_squares(seed in any::<u64>()) {
        let fleet = Fleet::invented(seed, components(seed, None));
        assert_equals_the_dense_solve(&fleet);
    }
}

#[test]
fn a_diffuse_start_is_the_limit_of_ever_wider_priors() {
    let fleet = Fleet::invented(
        11,
        Components {
            bound_z: f64::INFINITY,
            ..Components::default()
        },
    );
    let diffuse = fleet.solved();
    let mut before = f64::INFINITY;
    for initial in [1e2, 1e3, 1e4] {
        let mut proper = fleet.clone();
        proper.components.initial_sd_c = Some(initial);
        let solved = proper.solved();
        let mut furthest: f64 = 0.0;
        for furnace in 0..fleet.furnaces.len() {
            let (a, b) = (
                diffuse.state(&fleet, furnace),
                solved.state(&proper, furnace),
            );
            furthest = furthest.max((a.level_c - b.level_c).abs());
            furthest = furthest.max((a.covariance[0][0] - b.covariance[0][0]).abs());
        }
        // A wide normal density is 1/(s√2π) all over: one for every furnace.
        let furnaces = u32::try_from(fleet.furnaces.len()).expect("a small fleet");
        let density = -libm::log(initial * libm::sqrt(std::f64::consts::TAU));
        let likelihood = diffuse.solution.log_likelihood + f64::from(furnaces) * density;
        furthest = furthest.max((likelihood - solved.solution.log_likelihood).abs());
        // The distance falls with the square of the prior's width.
        assert!(furthest < before / 50.0, "{initial}: {furthest}");
        before = furthest;
    }
    assert!(before < 1e-4);
}
