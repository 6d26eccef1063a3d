//! Average run length: how many values pass on average until a chart signals. Limits are chosen from
//! it, so that the false alarms of a whole fleet are a decision and not a surprise: the more furnaces
//! are watched, the wider the limits must be.
//!
//! Values are independent and standard normal, shifted by a number of standard deviations from the
//! first value on; the chart starts at its centre with fixed (asymptotic) limits. The EWMA and the
//! CUSUM are solved from the integral equation of the run length by Gauss-Legendre quadrature (Crowder,
//! Technometrics 29 (1987) 401, from memory), the EWMA beside a limit for single values as a Markov
//! chain (Brook & Evans, Biometrika 59 (1972) 539; Lucas & Saccucci, Technometrics 32 (1990) 1).

use std::f64::consts::PI;

use super::cusum::CusumDesign;
use super::ewma::EwmaDesign;
use crate::coverage::normal_cdf;
use crate::quadrature::legendre_rule;

/// Beyond this length a run counts as infinite: rounding errors of the linear equations grow with it.
pub const LONGEST_RUN: f64 = 1e9;

/// Below this weight an average hardly moves and the equations become too many.
const SMALLEST_LAMBDA: f64 = 0.001;
/// Decision limits above this belong to no chart in use.
const LARGEST_DECISION: f64 = 100.0;
/// Limits above this are passed less often than once in [`LONGEST_RUN`] values.
const WIDEST_LIMIT: f64 = 12.0;

/// Gives how many values pass on average until the EWMA signals.
///
/// `shift` is the mean of the values in standard deviations; 0 gives the average distance of false
/// alarms. None when the weight is not within 0.001 to 1 or the limit not above 0 and up to 12;
/// infinity beyond [`LONGEST_RUN`].
pub fn ewma(design: &EwmaDesign, shift: f64) -> Option<f64> {
    let (lambda, edge) = (design.lambda, edge(design)?);
    if !shift.is_finite() {
        return None;
    }
    let rule = legendre_rule(nodes_for(2.0 * edge / lambda));
    let size = rule.len();
    let mut equations = Equations::identity(size);
    for (row, (from, _)) in rule.iter().enumerate() {
        for (column, (to, weight)) in rule.iter().enumerate() {
            let z = (to - (1.0 - lambda) * from) * edge / lambda - shift;
            *equations.at(row, column) -= weight * edge / lambda * normal_density(z);
        }
    }
    let lengths = equations.solved(vec![1.0; size])?;
    let mut at_centre = 1.0;
    for ((to, weight), length) in rule.iter().zip(&lengths) {
        at_centre += weight * edge / lambda * normal_density(to * edge / lambda - shift) * length;
    }
    Some(trusted(at_centre))
}

/// Gives how many values pass on average until a two-sided CUSUM of standardised values signals.
///
/// The two sums together signal as 1/L = 1/L(high) + 1/L(low) (Kemp 1961, from memory; exact when both
/// start at 0 and the slack is not below 0). None when slack or decision limit is below 0, not finite,
/// or the limit above 100; infinity beyond [`LONGEST_RUN`].
pub fn cusum(design: &CusumDesign, shift: f64) -> Option<f64> {
    let high = cusum_one_sided(design, shift)?;
    let low = cusum_one_sided(design, -shift)?;
    Some(trusted(1.0 / (1.0 / high + 1.0 / low)))
}

/// Gives how many values pass on average until the sum of what lies above signals; limits of the
/// input as for [`cusum`].
pub fn cusum_one_sided(design: &CusumDesign, shift: f64) -> Option<f64> {
    let (slack, decision) = (design.slack, design.decision);
    let possible =
        slack >= 0.0 && slack.is_finite() && (0.0..=LARGEST_DECISION).contains(&decision);
    if !possible || !shift.is_finite() {
        return None;
    }
    let rule = legendre_rule(nodes_for(decision));
    // The last unknown is the run length from a sum of 0, where the sum rests with a probability of
    // its own.
    let zero = rule.len();
    let mut equations = Equations::identity(zero + 1);
    let half = decision / 2.0;
    let sum_at = |node: f64| half * (1.0 + node);
    for row in 0..=zero {
        let from = rule.get(row).map_or(0.0, |(node, _)| sum_at(*node));
        for (column, (to, weight)) in rule.iter().enumerate() {
            let z = sum_at(*to) - from + slack - shift;
            *equations.at(row, column) -= weight * half * normal_density(z);
        }
        *equations.at(row, zero) -= normal_cdf(slack - from - shift);
    }
    let lengths = equations.solved(vec![1.0; zero + 1])?;
    Some(trusted(*lengths.last()?))
}

/// Gives how many values pass on average until the EWMA or a single value signals: a value beyond
/// `single_limit` standard deviations signals by itself.
///
/// A Markov chain over cells of the average; with the cells used here it agrees with the integral
/// equation to 0.2 %. None as for [`ewma`], and when the single limit is not above 0.
pub fn ewma_beside_single(design: &EwmaDesign, single_limit: f64, shift: f64) -> Option<f64> {
    let (lambda, edge) = (design.lambda, edge(design)?);
    if single_limit.is_nan() || single_limit <= 0.0 || !shift.is_finite() {
        return None;
    }
    let cells = cells_for(2.0 * edge / lambda);
    let width = 2.0 * edge / f64::from(cells);
    let size = usize::try_from(cells).ok()?;
    let mut equations = Equations::identity(size);
    for row in 0..cells {
        let from = (1.0 - lambda) * (width * (f64::from(row) + 0.5) - edge);
        let mut below = probability_below(-edge, from, lambda, single_limit, shift);
        for column in 0..cells {
            let cell_end = width * f64::from(column + 1) - edge;
            let up_to = probability_below(cell_end, from, lambda, single_limit, shift);
            let (row, column) = (usize::try_from(row).ok()?, usize::try_from(column).ok()?);
            *equations.at(row, column) -= up_to - below;
            below = up_to;
        }
    }
    let lengths = equations.solved(vec![1.0; size])?;
    Some(trusted(*lengths.get(size / 2)?))
}

/// Gives the limit of an EWMA, in standard deviations of the average, at which false alarms lie
/// `average_run_length` values apart on average.
///
/// None when the length is not above 1 and at most [`LONGEST_RUN`], or the weight not within 0.001
/// to 1.
pub fn ewma_limit_for(average_run_length: f64, lambda: f64) -> Option<f64> {
    bracketed(average_run_length, WIDEST_LIMIT, |limit| {
        ewma(&asymptotic(lambda, limit), 0.0)
    })
}

/// Gives the limit of an EWMA that is kept beside a limit for single values, such that both together
/// signal falsely once in `average_run_length` values on average.
///
/// None as for [`ewma_limit_for`], and when the single values alone signal more often than wanted.
pub fn ewma_limit_beside_single(
    average_run_length: f64,
    lambda: f64,
    single_limit: f64,
) -> Option<f64> {
    bracketed(average_run_length, WIDEST_LIMIT, |limit| {
        ewma_beside_single(&asymptotic(lambda, limit), single_limit, 0.0)
    })
}

/// Gives the decision limit of a two-sided CUSUM with this slack at which false alarms lie
/// `average_run_length` values apart on average; none as for [`cusum`] and [`ewma_limit_for`].
pub fn cusum_limit_for(average_run_length: f64, slack: f64) -> Option<f64> {
    bracketed(average_run_length, LARGEST_DECISION, |decision| {
        cusum(&CusumDesign { slack, decision }, 0.0)
    })
}

/// Gives the average run length that every chart of a fleet needs, so that all of them together give
/// so many false alarms a year.
///
/// None when a figure is not above 0 or not finite.
pub fn wanted_for_fleet(
    furnaces: f64,
    readings_per_furnace_year: f64,
    false_alarms_per_year: f64,
) -> Option<f64> {
    let length = furnaces * readings_per_furnace_year / false_alarms_per_year;
    let possible = furnaces > 0.0 && readings_per_furnace_year > 0.0 && false_alarms_per_year > 0.0;
    (possible && length.is_finite() && length > 0.0).then_some(length)
}

fn asymptotic(lambda: f64, limit: f64) -> EwmaDesign {
    EwmaDesign {
        lambda,
        limit,
        limits: super::ewma::EwmaLimits::Asymptotic,
    }
}

/// Half the distance between the limits in standard deviations of one value, when the design is
/// possible.
fn edge(design: &EwmaDesign) -> Option<f64> {
    let (lambda, limit) = (design.lambda, design.limit);
    let possible =
        (SMALLEST_LAMBDA..=1.0).contains(&lambda) && limit > 0.0 && limit <= WIDEST_LIMIT;
    possible.then(|| limit * (lambda / (2.0 - lambda)).sqrt())
}

/// Nodes for an interval so many standard deviations of the kernel long: enough that the kernel is
/// seen by two nodes at least per standard deviation where they are farthest apart.
fn nodes_for(deviations: f64) -> u32 {
    whole(3.0 * deviations + 24.0, 450)
}

/// Cells for an interval so many standard deviations long, an odd number so that one lies at the
/// centre.
fn cells_for(deviations: f64) -> u32 {
    whole(10.0 * deviations + 50.0, 400) | 1
}

fn whole(count: f64, most: u32) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to a small positive number"
    )]
    let count = count.clamp(1.0, f64::from(most)) as u32;
    count
}

/// Probability that the next average lies below `end` and the value within the single limit.
fn probability_below(end: f64, from: f64, lambda: f64, single_limit: f64, shift: f64) -> f64 {
    let z = ((end - from) / lambda).clamp(-single_limit, single_limit);
    normal_cdf(z - shift)
}

fn normal_density(z: f64) -> f64 {
    libm::exp(-0.5 * z * z) / (2.0 * PI).sqrt()
}

/// The length, or infinity where rounding errors of the solution would speak louder.
fn trusted(length: f64) -> f64 {
    if (1.0..=LONGEST_RUN).contains(&length) {
        length
    } else {
        f64::INFINITY
    }
}

/// The limit at which a run length that grows with it reaches the wanted one, by halving.
fn bracketed(wanted: f64, widest: f64, length_at: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    if !(wanted > 1.0 && wanted <= LONGEST_RUN) {
        return None;
    }
    let mut low = 0.0;
    let mut high = 1.0;
    while length_at(high)? < wanted {
        low = high;
        high *= 1.5;
        if high > widest {
            return None;
        }
    }
    while high - low > 1e-9 {
        let middle = f64::midpoint(low, high);
        if length_at(middle)? < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(f64::midpoint(low, high))
}

/// A square system of linear equations, row by row.
struct Equations {
    size: usize,
    coefficients: Vec<f64>,
}

impl Equations {
    fn identity(size: usize) -> Self {
        let mut equations = Equations {
            size,
            coefficients: vec![0.0; size * size],
        };
        for index in 0..size {
            *equations.at(index, index) = 1.0;
        }
        equations
    }

    fn at(&mut self, row: usize, column: usize) -> &mut f64 {
        &mut self.coefficients[row * self.size + column]
    }

    /// Solves by elimination with row exchange; none when the equations do not decide the unknowns.
    fn solved(mut self, mut right: Vec<f64>) -> Option<Vec<f64>> {
        let size = self.size;
        for pivot in 0..size {
            let mut largest = pivot;
            for row in pivot + 1..size {
                if self.at(row, pivot).abs() > self.at(largest, pivot).abs() {
                    largest = row;
                }
            }
            if largest != pivot {
                for column in 0..size {
                    self.coefficients
                        .swap(pivot * size + column, largest * size + column);
                }
                right.swap(pivot, largest);
            }
            let (above, below) = self.coefficients.split_at_mut((pivot + 1) * size);
            let pivot_row = &above[pivot * size..];
            let divisor = pivot_row[pivot];
            if divisor.abs() < f64::MIN_POSITIVE || divisor.is_nan() {
                return None;
            }
            for (index, row) in below.chunks_exact_mut(size).enumerate() {
                let factor = row[pivot] / divisor;
                for column in pivot..size {
                    row[column] -= factor * pivot_row[column];
                }
                right[pivot + 1 + index] -= factor * right[pivot];
            }
        }
        for row in (0..size).rev() {
            let mut sum = right[row];
            for (column, known) in right.iter().enumerate().skip(row + 1) {
                sum -= *self.at(row, column) * known;
            }
            right[row] = sum / *self.at(row, row);
        }
        Some(right)
    }
}
