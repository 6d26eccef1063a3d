//! Tests of looking back.

use jiff::Timestamp;
use ringtrue_calibration::charts::run_length;

use super::*;
use crate::effect::Effect;
use crate::event::{EventDetails, EventKind};
use crate::gauge::{CheckDetails, GaugeCheck};
use crate::key::{
    BatchId, CheckId, CheckKey, EventId, EventKey, FurnaceId, FurnaceKey, GaugeId, GaugeKey,
    ReadingId, SiteId,
};
use crate::knowledge::Fit;
use crate::tracking::{PointEffect, Surprise, replayed, shared_errors};

const DAY_S: i64 = 86_400;

fn at(day: i64) -> Timestamp {
    Timestamp::from_second(1_800_000_000 + day * DAY_S).expect("a moment")
}

fn site() -> SiteId {
    SiteId::new("porto").expect("an id")
}

fn gauge(id: &str) -> Effect {
    Effect::Gauge {
        gauge: GaugeId::new(id).expect("an id"),
        epoch: 0,
        unchecked: false,
    }
}

fn batch() -> Effect {
    Effect::Batch(BatchId::new("b1").expect("an id"))
}

fn part(effect: Effect, sd_c: f64) -> PointEffect {
    PointEffect {
        effect,
        coefficient: 1.0,
        sd_c,
    }
}

fn point(day: i64, observed_offset_c: f64) -> TrackPoint {
    TrackPoint {
        reading: ReadingId::new(&format!("r{day}")).expect("an id"),
        fired_at: at(day),
        setpoint_c: 1500.0,
        observed_offset_c,
        removed_c: 0.0,
        independent_c: 2.1,
        shared_c: 4.0,
        effects: vec![part(gauge("g1"), 3.5), part(batch(), 2.0)],
        surprise: None,
        mean_mm: 19.47,
        batch: None,
        gauge: None,
    }
}

fn surprising(day: i64, z: f64) -> TrackPoint {
    TrackPoint {
        surprise: Some(Surprise {
            z,
            standard_deviation_c: 3.0,
            gain: 0.3,
        }),
        ..point(day, 0.0)
    }
}

fn check(bias_mm: f64) -> Vec<(GaugeId, Vec<GaugeCheck>)> {
    let id = GaugeId::new("g1").expect("an id");
    let check = GaugeCheck {
        key: CheckKey {
            gauge: GaugeKey {
                site: site(),
                gauge: id.clone(),
            },
            check: CheckId::new("c1").expect("an id"),
        },
        details: CheckDetails {
            nominal_mm: 19.5,
            measured_mm: vec![19.5 + bias_mm],
            block_standard_uncertainty_mm: 0.0005,
            checked_at: Some(at(0)),
            performed_by: String::new(),
            note: String::new(),
        },
        bias_mm,
        standard_uncertainty_mm: 0.001,
        received_at: at(0),
    };
    vec![(id, vec![check])]
}

fn with_knowledge<T>(
    checks: &[(GaugeId, Vec<GaugeCheck>)],
    look: impl FnOnce(&Knowledge) -> T,
) -> T {
    look(&Knowledge {
        site: &site(),
        fit: &Fit::default(),
        site_fit: None,
        checks,
    })
}

fn replaced(day: i64) -> FurnaceEvent {
    FurnaceEvent {
        key: EventKey {
            furnace: FurnaceKey {
                site: site(),
                furnace: FurnaceId::new("k2").expect("an id"),
            },
            event: EventId::new("e1").expect("an id"),
        },
        details: EventDetails {
            kind: Some(EventKind::ElementsReplaced),
            happened_at: Some(at(day)),
            offset_shift_c: None,
            note: String::new(),
            performed_by: String::new(),
        },
        received_at: at(day),
    }
}

#[test]
fn nothing_read_is_no_history() {
    assert_eq!(
        with_knowledge(&[], |known| history(&[], &[], known, 1500.0)),
        []
    );
}

#[test]
fn the_last_point_is_the_offset_now_and_smoothing_never_widens() {
    // Filter and smoother agree at the end; before it the smoother knows more (Durbin & Koopman 2012, 4.4).
    let points = [
        point(0, 18.0),
        point(14, 21.0),
        point(28, 20.5),
        point(42, 31.0),
        point(56, 32.5),
    ];
    let events = [replaced(35)];
    with_knowledge(&[], |known| {
        let looked = history(&points, &events, known, 1500.0);
        assert_eq!(looked.len(), points.len());
        let components = &known.fit.components;
        let now = replayed(&points, &events, components, 0).expect("read");
        let offset = now.chain.offset(&shared_errors(&now, known));
        let last = looked[4];
        assert_eq!(last.tracked, offset.estimate(1500.0));
        assert!((last.smoothed.offset_c - last.tracked.offset_c).abs() < 1e-9);
        for (at, point) in looked.iter().enumerate() {
            let (smoothed, tracked) = (point.smoothed, point.tracked);
            assert!(
                smoothed.standard_uncertainty_c <= tracked.standard_uncertainty_c + 1e-9,
                "{at}: {point:?}"
            );
        }
        // The step at the new elements is seen as one: before it the later readings pull little.
        assert!(looked[2].smoothed.offset_c < 24.0, "{:?}", looked[2]);
        assert!(looked[3].smoothed.offset_c > 27.0, "{:?}", looked[3]);
    });
}

#[test]
fn a_gauge_found_to_read_wrong_is_taken_off_what_it_measured_before() {
    // 0.03 mm too large makes a furnace look 6 °C colder at -200 °C/mm.
    let points = [point(0, 12.0), point(14, 12.0)];
    let without = with_knowledge(&[], |known| history(&points, &[], known, 1500.0));
    let with = with_knowledge(&check(0.03), |known| history(&points, &[], known, 1500.0));
    assert!((without[0].corrected_offset_c - 12.0).abs() < 1e-9);
    assert!(
        (with[0].corrected_offset_c - 18.0).abs() < 0.01,
        "{:?}",
        with[0]
    );
    assert!((with[1].tracked.offset_c - 18.0).abs() < 0.01, "{with:?}");
    let u = |looked: &[PointInHistory]| looked[1].smoothed.standard_uncertainty_c;
    assert!(u(&with) < u(&without), "{with:?} {without:?}");
}

#[test]
fn what_a_check_took_off_a_reading_is_not_taken_off_twice() {
    let removed = TrackPoint {
        observed_offset_c: 18.0,
        removed_c: -6.0,
        ..point(0, 0.0)
    };
    let looked = with_knowledge(&check(0.03), |known| {
        history(&[removed], &[], known, 1500.0)
    });
    assert!(
        (looked[0].corrected_offset_c - 18.0).abs() < 0.01,
        "{looked:?}"
    );
}

#[test]
fn a_lone_far_reading_counts_at_reduced_weight_and_a_confirmed_step_does_not() {
    let lone = [
        point(0, 12.0),
        point(14, 12.5),
        point(28, 11.5),
        point(42, 60.0),
        point(56, 12.0),
    ];
    let weights = |points: &[TrackPoint]| -> Vec<bool> {
        let looked = with_knowledge(&[], |known| history(points, &[], known, 1500.0));
        looked.iter().map(|point| point.at_reduced_weight).collect()
    };
    assert_eq!(weights(&lone), [false, false, false, true, false]);
    let mut step = lone;
    step[4] = point(56, 61.0);
    assert_eq!(weights(&step), [false, false, false, true, false]);
    let looked = with_knowledge(&[], |known| history(&step, &[], known, 1500.0));
    assert!(looked[4].tracked.offset_c > 45.0, "{:?}", looked[4]);
}

#[test]
fn offsets_hold_for_the_temperature_asked_for() {
    let other = TrackPoint {
        setpoint_c: 1600.0,
        ..point(14, 20.0)
    };
    let points = [point(0, 10.0), other, point(28, 10.0)];
    let (low, high) = with_knowledge(&[], |known| {
        (
            history(&points, &[], known, 1500.0),
            history(&points, &[], known, 1600.0),
        )
    });
    assert!(high[2].tracked.offset_c > low[2].tracked.offset_c + 3.0);
    assert_eq!(
        high[2].corrected_offset_c.to_bits(),
        low[2].corrected_offset_c.to_bits()
    );
}

#[test]
fn false_alarms_of_average_and_sums_lie_about_370_readings_apart() {
    // The values behind the constants are from memory; the integral equations of Crowder (1987) and the
    // run lengths of Brook & Evans (1972) confirm them.
    for chart in charts(&[]) {
        match chart.kind {
            ChartKind::Ewma | ChartKind::Cusum => {
                let length = chart.average_run_length.expect("known");
                assert!((length - 370.0).abs() < 5.0, "{:?}: {length}", chart.kind);
            }
            ChartKind::Individuals | ChartKind::MovingRange => {
                assert_eq!(chart.average_run_length, None);
            }
        }
        assert_eq!(chart.points, []);
        assert!(chart.basis.contains("e-Handbook"), "{chart:?}");
    }
    let single = run_length::cusum_limit_for(370.0, 0.5).expect("a limit");
    assert!((single - 4.77).abs() < 0.01, "{single}");
}

#[test]
fn the_first_reading_is_not_charted_and_each_kind_is_drawn_once() {
    let points = [
        point(0, 12.0),
        surprising(14, 0.5),
        surprising(28, -1.0),
        surprising(42, 0.0),
    ];
    let drawn = charts(&points);
    let kinds: Vec<ChartKind> = drawn.iter().map(|chart| chart.kind).collect();
    assert_eq!(
        kinds,
        [
            ChartKind::Individuals,
            ChartKind::MovingRange,
            ChartKind::Ewma,
            ChartKind::Cusum
        ]
    );
    let counts: Vec<usize> = drawn.iter().map(|chart| chart.points.len()).collect();
    assert_eq!(counts, [3, 2, 3, 3]);
    // Individuals and ranges are in °C, the others in standard deviations.
    assert!((drawn[0].points[0].value - 1.5).abs() < 1e-12);
    assert!((drawn[1].points[0].value - 4.5).abs() < 1e-12);
    assert_eq!(drawn[1].points[0].reading.as_str(), "r28");
    assert!((drawn[2].points[0].value - 0.125).abs() < 1e-12);
    assert!(drawn[3].points[0].value.abs() < 1e-12, "within the slack");
    assert!(
        drawn
            .iter()
            .flat_map(|chart| &chart.points)
            .all(|at| !at.signal)
    );
}

#[test]
fn a_lasting_shift_is_signalled_by_average_and_sums_on_its_own_side() {
    let mut points = Vec::new();
    for reading in 0..12 {
        points.push(surprising(14 * reading, -1.5));
    }
    let drawn = charts(&points);
    assert!(
        drawn[2]
            .points
            .iter()
            .any(|at| at.signal && at.value < at.lower_limit)
    );
    let last = &drawn[3].points[11];
    let lower = last.lower_value.expect("cumulative sums have a lower one");
    assert!(last.signal && lower < last.lower_limit, "{last:?}");
    assert!(last.value.abs() < 1e-12, "{last:?}");
    assert!(!drawn[3].points[3].signal, "{:?}", drawn[3].points[3]);
}

#[test]
fn a_reading_without_a_usable_figure_is_left_out() {
    let points = [surprising(0, f64::NAN), surprising(14, 1.0)];
    let drawn = charts(&points);
    assert_eq!(drawn[2].points.len(), 1);
    assert_eq!(drawn[0].points.len(), 0, "one value has no moving range");
}

#[test]
fn with_one_gauge_for_ever_the_check_on_a_block_helps_most() {
    let points = [
        point(0, 12.0),
        point(14, 12.0),
        point(28, 12.0),
        point(42, 12.0),
    ];
    let found = with_knowledge(&[], |known| {
        let now = replayed(&points, &[], &known.fit.components, 0).expect("read");
        separability(&now, known, 1500.0).expect("read")
    });
    // All readings share gauge and batch: the whole of both biases stays in the offset.
    assert!((found.gauge_part_c - 3.5).abs() < 1e-6, "{found:?}");
    assert!((found.batch_part_c - 2.0).abs() < 1e-6, "{found:?}");
    assert!(found.gauge_correlation < -0.7, "{found:?}");
    assert!(found.inseparable);
    assert!(
        found.remedies[0].starts_with("Check the gauge on a reference block"),
        "{found:?}"
    );
    assert!(found.after_c < 0.8 * found.offset_c, "{found:?}");
}

#[test]
fn the_parts_are_those_of_the_last_readings_gauge() {
    let other = TrackPoint {
        effects: vec![part(gauge("g2"), 0.5), part(batch(), 2.0)],
        ..point(14, 12.0)
    };
    let found = with_knowledge(&[], |known| {
        let now = replayed(&[point(0, 12.0), other], &[], &known.fit.components, 0).expect("read");
        separability(&now, known, 1500.0).expect("read")
    });
    assert!(found.gauge_part_c < 0.51, "{found:?}");
    let bare = TrackPoint {
        effects: vec![part(Effect::Thermocouple('B'), 1.0)],
        ..point(0, 12.0)
    };
    let found = with_knowledge(&[], |known| {
        let now = replayed(&[bare], &[], &known.fit.components, 0).expect("read");
        separability(&now, known, 1500.0).expect("read")
    });
    assert!(found.gauge_part_c.abs() < 1e-12 && found.remedies.is_empty());
    assert!((found.after_c - found.offset_c).abs() < 1e-12);
}
