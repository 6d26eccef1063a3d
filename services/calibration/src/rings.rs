//! Rings as they were measured, and what one ring says on its own.

use crate::ring_table::{OutOfTable, RingTable};

/// The largest number of rings in one reading.
pub const MAX_RINGS: usize = 12;

/// The largest number of diameters of one ring.
pub const MAX_DIAMETERS: usize = 24;

/// Standard deviation of one diameter before a gauge has a history, mm: an assumption of this
/// program until the network has learnt the gauge's own.
pub const ASSUMED_REPEATABILITY_MM: f64 = 0.012;

/// Smallest standard deviation the gross-error screening works with, mm; below it the steps of the
/// gauge's display would look like errors.
const SCREENING_FLOOR_MM: f64 = 0.01;

/// How many standard deviations from the median a diameter may lie before it is asked about again.
const SCREENING_FACTOR: f64 = 4.0;

/// One ring of a reading with all its measured diameters.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ring {
    /// Where the ring stood in the chamber, in the site's own word.
    pub position: String,
    /// Diameters as the gauge showed them, mm, in the order they were measured.
    pub diameters_mm: Vec<f64>,
}

/// What one ring says.
#[derive(Debug, Clone, PartialEq)]
pub struct RingSummary {
    /// Where the ring stood in the chamber.
    pub position: String,
    /// Mean of the diameters as the gauge showed them, mm.
    pub mean_mm: f64,
    /// Mean diameter less the bias found on the reference block, mm.
    pub corrected_mm: f64,
    /// Standard deviation of one diameter, mm; none with a single diameter.
    pub standard_deviation_mm: Option<f64>,
    /// Largest less smallest diameter, mm.
    pub ovality_mm: f64,
    /// What the batch's table gives for the corrected mean, °C.
    pub table_temperature_c: f64,
    /// Table temperature with the hold correction added, °C.
    pub temperature_c: f64,
    /// Local slope of the table, °C/mm, negative.
    pub slope_c_per_mm: f64,
    /// Diameters (counted from 0) that lie far from the others; shown and asked again, never
    /// dropped.
    pub suspect_diameters: Vec<usize>,
    /// How many diameters were measured.
    pub measurements: usize,
}

impl Ring {
    /// Mean of the diameters as the gauge showed them, mm; none without diameters.
    pub fn mean_mm(&self) -> Option<f64> {
        if self.diameters_mm.is_empty() {
            return None;
        }
        let mut sum = 0.0;
        for diameter in &self.diameters_mm {
            sum += diameter;
        }
        Some(sum / count(self.diameters_mm.len()))
    }

    /// Sum of squared distances from the mean, mm², and its degrees of freedom.
    pub fn scatter(&self) -> (f64, f64) {
        let Some(mean) = self.mean_mm() else {
            return (0.0, 0.0);
        };
        let mut sum = 0.0;
        for diameter in &self.diameters_mm {
            sum += (diameter - mean) * (diameter - mean);
        }
        (sum, count(self.diameters_mm.len() - 1))
    }

    /// Largest less smallest diameter, mm; 0 without diameters.
    pub fn ovality_mm(&self) -> f64 {
        let mut smallest = f64::INFINITY;
        let mut largest = f64::NEG_INFINITY;
        for diameter in &self.diameters_mm {
            smallest = smallest.min(*diameter);
            largest = largest.max(*diameter);
        }
        if largest >= smallest {
            largest - smallest
        } else {
            0.0
        }
    }

    /// Diameters (counted from 0) farther from the ring's median than four times the standard
    /// deviation of one diameter (at least 0.01 mm); none with fewer than three.
    ///
    /// The deviation is the gauge's own or the assumed one, never this ring's: with three diameters
    /// a wrong one widens the ring's own scatter until it hides in it.
    pub fn suspect_diameters(&self, standard_deviation_mm: f64) -> Vec<usize> {
        let mut suspects = Vec::new();
        if self.diameters_mm.len() < 3 {
            return suspects;
        }
        let middle = median(&self.diameters_mm);
        let limit = SCREENING_FACTOR * standard_deviation_mm.max(SCREENING_FLOOR_MM);
        for (index, diameter) in self.diameters_mm.iter().enumerate() {
            if (diameter - middle).abs() > limit {
                suspects.push(index);
            }
        }
        suspects
    }

    /// What this ring says with the table `table`, after the gauge's bias is taken off and the hold
    /// correction is still left out. Fails when the corrected mean lies outside the table.
    pub fn summary(
        &self,
        table: &RingTable,
        gauge_bias_mm: f64,
        repeatability_mm: f64,
    ) -> Result<RingSummary, OutOfTable> {
        let mean_mm = self.mean_mm().unwrap_or(f64::NAN);
        let corrected_mm = mean_mm - gauge_bias_mm;
        let table_temperature_c = table.temperature_at(corrected_mm)?;
        let slope_c_per_mm = table.slope_c_per_mm(corrected_mm)?;
        let (squares, freedom) = self.scatter();
        Ok(RingSummary {
            position: self.position.clone(),
            mean_mm,
            corrected_mm,
            standard_deviation_mm: (freedom > 0.0).then(|| (squares / freedom).sqrt()),
            ovality_mm: self.ovality_mm(),
            table_temperature_c,
            temperature_c: table_temperature_c,
            slope_c_per_mm,
            suspect_diameters: self.suspect_diameters(repeatability_mm),
            measurements: self.diameters_mm.len(),
        })
    }
}

/// The middle value, or the mean of the two middle ones; not a number for nothing.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    match sorted.get(half) {
        None => f64::NAN,
        Some(upper) if sorted.len() % 2 == 1 => *upper,
        Some(upper) => f64::midpoint(sorted[half - 1], *upper),
    }
}

/// A small count as a number.
pub(crate) fn count(items: usize) -> f64 {
    f64::from(u32::try_from(items).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ring_table::Entry;
    use proptest::prelude::*;

    fn ring(diameters_mm: &[f64]) -> Ring {
        Ring {
            position: "centre".to_owned(),
            diameters_mm: diameters_mm.to_vec(),
        }
    }

    /// An invented batch: 2 °C per 0.01 mm, 1519 °C at 19.47 mm.
    fn table() -> RingTable {
        let mut entries = Vec::new();
        for step in 0..=80_u32 {
            let hundredths = f64::from(step);
            entries.push(Entry {
                diameter_mm: (1920.0 + hundredths) / 100.0,
                temperature_c: 1573.0 - 2.0 * hundredths,
            });
        }
        RingTable::new(120.0, entries).expect("a valid table")
    }

    #[test]
    fn a_ring_gives_mean_scatter_ovality_and_temperature() {
        let summary = ring(&[19.46, 19.47, 19.48])
            .summary(&table(), 0.0, 0.012)
            .expect("inside the table");
        assert!((summary.mean_mm - 19.47).abs() < 1e-12);
        assert!((summary.table_temperature_c - 1519.0).abs() < 1e-9);
        assert!((summary.slope_c_per_mm + 200.0).abs() < 1e-6);
        assert!((summary.ovality_mm - 0.02).abs() < 1e-12);
        assert!((summary.standard_deviation_mm.expect("three diameters") - 0.01).abs() < 1e-12);
        assert_eq!(summary.measurements, 3);
        assert!(summary.suspect_diameters.is_empty());
    }

    #[test]
    fn a_bias_found_on_the_block_is_taken_off() {
        let summary = ring(&[19.52])
            .summary(&table(), 0.05, 0.012)
            .expect("inside the table");
        assert!((summary.corrected_mm - 19.47).abs() < 1e-12);
        assert!((summary.table_temperature_c - 1519.0).abs() < 1e-9);
        assert!(summary.standard_deviation_mm.is_none());
    }

    #[test]
    fn a_ring_outside_the_table_is_refused() {
        assert!(ring(&[19.10]).summary(&table(), 0.0, 0.012).is_err());
    }

    #[test]
    fn a_diameter_far_from_the_others_is_flagged_and_kept() {
        let odd = ring(&[19.47, 19.74, 19.46]);
        assert_eq!(odd.suspect_diameters(0.012), [1]);
        let summary = odd.summary(&table(), 0.0, 0.012).expect("inside the table");
        assert!((summary.mean_mm - (19.47 + 19.74 + 19.46) / 3.0).abs() < 1e-12);
        // Four times the floor of 0.01 mm, not of the micrometer's 0.003 mm.
        assert!(
            ring(&[19.47, 19.505, 19.47])
                .suspect_diameters(0.003)
                .is_empty()
        );
        assert_eq!(ring(&[19.47, 19.515, 19.47]).suspect_diameters(0.003), [1]);
        assert!(ring(&[19.47, 19.74]).suspect_diameters(0.012).is_empty());
    }

    #[test]
    fn nothing_measured_is_not_a_number_and_no_panic() {
        let empty = ring(&[]);
        assert!(empty.mean_mm().is_none());
        assert!(empty.ovality_mm().abs() < 1e-300);
        assert!(median(&[]).is_nan());
        assert!(empty.summary(&table(), 0.0, 0.012).is_err());
    }

    proptest! {
        #[test]
        fn the_mean_lies_within_the_diameters(d in proptest::collection::vec(19.2..20.0_f64, 1..24)) {
            let ring = ring(&d);
            let mean = ring.mean_mm().expect("at least one");
            let middle = median(&d);
            let (squares, freedom) = ring.scatter();
            for value in [mean, middle] {
                prop_assert!(d.iter().any(|x| *x <= value + 1e-9));
                prop_assert!(d.iter().any(|x| *x >= value - 1e-9));
            }
            prop_assert!(squares >= 0.0 && freedom < 24.0);
            prop_assert!(squares <= (freedom + 1.0) * ring.ovality_mm() * ring.ovality_mm() + 1e-12);
        }

        #[test]
        fn no_diameter_makes_a_ring_panic(d in proptest::collection::vec(any::<f64>(), 0..24)) {
            let ring = ring(&d);
            prop_assert!(ring.suspect_diameters(0.012).len() <= d.len());
            if let Ok(summary) = ring.summary(&table(), 0.0, 0.012) {
                prop_assert!(summary.temperature_c.is_finite());
            }
        }
    }
}
