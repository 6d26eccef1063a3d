//! Finds everything wrong with a proposed table before it is used for any reading.
//!
//! A table is typed from paper by tired people, and one wrong row turns into a wrong setpoint for
//! every furnace that meets it. So the rows are checked against each other, not only one by one.

use super::{
    DIAMETER_RANGE_MM, Entry, LONGEST_HOLD_MIN, MOST_ENTRIES, Quantity, SLOPE_RANGE_C_PER_MM,
    TEMPERATURE_RANGE_C, TableFault,
};

/// An entry with the number a person finds it by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub(super) number: usize,
    pub(super) entry: Entry,
}

/// Fewest entries a table may have.
const FEWEST_ENTRIES: usize = 3;
/// Two diameters closer than this, mm, are the same one.
const SAME_DIAMETER_MM: f64 = 1e-6;
/// Tables are usually rounded to whole degrees, so a difference of two can be wrong by this, °C.
const ROUNDED_DIFFERENCE_C: f64 = 1.0;
/// Shortest stretch, mm, over which a table may be called too flat.
const FLAT_STRETCH_MM: f64 = 0.05;
/// Share of equal steps from which a grid counts as regular.
const REGULAR_SHARE: f64 = 0.8;
/// How closely, as a share of the step, a step must agree with the grid.
const STEP_AGREEMENT: f64 = 0.02;
/// Most outlying entries looked for; a table with more is not "otherwise smooth".
const MOST_OUTLIERS: usize = 10;
/// Share of the usual fall from row to row that a bend of the curve may account for.
const BEND_SHARE: f64 = 0.04;
/// How far beyond what that slack can do an entry must lie to be called outlying.
const BEYOND_SLACK: f64 = 1.5;
/// How far beyond the other entries' own scatter, in robust standard deviations.
const BEYOND_SCATTER: f64 = 6.0;
/// How far beyond the worst other entry in a table with few entries.
const BEYOND_WORST: f64 = 3.0;
/// Below this number of entries their scatter is not relied on.
const FEW_FOR_SCATTER: usize = 15;
/// Median absolute deviation to standard deviation for a normal distribution.
const ROBUST_SCALE: f64 = 1.4826;

/// Gives all faults in row order, those without a row first. `complete` says that no row was lost
/// on the way here, so that a hole is the table's own.
pub(super) fn faults(hold_min: f64, rows: &[Row], complete: bool) -> Vec<TableFault> {
    let mut found = Vec::new();
    if !(hold_min > 0.0 && hold_min <= LONGEST_HOLD_MIN) {
        found.push(TableFault::HoldOutOfRange { hold_min });
    }
    if rows.len() < FEWEST_ENTRIES && complete {
        found.push(TableFault::TooFewEntries { count: rows.len() });
    }
    if rows.len() > MOST_ENTRIES {
        // Checking rows against each other could take long here, and the file is the wrong one.
        found.push(TableFault::TooManyEntries { count: rows.len() });
        return found;
    }
    let finite = finite(rows, &mut found);
    let plausible = plausible(&finite, &mut found);
    let sorted = distinct(plausible, &mut found);
    falling(&sorted, &mut found);
    slopes(&sorted, &mut found);
    if complete && sorted.len() == rows.len() {
        holes(&sorted, &mut found);
    }
    outliers(&sorted, &mut found);
    found.sort_by_key(TableFault::row);
    found
}

fn finite(rows: &[Row], found: &mut Vec<TableFault>) -> Vec<Row> {
    let mut kept = Vec::with_capacity(rows.len());
    for row in rows {
        if row.entry.diameter_mm.is_finite() && row.entry.temperature_c.is_finite() {
            kept.push(*row);
        } else {
            found.push(TableFault::NotFinite { row: row.number });
        }
    }
    kept
}

fn plausible(rows: &[Row], found: &mut Vec<TableFault>) -> Vec<Row> {
    let mut kept = Vec::with_capacity(rows.len());
    let mut bad_diameters = Vec::new();
    let mut bad_temperatures = Vec::new();
    for row in rows {
        let diameter_fits = within(row.entry.diameter_mm, DIAMETER_RANGE_MM);
        let temperature_fits = within(row.entry.temperature_c, TEMPERATURE_RANGE_C);
        if !diameter_fits {
            bad_diameters.push((row.number, row.entry.diameter_mm));
        }
        if !temperature_fits {
            bad_temperatures.push((row.number, row.entry.temperature_c));
        }
        if diameter_fits && temperature_fits {
            kept.push(*row);
        }
    }
    // A table in the wrong unit is one fault, not eighty.
    if let Some((row, value)) = bad_diameters.first().copied() {
        found.push(TableFault::OutOfPlausibleRange {
            row,
            others: bad_diameters.len() - 1,
            quantity: Quantity::Diameter,
            value,
            other_unit_fits: within(value * 25.4, DIAMETER_RANGE_MM),
        });
    }
    if let Some((row, value)) = bad_temperatures.first().copied() {
        found.push(TableFault::OutOfPlausibleRange {
            row,
            others: bad_temperatures.len() - 1,
            quantity: Quantity::Temperature,
            value,
            other_unit_fits: within((value - 32.0) / 1.8, TEMPERATURE_RANGE_C),
        });
    }
    kept
}

fn within(value: f64, range: (f64, f64)) -> bool {
    value >= range.0 && value <= range.1
}

/// Sorts by diameter and drops repeated diameters.
fn distinct(mut rows: Vec<Row>, found: &mut Vec<TableFault>) -> Vec<Row> {
    rows.sort_by(|a, b| {
        a.entry
            .diameter_mm
            .total_cmp(&b.entry.diameter_mm)
            .then(a.number.cmp(&b.number))
    });
    let mut kept: Vec<Row> = Vec::with_capacity(rows.len());
    for row in rows {
        match kept.last() {
            Some(last) if row.entry.diameter_mm - last.entry.diameter_mm < SAME_DIAMETER_MM => {
                found.push(TableFault::DuplicateDiameter {
                    row: row.number.max(last.number),
                    diameter_mm: row.entry.diameter_mm,
                });
            }
            _ => kept.push(row),
        }
    }
    kept
}

fn falling(sorted: &[Row], found: &mut Vec<TableFault>) {
    for pair in sorted.windows(2) {
        let (before, row) = (pair[0].entry, pair[1].entry);
        if row.temperature_c >= before.temperature_c {
            found.push(TableFault::NotMonotone {
                row: pair[1].number,
                diameter_mm: row.diameter_mm,
                temperature_c: row.temperature_c,
                before_c: before.temperature_c,
            });
        }
    }
}

/// Steepness is judged step by step, flatness over a stretch: in steps of a few micrometres whole
/// degrees make single steps look flat or steep when the ring is neither.
fn slopes(sorted: &[Row], found: &mut Vec<TableFault>) {
    let (least, most) = SLOPE_RANGE_C_PER_MM;
    // A run of such steps is one fault, told where it begins.
    let mut steep_before = false;
    for pair in sorted.windows(2) {
        let step_mm = pair[1].entry.diameter_mm - pair[0].entry.diameter_mm;
        let fall_c = pair[0].entry.temperature_c - pair[1].entry.temperature_c;
        let steep = (fall_c - ROUNDED_DIFFERENCE_C) / step_mm > most;
        if steep && !steep_before {
            found.push(TableFault::ImplausibleSlope {
                row: pair[0].number,
                slope_c_per_mm: -fall_c / step_mm,
            });
        }
        steep_before = steep;
    }
    let mut flat_before = false;
    let mut end = 0;
    for first in sorted {
        while end < sorted.len()
            && sorted[end].entry.diameter_mm - first.entry.diameter_mm
                < FLAT_STRETCH_MM - SAME_DIAMETER_MM
        {
            end += 1;
        }
        let Some(last) = sorted.get(end) else { break };
        let stretch_mm = last.entry.diameter_mm - first.entry.diameter_mm;
        let fall_c = first.entry.temperature_c - last.entry.temperature_c;
        // A rising stretch is told as NOT_MONOTONE already.
        let flat = fall_c >= 0.0
            && (fall_c + ROUNDED_DIFFERENCE_C) / stretch_mm < least * (1.0 - STEP_AGREEMENT);
        if flat && !flat_before {
            found.push(TableFault::ImplausibleSlope {
                row: first.number,
                slope_c_per_mm: -fall_c / stretch_mm,
            });
        }
        flat_before = flat;
    }
    let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else {
        return;
    };
    let already = found
        .iter()
        .any(|f| matches!(f, TableFault::ImplausibleSlope { .. }));
    if sorted.len() < 2 || already {
        return;
    }
    let fall_c = first.entry.temperature_c - last.entry.temperature_c;
    let slope = fall_c / (last.entry.diameter_mm - first.entry.diameter_mm);
    if fall_c > 0.0 && !within(slope, SLOPE_RANGE_C_PER_MM) {
        found.push(TableFault::ImplausibleSlope {
            row: first.number,
            slope_c_per_mm: -slope,
        });
    }
}

fn holes(sorted: &[Row], found: &mut Vec<TableFault>) {
    if sorted.len() < 4 {
        return;
    }
    let steps_mm: Vec<f64> = sorted
        .windows(2)
        .map(|pair| pair[1].entry.diameter_mm - pair[0].entry.diameter_mm)
        .collect();
    let mut ordered = steps_mm.clone();
    ordered.sort_by(f64::total_cmp);
    let grid_mm = ordered[ordered.len() / 2];
    let tolerance_mm = STEP_AGREEMENT * grid_mm;
    let regular = steps_mm
        .iter()
        .filter(|step| (*step - grid_mm).abs() <= tolerance_mm)
        .count();
    if count(regular) < REGULAR_SHARE * count(steps_mm.len()) {
        return;
    }
    // A run of equal coarse steps up to an end of the table is its own coarser part, not holes.
    let inner = grid_run(&steps_mm, grid_mm, tolerance_mm);
    for (i, step_mm) in steps_mm.iter().enumerate() {
        let multiple = (step_mm / grid_mm).round();
        let is_multiple = (step_mm - multiple * grid_mm).abs() <= tolerance_mm;
        if !inner.contains(&i) || multiple < 2.0 || !is_multiple {
            continue;
        }
        let mut missing_mm = Vec::new();
        let mut diameter_mm = sorted[i].entry.diameter_mm + grid_mm;
        while diameter_mm < sorted[i + 1].entry.diameter_mm - tolerance_mm
            && missing_mm.len() < MOST_ENTRIES
        {
            missing_mm.push((diameter_mm * 1e6).round() / 1e6);
            diameter_mm += grid_mm;
        }
        found.push(TableFault::MissingStep {
            row: sorted[i].number,
            missing_mm,
        });
    }
}

/// The steps between the coarser ends, if a table has such: numbers of steps to look at.
fn grid_run(steps_mm: &[f64], grid_mm: f64, tolerance_mm: f64) -> std::ops::Range<usize> {
    let coarse = |step: &&f64| **step > grid_mm + tolerance_mm;
    let leading = steps_mm.iter().take_while(coarse).count();
    let trailing = steps_mm.iter().rev().take_while(coarse).count();
    let from = if leading >= 2 { leading } else { 0 };
    let to = if trailing >= 2 {
        steps_mm.len() - trailing
    } else {
        steps_mm.len()
    };
    from..to
}

/// Looks for single entries that the cubic through their four neighbours does not lead to, while
/// all others do. One at a time, so that a bad entry is not blamed on its neighbours.
fn outliers(sorted: &[Row], found: &mut Vec<TableFault>) {
    let mut kept = sorted.to_vec();
    let slack_c = slack_c(sorted);
    for _ in 0..MOST_OUTLIERS {
        if kept.len() < 6 {
            return;
        }
        let departures = departures(&kept, slack_c);
        let mut suspects: Vec<usize> = (0..kept.len()).collect();
        suspects.sort_by(|a, b| departures[*b].abs().total_cmp(&departures[*a].abs()));
        suspects.truncate(5);
        let mut best: Option<(usize, f64, f64)> = None;
        for suspect in suspects {
            if departures[suspect].abs() <= BEYOND_SLACK {
                continue;
            }
            let mut rest = kept.clone();
            rest.remove(suspect);
            let (worst, scale) = roughness(&rest, slack_c);
            if best.is_none_or(|(_, least, _)| worst < least) {
                best = Some((suspect, worst, scale));
            }
        }
        let Some((suspect, worst, scale)) = best else {
            return;
        };
        // The scatter of a handful of entries is not known well enough; there the entry must stand
        // out from the worst of the others instead.
        let ordinary = if kept.len() < FEW_FOR_SCATTER {
            BEYOND_WORST * worst
        } else {
            BEYOND_SCATTER * scale
        };
        if departures[suspect].abs() <= ordinary {
            return;
        }
        let row = kept[suspect];
        found.push(TableFault::OutlyingEntry {
            row: row.number,
            diameter_mm: row.entry.diameter_mm,
            temperature_c: row.entry.temperature_c,
            expected_c: expected(&kept, suspect).0,
        });
        kept.remove(suspect);
    }
}

/// How far a sound entry may lie off a curve through others, °C: the rounding to whole degrees, and
/// in coarse steps the bend that a cubic over a few of them leaves.
fn slack_c(sorted: &[Row]) -> f64 {
    let mut falls_c: Vec<f64> = sorted
        .windows(2)
        .map(|pair| (pair[0].entry.temperature_c - pair[1].entry.temperature_c).abs())
        .collect();
    falls_c.sort_by(f64::total_cmp);
    let usual_c = falls_c.get(falls_c.len() / 2).copied().unwrap_or(0.0);
    0.5 * ROUNDED_DIFFERENCE_C + BEND_SHARE * usual_c
}

/// Distance of every entry from where its neighbours put it, in units of the largest distance that
/// the slack of all of them can cause there.
fn departures(rows: &[Row], slack_c: f64) -> Vec<f64> {
    let mut found = Vec::with_capacity(rows.len());
    for (i, row) in rows.iter().enumerate() {
        let (expected_c, weight) = expected(rows, i);
        let by_slack_c = slack_c * (1.0 + weight);
        found.push((row.entry.temperature_c - expected_c) / by_slack_c);
    }
    found
}

/// Largest departure and robust standard deviation of all departures.
fn roughness(rows: &[Row], slack_c: f64) -> (f64, f64) {
    let mut sizes: Vec<f64> = departures(rows, slack_c).iter().map(|d| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    (
        sizes[sizes.len() - 1],
        ROBUST_SCALE * sizes[sizes.len() / 2],
    )
}

/// The cubic through the four nearest other entries, at entry `at`, and the sum of its weights'
/// sizes. Needs five entries or more.
fn expected(rows: &[Row], at: usize) -> (f64, f64) {
    let from = at.saturating_sub(2).min(rows.len() - 5);
    let x = rows[at].entry.diameter_mm;
    let (mut value, mut weights) = (0.0, 0.0);
    for i in from..from + 5 {
        if i == at {
            continue;
        }
        let mut weight = 1.0;
        for j in from..from + 5 {
            if j != at && j != i {
                let other = rows[j].entry.diameter_mm;
                weight *= (x - other) / (rows[i].entry.diameter_mm - other);
            }
        }
        value += weight * rows[i].entry.temperature_c;
        weights += weight.abs();
    }
    (value, weights)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts of at most a few thousand rows are exact"
)]
fn count(number: usize) -> f64 {
    number as f64
}
