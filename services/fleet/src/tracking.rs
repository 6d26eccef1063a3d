//! A furnace's offset through time: readings and events in, what is known out.

use jiff::Timestamp;
use ringtrue_calibration::offset::{Noise, Observed, OffsetState, followed};

use crate::event::{EventKind, FurnaceEvent};
use crate::key::{BatchId, GaugeId, ReadingId};

/// One evaluated reading as the tracking sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackPoint {
    /// The reading.
    pub reading: ReadingId,
    /// When its firing ended.
    pub fired_at: Timestamp,
    /// Setpoint of the firing, °C.
    pub setpoint_c: f64,
    /// Ring temperature minus setpoint, °C.
    pub observed_offset_c: f64,
    /// Standard uncertainty of what the next reading does not repeat, °C.
    pub independent_c: f64,
    /// Standard uncertainty of the biases that the next reading repeats, °C.
    pub shared_c: f64,
    /// Mean raw diameter of the first ring, mm; 0 for a thermocouple. Shows copied values.
    pub mean_mm: f64,
    /// The rings' batch; none for a thermocouple.
    pub batch: Option<BatchId>,
    /// The gauge; none for a thermocouple.
    pub gauge: Option<GaugeId>,
}

/// What is known of a furnace's offset after a reading. Derived: it can be worked out again from the
/// records with identical result.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackedOffset {
    /// The estimate.
    pub state: OffsetState,
    /// The reading taken into account last.
    pub last: TrackPoint,
    /// How many readings in a row, the last included, gave the same mean diameter to the last digit.
    pub same_mean_run: u32,
}

/// Longest time between two readings that confirm each other, days.
const CONFIRMING_DAYS: f64 = 14.0;

const SECONDS_PER_WEEK: f64 = 604_800.0;

/// Weeks from one moment to another.
pub fn weeks_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / SECONDS_PER_WEEK
}

/// The estimate carried forward to a later moment, with the events in between.
pub fn carried_forward(
    tracked: &TrackedOffset,
    events: &[FurnaceEvent],
    to: Timestamp,
    noise: &Noise,
) -> OffsetState {
    let mut variance_c2 = 0.0;
    let mut shift_c = 0.0;
    for (kind, shift) in between(events, tracked.last.fired_at, to) {
        variance_c2 += kind.offset_standard_deviation_c().powi(2);
        shift_c += shift;
    }
    let weeks = weeks_between(tracked.last.fired_at, to).max(0.0);
    tracked.state.predicted(weeks, variance_c2, shift_c, noise)
}

fn between(
    events: &[FurnaceEvent],
    after: Timestamp,
    until: Timestamp,
) -> impl Iterator<Item = (EventKind, f64)> {
    events.iter().filter_map(move |event| {
        let at = event.details.happened_at?;
        let kind = event.details.kind?;
        (at > after && at <= until).then_some((kind, event.details.offset_shift_c.unwrap_or(0.0)))
    })
}

/// Standard deviation of the bias between ring batches, °C (assumption until the network has learnt it).
const BATCH_BIAS_C: f64 = 2.0;

/// The assumptions for a reading: another batch or gauge than the reading before makes another error.
pub fn noise_for(before: Option<&TrackedOffset>, point: &TrackPoint) -> Noise {
    let noise = Noise::default();
    let Some(before) = before else { return noise };
    let last = &before.last;
    let changed_c2 = if last.gauge != point.gauge {
        last.shared_c.powi(2) + point.shared_c.powi(2)
    } else if last.batch != point.batch {
        2.0 * BATCH_BIAS_C.powi(2)
    } else {
        0.0
    };
    Noise {
        changed_bias_c: changed_c2.sqrt(),
        ..noise
    }
}

/// Takes one more reading into account.
pub fn step(
    before: Option<&TrackedOffset>,
    events: &[FurnaceEvent],
    point: TrackPoint,
) -> TrackedOffset {
    let noise = noise_for(before, &point);
    let prior = before.map(|tracked| carried_forward(tracked, events, point.fired_at, &noise));
    let confirmed = before.is_some_and(|tracked| confirms(tracked, events, &point));
    let observed = Observed {
        setpoint_c: point.setpoint_c,
        offset_c: point.observed_offset_c,
        independent_c: point.independent_c,
        shared_c: point.shared_c,
    };
    let state = followed(prior, &observed, confirmed, &noise).state;
    following(before, point, state)
}

/// The tracked offset after a reading whose estimate is already worked out.
pub fn following(
    before: Option<&TrackedOffset>,
    point: TrackPoint,
    state: OffsetState,
) -> TrackedOffset {
    let same_mean_run = match before {
        Some(tracked)
            if point.mean_mm > 0.0 && point.mean_mm.to_bits() == tracked.last.mean_mm.to_bits() =>
        {
            tracked.same_mean_run.saturating_add(1)
        }
        _ => 1,
    };
    TrackedOffset {
        state,
        last: point,
        same_mean_run,
    }
}

/// Works the offset out from all readings, in order of firing and then of id, and all events.
pub fn replayed(points: &[TrackPoint], events: &[FurnaceEvent]) -> Option<TrackedOffset> {
    let mut tracked: Option<TrackedOffset> = None;
    for point in points {
        tracked = Some(step(tracked.as_ref(), events, point.clone()));
    }
    tracked
}

/// Whether the reading before and this one agree closely enough, soon enough and with no event
/// between, for a large step to be trusted.
pub fn confirms(before: &TrackedOffset, events: &[FurnaceEvent], point: &TrackPoint) -> bool {
    let days = weeks_between(before.last.fired_at, point.fired_at) * 7.0;
    if !(0.0..=CONFIRMING_DAYS).contains(&days) {
        return false;
    }
    if between(events, before.last.fired_at, point.fired_at)
        .next()
        .is_some()
    {
        return false;
    }
    let spread_c = (point.independent_c.powi(2) + before.last.independent_c.powi(2)).sqrt();
    (point.observed_offset_c - before.last.observed_offset_c).abs() <= 2.0 * spread_c
}
