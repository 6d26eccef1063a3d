//! What was exposed: how hot the production firings of a span truly were, as all readings before and after
//! tell it.
//!
//! The offset between two readings is the smoothed one of the furnace's own model: it wanders between them
//! and is held by both ends (a Brownian bridge where there is no drift). It is a statement about
//! temperatures. What becomes of a restoration is never said here.

mod decision;
mod span;

use jiff::Timestamp;
use ringtrue_calibration::decision::conformance_probability;
use ringtrue_calibration::inference::{Firing as Seen, OffsetState, smoothed};

use crate::event::FurnaceEvent;
use crate::firing::{Firing, Outcome};
use crate::knowledge::Knowledge;
use crate::tracking::{
    Happened, Placed, TrackPoint, TrackedOffset, happened, prior_variances_c2, step, weeks_between,
};

pub use decision::{Decision, DecisionDetails, DecisionOutcome};
pub use span::{Bound, JudgedReading, Span, span_of};

/// Standard uncertainty for where in the chamber a piece stood, °C (an assumption of this program): nobody
/// reports it.
pub const PLACE_SD_C: f64 = 3.0;

/// Probability of having been outside tolerance from which a firing is to be reviewed (an assumption of
/// this program; JCGM 106 leaves the risk to whoever decides).
pub const REVIEW_FROM: f64 = 0.05;

/// Probability from which it is to be reviewed first: more likely than not.
pub const REVIEW_FIRST_FROM: f64 = 0.5;

/// Coverage factor of expanded uncertainties.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// What to look at first. It says nothing about a restoration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Queue {
    /// Nothing asks for a review.
    NoAction,
    /// Review.
    Review,
    /// Review first.
    ReviewFirst,
}

/// What is estimated of one firing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposed {
    /// The estimate; none without any reading of the furnace.
    pub estimate: Option<PeakEstimate>,
    /// The estimate if the whole span had been as wrong as its worst reading.
    pub worst: Option<PeakEstimate>,
    /// What to look at first.
    pub queue: Queue,
    /// Whether it ended before the furnace's first reading, so that only later ones tell of it.
    pub before_first_reading: bool,
    /// Whether it ended after the furnace's last reading, so that only earlier ones tell of it.
    pub after_last_reading: bool,
}

/// A true peak temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakEstimate {
    /// °C.
    pub temperature_c: f64,
    /// Its standard uncertainty, place in the chamber included, °C.
    pub standard_uncertainty_c: f64,
    /// Probability of having been outside target ± tolerance.
    pub outside_probability: f64,
}

/// What exposures follow from.
#[derive(Debug, Clone, Copy)]
pub struct ExposureInput<'a> {
    /// The furnace's counted readings, in order of firing and id.
    pub points: &'a [TrackPoint],
    /// Its events.
    pub events: &'a [FurnaceEvent],
    /// What the network knows.
    pub knowledge: &'a Knowledge<'a>,
    /// Tolerance, ±°C.
    pub tolerance_c: f64,
    /// The span.
    pub span: Span,
}

/// Estimates each firing; they are given in order of their ends.
pub fn exposed(input: &ExposureInput, firings: &[Firing]) -> Vec<Exposed> {
    let ends: Vec<Timestamp> = firings
        .iter()
        .map(|firing| firing.details.ended_at.unwrap_or(Timestamp::UNIX_EPOCH))
        .collect();
    let states = offsets_at(input, &ends);
    let worst = worst_reading(input, &states);
    let first = input.points.first().map(|point| point.fired_at);
    let last = input.points.last().map(|point| point.fired_at);
    let mut all = Vec::with_capacity(firings.len());
    for ((firing, end), state) in firings.iter().zip(&ends).zip(&states.looks) {
        let peak = |state: &OffsetState| peak(firing, state, input.tolerance_c);
        let estimate = state.as_ref().map(peak);
        all.push(Exposed {
            queue: queue(firing, estimate.as_ref()),
            estimate,
            worst: worst.as_ref().map(peak),
            before_first_reading: first.is_some_and(|first| *end < first),
            after_last_reading: last.is_some_and(|last| *end > last),
        });
    }
    all
}

/// Whether a firing's programme ran to its end, so that its setpoint was reached and held.
pub fn ran_to_its_end(firing: &Firing) -> bool {
    matches!(firing.details.outcome, None | Some(Outcome::Completed))
}

fn queue(firing: &Firing, estimate: Option<&PeakEstimate>) -> Queue {
    let probability = estimate.map_or(REVIEW_FROM, |peak| peak.outside_probability);
    if probability >= REVIEW_FIRST_FROM {
        Queue::ReviewFirst
    } else if probability >= REVIEW_FROM || !ran_to_its_end(firing) {
        Queue::Review
    } else {
        Queue::NoAction
    }
}

fn peak(firing: &Firing, state: &OffsetState, tolerance_c: f64) -> PeakEstimate {
    let offset = state.estimate(firing.setpoint_c);
    let temperature_c = firing.setpoint_c + offset.offset_c;
    let standard_uncertainty_c = offset.standard_uncertainty_c.hypot(PLACE_SD_C);
    let error_c = temperature_c - firing.target_c;
    PeakEstimate {
        temperature_c,
        standard_uncertainty_c,
        outside_probability: 1.0
            - conformance_probability(error_c, standard_uncertainty_c, tolerance_c),
    }
}

/// Offsets as all readings tell them.
struct Offsets {
    /// At the moments asked for, in their order; none without any reading.
    looks: Vec<Option<OffsetState>>,
    /// At the readings.
    readings: Vec<OffsetState>,
}

/// A moment of the furnace's record.
#[derive(Clone, Copy)]
enum Moment<'a> {
    Reading(&'a TrackPoint),
    Look(Timestamp),
}

impl Moment<'_> {
    fn at(&self) -> Timestamp {
        match self {
            Self::Reading(point) => point.fired_at,
            Self::Look(at) => *at,
        }
    }
}

/// The smoothed offset at some moments. A moment without a reading takes its place in the record as a
/// firing that says nothing: the filter carries its estimate there and the way back brings what later
/// readings say, so the bridge between two readings is exact and no other formula is needed.
fn offsets_at(input: &ExposureInput, ends: &[Timestamp]) -> Offsets {
    let Some(first) = input.points.first() else {
        return Offsets {
            looks: vec![None; ends.len()],
            readings: Vec::new(),
        };
    };
    let moments = in_order(input.points, ends, first.fired_at);
    let components = &input.knowledge.fit.components;
    let number = input.knowledge.fit.components_number;
    let mut tracked: Option<TrackedOffset> = None;
    let mut placed: Vec<(Placed, Option<&TrackPoint>)> = Vec::with_capacity(moments.len());
    let mut before = first.fired_at;
    for moment in &moments {
        let since = happened(input.events, before, moment.at());
        let weeks = weeks_between(before, moment.at());
        match moment {
            Moment::Look(_) => placed.push((nothing_seen(since, weeks), None)),
            Moment::Reading(point) => {
                let mut place = Placed::of(tracked.as_ref(), input.events, point);
                place.columns = Vec::new();
                if tracked.is_some() {
                    (place.since, place.weeks) = (since, weeks);
                }
                placed.push((place, Some(point)));
                let point = TrackPoint::clone(point);
                let after = step(tracked.as_ref(), input.events, point, components, number);
                tracked = Some(after.0);
            }
        }
        before = moment.at();
    }
    let columns = tracked.map(|tracked| tracked.columns).unwrap_or_default();
    let mut firings: Vec<Seen> = Vec::with_capacity(placed.len());
    for (place, point) in &placed {
        firings.push(match point {
            Some(point) => place.firing(point),
            None => silent(place, first.setpoint_c),
        });
    }
    let effects = input.knowledge.of(&columns);
    let variances_c2 = prior_variances_c2(&columns, components);
    let states = smoothed(&firings, &variances_c2, components, &effects);
    sorted_out(input, ends, &moments, states)
}

/// Readings and looks in order; a look at the moment of a reading comes after it. Looks before the first
/// reading are left out: the filter knows nothing there.
fn in_order<'a>(points: &'a [TrackPoint], ends: &[Timestamp], first: Timestamp) -> Vec<Moment<'a>> {
    let mut looks: Vec<Timestamp> = ends.iter().copied().filter(|end| *end >= first).collect();
    looks.sort_unstable();
    looks.dedup();
    let mut looks = looks.into_iter().peekable();
    let mut moments = Vec::with_capacity(points.len() + ends.len());
    for point in points {
        while let Some(look) = looks.next_if(|look| *look < point.fired_at) {
            moments.push(Moment::Look(look));
        }
        moments.push(Moment::Reading(point));
    }
    moments.extend(looks.map(Moment::Look));
    moments
}

fn nothing_seen(since: Happened, weeks: f64) -> Placed {
    Placed {
        entries: Vec::new(),
        columns: Vec::new(),
        since,
        weeks,
    }
}

/// A firing of which no reading was made.
fn silent(place: &Placed, setpoint_c: f64) -> Seen<'_> {
    Seen {
        weeks: place.weeks,
        setpoint_c,
        offset_c: 0.0,
        variance_c2: f64::INFINITY,
        event_variance_c2: place.since.variance_c2,
        redraws_slope: place.since.redraws_slope,
        shift_c: place.since.shift_c,
        effects: &[],
    }
}

fn sorted_out(
    input: &ExposureInput,
    ends: &[Timestamp],
    moments: &[Moment],
    states: Vec<OffsetState>,
) -> Offsets {
    let mut readings = Vec::with_capacity(input.points.len());
    let mut looks: Vec<(Timestamp, OffsetState)> = Vec::with_capacity(ends.len());
    for (moment, state) in moments.iter().zip(states) {
        match moment {
            Moment::Reading(_) => readings.push(state),
            Moment::Look(at) => looks.push((*at, state)),
        }
    }
    let first = input.points.first().zip(readings.first());
    let found = |end: &Timestamp| {
        let (point, earliest) = first?;
        if *end < point.fired_at {
            return Some(before_first(input, earliest, point.fired_at, *end));
        }
        let at = looks.binary_search_by(|(at, _)| at.cmp(end)).ok()?;
        looks.get(at).map(|(_, state)| *state)
    };
    Offsets {
        looks: ends.iter().map(found).collect(),
        readings,
    }
}

/// The offset before the first reading: a wandering level has no direction in time, so it is carried back
/// as it would be carried forward, the drift turned round.
fn before_first(
    input: &ExposureInput,
    earliest: &OffsetState,
    first: Timestamp,
    end: Timestamp,
) -> OffsetState {
    let since = happened(input.events, end, first);
    let mut turned = *earliest;
    turned.slope_c_per_week = -earliest.slope_c_per_week;
    for at in [0, 2] {
        turned.covariance[1][at] = -turned.covariance[1][at];
        turned.covariance[at][1] = -turned.covariance[at][1];
    }
    turned.predicted(
        weeks_between(end, first),
        since.variance_c2,
        since.redraws_slope,
        -since.shift_c,
        &input.knowledge.fit.components,
    )
}

/// The offset at the reading of the span, or next to it, that lies farthest from zero.
fn worst_reading(input: &ExposureInput, offsets: &Offsets) -> Option<OffsetState> {
    let span = &input.span;
    let after_span = input.points.partition_point(|p| p.fired_at <= span.end);
    let before_span = input.points.partition_point(|p| p.fired_at < span.start);
    let from = before_span.saturating_sub(1);
    let until = (after_span + 1).min(offsets.readings.len());
    let at =
        |point: &TrackPoint, state: &OffsetState| state.estimate(point.setpoint_c).offset_c.abs();
    let mut worst: Option<(f64, &OffsetState)> = None;
    for (point, state) in input
        .points
        .iter()
        .zip(&offsets.readings)
        .take(until)
        .skip(from)
    {
        let size_c = at(point, state);
        if worst.is_none_or(|(largest_c, _)| size_c > largest_c) {
            worst = Some((size_c, state));
        }
    }
    worst.map(|(_, state)| *state)
}

#[cfg(test)]
mod tests;
