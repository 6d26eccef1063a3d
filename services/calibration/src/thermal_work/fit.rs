//! The activation energy that two or more tables of one batch imply.

use std::fmt;

use super::{Energy, GAS_CONSTANT_J_PER_MOL_K, PeakMove, ZERO_CELSIUS_K, ln_work, with_peak_hold};
use crate::programme::Cycle;
use crate::ring_table::RingTable;

/// Energies that a fit may give, kJ/mol: the published ones (290 to 1000) with room on both sides.
pub const FITTED_RANGE_KJ_PER_MOL: (f64, f64) = (200.0, 1500.0);
/// Where the search starts, kJ/mol; the middle of what is published for zirconia.
const START_KJ_PER_MOL: f64 = 600.0;
/// Bounds the search is kept in, kJ/mol; an end of it is outside the accepted range.
const SEARCH_KJ_PER_MOL: (f64, f64) = (100.0, 4000.0);
/// Relative change of the energy that measures a derivative.
const NUDGE: f64 = 1e-3;
/// Relative change of the energy at which the search ends.
const SETTLED: f64 = 1e-6;
const MOST_STEPS: u32 = 20;
/// Most common diameters used: more would cost time and not tell more.
const MOST_DIAMETERS: usize = 24;
const FEWEST_DIAMETERS: usize = 3;
/// Least difference between two holds, min, that counts as another hold.
const ANOTHER_HOLD_MIN: f64 = 3.0;
/// Standard uncertainty of a temperature rounded to whole degrees, °C (GUM F.2.2.1).
const ROUNDING_C: f64 = 0.288_675_134_594_812_9;

/// Why tables give no activation energy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotFitted {
    /// All tables are for the same hold.
    OneHold,
    /// The tables share fewer than three diameters.
    NoCommonDiameters,
    /// The tables contradict one another, or the energy would be one no ceramic has.
    Implausible {
        /// Where the search ended, kJ/mol.
        kj_per_mol: f64,
    },
    /// The programme has no segments or cannot run.
    NoProgramme,
}

impl fmt::Display for NotFitted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NotFitted::OneHold => f.write_str(
                "the batch has tables for one hold only; enter its table for another hold",
            ),
            NotFitted::NoCommonDiameters => f.write_str(
                "the batch's tables share too few diameters; enter them over their whole range",
            ),
            NotFitted::Implausible { kj_per_mol } => write!(
                f,
                "the batch's tables do not fit together (activation energy {kj_per_mol:.0} kJ/mol); \
                 compare them and their holds with the printed ones"
            ),
            NotFitted::NoProgramme => {
                f.write_str("the programme cannot run; check its ramps, temperatures and holds")
            }
        }
    }
}

impl std::error::Error for NotFitted {}

/// One diameter that all tables hold.
struct AtOneDiameter {
    /// What each table says there, °C.
    temperatures_c: Vec<f64>,
    /// R T² of their mean, kJ K/mol: turns work divided by energy into degrees.
    scale: f64,
}

/// Fits the activation energy to tables of one batch at two or more holds: at equal diameter they
/// give different temperatures, and the right energy makes their thermal work equal.
///
/// Least squares over up to 24 common diameters, in °C. The programme gives the ramps. The standard
/// uncertainty joins the residual scatter (never taken below rounding to whole degrees) with one
/// rounding error per table that is not averaged away, because the rows of a table come from few
/// firings and share their errors. Fails when the tables share a hold or no diameters, or when the
/// energy leaves 200 to 1500 kJ/mol.
pub fn fitted_energy(tables: &[RingTable], cycle: &Cycle) -> Result<Energy, NotFitted> {
    let first_min = tables.first().ok_or(NotFitted::OneHold)?.hold_min();
    if tables
        .iter()
        .all(|t| (t.hold_min() - first_min).abs() <= ANOTHER_HOLD_MIN)
    {
        return Err(NotFitted::OneHold);
    }
    let peak_c = cycle.peak().ok_or(NotFitted::NoProgramme)?.temperature_c;
    let common = common_diameters(tables).ok_or(NotFitted::NoCommonDiameters)?;
    let references: Vec<Cycle> = tables
        .iter()
        .map(|table| with_peak_hold(cycle, table.hold_min()))
        .collect();

    let mut energy = START_KJ_PER_MOL;
    let mut settled = false;
    let mut now = residuals_c(&common, &references, peak_c, energy);
    for _ in 0..MOST_STEPS {
        let slopes = slopes(&common, &references, peak_c, energy, &now);
        let (squares, products) = sums(&slopes, &now);
        // The residuals are nearly a line in 1/Q, so a step in 1/Q lands almost at the end.
        let inverse = 1.0 / energy - products / squares;
        let wanted = if inverse > 0.0 {
            1.0 / inverse
        } else {
            SEARCH_KJ_PER_MOL.1
        };
        if !wanted.is_finite() {
            return Err(NotFitted::NoProgramme);
        }
        let next = wanted.clamp(SEARCH_KJ_PER_MOL.0, SEARCH_KJ_PER_MOL.1);
        settled = (next / energy - 1.0).abs() < SETTLED;
        energy = next;
        now = residuals_c(&common, &references, peak_c, energy);
        if settled {
            break;
        }
    }
    let (least, most) = FITTED_RANGE_KJ_PER_MOL;
    if !settled || energy < least || energy > most {
        return Err(NotFitted::Implausible { kj_per_mol: energy });
    }
    let slopes = slopes(&common, &references, peak_c, energy, &now);
    let (squares, _) = sums(&slopes, &now);
    let (_, residual_squares) = sums(&now, &now);
    let diameters = as_float(common.len());
    let freedom = (diameters * (as_float(tables.len()) - 1.0) - 1.0).max(1.0);
    let scatter_c = (residual_squares / freedom).sqrt().max(ROUNDING_C);
    let variance_of_inverse =
        (scatter_c * scatter_c + ROUNDING_C * ROUNDING_C * diameters) / squares;
    Ok(Energy {
        kj_per_mol: energy,
        standard_uncertainty_kj_per_mol: energy * energy * variance_of_inverse.sqrt(),
    })
}

/// Diameters of the shortest table that all tables hold, thinned evenly; none when there are too few.
fn common_diameters(tables: &[RingTable]) -> Option<Vec<AtOneDiameter>> {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    for table in tables {
        let (smallest, largest) = table.diameter_range_mm();
        low = low.max(smallest);
        high = high.min(largest);
    }
    let mut shortest: Vec<f64> = Vec::new();
    for (i, table) in tables.iter().enumerate() {
        let inside: Vec<f64> = table
            .entries()
            .iter()
            .map(|entry| entry.diameter_mm)
            .filter(|diameter_mm| *diameter_mm >= low && *diameter_mm <= high)
            .collect();
        if i == 0 || inside.len() < shortest.len() {
            shortest = inside;
        }
    }
    if shortest.len() < FEWEST_DIAMETERS {
        return None;
    }
    let used = shortest.len().min(MOST_DIAMETERS);
    let mut common = Vec::with_capacity(used);
    for i in 0..used {
        let diameter_mm = shortest[i * (shortest.len() - 1) / (used - 1)];
        let mut temperatures_c = Vec::with_capacity(tables.len());
        let mut sum_k = 0.0;
        for table in tables {
            let temperature_c = table.temperature_at(diameter_mm).ok()?;
            sum_k += temperature_c + ZERO_CELSIUS_K;
            temperatures_c.push(temperature_c);
        }
        let mean_k = sum_k / as_float(tables.len());
        common.push(AtOneDiameter {
            temperatures_c,
            scale: GAS_CONSTANT_J_PER_MOL_K / 1000.0 * mean_k * mean_k,
        });
    }
    Some(common)
}

/// By how many degrees each table departs from the tables' mean at each diameter.
fn residuals_c(
    common: &[AtOneDiameter],
    references: &[Cycle],
    peak_c: f64,
    energy: f64,
) -> Vec<f64> {
    let mut found = Vec::with_capacity(common.len() * references.len());
    for diameter in common {
        let from = found.len();
        let mut sum = 0.0;
        for (reference, temperature_c) in references.iter().zip(&diameter.temperatures_c) {
            let moved = PeakMove {
                from_c: peak_c,
                to_c: *temperature_c,
            };
            let degrees = ln_work(reference, Some(moved), energy) * diameter.scale / energy;
            sum += degrees;
            found.push(degrees);
        }
        let mean = sum / as_float(references.len());
        for value in &mut found[from..] {
            *value -= mean;
        }
    }
    found
}

/// Change of every residual with 1/Q.
fn slopes(
    common: &[AtOneDiameter],
    references: &[Cycle],
    peak_c: f64,
    energy: f64,
    now: &[f64],
) -> Vec<f64> {
    let nudged = energy * (1.0 + NUDGE);
    let mut changed = residuals_c(common, references, peak_c, nudged);
    let step = 1.0 / nudged - 1.0 / energy;
    for (value, before) in changed.iter_mut().zip(now) {
        *value = (*value - before) / step;
    }
    changed
}

/// Sum of squares of the first and of products of both.
fn sums(first: &[f64], second: &[f64]) -> (f64, f64) {
    let (mut squares, mut products) = (0.0, 0.0);
    for (a, b) in first.iter().zip(second) {
        squares += a * a;
        products += a * b;
    }
    (squares, products)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts of at most a few thousand are exact"
)]
fn as_float(count: usize) -> f64 {
    count as f64
}
