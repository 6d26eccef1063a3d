//! Tabular cumulative sums: add up what lies beyond a slack and signal when a sum passes the decision
//! limit (ISO 7870-4; NIST/SEMATECH e-Handbook 6.3.2.3).

use super::Side;

/// Slack and decision limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumDesign {
    /// Slack k: deviations up to it add nothing. Half the shift that should be found soonest.
    pub slack: f64,
    /// Decision limit h, in the same unit.
    pub decision: f64,
}

/// The two sums of one furnace. The default is a chart that has seen nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CusumState {
    /// Sum of what lay above the target by more than the slack; never below 0.
    pub high: f64,
    /// Sum of what lay below the target by more than the slack; never below 0.
    pub low: f64,
}

impl CusumState {
    /// Gives the sums after a deviation from the target, in the unit of the design. A deviation that
    /// is not finite changes nothing. To reset a chart, go on from the default state.
    pub fn follow(self, deviation: f64, design: &CusumDesign) -> Self {
        if !deviation.is_finite() {
            return self;
        }
        CusumState {
            high: (self.high + deviation - design.slack).max(0.0),
            low: (self.low - deviation - design.slack).max(0.0),
        }
    }

    /// Gives the side whose sum is beyond the decision limit; the larger one when both are.
    pub fn signal(self, design: &CusumDesign) -> Option<Side> {
        if self.high > design.decision && self.high >= self.low {
            Some(Side::Above)
        } else if self.low > design.decision {
            Some(Side::Below)
        } else {
            None
        }
    }
}

/// One point of a chart of cumulative sums.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumPoint {
    /// The two sums.
    pub sums: CusumState,
    /// Plain sum of all deviations so far: its slope shows the shift.
    pub cumulated: f64,
    /// Which sum is beyond the decision limit.
    pub signal: Option<Side>,
}

/// Gives the chart of values in order of time; the design is in the unit of the values.
///
/// Sums run on after a signal, as auditors expect of a printed chart. A value that is not finite
/// repeats the point before.
pub fn cusum(values: &[f64], target: f64, design: &CusumDesign) -> Vec<CusumPoint> {
    let mut sums = CusumState::default();
    let mut cumulated = 0.0;
    let mut points = Vec::with_capacity(values.len());
    for value in values {
        let deviation = value - target;
        sums = sums.follow(deviation, design);
        if deviation.is_finite() {
            cumulated += deviation;
        }
        points.push(CusumPoint {
            sums,
            cumulated,
            signal: sums.signal(design),
        });
    }
    points
}
