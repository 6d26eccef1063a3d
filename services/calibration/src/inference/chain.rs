//! The record of one furnace, followed firing by firing.
//!
//! One Kalman filter runs on several columns at once: the observed offsets, and for every gauge and
//! batch the coefficients with which it entered the firings. Gains do not depend on the data, so all
//! columns share them, and the sums of products of the innovations hold all that the rest of the fleet
//! needs to know about the furnace (augmented filter: de Jong, Annals of Statistics 19 (1991)
//! 1073-1083, from memory). The work grows with the readings, never with their square.

use super::components::{Components, LARGEST_VARIANCE_C2, usable, usable_weeks};
use super::effects::Gaussian;
use super::offset_state::{
    COEFFICIENT_SPAN_C, Expectation, OffsetState, carry_covariance, possible_covariance,
    reduce_covariance, usable_shift,
};

/// Nominal variance of the step that two readings confirm, °C².
pub const CONFIRMED_STEP_C2: f64 = 64.0;

/// A furnace depends on at most this many effects; further columns are ignored.
pub const MOST_COLUMNS: usize = 4096;

/// Numbers beyond this are no temperatures.
const LARGEST_C: f64 = 1e6;

/// Where a column of a furnace's filter belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Column {
    /// An effect of the site (a gauge), by its index there.
    Local(usize),
    /// An effect shared by all sites (a batch), by its index in the network.
    Global(usize),
}

/// One firing as the filter sees it. `C` names the effects: the furnace's own column numbers, or
/// [`Column`]s where the caller keeps the numbering.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Firing<'a, C = usize> {
    /// Weeks since the firing before of this furnace; ignored at the first, negative counts as none.
    pub weeks: f64,
    /// Setpoint, °C.
    pub setpoint_c: f64,
    /// Observed offset (ring temperature less setpoint), °C, NOT corrected for gauge checks: a check is
    /// an observation of the gauge's effect.
    pub offset_c: f64,
    /// Nominal variance of what the next reading does not repeat, °C².
    pub variance_c2: f64,
    /// Nominal variance of recorded events since the firing before, °C².
    pub event_variance_c2: f64,
    /// True when elements or thermocouple were replaced since: the slope is drawn anew.
    pub redraws_slope: bool,
    /// Known change of the controller's offset since the firing before, °C.
    pub shift_c: f64,
    /// Effects of this firing with their coefficients. A gauge's coefficient is the table's slope at
    /// the diameter of the SET temperature over the nominal slope, never at the measured diameter.
    pub effects: &'a [(C, f64)],
}

impl<C> Firing<'_, C> {
    /// Tells whether the numbers are temperatures at all; others are passed over.
    pub fn is_usable(&self) -> bool {
        self.setpoint_c.abs() <= LARGEST_C
            && self.offset_c.abs() <= LARGEST_C
            && !self.variance_c2.is_nan()
            && self.variance_c2 < LARGEST_VARIANCE_C2
    }
}

/// Room for the innovation row of one firing, used again for the next.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Scratch {
    row: Vec<f64>,
}

impl Scratch {
    /// Gives the innovations of the firing followed last: of the data, then of every effect. Empty when
    /// the firing was not counted (a diffuse start, or numbers that are no temperatures).
    pub fn innovations(&self) -> &[f64] {
        &self.row
    }
}

/// What one firing did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Variance of the innovation with the effects known, any inflation and widening included, °C².
    pub variance_c2: f64,
    /// Distance from what the furnace's own record says, in standard deviations, before any robust
    /// step; none at the first firing.
    pub z: Option<f64>,
    /// Variance of the reading's own noise, scaled, without inflation, °C².
    pub noise_c2: f64,
    /// Variance added to that noise because the reading lies far off and nothing confirms it, °C².
    pub inflation_c2: f64,
    /// Variance added to the level because two firings agree that the furnace changed, °C².
    pub widened_c2: f64,
    /// False when the numbers were no temperatures and the firing was passed over.
    pub used: bool,
}

/// The filter of one furnace over its data and its effects.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Temperature from which the coefficient counts: the first setpoint, °C.
    pub reference_c: f64,
    /// Level, slope and coefficient of every column; column 0 is the data, the effects follow.
    pub states: Vec<[f64; 3]>,
    /// Covariance of level, slope and coefficient with the effects known.
    pub covariance: [[f64; 3]; 3],
    /// Sums of products of the innovations over their variances, packed symmetric, data first.
    pub sums: Vec<f64>,
    /// Sum of the logarithms of the innovations' variances.
    pub log_determinant: f64,
    /// Innovations counted in the sums: all but a diffuse first.
    pub counted: u32,
    /// Readings taken in.
    pub readings: u32,
    /// Lowest setpoint read, °C.
    pub lowest_setpoint_c: f64,
    /// Highest setpoint read, °C.
    pub highest_setpoint_c: f64,
    /// Sign of the reading before when it was counted at reduced weight, else 0.
    pub strike: i8,
    /// True once a second setpoint was seen; before that the coefficient costs no arithmetic.
    pub tilted: bool,
}

impl Default for Chain {
    fn default() -> Self {
        Self::unread()
    }
}

impl Chain {
    /// Gives a furnace of which nothing was read.
    pub fn unread() -> Self {
        Chain {
            reference_c: 0.0,
            states: vec![[0.0; 3]],
            covariance: [[LARGEST_VARIANCE_C2, 0.0, 0.0], [0.0; 3], [0.0; 3]],
            sums: vec![0.0],
            log_determinant: 0.0,
            counted: 0,
            readings: 0,
            lowest_setpoint_c: 0.0,
            highest_setpoint_c: 0.0,
            strike: 0,
            tilted: false,
        }
    }

    /// Forgets everything but keeps the room, so that the next furnace needs no new.
    pub fn clear(&mut self) {
        let mut states = std::mem::take(&mut self.states);
        let mut sums = std::mem::take(&mut self.sums);
        states.clear();
        states.push([0.0; 3]);
        sums.clear();
        sums.push(0.0);
        *self = Chain {
            states,
            sums,
            ..Self::unread()
        };
    }

    /// Starts from the first firing. With a diffuse start it is believed as it is.
    pub fn start(first: &Firing, components: &Components) -> Self {
        let mut chain = Self::unread();
        chain.follow(first, &[], components, &mut Scratch::default());
        chain
    }

    /// Follows one firing (the first as well). `prior_variances_c2` are those of the columns with their
    /// scales applied; a column without one counts as fixed to zero in the robust step, which depends
    /// on nothing but the furnace's own record, so that a replay gives the same bits.
    pub fn follow(
        &mut self,
        firing: &Firing,
        prior_variances_c2: &[f64],
        components: &Components,
        scratch: &mut Scratch,
    ) -> Step {
        scratch.row.clear();
        if self.readings > 0 {
            self.carry(firing, components);
        }
        let noise_c2 = components.noise_c2(firing.variance_c2);
        let mut step = Step {
            variance_c2: noise_c2,
            z: None,
            noise_c2,
            inflation_c2: 0.0,
            widened_c2: 0.0,
            used: false,
        };
        if !firing.is_usable() {
            return step;
        }
        step.used = true;
        self.reach(firing.effects);
        if self.readings == 0 {
            self.reference_c = firing.setpoint_c;
            self.lowest_setpoint_c = firing.setpoint_c;
            self.highest_setpoint_c = firing.setpoint_c;
            self.covariance =
                OffsetState::before_any_reading(firing.setpoint_c, components).covariance;
        }
        if (firing.setpoint_c - self.reference_c).abs() > 0.0 {
            self.tilted = true;
        }
        let x = (firing.setpoint_c - self.reference_c) / COEFFICIENT_SPAN_C;
        self.innovate(firing, x, &mut scratch.row);
        if self.readings == 0 && components.initial_c2().is_none() {
            for (state, value) in self.states.iter_mut().zip(&scratch.row) {
                state[0] = *value;
            }
            self.covariance[0][0] = noise_c2;
            self.readings = 1;
            scratch.row.clear();
            return step;
        }
        let mut variance_c2 = self.variance_at(x) + noise_c2;
        if self.readings > 0 {
            let mut total = variance_c2;
            for (value, prior) in scratch.row[1..].iter().zip(prior_variances_c2) {
                total += value * value * prior;
            }
            self.bound(scratch.row[0], total, components, &mut step);
            if step.widened_c2 > 0.0 {
                self.covariance[0][0] += step.widened_c2;
                variance_c2 = self.variance_at(x) + noise_c2;
            }
            variance_c2 += step.inflation_c2;
        }
        step.variance_c2 = variance_c2;
        self.absorb(x, variance_c2, &scratch.row);
        self.readings = self.readings.saturating_add(1);
        self.lowest_setpoint_c = self.lowest_setpoint_c.min(firing.setpoint_c);
        self.highest_setpoint_c = self.highest_setpoint_c.max(firing.setpoint_c);
        step
    }

    /// Carries every column to the firing.
    fn carry(&mut self, firing: &Firing, components: &Components) {
        let weeks = usable_weeks(firing.weeks);
        for state in &mut self.states {
            state[0] += weeks * state[1];
        }
        self.states[0][0] += usable_shift(firing.shift_c);
        if firing.redraws_slope {
            for state in &mut self.states {
                state[1] = 0.0;
            }
        }
        carry_covariance(
            &mut self.covariance,
            weeks,
            components.event_c2(firing.event_variance_c2),
            firing.redraws_slope,
            components,
        );
    }

    /// Makes columns for effects that were not met before. A column is zero until its first use, so
    /// nothing needs to be caught up.
    fn reach(&mut self, effects: &[(usize, f64)]) {
        for (column, _) in effects {
            while self.states.len() < column.saturating_add(2) && *column < MOST_COLUMNS {
                self.states.push([0.0; 3]);
                self.sums.resize(self.sums.len() + self.states.len(), 0.0);
            }
        }
    }

    /// Innovation of every column: what the firing says less what the column's state says.
    fn innovate(&self, firing: &Firing, x: f64, row: &mut Vec<f64>) {
        if self.tilted {
            for state in &self.states {
                row.push(-(state[0] + x * state[2]));
            }
        } else {
            for state in &self.states {
                row.push(-state[0]);
            }
        }
        row[0] += firing.offset_c;
        for (column, coefficient) in firing.effects {
            if *column < MOST_COLUMNS && coefficient.abs() <= LARGEST_C {
                row[column + 1] += coefficient;
            }
        }
    }

    /// Bounds the pull of a reading that lies far off (as Huber proposed, from memory), or takes it as
    /// a step when the reading before lay far off to the same side.
    fn bound(&mut self, innovation: f64, total: f64, components: &Components, step: &mut Step) {
        let z = innovation / total.sqrt();
        step.z = Some(z);
        let bound = components.bound_z.max(0.5);
        if z.abs() <= bound {
            self.strike = 0;
            return;
        }
        let side = if z > 0.0 { 1 } else { -1 };
        if self.strike == side {
            self.strike = 0;
            step.widened_c2 = components.event_c2(CONFIRMED_STEP_C2);
        } else {
            self.strike = side;
            step.inflation_c2 = usable(innovation * innovation / (bound * bound) - total);
        }
    }

    /// Takes the innovations into states, covariance and sums.
    fn absorb(&mut self, x: f64, variance_c2: f64, row: &[f64]) {
        let p = self.covariance;
        if self.tilted {
            let cover = [
                p[0][0] + x * p[0][2],
                p[1][0] + x * p[1][2],
                p[2][0] + x * p[2][2],
            ];
            let gain = [
                cover[0] / variance_c2,
                cover[1] / variance_c2,
                cover[2] / variance_c2,
            ];
            for (state, value) in self.states.iter_mut().zip(row) {
                state[0] += gain[0] * value;
                state[1] += gain[1] * value;
                state[2] += gain[2] * value;
            }
            reduce_covariance(&mut self.covariance, &cover, variance_c2);
        } else {
            let cover = [p[0][0], p[1][0]];
            let gain = [cover[0] / variance_c2, cover[1] / variance_c2];
            for (state, value) in self.states.iter_mut().zip(row) {
                state[0] += gain[0] * value;
                state[1] += gain[1] * value;
            }
            let level = (p[0][0] - gain[0] * cover[0]).max(0.0);
            let slope = (p[1][1] - gain[1] * cover[1]).max(0.0);
            let cross = possible_covariance(p[0][1] - gain[0] * cover[1], level, slope);
            self.covariance[0][0] = level;
            self.covariance[1][1] = slope;
            self.covariance[0][1] = cross;
            self.covariance[1][0] = cross;
        }
        accumulate(&mut self.sums, row, 1.0 / variance_c2);
        self.log_determinant += libm::log(variance_c2);
        self.counted = self.counted.saturating_add(1);
    }

    /// Variance of the offset at `x` spans with the effects known, °C².
    fn variance_at(&self, x: f64) -> f64 {
        let p = &self.covariance;
        if self.tilted {
            (p[0][0] + 2.0 * x * p[0][2] + x * x * p[2][2]).max(0.0)
        } else {
            p[0][0]
        }
    }

    /// Gives the furnace's offset with the effects integrated out. `effects` are those of the chain's
    /// columns in their order.
    pub fn offset(&self, effects: &Gaussian) -> OffsetState {
        combined(self, &self.states, &self.covariance, effects)
    }

    /// Gives what is expected of a next firing. `effects` are those of the chain's columns, then any new
    /// ones that the firing uses.
    pub fn expectation(
        &self,
        effects: &Gaussian,
        firing: &Firing,
        components: &Components,
    ) -> Expectation {
        let mut weights = vec![0.0; effects.order()];
        for (column, coefficient) in firing.effects {
            if let Some(weight) = weights.get_mut(*column)
                && coefficient.abs() <= LARGEST_C
            {
                *weight += coefficient;
            }
        }
        let mut expectation = Expectation {
            state: None,
            bias_c: effects.mean_along(&weights),
            bias_variance_c2: effects.variance_along(&weights),
            covariance_c2: [0.0; 3],
        };
        if self.readings == 0 {
            return expectation;
        }
        let mut cover = [0.0; 3];
        for (k, state) in self.states[1..].iter().enumerate() {
            let shared = effects.covariance_along(&weights, k);
            for (sum, part) in cover.iter_mut().zip(state) {
                *sum -= part * shared;
            }
        }
        cover[0] += usable_weeks(firing.weeks) * cover[1];
        if firing.redraws_slope {
            cover[1] = 0.0;
        }
        expectation.covariance_c2 = cover;
        expectation.state = Some(self.offset(effects).predicted(
            firing.weeks,
            firing.event_variance_c2,
            firing.redraws_slope,
            firing.shift_c,
            components,
        ));
        expectation
    }
}

/// Adds the products of a row with itself to packed symmetric sums. Half of all the time that a refit
/// takes is spent here; counting through slices of one length lets the compiler work on pairs.
fn accumulate(sums: &mut [f64], row: &[f64], weight: f64) {
    let mut rest = sums;
    for i in 0..row.len() {
        let scaled = row[i] * weight;
        let (line, below) = rest.split_at_mut(i + 1);
        let others = &row[..line.len()];
        for j in 0..line.len() {
            line[j] += scaled * others[j];
        }
        rest = below;
    }
}

/// Combines the columns' states with what is known of the effects.
pub(crate) fn combined(
    chain: &Chain,
    states: &[[f64; 3]],
    covariance: &[[f64; 3]; 3],
    effects: &Gaussian,
) -> OffsetState {
    let mut means = states.first().copied().unwrap_or_default();
    let mut p = *covariance;
    let columns = states.get(1..).unwrap_or_default();
    for (k, column) in columns.iter().enumerate() {
        let mean = effects.mean_c(k);
        let mut cover = [0.0; 3];
        for (l, other) in columns.iter().enumerate() {
            let shared = effects.covariance_c2(k, l);
            for (sum, part) in cover.iter_mut().zip(other) {
                *sum += part * shared;
            }
        }
        for i in 0..3 {
            means[i] -= column[i] * mean;
            for j in 0..3 {
                p[i][j] += column[i] * cover[j];
            }
        }
    }
    for (i, j) in [(0, 1), (0, 2), (1, 2)] {
        let both = f64::midpoint(p[i][j], p[j][i]);
        p[i][j] = both;
        p[j][i] = both;
    }
    OffsetState {
        reference_c: chain.reference_c,
        level_c: means[0],
        slope_c_per_week: means[1],
        coefficient_c_per_100c: means[2],
        covariance: p,
        readings: chain.readings,
        lowest_setpoint_c: chain.lowest_setpoint_c,
        highest_setpoint_c: chain.highest_setpoint_c,
    }
}
