//! Control charts of one furnace over what its readings showed beyond what was expected of them.
//!
//! Expectations take batch and gauge into account as far as they were known, and the furnace's wandering. So
//! what is charted scatters around 0 as long as nothing changes.

use jiff::Timestamp;
use ringtrue_calibration::charts::cusum::{CusumDesign, cusum};
use ringtrue_calibration::charts::ewma::{EwmaDesign, EwmaLimits, ewma};
use ringtrue_calibration::charts::individuals::individuals;
use ringtrue_calibration::charts::{self, ChartPoint};

use crate::key::ReadingId;
use crate::tracking::{Surprise, TrackPoint};

/// The average: false alarms lie about 370 readings apart, as with limits of three standard deviations for
/// single values (Crowder 1987, from memory).
const AVERAGE: EwmaDesign = EwmaDesign {
    lambda: 0.25,
    limit: 2.898,
    limits: EwmaLimits::Asymptotic,
};

/// The sums: a shift of one standard deviation is found soonest, and false alarms lie about as far apart
/// (NIST/SEMATECH e-Handbook 6.3.2.3 gives the method, Montgomery the decision limit, from memory).
const SUMS: CusumDesign = CusumDesign {
    slack: 0.5,
    decision: 4.77,
};

/// Kinds of control charts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChartKind {
    /// Individual values.
    Individuals,
    /// Moving range of two.
    MovingRange,
    /// Exponentially weighted moving average.
    Ewma,
    /// Cumulative sums.
    Cusum,
}

/// One control chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Its kind.
    pub kind: ChartKind,
    /// Its title in words.
    pub title: &'static str,
    /// Unit of the values; empty for standard deviations.
    pub unit: &'static str,
    /// How it was made: constants and their source, in words.
    pub basis: String,
    /// Readings between false alarms when nothing changes; none where it depends on how well the limits are
    /// known.
    pub average_run_length: Option<f64>,
    /// Its points, earliest first.
    pub points: Vec<ChartedPoint>,
}

/// One point of a control chart.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartedPoint {
    /// The reading.
    pub reading: ReadingId,
    /// End of its firing.
    pub fired_at: Timestamp,
    /// The value; of cumulative sums the upper one.
    pub value: f64,
    /// Of cumulative sums the lower one, 0 or negative.
    pub lower_value: Option<f64>,
    /// Centre line.
    pub centre: f64,
    /// Upper control limit.
    pub upper_limit: f64,
    /// Lower control limit.
    pub lower_limit: f64,
    /// Whether the point lies beyond a limit.
    pub signal: bool,
}

/// Draws one chart of each kind over readings in order of firing. Those of which nothing was expected, as
/// the first, are left out; the charts begin with the first one given, and know nothing of earlier ones.
pub fn charts(points: &[TrackPoint]) -> Vec<Chart> {
    let mut charted: Vec<(&TrackPoint, Surprise)> = Vec::with_capacity(points.len());
    for point in points {
        if let Some(surprise) = point.surprise
            && (surprise.z * surprise.standard_deviation_c).is_finite()
        {
            charted.push((point, surprise));
        }
    }
    let mut residuals_c = Vec::with_capacity(charted.len());
    let mut standardised = Vec::with_capacity(charted.len());
    for (_, surprise) in &charted {
        residuals_c.push(surprise.z * surprise.standard_deviation_c);
        standardised.push(surprise.z);
    }
    let (singles, ranges) = match individuals(&residuals_c) {
        Some(chart) => (
            drawn(&charted, &chart.individuals),
            drawn(charted.get(1..).unwrap_or_default(), &chart.moving_ranges),
        ),
        None => (Vec::new(), Vec::new()),
    };
    vec![
        Chart {
            kind: ChartKind::Individuals,
            title: "Difference from what was expected",
            unit: "°C",
            basis: "mean ± 2.66 mean moving ranges, that is ± 3 standard deviations with d2 = 1.128 \
                    (NIST/SEMATECH e-Handbook 6.3.2.2); needs two readings"
                .to_owned(),
            average_run_length: None,
            points: singles,
        },
        Chart {
            kind: ChartKind::MovingRange,
            title: "Change from reading to reading of that difference",
            unit: "°C",
            basis: "upper limit 3.267 mean moving ranges, D4 for two (NIST/SEMATECH e-Handbook 6.3.2.2)"
                .to_owned(),
            average_run_length: None,
            points: ranges,
        },
        Chart {
            kind: ChartKind::Ewma,
            title: "Weighted average of the differences, in standard deviations",
            unit: "",
            basis: format!(
                "weight {} of the newest reading, limits ± {} standard deviations of the average, the \
                 same from the first reading on (NIST/SEMATECH e-Handbook 6.3.2.4)",
                AVERAGE.lambda, AVERAGE.limit
            ),
            average_run_length: charts::run_length::ewma(&AVERAGE, 0.0),
            points: drawn(&charted, &ewma(&standardised, 0.0, 1.0, &AVERAGE)),
        },
        Chart {
            kind: ChartKind::Cusum,
            title: "Cumulative sums of the differences, in standard deviations",
            unit: "",
            basis: format!(
                "slack {}, decision limit {} standard deviations; sums run on after a signal \
                 (NIST/SEMATECH e-Handbook 6.3.2.3)",
                SUMS.slack, SUMS.decision
            ),
            average_run_length: charts::run_length::cusum(&SUMS, 0.0),
            points: summed(&charted, &standardised),
        },
    ]
}

fn drawn(charted: &[(&TrackPoint, Surprise)], drawn: &[ChartPoint]) -> Vec<ChartedPoint> {
    let mut points = Vec::with_capacity(drawn.len());
    for ((point, _), at) in charted.iter().zip(drawn) {
        points.push(ChartedPoint {
            reading: point.reading.clone(),
            fired_at: point.fired_at,
            value: at.value,
            lower_value: None,
            centre: at.limits.centre,
            upper_limit: at.limits.upper,
            lower_limit: at.limits.lower,
            signal: at.signal.is_some(),
        });
    }
    points
}

fn summed(charted: &[(&TrackPoint, Surprise)], standardised: &[f64]) -> Vec<ChartedPoint> {
    let mut points = Vec::with_capacity(charted.len());
    for ((point, _), at) in charted.iter().zip(cusum(standardised, 0.0, &SUMS)) {
        points.push(ChartedPoint {
            reading: point.reading.clone(),
            fired_at: point.fired_at,
            value: at.sums.high,
            lower_value: Some(0.0 - at.sums.low),
            centre: 0.0,
            upper_limit: SUMS.decision,
            lower_limit: -SUMS.decision,
            signal: at.signal.is_some(),
        });
    }
    points
}
