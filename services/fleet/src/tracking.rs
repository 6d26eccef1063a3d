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

/// Shortest time between the ends of two firings, hours: heating up, the hold and cooling down take
/// longer (common practice, no source). Anything less is one firing reported twice.
const ANOTHER_FIRING_HOURS: f64 = 1.0;

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

/// Shared uncertainties that differ by more than this factor are not of the same errors; the table's
/// slope alone changes them by less between readings of one programme.
const SAME_BIAS_WITHIN: f64 = 1.2;

/// The assumptions for a reading: another batch or gauge than the reading before makes another error.
///
/// So does the same gauge once a check on a reference block has corrected it, which shows in a smaller
/// shared uncertainty: what was taken off is the difference of the variances.
pub fn noise_for(before: Option<&TrackedOffset>, point: &TrackPoint) -> Noise {
    let noise = Noise::default();
    let Some(before) = before else { return noise };
    let last = &before.last;
    let (smaller_c, larger_c) = (
        last.shared_c.min(point.shared_c),
        last.shared_c.max(point.shared_c),
    );
    let mut changed_c2 = 0.0;
    if last.gauge == point.gauge {
        if last.batch != point.batch {
            changed_c2 += 2.0 * BATCH_BIAS_C.powi(2);
        }
        if larger_c > SAME_BIAS_WITHIN * smaller_c {
            changed_c2 += larger_c.powi(2) - smaller_c.powi(2);
        }
    } else {
        changed_c2 = last.shared_c.powi(2) + point.shared_c.powi(2);
    }
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
        Some(tracked) if point.mean_mm > 0.0 && same_mean(point.mean_mm, tracked.last.mean_mm) => {
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

/// Whether two mean diameters, mm, are the same to the last digit; the order in which diameters were
/// typed changes a sum's last bits.
pub(crate) fn same_mean(one_mm: f64, other_mm: f64) -> bool {
    (one_mm - other_mm).abs() < 1e-9
}

/// The offset the reading before showed, with what was entered in the controller since, °C; none when
/// something else happened to the furnace since.
pub(crate) fn last_offset_shifted_c(
    tracked: &TrackedOffset,
    events: &[FurnaceEvent],
    to: Timestamp,
) -> Option<f64> {
    let mut offset_c = tracked.last.observed_offset_c;
    for (kind, shift_c) in between(events, tracked.last.fired_at, to) {
        if kind != EventKind::ControllerOffsetChanged {
            return None;
        }
        offset_c += shift_c;
    }
    Some(offset_c)
}

/// Works the offset out from all readings, in order of firing and then of id, and all events.
pub fn replayed(points: &[TrackPoint], events: &[FurnaceEvent]) -> Option<TrackedOffset> {
    let mut tracked: Option<TrackedOffset> = None;
    for point in points {
        tracked = Some(step(tracked.as_ref(), events, point.clone()));
    }
    tracked
}

/// What a furnace's history says about one firing among its readings.
#[derive(Debug, Clone, PartialEq)]
pub struct AsOf {
    /// What was known of the offset just before the firing.
    pub tracked: Option<TrackedOffset>,
    /// Whether a later firing is on record.
    pub newer_reading: bool,
}

/// Looks at a furnace's history as of a firing: the readings before it, by end of firing and then by id,
/// without the reading that it corrects.
pub fn as_of(
    mut points: Vec<TrackPoint>,
    events: &[FurnaceEvent],
    fired_at: Timestamp,
    reading: &ReadingId,
    corrected: Option<&ReadingId>,
) -> AsOf {
    points.retain(|point| Some(&point.reading) != corrected);
    let count = points.len();
    points.retain(|point| (point.fired_at, &point.reading) < (fired_at, reading));
    AsOf {
        tracked: replayed(&points, events),
        newer_reading: points.len() < count,
    }
}

/// Whether the reading before and this one are of two firings and agree closely enough, soon enough
/// and with no event between, for a large step to be trusted.
pub fn confirms(before: &TrackedOffset, events: &[FurnaceEvent], point: &TrackPoint) -> bool {
    let days = weeks_between(before.last.fired_at, point.fired_at) * 7.0;
    if !(ANOTHER_FIRING_HOURS / 24.0..=CONFIRMING_DAYS).contains(&days) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::EventDetails;
    use crate::key::{EventId, EventKey, FurnaceId, FurnaceKey, SiteId};

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a moment")
    }

    fn point(fired_at: &str, observed_offset_c: f64) -> TrackPoint {
        TrackPoint {
            reading: ReadingId::new("r1").expect("an id"),
            fired_at: at(fired_at),
            setpoint_c: 1500.0,
            observed_offset_c,
            independent_c: 2.1,
            shared_c: 4.0,
            mean_mm: 19.47,
            batch: Some(BatchId::new("b1").expect("an id")),
            gauge: Some(GaugeId::new("g1").expect("an id")),
        }
    }

    fn event(kind: EventKind, happened_at: &str, offset_shift_c: Option<f64>) -> FurnaceEvent {
        FurnaceEvent {
            key: EventKey {
                furnace: FurnaceKey {
                    site: SiteId::new("porto").expect("an id"),
                    furnace: FurnaceId::new("k2").expect("an id"),
                },
                event: EventId::new("e1").expect("an id"),
            },
            details: EventDetails {
                kind: Some(kind),
                happened_at: Some(at(happened_at)),
                offset_shift_c,
                note: String::new(),
                performed_by: String::new(),
            },
            received_at: at(happened_at),
        }
    }

    #[test]
    fn one_firing_reported_twice_confirms_nothing() {
        let first = step(None, &[], point("2026-11-20T18:00:00Z", 45.0));
        for again in ["2026-11-20T18:00:00Z", "2026-11-20T18:20:00Z"] {
            assert!(!confirms(&first, &[], &point(again, 45.5)), "{again}");
        }
        assert!(confirms(&first, &[], &point("2026-11-21T18:00:00Z", 45.5)));
        assert!(!confirms(&first, &[], &point("2026-11-21T18:00:00Z", 60.0)));
        assert!(!confirms(&first, &[], &point("2026-12-05T18:00:00Z", 45.5)));
        let moved = [event(EventKind::Moved, "2026-11-21T08:00:00Z", None)];
        assert!(!confirms(
            &first,
            &moved,
            &point("2026-11-21T18:00:00Z", 45.5)
        ));
    }

    #[test]
    fn a_check_of_the_gauge_is_a_change_of_bias_and_a_slope_is_not() {
        let first = step(None, &[], point("2026-11-20T18:00:00Z", 12.0));
        let same = point("2026-11-27T18:00:00Z", 12.0);
        assert!(noise_for(Some(&first), &same).changed_bias_c < 1e-12);
        let steeper = TrackPoint {
            shared_c: 4.4,
            ..same.clone()
        };
        assert!(noise_for(Some(&first), &steeper).changed_bias_c < 1e-12);
        // The caliper was found to read wrong by 6 °C worth; the furnace has not changed.
        let checked = TrackPoint {
            shared_c: 2.3,
            observed_offset_c: 6.0,
            ..same
        };
        let changed = noise_for(Some(&first), &checked).changed_bias_c;
        assert!((changed - (16.0_f64 - 2.3 * 2.3).sqrt()).abs() < 1e-12);
        let after = step(Some(&first), &[], checked);
        let estimate = after.state.estimate(1500.0);
        assert!(estimate.offset_c < 8.5, "{estimate:?}");
        assert!(estimate.standard_uncertainty_c < 4.0, "{estimate:?}");
    }

    #[test]
    fn another_batch_differs_from_the_one_before_by_both_their_biases() {
        let first = step(None, &[], point("2026-11-20T18:00:00Z", 12.0));
        let other = TrackPoint {
            batch: Some(BatchId::new("b2").expect("an id")),
            ..point("2026-11-27T18:00:00Z", 12.0)
        };
        let changed = noise_for(Some(&first), &other).changed_bias_c;
        assert!((changed - 8.0_f64.sqrt()).abs() < 1e-12);
        // Two batches average their errors; no more than that is claimed.
        let shared_c = step(Some(&first), &[], other).state.shared_c;
        assert!((shared_c - 4.0).abs() < 1e-12);
    }

    #[test]
    fn a_late_event_and_a_replay_give_the_same_bits_as_in_order() {
        let readings = [
            point("2026-11-06T18:00:00Z", 12.0),
            point("2026-11-13T18:00:00Z", 13.0),
            point("2026-11-20T18:00:00Z", 31.0),
            point("2026-11-21T18:00:00Z", 30.0),
        ];
        let events = [event(
            EventKind::ElementsReplaced,
            "2026-11-16T08:00:00Z",
            None,
        )];
        let mut one_by_one: Option<TrackedOffset> = None;
        for reading in &readings {
            one_by_one = Some(step(one_by_one.as_ref(), &events, reading.clone()));
        }
        assert_eq!(replayed(&readings, &events), one_by_one);
        assert_ne!(replayed(&readings, &[]), one_by_one);
    }

    #[test]
    fn the_offset_before_moves_by_what_was_entered_and_is_gone_after_a_repair() {
        let first = step(None, &[], point("2026-11-20T18:00:00Z", 12.0));
        let to = at("2026-11-27T18:00:00Z");
        let shifted = |events: &[FurnaceEvent]| last_offset_shifted_c(&first, events, to);
        assert!((shifted(&[]).expect("nothing happened") - 12.0).abs() < 1e-12);
        let entered = event(
            EventKind::ControllerOffsetChanged,
            "2026-11-22T08:00:00Z",
            Some(-12.0),
        );
        let now = shifted(std::slice::from_ref(&entered)).expect("a known shift");
        assert!(now.abs() < 1e-12);
        let repair = event(EventKind::Repair, "2026-11-23T08:00:00Z", None);
        assert_eq!(shifted(&[entered, repair]), None);
    }

    #[test]
    fn the_same_diameters_in_another_order_are_the_same_mean() {
        let sum = |a: f64, b: f64, c: f64| (a + b + c) / 3.0;
        let first = step(None, &[], point("2026-11-20T18:00:00Z", 12.0));
        let first = TrackedOffset {
            last: TrackPoint {
                mean_mm: sum(0.1, 0.2, 0.3),
                ..first.last
            },
            ..first
        };
        let again = TrackPoint {
            mean_mm: sum(0.3, 0.2, 0.1),
            ..point("2026-11-27T18:00:00Z", 12.0)
        };
        assert_ne!(again.mean_mm.to_bits(), first.last.mean_mm.to_bits());
        assert_eq!(step(Some(&first), &[], again).same_mean_run, 2);
    }
}
