//! Control charts: individuals with moving ranges, EWMA and CUSUM, with the average run lengths from
//! which their limits are chosen.
//!
//! A chart of a furnace is kept on standardised innovations (what a reading says beyond all that was
//! known, in standard deviations), not on raw offsets: an offset wanders, and a raw chart would signal
//! the wandering. Every chart exists as a recursive state that takes one value and gives the next
//! state, so that it can be kept beside the furnace, and as a whole chart of a list of values.

pub mod cusum;
pub mod ewma;
pub mod individuals;
pub mod run_length;

/// Which limit a point lies beyond.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above the upper limit.
    Above,
    /// Below the lower limit.
    Below,
}

/// Limits of a chart at one point, in the unit of the charted values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartLimits {
    /// Lower limit.
    pub lower: f64,
    /// Where points lie on average when nothing has changed.
    pub centre: f64,
    /// Upper limit.
    pub upper: f64,
}

impl ChartLimits {
    /// Gives the side on which a value lies outside; none on a limit, inside, or when the value is not
    /// a number.
    pub fn signal(&self, value: f64) -> Option<Side> {
        if value > self.upper {
            Some(Side::Above)
        } else if value < self.lower {
            Some(Side::Below)
        } else {
            None
        }
    }
}

/// One point of a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartPoint {
    /// What is charted, in the unit of the values.
    pub value: f64,
    /// Limits at this point.
    pub limits: ChartLimits,
    /// Where the point lies outside, if it does.
    pub signal: Option<Side>,
}

impl ChartPoint {
    /// Gives the point of a value under limits.
    pub fn under(value: f64, limits: ChartLimits) -> Self {
        ChartPoint {
            value,
            limits,
            signal: limits.signal(value),
        }
    }
}

#[cfg(test)]
mod tests;
