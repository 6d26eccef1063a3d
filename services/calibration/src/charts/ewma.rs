//! Exponentially weighted moving average: sees small lasting changes sooner than single values do
//! (Roberts 1959, from memory; NIST/SEMATECH e-Handbook 6.3.2.4).

use super::{ChartLimits, ChartPoint, Side};

/// How the limits of the average are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EwmaLimits {
    /// At every point those of the values so far: narrow at the start (Lucas & Saccucci 1990).
    Exact,
    /// From the first point those that are reached after many values (e-Handbook 6.3.2.4). Average run
    /// lengths are computed for these.
    Asymptotic,
}

/// An average and its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaDesign {
    /// Weight of the newest value, above 0 and at most 1.
    pub lambda: f64,
    /// Distance of the limits in standard deviations of the average.
    pub limit: f64,
    /// How the limits are drawn.
    pub limits: EwmaLimits,
}

impl EwmaDesign {
    /// Gives the distance of the limits from the centre after so many values, in standard deviations
    /// of one value (e-Handbook 6.3.2.4; Lucas & Saccucci 1990 for the exact ones).
    pub fn reach(&self, points: u32) -> f64 {
        let lasting = self.limit * (self.lambda / (2.0 - self.lambda)).sqrt();
        match self.limits {
            EwmaLimits::Asymptotic => lasting,
            EwmaLimits::Exact => {
                let forgotten = libm::pow(1.0 - self.lambda, 2.0 * f64::from(points));
                lasting * (1.0 - forgotten).sqrt()
            }
        }
    }
}

/// The average of one furnace. The default is a chart that has seen nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EwmaState {
    /// The average, in standard deviations of one value.
    pub value: f64,
    /// Values taken since the start or the last reset.
    pub points: u32,
}

impl EwmaState {
    /// Gives the state after a standardised value. A value that is not finite changes nothing. To
    /// reset a chart, go on from the default state.
    pub fn follow(self, z: f64, design: &EwmaDesign) -> Self {
        if !z.is_finite() {
            return self;
        }
        EwmaState {
            value: design.lambda * z + (1.0 - design.lambda) * self.value,
            points: self.points.saturating_add(1),
        }
    }

    /// Gives the side on which the average lies beyond its limits.
    pub fn signal(self, design: &EwmaDesign) -> Option<Side> {
        let reach = design.reach(self.points);
        ChartLimits {
            lower: -reach,
            centre: 0.0,
            upper: reach,
        }
        .signal(self.value)
    }
}

/// Gives the chart of values in order of time, in their own unit; the average starts at the target.
///
/// The standard deviation is that of one value. A value that is not finite repeats the point before.
pub fn ewma(
    values: &[f64],
    target: f64,
    standard_deviation: f64,
    design: &EwmaDesign,
) -> Vec<ChartPoint> {
    let mut state = EwmaState {
        value: target,
        points: 0,
    };
    let mut points = Vec::with_capacity(values.len());
    for value in values {
        state = state.follow(*value, design);
        let reach = design.reach(state.points) * standard_deviation;
        let limits = ChartLimits {
            lower: target - reach,
            centre: target,
            upper: target + reach,
        };
        points.push(ChartPoint::under(state.value, limits));
    }
    points
}
