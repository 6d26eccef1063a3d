//! What is known about the caliper or micrometer that measured a ring.

/// Slope of a ring table for which the biases of gauges are stated as temperatures, °C/mm; 2 °C for
/// 0.01 mm is typical near the middle of a table (common practice, no source).
pub const NOMINAL_SLOPE_C_PER_MM: f64 = -200.0;

/// What a check on a reference block found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockCheck {
    /// Measured minus nominal block length, mm; subtracted from every diameter.
    pub bias_mm: f64,
    /// Standard uncertainty of the check (block and repeatability together), mm.
    pub standard_uncertainty_mm: f64,
    /// False once the check is past its due date: the correction is kept but the permissible error
    /// returns to the budget.
    pub in_date: bool,
}

/// The gauge's part in the uncertainty of a diameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gauge {
    /// Display step, mm.
    pub resolution_mm: f64,
    /// Maximum permissible error, mm, half-width of a rectangular distribution (GUM 4.3.7).
    pub maximum_permissible_error_mm: f64,
    /// The latest check on a reference block, if any.
    pub check: Option<BlockCheck>,
    /// Pooled within-ring standard deviation of this gauge's history, mm, with its degrees of
    /// freedom (GUM H.3.6 note); none before there is a history.
    pub repeatability: Option<Pooled>,
}

/// A pooled standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pooled {
    /// Standard deviation of one measurement, mm.
    pub standard_deviation_mm: f64,
    /// Degrees of freedom behind it.
    pub degrees_of_freedom: f64,
}
