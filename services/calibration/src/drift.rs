//! Finds furnaces that drift: a control chart over what each reading says beyond all that was known.
//!
//! The chart is kept on standardised innovations of the fleet's estimate, from which the biases of
//! batches and gauges are taken out: a new batch that is off moves every raw chart and this one hardly.
//! One recursive state is kept beside each furnace. Limits come from the false alarms that a fleet is
//! willing to look into (see [`Detector::for_fleet`]), not from habit.

mod ramp;

pub use ramp::{Evidence, RampDesign, RampState};

use ramp::Seen;

use crate::charts::Side;
use crate::charts::cusum::{CusumDesign, CusumState};
use crate::charts::ewma::{EwmaDesign, EwmaLimits, EwmaState};
use crate::charts::run_length;
use crate::coverage::{normal_cdf, normal_quantile};

/// Which chart decides that a furnace drifts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rule {
    /// The likelihood ratio of a ramp beyond its limit.
    Ramp(RampDesign),
    /// The moving average beyond its limits.
    Average(EwmaDesign),
    /// A cumulative sum beyond its decision limit; in standard deviations of one innovation.
    Sums(CusumDesign),
}

/// How drift is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detector {
    /// The chart that decides.
    pub rule: Rule,
    /// An innovation beyond this many standard deviations is a step or a gross error. It is reported
    /// by itself and enters neither average nor sums.
    pub single_limit: f64,
    /// Readings in a row that must find the chart beyond its limit on the same side before drift is
    /// reported; below 1 counts as 1.
    pub confirmations: u32,
}

/// Beyond this many standard deviations one reading alone is reported: once in 16,000 by chance.
const SINGLE_LIMIT: f64 = 4.0;
/// Weight of the newest innovation in the average (Lucas & Saccucci 1990 for shifts near one standard
/// deviation).
const LAMBDA: f64 = 0.25;
/// Slack of the sums: half of a shift of one standard deviation.
const SLACK: f64 = 0.5;
/// False alarms of the ramp's default limit, per reading: 0.038 a year at 17 readings, with the early
/// rings that a suspicion asks for (own simulation,
/// no outside source).
const RAMP_ALARMS_PER_READING: f64 = 0.038 / 17.0;
/// By this much the logarithm of the ramp's false alarms falls with each unit of its limit, between
/// limits of 3.5 and 7 (own simulation, no outside source).
const RAMP_FALL: f64 = 1.15;
/// Below this limit of the ramp the law of its false alarms was not simulated.
const LOWEST_RAMP_LIMIT: f64 = 3.5;

impl Default for Detector {
    /// The ramp with its default design, beside single readings beyond 4 standard deviations.
    fn default() -> Self {
        Detector {
            rule: Rule::Ramp(RampDesign::default()),
            single_limit: SINGLE_LIMIT,
            confirmations: 1,
        }
    }
}

/// What a reading said beyond all that was known before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Innovation {
    /// When the reading was taken, in weeks from any fixed moment.
    pub weeks: f64,
    /// Weeks since the reading before of the same furnace; below 0 counts as 0.
    pub weeks_since: f64,
    /// The innovation in standard deviations, from before the reading and not bounded.
    pub z: f64,
    /// Its standard deviation, °C.
    pub standard_deviation_c: f64,
    /// Part of it by which the level was moved, 0 to 1.
    pub gain: f64,
    /// True when an event in between (new elements, new thermocouple, a move) drew the level anew: what
    /// was seen before says nothing about the furnace as it is now.
    pub drawn_anew: bool,
}

/// What a detector remembers of one furnace. The default has seen nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DriftState {
    /// Evidence of a ramp.
    pub ramp: RampState,
    /// Moving average. All three are kept whichever rule decides, so that they can be shown, and the
    /// rule be changed at any time.
    pub average: EwmaState,
    /// Cumulative sums.
    pub sums: CusumState,
    /// Readings in a row with the chart beyond its limit.
    pub beyond: u32,
    /// Where it lies beyond.
    pub side: Option<Side>,
    /// When it first did so in this row, weeks.
    pub first_beyond_weeks: Option<f64>,
    /// The reading before the average, or the larger of the sums, turned to the side where it is now,
    /// weeks: the best guess of when a drift began (Nishina 1992 for the average, Page 1954 for the
    /// sums; from memory).
    pub turned_weeks: Option<f64>,
}

/// What a reading brought to light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Signal {
    /// The furnace drifts.
    Drift {
        /// Above: it reads hotter and hotter.
        side: Side,
        /// When the chart was first beyond its limit, weeks.
        first_beyond_weeks: f64,
        /// The last reading before anything spoke for it, weeks: it probably began soon after.
        began_weeks: f64,
    },
    /// One reading lies far from what was expected: a step, or a gross error.
    Single {
        /// Where it lies.
        side: Side,
    },
}

impl Detector {
    /// Gives the default detector with limits for a fleet that is willing to look into so many false
    /// alarms a year: the more furnaces, the wider the limits. Half of the false alarms at most come
    /// from single readings.
    ///
    /// The ramp's limit follows from simulated fleets, extrapolated beyond 2 false alarms per thousand
    /// furnaces and year. None when the figures are not above 0, or alarms are wanted in every hundredth
    /// reading or more often, or less than once in a thousand million.
    pub fn for_fleet(
        furnaces: f64,
        readings_per_furnace_year: f64,
        false_alarms_per_year: f64,
    ) -> Option<Self> {
        let (length, single_limit) =
            shared_out(furnaces, readings_per_furnace_year, false_alarms_per_year)?;
        let alarms = 1.0 / length - 2.0 * normal_cdf(-single_limit);
        let standard = RampDesign::default();
        let wider = libm::log(RAMP_ALARMS_PER_READING / alarms) / RAMP_FALL;
        let limit = (standard.limit + wider).max(LOWEST_RAMP_LIMIT);
        Some(Detector {
            rule: Rule::Ramp(RampDesign { limit, ..standard }),
            single_limit,
            confirmations: 1,
        })
    }

    /// Gives a detector whose rule is the moving average of weight 0.25, with the limit computed for the
    /// false alarms wanted; for those who have to show a chart with published run lengths. Input as for
    /// [`Detector::for_fleet`].
    pub fn average_for_fleet(
        furnaces: f64,
        readings_per_furnace_year: f64,
        false_alarms_per_year: f64,
    ) -> Option<Self> {
        let (length, single_limit) =
            shared_out(furnaces, readings_per_furnace_year, false_alarms_per_year)?;
        let limit = run_length::ewma_limit_beside_single(length, LAMBDA, single_limit)?;
        Some(Detector {
            rule: Rule::Average(average_with(limit)),
            single_limit,
            confirmations: 1,
        })
    }

    /// Gives the state after a reading and what it brought to light.
    ///
    /// Readings come in their order. An innovation that is not finite, or without a standard deviation
    /// above 0, changes nothing. After drift is reported the state starts anew.
    pub fn follow(
        &self,
        state: DriftState,
        innovation: &Innovation,
    ) -> (DriftState, Option<Signal>) {
        let z = innovation.z;
        let usable = z.is_finite()
            && innovation.standard_deviation_c > 0.0
            && (innovation.weeks + innovation.weeks_since + innovation.gain).is_finite();
        if !usable {
            return (state, None);
        }
        let state = if innovation.drawn_anew {
            DriftState::default()
        } else {
            state
        };
        let single = (z.abs() > self.single_limit).then(|| Signal::Single { side: side_of(z) });
        let mut next = self.followed(state, innovation, single.is_some());
        let Some(side) = self.beyond(&next) else {
            next.beyond = 0;
            next.side = None;
            next.first_beyond_weeks = None;
            return (next, single);
        };
        let same_side = state.side == Some(side);
        let first_beyond_weeks = match state.first_beyond_weeks {
            Some(first) if same_side => first,
            _ => innovation.weeks,
        };
        // A reading that is reported by itself confirms nothing.
        let counts = single.is_none() || matches!(self.rule, Rule::Ramp(_));
        let before = if same_side { state.beyond } else { 0 };
        next.beyond = before.saturating_add(u32::from(counts));
        next.side = Some(side);
        next.first_beyond_weeks = Some(first_beyond_weeks);
        if !counts || next.beyond < self.confirmations {
            return (next, single);
        }
        let signal = Signal::Drift {
            side,
            first_beyond_weeks,
            began_weeks: self.began_weeks(&next, side).unwrap_or(first_beyond_weeks),
        };
        (DriftState::default(), Some(signal))
    }

    /// Gives the side to which a furnace is suspected to drift without that being shown: a ring within
    /// a week settles it sooner than waiting for the next due date (variable sampling intervals;
    /// Reynolds, Amin, Arnold & Nachlas 1988, from memory). None for rules without a warning.
    pub fn suspicion(&self, state: &DriftState) -> Option<Side> {
        match self.rule {
            Rule::Ramp(design) => state.ramp.beyond(design.warning),
            Rule::Average(_) | Rule::Sums(_) => None,
        }
    }

    /// All charts after an innovation.
    fn followed(&self, state: DriftState, innovation: &Innovation, single: bool) -> DriftState {
        let ramp_design = match self.rule {
            Rule::Ramp(design) => design,
            Rule::Average(_) | Rule::Sums(_) => RampDesign::default(),
        };
        let seen = |z| Seen {
            z,
            weeks: innovation.weeks,
            weeks_since: innovation.weeks_since.max(0.0),
            standard_deviation_c: innovation.standard_deviation_c,
            gain: innovation.gain.clamp(0.0, 1.0),
        };
        let mut next = state;
        next.ramp = RampState {
            up: state.ramp.up.follow(&seen(innovation.z), &ramp_design),
            down: state.ramp.down.follow(&seen(-innovation.z), &ramp_design),
        };
        if single {
            return next;
        }
        let average_design = match self.rule {
            Rule::Average(design) => design,
            Rule::Ramp(_) | Rule::Sums(_) => average_with(3.0),
        };
        let sums_design = match self.rule {
            Rule::Sums(design) => design,
            Rule::Ramp(_) | Rule::Average(_) => CusumDesign {
                slack: SLACK,
                decision: 5.0,
            },
        };
        next.average = state.average.follow(innovation.z, &average_design);
        next.sums = state.sums.follow(innovation.z, &sums_design);
        if next.turned_weeks.is_none() || self.turned(&state, &next) {
            next.turned_weeks = Some(innovation.weeks - innovation.weeks_since.max(0.0));
        }
        next
    }

    fn beyond(&self, state: &DriftState) -> Option<Side> {
        match self.rule {
            Rule::Ramp(design) => state.ramp.beyond(design.limit),
            Rule::Average(design) => state.average.signal(&design),
            Rule::Sums(design) => state.sums.signal(&design),
        }
    }

    fn began_weeks(&self, state: &DriftState, side: Side) -> Option<f64> {
        match (self.rule, side) {
            (Rule::Ramp(_), Side::Above) => state.ramp.up.began_weeks,
            (Rule::Ramp(_), Side::Below) => state.ramp.down.began_weeks,
            (Rule::Average(_) | Rule::Sums(_), _) => state.turned_weeks,
        }
    }

    /// Whether the chart has just turned to another side, so that a drift to that side cannot have begun
    /// before the reading before.
    fn turned(&self, before: &DriftState, after: &DriftState) -> bool {
        match self.rule {
            Rule::Sums(_) => leading(before.sums) != leading(after.sums),
            Rule::Ramp(_) | Rule::Average(_) => {
                (before.average.value > 0.0) != (after.average.value > 0.0)
            }
        }
    }
}

/// Average distance of false alarms in readings, and the limit for single readings that takes half of
/// them at most.
fn shared_out(
    furnaces: f64,
    readings_per_furnace_year: f64,
    false_alarms_per_year: f64,
) -> Option<(f64, f64)> {
    let length =
        run_length::wanted_for_fleet(furnaces, readings_per_furnace_year, false_alarms_per_year)?;
    // Two tails, and half of the false alarms: a quarter in each.
    let single_limit = SINGLE_LIMIT.max(-normal_quantile(0.25 / length));
    (100.0..=run_length::LONGEST_RUN)
        .contains(&length)
        .then_some((length, single_limit))
}

/// The side whose sum is the larger; none while both rest at 0.
fn leading(sums: CusumState) -> Option<Side> {
    if sums.high > sums.low {
        Some(Side::Above)
    } else if sums.low > sums.high {
        Some(Side::Below)
    } else {
        None
    }
}

fn side_of(z: f64) -> Side {
    if z > 0.0 { Side::Above } else { Side::Below }
}

fn average_with(limit: f64) -> EwmaDesign {
    EwmaDesign {
        lambda: LAMBDA,
        limit,
        limits: EwmaLimits::Asymptotic,
    }
}

#[cfg(test)]
mod tests;
