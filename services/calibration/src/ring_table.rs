//! A ring batch's table: fired diameter to temperature, and back.
//!
//! One table belongs to one batch and one hold. It is validated whole when it is made, so a lookup
//! can only fail by asking outside it: nothing here extrapolates, because beyond its ends a ring's
//! shrinkage curve bends and a line would be believed where it is wrong.

pub(crate) mod bracketing;
pub mod csv;
mod faults;
mod monotone_cubic;
mod screening;

pub use faults::{OutOfTable, Quantity, TableFault, TableFaults};

use bracketing::crossing;
use monotone_cubic::Knot;
use screening::Row;

/// Most entries a table may have; a ring's whole range in steps of 0.01 mm is about a hundred.
pub const MOST_ENTRIES: usize = 2000;
/// Diameters a dental test ring can have, mm (common practice, no source; wide on purpose).
pub const DIAMETER_RANGE_MM: (f64, f64) = (5.0, 40.0);
/// Temperatures a table can hold, °C (common practice, no source; wide on purpose).
pub const TEMPERATURE_RANGE_C: (f64, f64) = (900.0, 1800.0);
/// Slopes a ring can have, °C per mm without sign (common practice, no source; wide on purpose).
pub const SLOPE_RANGE_C_PER_MM: (f64, f64) = (20.0, 1000.0);
/// Longest hold a table can be for, min.
pub const LONGEST_HOLD_MIN: f64 = 1440.0;

/// Largest step, mm, at which straight lines between entries are used. With the usual curvature
/// they differ from a monotone cubic by about 0.1 °C there, and anyone can check them by hand.
const LARGEST_LINEAR_STEP_MM: f64 = 0.02;
/// Half-width of the stretch the local slope is fitted over, mm. Single steps are rounded to whole
/// degrees and too coarse.
const SLOPE_REACH_MM: f64 = 0.05;
/// Room for binary rounding when diameters are compared, mm.
const ROUNDING_MM: f64 = 1e-9;
/// How exactly the inverse is solved, mm.
const INVERSE_TOLERANCE_MM: f64 = 1e-12;

/// One line of a ring table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// Fired outside diameter, mm.
    pub diameter_mm: f64,
    /// Temperature the diameter stands for, °C.
    pub temperature_c: f64,
}

/// A validated table of one batch for one hold: at least three entries, temperature strictly falling
/// as the diameter grows.
#[derive(Debug, Clone, PartialEq)]
pub struct RingTable {
    hold_min: f64,
    /// By ascending diameter.
    entries: Vec<Entry>,
    median_step_mm: f64,
    /// Slopes of the cubic at the entries, °C/mm; none where straight lines are used.
    cubic_slopes: Option<Vec<f64>>,
}

impl RingTable {
    /// Makes a table of entries in any order, for a hold in minutes.
    ///
    /// Fails with everything that is wrong, not only the first of it; rows are entry numbers, counted
    /// from 1.
    pub fn new(hold_min: f64, entries: Vec<Entry>) -> Result<RingTable, TableFaults> {
        let mut rows = Vec::with_capacity(entries.len());
        for (i, entry) in entries.into_iter().enumerate() {
            rows.push(Row {
                number: i + 1,
                entry,
            });
        }
        RingTable::from_rows(hold_min, rows)
    }

    fn from_rows(hold_min: f64, mut rows: Vec<Row>) -> Result<RingTable, TableFaults> {
        let faults = screening::faults(hold_min, &rows, true);
        if !faults.is_empty() {
            return Err(TableFaults(faults));
        }
        rows.sort_by(|a, b| a.entry.diameter_mm.total_cmp(&b.entry.diameter_mm));
        let entries: Vec<Entry> = rows.iter().map(|row| row.entry).collect();
        let mut steps_mm: Vec<f64> = entries
            .windows(2)
            .map(|pair| pair[1].diameter_mm - pair[0].diameter_mm)
            .collect();
        steps_mm.sort_by(f64::total_cmp);
        let largest_mm = steps_mm[steps_mm.len() - 1];
        let cubic_slopes = if largest_mm <= LARGEST_LINEAR_STEP_MM + ROUNDING_MM {
            None
        } else {
            let diameters: Vec<f64> = entries.iter().map(|e| e.diameter_mm).collect();
            let temperatures: Vec<f64> = entries.iter().map(|e| e.temperature_c).collect();
            Some(monotone_cubic::slopes(&diameters, &temperatures))
        };
        // Printed diameters are decimals; their differences should read as such.
        let median_step_mm = (steps_mm[steps_mm.len() / 2] * 1e6).round() / 1e6;
        Ok(RingTable {
            hold_min,
            entries,
            median_step_mm,
            cubic_slopes,
        })
    }

    /// The hold the table was issued for, min.
    pub fn hold_min(&self) -> f64 {
        self.hold_min
    }

    /// All entries by ascending diameter; at least three.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Smallest and largest diameter, mm.
    pub fn diameter_range_mm(&self) -> (f64, f64) {
        (
            self.entries[0].diameter_mm,
            self.entries[self.entries.len() - 1].diameter_mm,
        )
    }

    /// Lowest and highest temperature, °C.
    pub fn temperature_range_c(&self) -> (f64, f64) {
        (
            self.entries[self.entries.len() - 1].temperature_c,
            self.entries[0].temperature_c,
        )
    }

    /// The usual distance between neighbouring diameters, mm.
    pub fn median_step_mm(&self) -> f64 {
        self.median_step_mm
    }

    /// The temperature a diameter stands for, °C; an entry's own diameter gives its temperature
    /// exactly.
    ///
    /// Straight lines between entries where no step is larger than 0.02 mm, else a monotone cubic
    /// (Fritsch & Butland 1984). Fails outside the table.
    pub fn temperature_at(&self, diameter_mm: f64) -> Result<f64, OutOfTable> {
        let left = self.interval(diameter_mm)?;
        let (a, b) = (self.entries[left], self.entries[left + 1]);
        // Rounding could carry the last bit past a neighbour; a reading never leaves its two rows.
        Ok(self
            .in_interval(left, diameter_mm)
            .clamp(b.temperature_c, a.temperature_c))
    }

    /// The diameter a ring has after a temperature, mm: the inverse of `temperature_at`.
    ///
    /// Fails outside the table.
    pub fn diameter_at(&self, temperature_c: f64) -> Result<f64, OutOfTable> {
        let (low, high) = self.temperature_range_c();
        if !(low..=high).contains(&temperature_c) {
            return Err(self.outside(Quantity::Temperature, temperature_c));
        }
        let after = self
            .entries
            .partition_point(|e| e.temperature_c >= temperature_c);
        let left = after.saturating_sub(1).min(self.entries.len() - 2);
        let (a, b) = (self.entries[left], self.entries[left + 1]);
        if self.cubic_slopes.is_none() {
            let share = (temperature_c - a.temperature_c) / (b.temperature_c - a.temperature_c);
            let diameter_mm = a.diameter_mm + share * (b.diameter_mm - a.diameter_mm);
            return Ok(diameter_mm.clamp(a.diameter_mm, b.diameter_mm));
        }
        let found = crossing(a.diameter_mm, b.diameter_mm, INVERSE_TOLERANCE_MM, |d| {
            self.in_interval(left, d) - temperature_c
        });
        // The ends enclose the temperature, so a missing crossing can only be the last bit at an end.
        Ok(found.unwrap_or(b.diameter_mm))
    }

    /// The change of temperature with diameter around a diameter, °C per mm, always negative.
    ///
    /// A least-squares line over the entries within 0.05 mm, or over the neighbouring entries where
    /// there are fewer than three. Fails outside the table.
    pub fn slope_c_per_mm(&self, diameter_mm: f64) -> Result<f64, OutOfTable> {
        let left = self.interval(diameter_mm)?;
        let reach_mm = SLOPE_REACH_MM + ROUNDING_MM;
        let from = self
            .entries
            .partition_point(|e| e.diameter_mm < diameter_mm - reach_mm);
        let to = self
            .entries
            .partition_point(|e| e.diameter_mm <= diameter_mm + reach_mm);
        if to.saturating_sub(from) >= 3 {
            return Ok(line_slope(&self.entries[from..to]));
        }
        let on_entry = diameter_mm - self.entries[left].diameter_mm <= ROUNDING_MM;
        let from = if on_entry {
            left.saturating_sub(1)
        } else {
            left
        };
        Ok(line_slope(&self.entries[from..left + 2]))
    }

    /// Number of the entry that begins the interval a diameter lies in.
    fn interval(&self, diameter_mm: f64) -> Result<usize, OutOfTable> {
        let (low, high) = self.diameter_range_mm();
        if !(low..=high).contains(&diameter_mm) {
            return Err(self.outside(Quantity::Diameter, diameter_mm));
        }
        let after = self
            .entries
            .partition_point(|e| e.diameter_mm <= diameter_mm);
        Ok(after.saturating_sub(1).min(self.entries.len() - 2))
    }

    fn in_interval(&self, left: usize, diameter_mm: f64) -> f64 {
        let (a, b) = (self.entries[left], self.entries[left + 1]);
        if diameter_mm <= a.diameter_mm {
            return a.temperature_c;
        }
        if diameter_mm >= b.diameter_mm {
            return b.temperature_c;
        }
        match &self.cubic_slopes {
            None => {
                let share = (diameter_mm - a.diameter_mm) / (b.diameter_mm - a.diameter_mm);
                a.temperature_c + share * (b.temperature_c - a.temperature_c)
            }
            Some(slopes) => monotone_cubic::value(
                Knot {
                    x: a.diameter_mm,
                    y: a.temperature_c,
                    slope: slopes[left],
                },
                Knot {
                    x: b.diameter_mm,
                    y: b.temperature_c,
                    slope: slopes[left + 1],
                },
                diameter_mm,
            ),
        }
    }

    fn outside(&self, quantity: Quantity, asked: f64) -> OutOfTable {
        let (low, high) = match quantity {
            Quantity::Diameter => self.diameter_range_mm(),
            Quantity::Temperature => self.temperature_range_c(),
        };
        OutOfTable {
            quantity,
            asked,
            low,
            high,
            diameter_range_mm: self.diameter_range_mm(),
            temperature_range_c: self.temperature_range_c(),
        }
    }
}

/// Slope of the least-squares line through two or more entries, °C/mm.
fn line_slope(entries: &[Entry]) -> f64 {
    let mut count = 0.0;
    let (mut sum_d, mut sum_t) = (0.0, 0.0);
    for entry in entries {
        count += 1.0;
        sum_d += entry.diameter_mm;
        sum_t += entry.temperature_c;
    }
    let (mean_d, mean_t) = (sum_d / count, sum_t / count);
    let (mut products, mut squares) = (0.0, 0.0);
    for entry in entries {
        let from_mean = entry.diameter_mm - mean_d;
        products += from_mean * (entry.temperature_c - mean_t);
        squares += from_mean * from_mean;
    }
    products / squares
}

#[cfg(test)]
mod tests;
