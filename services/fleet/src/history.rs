//! A furnace's offset through time: what each reading showed, and how it looks with all that is known
//! today.
//!
//! It is worked out from the readings and events alone, so it does not matter under which variance
//! components the furnace's filter was kept.

mod charts;
mod separability;

use ringtrue_calibration::inference::{Chain, Estimate, Firing, smoothed};

use crate::event::FurnaceEvent;
use crate::knowledge::Knowledge;
use crate::tracking::{Placed, TrackPoint, TrackedOffset, prior_variances_c2, step};

pub use charts::{Chart, ChartKind, ChartedPoint, charts};
pub use separability::{Separability, separability};

/// One reading as it looks today.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointInHistory {
    /// What the gauge showed, with the estimated biases of all errors that other readings repeat taken off,
    /// °C at the firing's setpoint.
    pub corrected_offset_c: f64,
    /// Offset just after the firing, from the furnace's readings up to it; of the shared errors all is used
    /// that is known today.
    pub tracked: Estimate,
    /// Offset at the same moment, from all of the furnace's readings.
    pub smoothed: Estimate,
    /// Whether the reading counts at reduced weight, because it lies far off and nothing confirms it.
    pub at_reduced_weight: bool,
}

/// Looks back over readings, in order of firing and then of id; gives one point for each. Tracked and
/// smoothed offsets hold for the temperature `at_c`.
pub fn history(
    points: &[TrackPoint],
    events: &[FurnaceEvent],
    knowledge: &Knowledge,
    at_c: f64,
) -> Vec<PointInHistory> {
    let components = &knowledge.fit.components;
    let number = knowledge.fit.components_number;
    let mut tracked: Option<TrackedOffset> = None;
    let mut placed = Vec::with_capacity(points.len());
    let mut passed: Vec<(Chain, bool)> = Vec::with_capacity(points.len());
    for point in points {
        let mut place = Placed::of(tracked.as_ref(), events, point);
        place.columns = Vec::new();
        placed.push(place);
        let (after, counted) = step(tracked.as_ref(), events, point.clone(), components, number);
        let chain = Chain {
            sums: Vec::new(),
            ..after.chain.clone()
        };
        passed.push((chain, counted.inflation_c2 > 0.0));
        tracked = Some(after);
    }
    let Some(tracked) = tracked else {
        return Vec::new();
    };
    let effects = knowledge.of(&tracked.columns);
    let mut firings: Vec<Firing> = Vec::with_capacity(points.len());
    for (place, point) in placed.iter().zip(points) {
        firings.push(place.firing(point));
    }
    let variances_c2 = prior_variances_c2(&tracked.columns, components);
    let looked_back = smoothed(&firings, &variances_c2, components, &effects);
    let mut looked = Vec::with_capacity(points.len());
    for ((firing, (chain, at_reduced_weight)), state) in firings.iter().zip(passed).zip(looked_back)
    {
        let mut corrected_offset_c = firing.offset_c;
        for (column, coefficient) in firing.effects {
            corrected_offset_c -= coefficient * effects.mean_c(*column);
        }
        looked.push(PointInHistory {
            corrected_offset_c,
            tracked: chain.offset(&effects).estimate(at_c),
            smoothed: state.estimate(at_c),
            at_reduced_weight,
        });
    }
    looked
}

#[cfg(test)]
mod tests;
