//! What a furnace's filter makes of readings, events, other gauges and checks; and the invented readings
//! that other tests use as well.

use super::*;
use crate::event::EventDetails;
use crate::gauge::{CheckDetails, GaugeCheck};
use crate::key::{CheckId, CheckKey, EventId, EventKey, FurnaceId, FurnaceKey, GaugeKey, SiteId};
use crate::knowledge::Fit;

pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

pub(crate) fn porto() -> SiteId {
    SiteId::new("porto").expect("an id")
}

pub(crate) fn gauge(id: &str, epoch: u32) -> Effect {
    Effect::Gauge {
        gauge: GaugeId::new(id).expect("an id"),
        epoch,
        unchecked: false,
    }
}

pub(crate) fn batch(id: &str) -> Effect {
    Effect::Batch(BatchId::new(id).expect("an id"))
}

/// Standard deviations of a caliper's and of a batch's bias, °C: ±0.03 mm and the assumption for batches.
pub(crate) const CALIPER_C: f64 = 3.5;
pub(crate) const BATCH_C: f64 = 2.0;

/// A reading with a caliper and rings of a batch, neither of them checked.
pub(crate) fn point_with(
    fired_at: &str,
    observed_offset_c: f64,
    caliper: &str,
    rings: &str,
) -> TrackPoint {
    let part = |effect: Effect, sd_c: f64| PointEffect {
        effect,
        coefficient: 1.0,
        sd_c,
    };
    TrackPoint {
        reading: ReadingId::new("r1").expect("an id"),
        fired_at: at(fired_at),
        setpoint_c: 1500.0,
        observed_offset_c,
        removed_c: 0.0,
        independent_c: 2.1,
        shared_c: 4.0,
        effects: vec![
            part(gauge(caliper, 0), CALIPER_C),
            part(batch(rings), BATCH_C),
        ],
        surprise: None,
        mean_mm: 19.47,
        batch: Some(BatchId::new(rings).expect("an id")),
        gauge: Some(GaugeId::new(caliper).expect("an id")),
    }
}

fn point(fired_at: &str, observed_offset_c: f64) -> TrackPoint {
    point_with(fired_at, observed_offset_c, "g1", "b1")
}

/// A check of a caliper on a reference block.
pub(crate) fn check(id: &str, caliper: &str, checked_at: &str, bias_mm: f64) -> GaugeCheck {
    GaugeCheck {
        key: CheckKey {
            gauge: GaugeKey {
                site: porto(),
                gauge: GaugeId::new(caliper).expect("an id"),
            },
            check: CheckId::new(id).expect("an id"),
        },
        details: CheckDetails {
            nominal_mm: 20.0,
            measured_mm: vec![20.0 + bias_mm],
            block_standard_uncertainty_mm: 0.0005,
            checked_at: Some(at(checked_at)),
            performed_by: String::new(),
            note: String::new(),
        },
        bias_mm,
        standard_uncertainty_mm: 0.005,
        received_at: at(checked_at),
    }
}

fn event(kind: EventKind, happened_at: &str, offset_shift_c: Option<f64>) -> FurnaceEvent {
    FurnaceEvent {
        key: EventKey {
            furnace: FurnaceKey {
                site: porto(),
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

/// Takes one more reading with the assumptions before anything was learnt.
pub(crate) fn stepped(
    before: Option<&TrackedOffset>,
    events: &[FurnaceEvent],
    point: TrackPoint,
) -> (TrackedOffset, Counted) {
    step(before, events, point, &Components::default(), 0)
}

fn first(point: TrackPoint) -> TrackedOffset {
    stepped(None, &[], point).0
}

/// What is known of a site before any fit.
pub(crate) fn unfitted<'a>(
    site: &'a SiteId,
    fit: &'a Fit,
    checks: &'a [(GaugeId, Vec<GaugeCheck>)],
) -> Knowledge<'a> {
    Knowledge {
        site,
        fit,
        site_fit: None,
        checks,
    }
}

#[test]
fn one_firing_reported_twice_confirms_nothing() {
    let first = first(point("2026-11-20T18:00:00Z", 45.0));
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
fn a_check_between_two_firings_hides_neither_their_agreement_nor_a_change() {
    let first = first(point("2026-11-20T18:00:00Z", 45.0));
    // The caliper was found to show 6 °C too much: the same diameters are now 39 °C.
    let checked = |observed_offset_c: f64| TrackPoint {
        removed_c: 6.0,
        ..point("2026-11-21T18:00:00Z", observed_offset_c)
    };
    assert!(confirms(&first, &[], &checked(39.5)));
    assert!(!confirms(&first, &[], &checked(50.0)));
    let before = last_offset_shifted_c(&first, &[], &checked(39.5));
    assert!((before.expect("nothing happened") - 39.0).abs() < 1e-12);
    // It was dropped between them: what each check took off holds for its own time.
    let mut dropped = checked(45.5);
    dropped.effects[0].effect = gauge("g1", 1);
    assert!(confirms(&first, &[], &dropped));
    let before = last_offset_shifted_c(&first, &[], &dropped);
    assert!((before.expect("nothing happened") - 45.0).abs() < 1e-12);
}

#[test]
fn a_first_reading_is_believed_as_it_is() {
    let (fit, site) = (Fit::default(), porto());
    let tracked = first(point("2026-11-20T18:00:00Z", 19.0));
    let then = offset_then(&tracked, &unfitted(&site, &fit, &[])).estimate(1500.0);
    assert!((then.offset_c - 19.0).abs() < 1e-12);
    let variance = 2.1_f64.powi(2) + CALIPER_C.powi(2) + BATCH_C.powi(2);
    assert!((then.standard_uncertainty_c - variance.sqrt()).abs() < 1e-9);
}

#[test]
fn a_check_of_the_gauge_moves_the_offset_and_is_no_change_of_the_furnace() {
    let (fit, site) = (Fit::default(), porto());
    let before = first(point("2026-11-20T18:00:00Z", 12.0));
    // The caliper reads a block 0.03 mm small: rings seemed 6 °C hotter than they were.
    let found = check("c1", "g1", "2026-11-24T08:00:00Z", -0.03);
    let checks = [(GaugeId::new("g1").expect("an id"), vec![found])];
    let unchecked = unfitted(&site, &fit, &[]);
    let checked = unfitted(&site, &fit, &checks);
    let offset = |tracked: &TrackedOffset, knowledge: &Knowledge| {
        offset_then(tracked, knowledge).estimate(1500.0)
    };
    assert!((offset(&before, &unchecked).offset_c - 12.0).abs() < 1e-9);
    let corrected = offset(&before, &checked);
    assert!((corrected.offset_c - 6.0).abs() < 1e-3, "{corrected:?}");
    let variance = 2.1_f64.powi(2) + 1.0 + BATCH_C.powi(2);
    assert!((corrected.standard_uncertainty_c - variance.sqrt()).abs() < 1e-3);
    // From now on the check is taken off what is reported; the gauge itself shows what it showed.
    let next = TrackPoint {
        observed_offset_c: 6.0,
        removed_c: 6.0,
        shared_c: 2.3,
        ..point("2026-11-27T18:00:00Z", 12.0)
    };
    let expected = expectation(Some(&before), &[], &next, &checked);
    let shown = expected.predicted_offset(1500.0).expect("a history");
    assert!((shown.offset_c - 12.0).abs() < 1e-3, "{shown:?}");
    let (after, counted) = stepped(Some(&before), &[], next);
    assert_eq!(counted, Counted::default());
    let after = offset(&after, &checked);
    assert!((after.offset_c - 6.0).abs() < 1e-3, "{after:?}");
    assert!(after.standard_uncertainty_c < corrected.standard_uncertainty_c);
}

#[test]
fn a_steeper_place_of_the_table_is_no_change_of_the_furnace() {
    let before = first(point("2026-11-20T18:00:00Z", 12.0));
    let mut steeper = point("2026-11-27T18:00:00Z", 12.0);
    steeper.effects[0].coefficient = 1.1;
    let (fit, site) = (Fit::default(), porto());
    let knowledge = unfitted(&site, &fit, &[]);
    let sure = |point: &TrackPoint| {
        let expected = expectation(Some(&before), &[], point, &knowledge);
        let shown = expected.predicted_offset(1500.0).expect("a history");
        shown.standard_uncertainty_c.powi(2)
    };
    let same = sure(&point("2026-11-27T18:00:00Z", 12.0));
    // A tenth of the caliper's bias is not repeated, and no more.
    let more = sure(&steeper) - same;
    assert!((more - (0.1 * CALIPER_C).powi(2)).abs() < 1e-9, "{more}");
}

#[test]
fn another_batch_or_gauge_differs_from_the_one_before_by_both_their_biases() {
    let before = first(point("2026-11-20T18:00:00Z", 12.0));
    let (fit, site) = (Fit::default(), porto());
    let knowledge = unfitted(&site, &fit, &[]);
    let variance = |point: &TrackPoint| {
        let expected = expectation(Some(&before), &[], point, &knowledge);
        let shown = expected.predicted_offset(1500.0).expect("a history");
        shown.standard_uncertainty_c.powi(2)
    };
    let later = "2026-11-27T18:00:00Z";
    let same = variance(&point(later, 12.0));
    // What history and reading share cancels: its own noise, a week's wander and a week's drift are left.
    assert!((same - (2.1_f64.powi(2) + 0.4 + 0.12 * 0.12)).abs() < 1e-9);
    let other_batch = variance(&point_with(later, 12.0, "g1", "b2"));
    assert!((other_batch - same - 2.0 * BATCH_C.powi(2)).abs() < 1e-9);
    let other_gauge = variance(&point_with(later, 12.0, "g2", "b1"));
    assert!((other_gauge - same - 2.0 * CALIPER_C.powi(2)).abs() < 1e-9);
    // Two batches average their errors; no more than that is claimed.
    let (after, _) = stepped(Some(&before), &[], point_with(later, 12.0, "g1", "b2"));
    let sure = offset_then(&after, &knowledge).estimate(1500.0);
    let least = CALIPER_C.powi(2) + BATCH_C.powi(2) / 2.0;
    let (one_batch, _) = stepped(Some(&before), &[], point(later, 12.0));
    let most = offset_then(&one_batch, &knowledge).estimate(1500.0);
    assert!(sure.standard_uncertainty_c > least.sqrt());
    assert!(sure.standard_uncertainty_c < most.standard_uncertainty_c);
}

#[test]
fn another_batch_may_differ_without_being_counted_less() {
    let mut tracked = first(point("2026-11-06T18:00:00Z", 12.0));
    for fired_at in ["2026-11-13T18:00:00Z", "2026-11-20T18:00:00Z"] {
        tracked = stepped(Some(&tracked), &[], point(fired_at, 12.0)).0;
    }
    let later = "2026-11-27T18:00:00Z";
    let (_, same) = stepped(Some(&tracked), &[], point(later, 20.0));
    assert!(same.inflation_c2 > 0.0);
    let (_, other) = stepped(Some(&tracked), &[], point_with(later, 20.0, "g1", "b2"));
    assert_eq!(other, Counted::default());
}

#[test]
fn a_far_reading_counts_less_and_a_second_one_is_a_step() {
    let (fit, site) = (Fit::default(), porto());
    let knowledge = unfitted(&site, &fit, &[]);
    let mut tracked = first(point("2026-11-06T18:00:00Z", 12.0));
    for fired_at in ["2026-11-13T18:00:00Z", "2026-11-20T18:00:00Z"] {
        tracked = stepped(Some(&tracked), &[], point(fired_at, 12.0)).0;
    }
    let (far, counted) = stepped(Some(&tracked), &[], point("2026-11-27T18:00:00Z", 32.0));
    assert!(counted.inflation_c2 > 0.0 && counted.widened_c2 <= 0.0);
    let offset_c = |tracked| offset_then(tracked, &knowledge).estimate(1500.0).offset_c;
    assert!(offset_c(&far) < 17.0, "{}", offset_c(&far));
    let (step, counted) = stepped(Some(&far), &[], point("2026-11-28T18:00:00Z", 32.0));
    assert!((counted.widened_c2 - 64.0).abs() < 1e-12 && counted.inflation_c2 <= 0.0);
    assert!(offset_c(&step) > 29.0, "{}", offset_c(&step));
    // The other way it was a slip, and the history stands.
    let (slip, counted) = stepped(Some(&far), &[], point("2026-11-28T18:00:00Z", 12.0));
    assert_eq!(counted, Counted::default());
    assert!((offset_c(&slip) - 12.0).abs() < 3.0, "{}", offset_c(&slip));
}

#[test]
fn a_late_event_and_a_replay_give_the_same_bits_as_in_order() {
    let readings = [
        point("2026-11-06T18:00:00Z", 12.0),
        point("2026-11-13T18:00:00Z", 13.0),
        point_with("2026-11-20T18:00:00Z", 31.0, "g2", "b2"),
        point("2026-11-21T18:00:00Z", 30.0),
    ];
    let events = [event(
        EventKind::ElementsReplaced,
        "2026-11-16T08:00:00Z",
        None,
    )];
    let mut one_by_one: Option<TrackedOffset> = None;
    for reading in &readings {
        one_by_one = Some(stepped(one_by_one.as_ref(), &events, reading.clone()).0);
    }
    let components = Components::default();
    assert_eq!(replayed(&readings, &events, &components, 0), one_by_one);
    assert_ne!(replayed(&readings, &[], &components, 0), one_by_one);
}

#[test]
fn a_replay_under_other_components_says_which_it_used() {
    let readings = [
        point("2026-11-06T18:00:00Z", 12.0),
        point("2026-11-13T18:00:00Z", 14.0),
    ];
    let learnt = Components {
        wander_c2_per_week: 1.3,
        noise_scale: 0.8,
        ..Components::default()
    };
    let under = |components: &Components, number| {
        replayed(&readings, &[], components, number).expect("two readings")
    };
    let (before, after) = (under(&Components::default(), 0), under(&learnt, 7));
    assert_eq!((before.components, after.components), (0, 7));
    assert_ne!(before.chain, after.chain);
    assert_eq!(after, under(&learnt, 7));
    let kept = under(&Components::default(), 7);
    assert_eq!(before.chain, kept.chain);
}

#[test]
fn a_late_reading_is_judged_by_what_was_known_before_it() {
    let mut points = Vec::new();
    for (id, fired_at, offset_c) in [
        ("r1", "2026-11-06T18:00:00Z", 12.0),
        ("r2", "2026-11-13T18:00:00Z", 13.0),
        ("r4", "2026-11-27T18:00:00Z", 14.0),
    ] {
        points.push(TrackPoint {
            reading: ReadingId::new(id).expect("an id"),
            ..point(fired_at, offset_c)
        });
    }
    let late = ReadingId::new("r3").expect("an id");
    let components = Components::default();
    let ask = |corrected: Option<&ReadingId>| {
        let fired_at = at("2026-11-20T18:00:00Z");
        as_of(
            points.clone(),
            &[],
            fired_at,
            &late,
            corrected,
            &components,
            0,
        )
    };
    let then = ask(None);
    assert!(then.newer_reading);
    assert_eq!(then.tracked, replayed(&points[..2], &[], &components, 0));
    let corrected = ask(Some(&points[1].reading));
    assert_eq!(
        corrected.tracked,
        replayed(&points[..1], &[], &components, 0)
    );
    assert!(!ask(Some(&points[2].reading)).newer_reading);
}

#[test]
fn replaced_parts_widen_the_level_and_begin_their_drift_anew() {
    let until = at("2026-11-30T08:00:00Z");
    let after = at("2026-11-01T08:00:00Z");
    let entered = event(
        EventKind::ControllerOffsetChanged,
        "2026-11-16T08:00:00Z",
        Some(-7.0),
    );
    let shifted = happened(std::slice::from_ref(&entered), after, until);
    assert!((shifted.shift_c + 7.0).abs() < 1e-12 && !shifted.redraws_slope);
    let replaced = event(EventKind::ElementsReplaced, "2026-11-20T08:00:00Z", None);
    let both = happened(&[entered, replaced], after, until);
    assert!(both.redraws_slope);
    let more = both.variance_c2 - shifted.variance_c2;
    assert!((more - 64.0).abs() < 1e-12, "{more}");
    assert_eq!(happened(&[], after, until), Happened::default());

    let (fit, site) = (Fit::default(), porto());
    let knowledge = unfitted(&site, &fit, &[]);
    let tracked = first(point("2026-11-06T18:00:00Z", 12.0));
    let events = [event(
        EventKind::ControllerOffsetChanged,
        "2026-11-16T08:00:00Z",
        Some(-7.0),
    )];
    let now = offset_at(&tracked, &events, until, &knowledge).estimate(1500.0);
    assert!((now.offset_c - 5.0).abs() < 1e-9, "{now:?}");
}

#[test]
fn what_an_evaluation_found_stands_until_the_next_fit() {
    let (mut fit, site) = (Fit::default(), porto());
    let mut tracked = first(point("2026-11-20T18:00:00Z", 12.0));
    let found = offset_then(&tracked, &unfitted(&site, &fit, &[]));
    let state = OffsetState {
        level_c: 11.0,
        ..found
    };
    tracked.evaluated = Some(AsEvaluated { fit: 0, state });
    assert_eq!(offset_then(&tracked, &unfitted(&site, &fit, &[])), state);
    fit.number = 1;
    assert_eq!(offset_then(&tracked, &unfitted(&site, &fit, &[])), found);
}

#[test]
fn the_offset_before_moves_by_what_was_entered_and_is_gone_after_a_repair() {
    let first = first(point("2026-11-20T18:00:00Z", 12.0));
    let next = point("2026-11-27T18:00:00Z", 12.0);
    let shifted = |events: &[FurnaceEvent]| last_offset_shifted_c(&first, events, &next);
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
    let first = first(point("2026-11-20T18:00:00Z", 12.0));
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
    assert_eq!(stepped(Some(&first), &[], again).0.same_mean_run, 2);
}
