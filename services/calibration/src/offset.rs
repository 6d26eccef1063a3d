//! One furnace's offset as it is known from all its readings: a level at 1500 °C, a coefficient for
//! other temperatures, and how sure they are.
//!
//! The filter is the usual one for a wandering level with a constant coefficient (Durbin & Koopman
//! 2012, chapter 2 and 4); without wandering it is the straight-line calibration of GUM H.3. Errors
//! that repeat from reading to reading (gauge, batch, table) are carried beside it and are never
//! averaged away, because firing more rings does not make a caliper right.

/// Set temperatures are counted from the reference in steps of this size, °C.
const COEFFICIENT_SPAN_C: f64 = 100.0;

/// Beyond this many standard deviations a reading is counted at reduced weight.
pub const DEWEIGHTING_Z: f64 = 2.5;

/// Temperature at which the level is stated, °C.
pub const REFERENCE_TEMPERATURE_C: f64 = 1500.0;

/// How a furnace is expected to wander, and what is believed before the first reading.
///
/// The defaults are assumptions of this program until a network has learnt its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Variance the level gains in a week, °C²/week.
    pub wander_c2_per_week: f64,
    /// Known steady drift, °C/week; 0 until the network has learnt it.
    pub drift_c_per_week: f64,
    /// Standard deviation of the coefficient before two set temperatures were read, °C per 100 °C.
    pub coefficient_sd_c_per_100c: f64,
    /// Standard deviation of the step an event may cause, °C.
    pub event_sd_c: f64,
    /// Standard uncertainty, °C, of the difference in bias between this reading's gauge and batch
    /// and those behind the prior; 0 when both are unchanged.
    pub changed_bias_c: f64,
}

impl Default for Noise {
    fn default() -> Self {
        Noise {
            wander_c2_per_week: 0.4,
            drift_c_per_week: 0.0,
            coefficient_sd_c_per_100c: 3.0,
            event_sd_c: 8.0,
            changed_bias_c: 0.0,
        }
    }
}

/// What is known about one furnace's offset (true less set).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OffsetState {
    /// Offset at 1500 °C, °C.
    pub level_c: f64,
    /// Change of the offset with set temperature, °C per 100 °C.
    pub coefficient_c_per_100c: f64,
    /// Covariance of level and coefficient from independent errors only.
    pub variance: [[f64; 2]; 2],
    /// Standard uncertainty of the biases that repeat from reading to reading, °C; never averaged
    /// away.
    pub shared_c: f64,
    /// How many readings stand behind the state.
    pub readings: u32,
    /// Lowest setpoint read, °C.
    pub lowest_setpoint_c: f64,
    /// Highest setpoint read, °C.
    pub highest_setpoint_c: f64,
}

/// An offset at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Estimated offset, °C.
    pub offset_c: f64,
    /// Its standard uncertainty, shared biases included, °C.
    pub standard_uncertainty_c: f64,
}

/// What one reading did to the state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Update {
    /// The state after the reading.
    pub state: OffsetState,
    /// Distance between reading and prediction in standard deviations, with sign.
    pub innovation_z: f64,
    /// Weight of the reading in the offset at its setpoint, 0 to 1.
    pub gain: f64,
    /// True when the reading was far off and was counted at reduced weight.
    pub deweighted: bool,
}

impl OffsetState {
    /// Starts from the first reading, which is believed as it is: the level is diffuse, so the
    /// estimate at `setpoint_c` is the observation itself with the observation's variance. The
    /// coefficient keeps its prior, as one set temperature says nothing about another.
    pub fn start(
        setpoint_c: f64,
        observed_offset_c: f64,
        independent_variance_c2: f64,
        shared_c: f64,
        noise: &Noise,
    ) -> Self {
        let x = spans(setpoint_c);
        let coefficient_variance =
            noise.coefficient_sd_c_per_100c * noise.coefficient_sd_c_per_100c;
        let covariance = -x * coefficient_variance;
        OffsetState {
            level_c: observed_offset_c,
            coefficient_c_per_100c: 0.0,
            variance: [
                [
                    independent_variance_c2 + x * x * coefficient_variance,
                    covariance,
                ],
                [covariance, coefficient_variance],
            ],
            shared_c,
            readings: 1,
            lowest_setpoint_c: setpoint_c,
            highest_setpoint_c: setpoint_c,
        }
    }

    /// Carries the state forward by `weeks` (negative counts as none): the level drifts and wanders.
    ///
    /// `event_variance_c2` is what a recorded event (elements or thermocouple replaced, furnace
    /// moved) may have done to the level; `known_shift_c` what was done to it on purpose (an offset
    /// entered in the controller).
    pub fn predicted(
        &self,
        weeks: f64,
        event_variance_c2: f64,
        known_shift_c: f64,
        noise: &Noise,
    ) -> Self {
        let weeks = weeks.max(0.0);
        let mut state = *self;
        state.level_c += noise.drift_c_per_week * weeks + known_shift_c;
        state.variance[0][0] += noise.wander_c2_per_week * weeks + event_variance_c2.max(0.0);
        state
    }

    /// Takes in one reading, at reduced weight when it lies more than 2.5 standard deviations from
    /// what was expected: its variance is then inflated until it lies at 2.5 (bounded influence as
    /// Huber proposed, from memory).
    ///
    /// The shared uncertainty becomes the old and the new one in the proportion in which the
    /// readings themselves enter the estimate. That is exact when both are the same error (gauge and
    /// batch unchanged) and an upper bound when they differ.
    pub fn updated(
        &self,
        setpoint_c: f64,
        observed_offset_c: f64,
        independent_variance_c2: f64,
        shared_c: f64,
    ) -> Update {
        let x = spans(setpoint_c);
        let expected = self.level_c + self.coefficient_c_per_100c * x;
        let expected_variance = self.variance_at(x);
        let innovation = observed_offset_c - expected;
        let variance = expected_variance + independent_variance_c2;
        let innovation_z = standardised(innovation, variance);
        if innovation_z.abs() > DEWEIGHTING_Z {
            let bounded = innovation * innovation / (DEWEIGHTING_Z * DEWEIGHTING_Z);
            let inflated = bounded - expected_variance;
            let mut update =
                self.updated_in_full(setpoint_c, observed_offset_c, inflated, shared_c);
            update.innovation_z = innovation_z;
            update.deweighted = true;
            return update;
        }
        self.updated_in_full(
            setpoint_c,
            observed_offset_c,
            independent_variance_c2,
            shared_c,
        )
    }

    /// Takes in one reading at its full weight, however far it lies: for a step that a second firing
    /// has confirmed.
    pub fn updated_in_full(
        &self,
        setpoint_c: f64,
        observed_offset_c: f64,
        independent_variance_c2: f64,
        shared_c: f64,
    ) -> Update {
        let x = spans(setpoint_c);
        let [[p00, p01], [_, p11]] = self.variance;
        let innovation = observed_offset_c - (self.level_c + self.coefficient_c_per_100c * x);
        let expected_variance = self.variance_at(x);
        let variance = expected_variance + independent_variance_c2;
        let mut state = *self;
        state.readings = self.readings.saturating_add(1);
        state.lowest_setpoint_c = self.lowest_setpoint_c.min(setpoint_c);
        state.highest_setpoint_c = self.highest_setpoint_c.max(setpoint_c);
        if variance.is_nan() || variance <= 0.0 {
            // Both sides claim to be exact: nothing can be weighed.
            return Update {
                state,
                innovation_z: 0.0,
                gain: 0.0,
                deweighted: false,
            };
        }
        let (level_cover, coefficient_cover) = (p00 + p01 * x, p01 + p11 * x);
        let level_gain = level_cover / variance;
        let coefficient_gain = coefficient_cover / variance;
        state.level_c += level_gain * innovation;
        state.coefficient_c_per_100c += coefficient_gain * innovation;
        // Rounding may carry a variance that should be zero just below it.
        let off_diagonal = p01 - level_gain * coefficient_cover;
        state.variance = [
            [(p00 - level_gain * level_cover).max(0.0), off_diagonal],
            [
                off_diagonal,
                (p11 - coefficient_gain * coefficient_cover).max(0.0),
            ],
        ];
        let gain = expected_variance / variance;
        state.shared_c = (1.0 - gain) * self.shared_c + gain * shared_c;
        Update {
            state,
            innovation_z: standardised(innovation, variance),
            gain,
            deweighted: false,
        }
    }

    /// Gives the offset at a temperature, with the uncertainty of independent errors and of shared
    /// biases together.
    pub fn estimate(&self, temperature_c: f64) -> Estimate {
        let x = spans(temperature_c);
        let variance = self.variance_at(x) + self.shared_c * self.shared_c;
        Estimate {
            offset_c: self.level_c + self.coefficient_c_per_100c * x,
            standard_uncertainty_c: variance.max(0.0).sqrt(),
        }
    }

    /// Variance of the offset at `x` spans from the reference, independent errors only, °C².
    fn variance_at(&self, x: f64) -> f64 {
        let [[p00, p01], [_, p11]] = self.variance;
        (p00 + 2.0 * x * p01 + x * x * p11).max(0.0)
    }
}

fn spans(temperature_c: f64) -> f64 {
    (temperature_c - REFERENCE_TEMPERATURE_C) / COEFFICIENT_SPAN_C
}

fn standardised(innovation: f64, variance: f64) -> f64 {
    if variance > 0.0 {
        innovation / variance.sqrt()
    } else {
        0.0
    }
}

/// One reading as the tracking sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observed {
    /// Setpoint of the firing, °C.
    pub setpoint_c: f64,
    /// Ring temperature minus setpoint, °C.
    pub offset_c: f64,
    /// Standard uncertainty of what the next reading does not repeat, °C.
    pub independent_c: f64,
    /// Standard uncertainty of the biases that the next reading repeats, °C.
    pub shared_c: f64,
}

/// How a reading was counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// At its full weight.
    Full,
    /// At reduced weight: it lies far from what was expected, and nothing confirms it.
    Reduced,
    /// At its full weight against a widened history: the reading before agrees that the furnace changed.
    StepConfirmed,
}

/// What is known after a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Followed {
    /// The state.
    pub state: OffsetState,
    /// Distance from what was expected, in standard deviations; none at the first reading.
    pub innovation_z: Option<f64>,
    /// How the reading was counted.
    pub weight: Weight,
}

/// Splits the variance of a changed bias between history and reading in the proportion of the biases
/// that each is subject to, °C²; evenly when both claim none.
fn changed_bias_parts_c2(prior: &OffsetState, shared_c: f64, noise: &Noise) -> (f64, f64) {
    let changed = noise.changed_bias_c * noise.changed_bias_c;
    let theirs = prior.shared_c * prior.shared_c;
    let both = theirs + shared_c * shared_c;
    let share = if both > 0.0 { theirs / both } else { 0.5 };
    (changed * share, changed * (1.0 - share))
}

/// Takes a reading into account: starts from it when nothing was known, bounds its pull when it lies far
/// off, and follows it when the reading before confirms the step. Evaluations and replays both go
/// through here, so that a replay gives the same bits.
pub fn followed(
    prior: Option<OffsetState>,
    observed: &Observed,
    confirmed: bool,
    noise: &Noise,
) -> Followed {
    let own_variance = observed.independent_c * observed.independent_c;
    let (setpoint_c, offset_c, shared_c) =
        (observed.setpoint_c, observed.offset_c, observed.shared_c);
    let Some(prior) = prior else {
        let state = OffsetState::start(setpoint_c, offset_c, own_variance, shared_c, noise);
        return Followed {
            state,
            innovation_z: None,
            weight: Weight::Full,
        };
    };
    // Another gauge or batch than before makes another error than before: between the two that
    // difference is noise. Each side bears its own part, so that a gauge better than the one before
    // it is believed more than the history it corrects, not less.
    let (theirs, ours) = changed_bias_parts_c2(&prior, shared_c, noise);
    let prior = prior.predicted(0.0, theirs, 0.0, noise);
    let variance = own_variance + ours;
    let update = prior.updated(setpoint_c, offset_c, variance, shared_c);
    let innovation_z = Some(update.innovation_z);
    if !update.deweighted {
        return Followed {
            state: update.state,
            innovation_z,
            weight: Weight::Full,
        };
    }
    if !confirmed {
        return Followed {
            state: update.state,
            innovation_z,
            weight: Weight::Reduced,
        };
    }
    let event_variance = noise.event_sd_c * noise.event_sd_c;
    let widened = prior.predicted(0.0, event_variance, 0.0, noise);
    let state = widened
        .updated_in_full(setpoint_c, offset_c, variance, shared_c)
        .state;
    Followed {
        state,
        innovation_z,
        weight: Weight::StepConfirmed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn still(coefficient_sd: f64) -> Noise {
        Noise {
            wander_c2_per_week: 0.0,
            coefficient_sd_c_per_100c: coefficient_sd,
            ..Noise::default()
        }
    }

    /// A state with a known level and no coefficient, at the reference temperature.
    fn level(level_c: f64, standard_deviation_c: f64) -> OffsetState {
        OffsetState {
            level_c,
            coefficient_c_per_100c: 0.0,
            variance: [
                [standard_deviation_c * standard_deviation_c, 0.0],
                [0.0, 0.0],
            ],
            shared_c: 0.0,
            readings: 1,
            lowest_setpoint_c: REFERENCE_TEMPERATURE_C,
            highest_setpoint_c: REFERENCE_TEMPERATURE_C,
        }
    }

    /// GUM H.3 counts from 20 °C in single degrees; the filter counts from 1500 °C in hundreds.
    fn as_setpoint(thermometer_c: f64) -> f64 {
        REFERENCE_TEMPERATURE_C + COEFFICIENT_SPAN_C * (thermometer_c - 20.0)
    }

    fn close(value: f64, wanted: f64, relative: f64) -> bool {
        (value - wanted).abs() <= relative * wanted.abs()
    }

    #[test]
    fn without_wandering_the_filter_is_the_line_of_gum_h3() {
        // GUM H.3, Table H.6; residual standard deviation 0.0035 °C from the same clause, unrounded.
        let residual = 0.003_497_563_964;
        let mut state: Option<OffsetState> = None;
        for row in include_str!("../vectors/gum_h3.csv").lines().skip(1) {
            let fields: Vec<f64> = row
                .split(',')
                .map(|f| f.parse().expect("a number"))
                .collect();
            let (t, b) = (as_setpoint(fields[1]), fields[2]);
            state = Some(match state {
                None => OffsetState::start(t, b, residual * residual, 0.0, &still(100.0)),
                Some(known) => {
                    let update = known.updated(t, b, residual * residual, 0.0);
                    assert!(!update.deweighted);
                    update.state
                }
            });
        }
        let state = state.expect("eleven rows");
        assert_eq!(state.readings, 11);
        let [[p00, p01], [_, p11]] = state.variance;
        assert!((state.level_c + 0.1712).abs() < 5e-5);
        assert!((state.coefficient_c_per_100c - 0.002_18).abs() < 5e-6);
        assert!((p00.sqrt() - 0.0029).abs() < 5e-5);
        assert!((p11.sqrt() - 0.000_67).abs() < 5e-6);
        assert!((p01 / (p00 * p11).sqrt() + 0.930).abs() < 5e-4);
        let at_30 = state.estimate(as_setpoint(30.0));
        assert!((at_30.offset_c + 0.1494).abs() < 5e-5);
        assert!((at_30.standard_uncertainty_c - 0.0041).abs() < 5e-5);
        // Against the unrounded solution of the same clause.
        assert!(close(state.level_c, -0.171_203_790_131, 2e-6));
        assert!(close(state.coefficient_c_per_100c, 0.002_182_697_740, 2e-6));
        assert!(close(p00.sqrt(), 0.002_877_597_835, 2e-6));
        assert!(close(p11.sqrt(), 0.000_667_938_773, 2e-6));
        assert!(close(at_30.offset_c, -0.149_376_812_733, 2e-6));
        assert!(close(at_30.standard_uncertainty_c, 0.004_138_595_753, 2e-6));
        // GUM H.3.5: at the mean temperature level and slope are uncorrelated.
        let at_mean = state.estimate(as_setpoint(24.008_454_545));
        assert!(close(at_mean.offset_c, -0.162_454_545, 2e-6));
        assert!(close(at_mean.standard_uncertainty_c, 0.001_054_555, 2e-6));
    }

    #[test]
    fn the_nile_levels_of_durbin_and_koopman_are_reproduced() {
        // Durbin & Koopman 2012, chapter 2: annual flow of the Nile, variances 15099 and 1469.1.
        let noise = Noise {
            wander_c2_per_week: 1469.1,
            ..still(0.0)
        };
        let mut state: Option<OffsetState> = None;
        let mut gain = 0.0;
        for row in include_str!("../vectors/nile.csv").lines().skip(1) {
            let fields: Vec<f64> = row
                .split(',')
                .map(|f| f.parse().expect("a number"))
                .collect();
            let flow = fields[1];
            state = Some(match state {
                None => OffsetState::start(1500.0, flow, 15_099.0, 0.0, &noise),
                Some(known) => {
                    let update = known
                        .predicted(1.0, 0.0, 0.0, &noise)
                        .updated_in_full(1500.0, flow, 15_099.0, 0.0);
                    gain = update.gain;
                    update.state
                }
            });
            let known = state.expect("just set");
            if known.readings == 2 {
                assert!((known.level_c - 1140.9278).abs() < 5e-5);
                assert!((known.variance[0][0] - 7899.7364).abs() < 5e-5);
            }
        }
        let known = state.expect("a hundred years");
        assert!((known.level_c - 798.3703).abs() < 5e-5);
        assert!((known.variance[0][0] - 4032.1579).abs() < 5e-5);
        assert!((gain - 0.267_048_0).abs() < 5e-7);
    }

    #[test]
    fn prior_and_reading_are_weighed_as_in_jcgm_106_annex_a() {
        // JCGM 106:2012 A.4.4, equations A.13 and A.14: N(0, 12²) and 19 ± 4.35 °C.
        let update = level(0.0, 12.0).updated(1500.0, 19.0, 4.35 * 4.35, 0.0);
        let estimate = update.state.estimate(1500.0);
        assert!((estimate.offset_c - 16.79).abs() < 0.005);
        assert!((estimate.standard_uncertainty_c - 4.09).abs() < 0.005);
    }

    #[test]
    fn a_known_furnace_moves_by_the_gain_only() {
        // Prior offset 10 ± 4 °C, reading 16 ± 3 °C: K = 16 / (16 + 9) = 0.64.
        let update = level(10.0, 4.0).updated(1500.0, 16.0, 9.0, 0.0);
        assert!((update.gain - 0.64).abs() < 1e-12);
        assert!((update.state.level_c - 13.84).abs() < 1e-12);
        assert!((update.innovation_z - 1.2).abs() < 1e-12);
    }

    #[test]
    fn the_first_reading_is_believed_as_it_is() {
        let state = OffsetState::start(1481.0, 19.0, 4.4, 3.0, &Noise::default());
        let estimate = state.estimate(1481.0);
        assert!((estimate.offset_c - 19.0).abs() < 1e-12);
        assert!((estimate.standard_uncertainty_c - (4.4_f64 + 9.0).sqrt()).abs() < 1e-12);
        let elsewhere = state.estimate(1581.0);
        assert!((elsewhere.offset_c - 19.0).abs() < 1e-12);
        assert!((elsewhere.standard_uncertainty_c - (4.4_f64 + 9.0 + 9.0).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn shared_biases_are_never_averaged_away() {
        let noise = still(3.0);
        let mut state = OffsetState::start(1500.0, 5.0, 4.4, 4.0, &noise);
        for _ in 0..1000 {
            state = state.updated(1500.0, 5.0, 4.4, 4.0).state;
        }
        assert!((state.shared_c - 4.0).abs() < 1e-9);
        assert!(state.estimate(1500.0).standard_uncertainty_c >= 4.0);
        assert!(state.estimate(1500.0).standard_uncertainty_c < 4.01);
    }

    #[test]
    fn a_reading_far_from_history_is_counted_at_reduced_weight() {
        let known = level(0.0, 1.0);
        let far = known.updated(1500.0, 20.0, 3.0, 0.0);
        assert!(far.deweighted);
        assert!((far.innovation_z - 10.0).abs() < 1e-12);
        // At full weight the level would follow a quarter of the way, 5 °C.
        let at_bound = known.variance[0][0] / (20.0 / 2.5);
        assert!((far.state.level_c - 20.0 * at_bound / 8.0).abs() < 1e-9);
        let full = known.updated_in_full(1500.0, 20.0, 3.0, 0.0);
        assert!((full.state.level_c - 5.0).abs() < 1e-12);
    }

    #[test]
    fn a_better_gauge_is_believed_more_than_the_history_it_corrects() {
        let old = OffsetState {
            shared_c: 4.0,
            ..level(0.0, 1.2)
        };
        let noise = Noise {
            changed_bias_c: 4.0_f64.hypot(1.0),
            ..still(0.0)
        };
        let observed = Observed {
            setpoint_c: 1500.0,
            offset_c: 6.0,
            independent_c: 2.0,
            shared_c: 1.0,
        };
        let found = followed(Some(old), &observed, false, &noise);
        // Weighted mean of independent results (GUM 5.1.2): history 1.2² + 4², reading 2² + 1².
        let weight = (1.44 + 16.0) / (1.44 + 16.0 + 4.0 + 1.0);
        assert!((found.state.level_c - 6.0 * weight).abs() < 1e-9);
        let z = 6.0 / (1.44_f64 + 16.0 + 4.0 + 1.0).sqrt();
        assert!((found.innovation_z.expect("a prior") - z).abs() < 1e-9);
        // What is claimed covers what the weights make of the true errors.
        let variance =
            (1.0 - weight) * (1.0 - weight) * (1.44 + 16.0) + weight * weight * (4.0 + 1.0);
        let claimed = found.state.estimate(1500.0).standard_uncertainty_c;
        assert!(claimed >= variance.sqrt() && claimed < 4.0, "{claimed}");
        // The other way round a worse gauge hardly moves a well-known furnace.
        let known = OffsetState {
            shared_c: 1.0,
            ..level(0.0, 1.2)
        };
        let worse = Observed {
            shared_c: 4.0,
            ..observed
        };
        let kept = followed(Some(known), &worse, false, &noise);
        assert!(kept.state.level_c < 6.0 * 0.12, "{:?}", kept.state);
    }

    #[test]
    fn time_and_events_widen_and_a_known_shift_moves_the_level() {
        let noise = Noise {
            drift_c_per_week: 0.5,
            ..Noise::default()
        };
        let later = level(3.0, 2.0).predicted(10.0, 64.0, -7.0, &noise);
        assert!((later.level_c - 1.0).abs() < 1e-12);
        assert!((later.variance[0][0] - (4.0 + 4.0 + 64.0)).abs() < 1e-12);
        let not_earlier = level(3.0, 2.0).predicted(-5.0, 0.0, 0.0, &noise);
        assert_eq!(not_earlier, level(3.0, 2.0));
    }

    #[test]
    fn two_set_temperatures_teach_the_coefficient() {
        let noise = still(3.0);
        let one = OffsetState::start(1450.0, 4.0, 0.01, 0.0, &noise);
        let both = one.updated(1550.0, 6.0, 0.01, 0.0).state;
        assert!((both.coefficient_c_per_100c - 2.0).abs() < 0.01);
        assert!((both.estimate(1500.0).offset_c - 5.0).abs() < 0.01);
        assert!((both.lowest_setpoint_c - 1450.0).abs() < 1e-12);
        assert!((both.highest_setpoint_c - 1550.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn a_reading_never_makes_the_estimate_less_sure(
            setpoints in proptest::collection::vec((1300.0..1650.0_f64, -40.0..40.0_f64), 1..20),
            r in 0.5..30.0_f64,
        ) {
            let mut state = OffsetState::start(1500.0, 0.0, r, 0.0, &Noise::default());
            for (setpoint, y) in setpoints {
                let before = state.estimate(setpoint).standard_uncertainty_c;
                state = state.updated(setpoint, y, r, 0.0).state;
                let after = state.estimate(setpoint).standard_uncertainty_c;
                prop_assert!(after <= before + 1e-9);
                let [[p00, p01], [p10, p11]] = state.variance;
                prop_assert!((p01 - p10).abs() < 1e-12);
                prop_assert!(p00 >= 0.0 && p11 >= 0.0 && p00 * p11 - p01 * p01 >= -1e-9);
            }
        }

        #[test]
        fn no_figure_makes_the_filter_panic(a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), d in any::<f64>()) {
            let noise = Noise { wander_c2_per_week: d, coefficient_sd_c_per_100c: c, ..Noise::default() };
            let state = OffsetState::start(a, b, c, d, &noise).predicted(a, b, c, &noise);
            let update = state.updated(d, c, b, a);
            let _ = update.state.estimate(a);
        }
    }
}
