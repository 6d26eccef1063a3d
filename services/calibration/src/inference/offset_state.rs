//! One furnace's offset as it is known with all effects taken into account, and what is expected of its
//! next firing.

use super::components::{Components, LARGEST_VARIANCE_C2, usable, usable_weeks};

/// Set temperatures are counted from the reference in steps of this size, °C.
pub(crate) const COEFFICIENT_SPAN_C: f64 = 100.0;

/// An offset at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Offset (true less set), °C.
    pub offset_c: f64,
    /// Its standard uncertainty, biases of gauges and batches included, °C.
    pub standard_uncertainty_c: f64,
}

/// What is known about one furnace's offset (true less set).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OffsetState {
    /// Temperature at which the level is stated: the first setpoint read, °C.
    pub reference_c: f64,
    /// Offset at the reference temperature, °C.
    pub level_c: f64,
    /// Steady drift of the level, °C/week.
    pub slope_c_per_week: f64,
    /// Change of the offset with set temperature, °C per 100 °C.
    pub coefficient_c_per_100c: f64,
    /// Covariance of level, slope and coefficient, effects included.
    pub covariance: [[f64; 3]; 3],
    /// How many readings stand behind the state.
    pub readings: u32,
    /// Lowest setpoint read, °C.
    pub lowest_setpoint_c: f64,
    /// Highest setpoint read, °C.
    pub highest_setpoint_c: f64,
}

impl OffsetState {
    /// What is believed before the first reading; a diffuse level has the largest variance there is.
    pub(crate) fn before_any_reading(setpoint_c: f64, components: &Components) -> Self {
        let level = components.initial_c2().unwrap_or(LARGEST_VARIANCE_C2);
        OffsetState {
            reference_c: setpoint_c,
            level_c: 0.0,
            slope_c_per_week: 0.0,
            coefficient_c_per_100c: 0.0,
            covariance: [
                [level, 0.0, 0.0],
                [0.0, components.slope_c2(), 0.0],
                [0.0, 0.0, components.coefficient_c2()],
            ],
            readings: 0,
            lowest_setpoint_c: setpoint_c,
            highest_setpoint_c: setpoint_c,
        }
    }

    /// Gives the offset at a temperature.
    pub fn estimate(&self, temperature_c: f64) -> Estimate {
        let x = self.spans(temperature_c);
        Estimate {
            offset_c: self.level_c + self.coefficient_c_per_100c * x,
            standard_uncertainty_c: self.variance_at(x).max(0.0).sqrt(),
        }
    }

    /// Carries the state forward by `weeks` (negative counts as none): the level drifts and wanders.
    ///
    /// `event_variance_c2` is the nominal variance of recorded events (scaled here), `shift_c` a change
    /// made on purpose. Events count as happening at the end of the time carried, because a furnace is
    /// calibrated after work on it; a slope that is drawn anew starts there.
    pub fn predicted(
        &self,
        weeks: f64,
        event_variance_c2: f64,
        redraws_slope: bool,
        shift_c: f64,
        components: &Components,
    ) -> Self {
        let mut state = *self;
        let weeks = usable_weeks(weeks);
        state.level_c += weeks * self.slope_c_per_week + usable_shift(shift_c);
        carry_covariance(
            &mut state.covariance,
            weeks,
            components.event_c2(event_variance_c2),
            redraws_slope,
            components,
        );
        if redraws_slope {
            state.slope_c_per_week = 0.0;
        }
        state
    }

    /// Spans of a temperature from the reference.
    pub(crate) fn spans(&self, temperature_c: f64) -> f64 {
        (temperature_c - self.reference_c) / COEFFICIENT_SPAN_C
    }

    /// Variance of the offset at `x` spans from the reference, °C².
    fn variance_at(&self, x: f64) -> f64 {
        let p = &self.covariance;
        p[0][0] + 2.0 * x * p[0][2] + x * x * p[2][2]
    }
}

/// A change made on purpose that can be calculated with.
pub(crate) fn usable_shift(shift_c: f64) -> f64 {
    if shift_c.is_finite() {
        shift_c.clamp(-1e6, 1e6)
    } else {
        0.0
    }
}

/// Carries the covariance of level, slope and coefficient over time and events.
pub(crate) fn carry_covariance(
    p: &mut [[f64; 3]; 3],
    weeks: f64,
    event_c2: f64,
    redraws_slope: bool,
    components: &Components,
) {
    let [level, cross, slope] = components.wandered(weeks);
    p[0][0] += weeks * (2.0 * p[0][1] + weeks * p[1][1]) + level + event_c2;
    p[0][1] += weeks * p[1][1] + cross;
    p[0][2] += weeks * p[1][2];
    p[1][1] += slope;
    if redraws_slope {
        p[0][1] = 0.0;
        p[1][2] = 0.0;
        p[1][1] = components.slope_c2();
    }
    p[1][0] = p[0][1];
    p[2][0] = p[0][2];
    p[2][1] = p[1][2];
}

/// How uncertain one reading is by itself, and what the robust step made of it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Weighing {
    /// Variance of what the next reading does not repeat, scaled, °C².
    pub variance_c2: f64,
    /// Variance added because the reading lies far from its furnace's record, °C².
    pub inflation_c2: f64,
    /// Variance added to the level because two readings agree that the furnace changed, °C².
    pub widened_c2: f64,
}

/// What is expected before a firing is looked at: the offset carried forward, and the bias of the
/// firing (gauge, batch and whatever else it depends on).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expectation {
    /// The offset carried to the firing; none before the first.
    pub state: Option<OffsetState>,
    /// Expected bias of the firing, °C.
    pub bias_c: f64,
    /// Variance of that bias, °C².
    pub bias_variance_c2: f64,
    /// Covariance of the bias with level, slope and coefficient.
    pub covariance_c2: [f64; 3],
}

/// What is known of the furnace once the firing was looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Updated {
    /// The state after the reading.
    pub state: OffsetState,
    /// Distance between reading and expectation in standard deviations, before any robust step; none
    /// when nothing was known.
    pub innovation_z: Option<f64>,
    /// Weight of the reading in the offset at its setpoint; 1 when nothing was known.
    pub gain: f64,
}

impl Expectation {
    /// Gives the offset that is expected to be OBSERVED, bias included, without the reading's own
    /// noise; none before the first firing.
    pub fn predicted_offset(&self, setpoint_c: f64) -> Option<Estimate> {
        let state = self.state?;
        let x = state.spans(setpoint_c);
        let offset_c = state.estimate(setpoint_c).offset_c + self.bias_c;
        Some(Estimate {
            offset_c,
            standard_uncertainty_c: self.variance_of_observed(&state, x).sqrt(),
        })
    }

    /// Takes the reading in: the offset's distribution given it, exact for the normal law.
    ///
    /// With nothing known and a diffuse start the level becomes the observation less the expected bias.
    /// A reading that is not a number changes nothing.
    pub fn updated(
        &self,
        setpoint_c: f64,
        offset_c: f64,
        weighing: Weighing,
        components: &Components,
    ) -> Updated {
        let mut state = match self.state {
            Some(state) => state,
            None => OffsetState::before_any_reading(setpoint_c, components),
        };
        if !(setpoint_c.is_finite() && offset_c.is_finite()) {
            return Updated {
                state,
                innovation_z: None,
                gain: 0.0,
            };
        }
        state.readings = state.readings.saturating_add(1);
        state.lowest_setpoint_c = state.lowest_setpoint_c.min(setpoint_c);
        state.highest_setpoint_c = state.highest_setpoint_c.max(setpoint_c);
        let own = usable(weighing.variance_c2);
        let inflated = own + usable(weighing.inflation_c2);
        if self.state.is_none() && components.initial_c2().is_none() {
            state.level_c = offset_c - self.bias_c;
            state.covariance[0][0] = inflated + usable(self.bias_variance_c2);
            return Updated {
                state,
                innovation_z: None,
                gain: 1.0,
            };
        }
        let x = state.spans(setpoint_c);
        let innovation = offset_c - state.level_c - state.coefficient_c_per_100c * x - self.bias_c;
        let innovation_z = self.state.map(|_| {
            innovation
                / (self.variance_of_observed(&state, x) + own)
                    .max(f64::MIN_POSITIVE)
                    .sqrt()
        });
        state.covariance[0][0] += usable(weighing.widened_c2);
        let total = self.variance_of_observed(&state, x) + inflated;
        if !(total > 0.0 && total.is_finite()) {
            return Updated {
                state,
                innovation_z,
                gain: 0.0,
            };
        }
        let p = state.covariance;
        let mut cover = [0.0; 3];
        for (i, value) in cover.iter_mut().enumerate() {
            *value = p[i][0] + x * p[i][2] + self.covariance_c2[i];
        }
        state.level_c += cover[0] / total * innovation;
        state.slope_c_per_week += cover[1] / total * innovation;
        state.coefficient_c_per_100c += cover[2] / total * innovation;
        reduce_covariance(&mut state.covariance, &cover, total);
        Updated {
            state,
            innovation_z,
            gain: (cover[0] + x * cover[2]) / total,
        }
    }

    /// Variance of the observed offset at `x` spans, without the reading's own noise, °C².
    fn variance_of_observed(&self, state: &OffsetState, x: f64) -> f64 {
        let shared = self.covariance_c2[0] + x * self.covariance_c2[2];
        (state.variance_at(x) + 2.0 * shared + self.bias_variance_c2).max(0.0)
    }
}

/// Takes what a reading explains out of a covariance.
pub(crate) fn reduce_covariance(p: &mut [[f64; 3]; 3], cover: &[f64; 3], total: f64) {
    for i in 0..3 {
        for j in 0..=i {
            let reduced = p[i][j] - cover[i] * cover[j] / total;
            p[i][j] = reduced;
            p[j][i] = reduced;
        }
        // Rounding may carry a variance that should be zero just below it.
        p[i][i] = p[i][i].max(0.0);
    }
    for (i, j) in [(0, 1), (0, 2), (1, 2)] {
        let cross = possible_covariance(p[i][j], p[i][i], p[j][j]);
        p[i][j] = cross;
        p[j][i] = cross;
    }
}

/// A covariance no larger than its two variances allow: rounding may carry it beyond when the variances
/// differ by many orders of magnitude, and gains would then grow without bound.
pub(crate) fn possible_covariance(cross: f64, one_c2: f64, other_c2: f64) -> f64 {
    let largest = one_c2 * other_c2;
    if cross * cross > largest {
        largest.sqrt().copysign(cross)
    } else {
        cross
    }
}
