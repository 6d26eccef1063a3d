//! Individuals and moving ranges: the chart that needs no model (NIST/SEMATECH e-Handbook of
//! Statistical Methods, 6.3.2.2).

use super::{ChartLimits, ChartPoint};

/// Mean range of two values in standard deviations, d2 for samples of two, to the digits that tables
/// and auditors use; exactly it is 2/√π = 1.128379 (e-Handbook 6.3.2.2).
pub const MEAN_RANGE_OF_TWO: f64 = 1.128;

/// Upper limit of a moving range of two values as a multiple of their mean, D4 for samples of two, to
/// the digits that tables use (e-Handbook 6.3.2.2); exactly it is 3.266532.
pub const RANGE_LIMIT_OF_TWO: f64 = 3.267;

/// Standard deviations from the centre to a limit (e-Handbook 6.3.2.2).
const LIMIT_DEVIATIONS: f64 = 3.0;

/// A chart of single values and one of the differences between neighbours.
#[derive(Debug, Clone, PartialEq)]
pub struct IndividualsChart {
    /// Mean of the values.
    pub mean: f64,
    /// Mean of the moving ranges.
    pub mean_range: f64,
    /// Standard deviation as the ranges tell it: mean range over [`MEAN_RANGE_OF_TWO`].
    pub standard_deviation: f64,
    /// The values.
    pub individuals: Vec<ChartPoint>,
    /// Distances between neighbours: one fewer than values, the first belongs to the second value.
    pub moving_ranges: Vec<ChartPoint>,
}

/// Gives the chart of values in order of time.
///
/// None with fewer than two values, or when one of them is not a finite number.
pub fn individuals(values: &[f64]) -> Option<IndividualsChart> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let mut ranges = Vec::with_capacity(values.len() - 1);
    for pair in values.windows(2) {
        ranges.push((pair[1] - pair[0]).abs());
    }
    let mean_range = self::mean(&ranges)?;
    let standard_deviation = mean_range / MEAN_RANGE_OF_TWO;
    let reach = LIMIT_DEVIATIONS * standard_deviation;
    let limits = ChartLimits {
        lower: mean - reach,
        centre: mean,
        upper: mean + reach,
    };
    let range_limits = ChartLimits {
        lower: 0.0,
        centre: mean_range,
        upper: RANGE_LIMIT_OF_TWO * mean_range,
    };
    let mut individuals = Vec::with_capacity(values.len());
    for value in values {
        individuals.push(ChartPoint::under(*value, limits));
    }
    let mut moving_ranges = Vec::with_capacity(ranges.len());
    for range in ranges {
        moving_ranges.push(ChartPoint::under(range, range_limits));
    }
    Some(IndividualsChart {
        mean,
        mean_range,
        standard_deviation,
        individuals,
        moving_ranges,
    })
}

/// The mean, when it is a finite number.
fn mean(values: &[f64]) -> Option<f64> {
    let mut count = 0.0;
    let mut sum = 0.0;
    for value in values {
        count += 1.0;
        sum += value;
    }
    let mean = sum / count;
    mean.is_finite().then_some(mean)
}
