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
