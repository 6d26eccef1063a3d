//! Tests of exposures.

use jiff::Timestamp;
use jiff::civil::date;
use ringtrue_calibration::decision::Advice;
use ringtrue_calibration::inference::Components;

use super::*;
use crate::event::{EventDetails, EventKind};
use crate::firing::FiringDetails;
use crate::key::{
    EventId, EventKey, FiringId, FiringKey, FurnaceId, FurnaceKey, ReadingId, ReportId, SiteId,
};
use crate::knowledge::Fit;

const WEEK_S: f64 = 604_800.0;

fn at(weeks: f64) -> Timestamp {
    #[expect(clippy::cast_possible_truncation, reason = "some hundred weeks")]
    let seconds = (weeks * WEEK_S).round() as i64;
    Timestamp::from_second(1_800_000_000 + seconds).expect("a moment")
}

fn site() -> SiteId {
    SiteId::new("porto").expect("an id")
}

fn furnace() -> FurnaceKey {
    FurnaceKey {
        site: site(),
        furnace: FurnaceId::new("k2").expect("an id"),
    }
}

/// A reading without errors that others repeat.
fn point(weeks: f64, observed_offset_c: f64, sd_c: f64) -> TrackPoint {
    TrackPoint {
        reading: ReadingId::new(&format!("r{}", at(weeks).as_second())).expect("an id"),
        fired_at: at(weeks),
        setpoint_c: 1500.0,
        observed_offset_c,
        removed_c: 0.0,
        independent_c: sd_c,
        shared_c: 0.0,
        effects: Vec::new(),
        surprise: None,
        mean_mm: 0.0,
        batch: None,
        gauge: None,
    }
}

fn firing(weeks: f64, setpoint_c: f64, outcome: Option<Outcome>) -> Firing {
    Firing {
        key: FiringKey {
            furnace: furnace(),
            firing: FiringId::new(&format!("f{}", at(weeks).as_second())).expect("an id"),
        },
        details: FiringDetails {
            started_at: Some(at(weeks - 0.05)),
            ended_at: Some(at(weeks)),
            outcome,
            ..FiringDetails::default()
        },
        report: ReportId::new("p1").expect("an id"),
        place: 0,
        setpoint_c,
        target_c: 1500.0,
        hours_hot: 2.0,
        ended_on: date(2027, 1, 15),
        received_at: at(weeks),
        amends: None,
        amend_reason: String::new(),
    }
}

/// A furnace that wanders and neither drifts nor depends on the set temperature; every reading counts in
/// full.
fn wandering(wander_c2_per_week: f64) -> Fit {
    Fit {
        components: Components {
            wander_c2_per_week,
            slope_sd_c_per_week: 0.0,
            coefficient_sd_c_per_100c: 0.0,
            bound_z: f64::INFINITY,
            ..Components::default()
        },
        ..Fit::default()
    }
}

fn looked(
    fit: &Fit,
    points: &[TrackPoint],
    events: &[FurnaceEvent],
    firings: &[Firing],
) -> Vec<Exposed> {
    let input = ExposureInput {
        points,
        events,
        knowledge: &Knowledge {
            site: &site(),
            fit,
            site_fit: None,
            checks: &[],
        },
        tolerance_c: 15.0,
        span: Span {
            start: at(-1000.0),
            start_reason: Bound::Asked,
            end: at(1000.0),
            end_reason: Bound::Asked,
        },
    };
    exposed(&input, firings)
}

/// Two readings with the same noise on a level that starts anywhere and gains
/// some variance between them: the posterior of
/// both levels from their 2 x 2 precision matrix, and between them the law of a Brownian motion whose ends
/// are given (mean linear, variance q T f (1 - f); any textbook, e.g. Durbin & Koopman 2012, chapter 2.4
/// for the local level).
fn bridged(seen_c: [f64; 2], noise_c2: f64, gained_c2: f64, share: f64) -> (f64, f64) {
    let (own, cross) = (1.0 / noise_c2 + 1.0 / gained_c2, -1.0 / gained_c2);
    let determinant = own * own - cross * cross;
    let (variance, covariance) = (own / determinant, -cross / determinant);
    let first_c = (variance * seen_c[0] + covariance * seen_c[1]) / noise_c2;
    let last_c = (covariance * seen_c[0] + variance * seen_c[1]) / noise_c2;
    let rest = 1.0 - share;
    let ends = (rest * rest + share * share) * variance + 2.0 * share * rest * covariance;
    (
        rest * first_c + share * last_c,
        ends + gained_c2 * share * rest,
    )
}

#[test]
fn between_two_readings_the_offset_is_a_bridge() {
    let (q, weeks) = (0.4, 8.0);
    let points = [point(0.0, 0.0, 3.0), point(weeks, 22.0, 3.0)];
    for f in [0.1, 0.25, 0.5, 0.75, 0.9] {
        let firings = [firing(f * weeks, 1500.0, None)];
        let seen = looked(&wandering(q), &points, &[], &firings);
        let peak = seen[0].estimate.expect("there are readings");
        let (offset_c, variance_c2) = bridged([0.0, 22.0], 9.0, q * weeks, f);
        assert!(
            (peak.temperature_c - 1500.0 - offset_c).abs() < 1e-6,
            "{f}: {peak:?} {offset_c}"
        );
        let u = (variance_c2 + PLACE_SD_C * PLACE_SD_C).sqrt();
        assert!(
            (peak.standard_uncertainty_c - u).abs() < 1e-6,
            "{f}: {peak:?} {u}"
        );
        assert!(!seen[0].before_first_reading && !seen[0].after_last_reading);
    }
}

#[test]
fn many_looks_at_once_are_the_same_as_one_after_the_other() {
    let fit = Fit::default();
    let points: Vec<TrackPoint> = (0..12)
        .map(|n| {
            point(
                2.0 * f64::from(n),
                f64::from(n) - 3.0 * f64::from(n % 2),
                3.0,
            )
        })
        .collect();
    let firings: Vec<Firing> = (-40..320)
        .map(|n| firing(0.09 * f64::from(n), 1490.0, None))
        .collect();
    let together = looked(&fit, &points, &[], &firings);
    for (firing, seen) in firings.iter().zip(&together).step_by(17) {
        let alone = looked(&fit, &points, &[], std::slice::from_ref(firing));
        let (one, other) = (
            seen.estimate.expect("readings"),
            alone[0].estimate.expect("readings"),
        );
        assert!((one.temperature_c - other.temperature_c).abs() < 1e-9);
        assert!((one.standard_uncertainty_c - other.standard_uncertainty_c).abs() < 1e-9);
    }
}

#[test]
fn before_the_first_reading_it_grows_less_certain_and_after_the_last_as_well() {
    let points = [point(0.0, 20.0, 3.0), point(2.0, 21.0, 3.0)];
    let firings = [
        firing(-8.0, 1500.0, None),
        firing(-1.0, 1500.0, None),
        firing(1.0, 1500.0, None),
        firing(3.0, 1500.0, None),
        firing(10.0, 1500.0, None),
    ];
    let seen = looked(&wandering(0.4), &points, &[], &firings);
    let u: Vec<f64> = seen
        .iter()
        .map(|one| one.estimate.expect("readings").standard_uncertainty_c)
        .collect();
    assert!(
        u[0] > u[1] && u[1] > u[2] && u[2] < u[3] && u[3] < u[4],
        "{u:?}"
    );
    assert!(seen[0].before_first_reading && seen[4].after_last_reading);
    // Hot by 20 °C with a tolerance of 15 °C, and without drift for weeks before.
    assert_eq!(seen[1].queue, Queue::ReviewFirst);
    let first = seen[1].estimate.expect("readings");
    assert!((first.temperature_c - 1520.4).abs() < 0.5, "{first:?}");
}

#[test]
fn a_change_of_the_controller_divides_what_was_fired_before_it_from_what_was_after() {
    let shifted = FurnaceEvent {
        key: EventKey {
            furnace: furnace(),
            event: EventId::new("e1").expect("an id"),
        },
        details: EventDetails {
            kind: Some(EventKind::ControllerOffsetChanged),
            happened_at: Some(at(2.0)),
            offset_shift_c: Some(-20.0),
            note: String::new(),
            performed_by: String::new(),
        },
        received_at: at(2.0),
    };
    let points = [point(0.0, 20.0, 1.0), point(4.0, 0.0, 1.0)];
    let firings = [firing(1.9, 1500.0, None), firing(2.1, 1500.0, None)];
    let seen = looked(&wandering(0.01), &points, &[shifted], &firings);
    let temperature = |at: usize| seen[at].estimate.expect("readings").temperature_c;
    assert!((temperature(0) - 1520.0).abs() < 1.0, "{}", temperature(0));
    assert!((temperature(1) - 1500.0).abs() < 1.0, "{}", temperature(1));
    // The worst case holds the whole span against the reading of 20 °C.
    let worst = seen[1].worst.expect("readings").temperature_c;
    assert!((worst - 1520.0).abs() < 1.0, "{worst}");
}

#[test]
fn without_readings_and_without_a_whole_firing_a_review_is_asked_for() {
    let firings = [firing(1.0, 1500.0, None)];
    let seen = looked(&wandering(0.4), &[], &[], &firings);
    assert_eq!((seen[0].estimate, seen[0].queue), (None, Queue::Review));
    let points = [point(0.0, 0.0, 1.0), point(2.0, 0.0, 1.0)];
    let fit = wandering(0.01);
    let whole = looked(
        &fit,
        &points,
        &[],
        &[firing(1.0, 1500.0, Some(Outcome::Completed))],
    );
    assert_eq!(whole[0].queue, Queue::NoAction);
    for broken in [Outcome::Aborted, Outcome::PowerLost] {
        let seen = looked(&fit, &points, &[], &[firing(1.0, 1500.0, Some(broken))]);
        assert_eq!(seen[0].queue, Queue::Review, "{broken:?}");
    }
}

#[test]
fn the_setpoint_of_the_firing_counts_and_not_that_of_the_readings() {
    let points = [point(0.0, 20.0, 1.0), point(2.0, 20.0, 1.0)];
    let mended = firing(1.0, 1480.0, None);
    let seen = looked(&wandering(0.01), &points, &[], &[mended]);
    let peak = seen[0].estimate.expect("readings");
    assert!((peak.temperature_c - 1500.0).abs() < 0.5, "{peak:?}");
    assert_eq!(seen[0].queue, Queue::NoAction);
}

fn judged(weeks: f64, conformance: Option<f64>) -> JudgedReading {
    JudgedReading {
        reading: ReadingId::new(&format!("r{}", at(weeks).as_second())).expect("an id"),
        fired_at: at(weeks),
        conformance,
        advice: Some(Advice::Leave),
    }
}

#[test]
fn a_reading_that_was_to_be_fired_again_ends_no_suspicion() {
    let doubtful = JudgedReading {
        advice: Some(Advice::FireAgain),
        ..judged(4.0, Some(0.99))
    };
    let readings = [judged(0.0, Some(0.99)), doubtful, judged(8.0, Some(0.02))];
    let span = span_of(&readings[2].reading, &readings, &[], None, at(9.0));
    assert_eq!(span.expect("on record").start, at(0.0));
}

#[test]
fn suspicion_reaches_from_the_last_reading_within_tolerance_to_the_mending() {
    let readings = [
        judged(0.0, Some(0.99)),
        judged(4.0, Some(0.7)),
        judged(8.0, Some(0.02)),
        judged(12.0, Some(0.97)),
    ];
    let reading = readings[2].reading.clone();
    let span = |adjusted: &[Timestamp], readings: &[JudgedReading]| {
        span_of(&reading, readings, adjusted, Some(at(-5.0)), at(20.0)).expect("on record")
    };
    let mended = span(&[at(7.0), at(8.5), at(13.0)], &readings);
    assert_eq!((mended.start, mended.end), (at(0.0), at(8.5)));
    assert_eq!(mended.end_reason, Bound::Adjusted);
    let by_itself = span(&[at(7.0)], &readings);
    assert_eq!(
        (by_itself.end, by_itself.end_reason),
        (at(12.0), Bound::WithinTolerance)
    );
    let open = span(&[], &readings[..3]);
    assert_eq!((open.end, open.end_reason), (at(20.0), Bound::Now));
    let never_within = span(&[], &readings[1..3]);
    assert_eq!(
        (never_within.start, never_within.start_reason),
        (at(-5.0), Bound::FirstFiring)
    );
    let unknown = ReadingId::new("other").expect("an id");
    assert_eq!(span_of(&unknown, &readings, &[], None, at(20.0)), None);
}
