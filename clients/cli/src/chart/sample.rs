//! An invented furnace's half year: 26 readings, 2 events, 3 adjustments, one new batch.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use ringtrue_proto::v1::{
    ChartKind, ChartPoint, Conformity, ControlChart, FurnaceEvent, FurnaceEventKind,
    FurnaceHistory, FurnaceStanding, HistoryAdjustment, HistoryPoint, IntervalAdvice, OutlookPoint,
    Programme, Separability,
};

use crate::moment;

/// Name of the furnace.
pub(crate) const K2: &str = "sites/porto/furnaces/k2";

/// Offsets as observed, °C, week by week from 29 May 2026.
const OBSERVED_C: [f64; 26] = [
    18.6, 19.4, 17.9, 19.2, 20.1, 18.8, 20.4, 19.9, 21.2, 20.3, 21.8, 33.5, 21.1, 22.4, 27.9, 28.6,
    27.2, 28.1, 29.3, 28.4, 30.0, 29.1, 30.8, 24.0, 25.1, 24.6,
];

/// Gives the site's zone.
pub(crate) fn lisbon() -> TimeZone {
    TimeZone::get("Europe/Lisbon").expect("a zone of the tz database")
}

/// Gives the end of the firing of some week, Friday 18:00 UTC.
fn friday(week: usize, hours: i64) -> prost_types::Timestamp {
    let first: Timestamp = "2026-05-29T17:00:00Z".parse().expect("a moment");
    let later = i64::try_from(week).expect("few weeks") * 168 + hours;
    moment::sent(first.checked_add(later.hours()).expect("this century"))
}

/// Gives the programme whose error counts.
pub(crate) fn programme() -> Programme {
    Programme {
        name: format!("{K2}/programmes/standard"),
        target_c: 1500.0,
        setpoint_c: 1474.0,
        ..Programme::default()
    }
}

/// Gives the standing.
pub(crate) fn standing() -> FurnaceStanding {
    let day = |year, month, day| ringtrue_proto::Date { year, month, day };
    FurnaceStanding {
        furnace: K2.to_owned(),
        programme: format!("{K2}/programmes/standard"),
        present_error_c: -1.2,
        standard_uncertainty_c: 1.6,
        tolerance_c: 10.0,
        outside_probability: 0.001,
        leaving_probability: 0.04,
        conformity: Conformity::In.into(),
        drift_c_per_week: 0.31,
        drift_standard_uncertainty_c_per_week: 0.11,
        leaving_date: Some(day(2027, 7, 9)),
        earliest_leaving_date: Some(day(2027, 3, 12)),
        next_due_date: Some(day(2026, 12, 4)),
        reading_count: 26,
        open_finding_count: 1,
        interval: Some(IntervalAdvice {
            interval_days: 7,
            method: "ILAC-G24 method 5".to_owned(),
            reliability_target: 0.95,
            reason: "The site's own interval is the shortest.".to_owned(),
            staircase_interval_days: 9,
        }),
        ..FurnaceStanding::default()
    }
}

/// Gives the history.
pub(crate) fn history() -> FurnaceHistory {
    let mut points = Vec::new();
    let mut tracked = OBSERVED_C[0];
    for (week, observed) in OBSERVED_C.into_iter().enumerate() {
        let after_event = week == 14 || week == 23;
        let reduced = week == 11;
        let bias_c = if week >= 18 { 1.4 } else { 0.0 };
        let corrected = observed - bias_c;
        let weight = if reduced {
            0.05
        } else if after_event {
            0.9
        } else {
            0.4
        };
        tracked += weight * (corrected - tracked);
        points.push(HistoryPoint {
            reading: format!("{K2}/readings/r{week}"),
            fire_time: Some(friday(week, 0)),
            setpoint_c: 1480.0,
            observed_offset_c: observed,
            corrected_offset_c: corrected,
            expanded_uncertainty_c: 6.0,
            tracked_offset_c: tracked,
            tracked_standard_uncertainty_c: if after_event { 2.4 } else { 1.6 },
            smoothed_offset_c: tracked,
            smoothed_standard_uncertainty_c: 1.4,
            innovation_z: None,
            at_reduced_weight: reduced,
            ring_batch: format!("ringBatches/{}", if week >= 18 { "x8" } else { "x7" }),
            gauge: "sites/porto/gauges/caliper-1".to_owned(),
        });
    }
    let mut outlook = Vec::new();
    for week in 0..14_i32 {
        let ahead = f64::from(week);
        let at = friday(25 + usize::try_from(week).expect("not negative"), 24);
        outlook.push(OutlookPoint {
            time: Some(at),
            offset_c: tracked + 0.31 * ahead,
            standard_uncertainty_c: (1.6_f64.powi(2) + 0.3 * ahead + 0.012 * ahead * ahead).sqrt(),
            outside_probability: 0.02,
        });
    }
    let event = |week, kind: FurnaceEventKind| FurnaceEvent {
        kind: kind.into(),
        event_time: Some(friday(week, -72)),
        ..FurnaceEvent::default()
    };
    let adjusted = |week, from_c, to_c| HistoryAdjustment {
        programme: format!("{K2}/programmes/standard"),
        adjust_time: Some(friday(week, 62)),
        from_c,
        to_c,
        ..HistoryAdjustment::default()
    };
    FurnaceHistory {
        furnace: K2.to_owned(),
        at_temperature_c: 1500.0,
        time_zone: "Europe/Lisbon".to_owned(),
        points,
        events: vec![
            event(14, FurnaceEventKind::ElementsReplaced),
            event(23, FurnaceEventKind::ThermocoupleReplaced),
        ],
        adjustments: vec![
            adjusted(0, 1500.0, 1481.0),
            adjusted(14, 1481.0, 1472.0),
            adjusted(24, 1472.0, 1474.0),
        ],
        outlook,
        standing: Some(standing()),
        separability: Some(Separability {
            offset_standard_uncertainty_c: 3.1,
            gauge_part_c: 2.4,
            batch_part_c: 1.1,
            inseparable: true,
            remedies: vec!["Check caliper-1 on a reference block.".to_owned()],
            standard_uncertainty_after_c: 1.9,
            ..Separability::default()
        }),
    }
}

/// Gives four control charts.
pub(crate) fn charts() -> Vec<ControlChart> {
    let mut charts = Vec::new();
    let kinds = [
        (ChartKind::Individuals, "Individual values", "°C", 8.0),
        (ChartKind::MovingRange, "Moving range of two", "°C", 9.0),
        (
            ChartKind::Ewma,
            "Exponentially weighted moving average",
            "",
            1.1,
        ),
        (ChartKind::Cusum, "Cumulative sum", "", 4.0),
    ];
    for (kind, title, unit, limit) in kinds {
        let mut points = Vec::new();
        for (week, observed) in OBSERVED_C.into_iter().enumerate() {
            let residual = observed - 20.0 - if week >= 14 { 8.0 } else { 0.0 };
            let value = match kind {
                ChartKind::Individuals => residual,
                ChartKind::MovingRange => residual.abs(),
                ChartKind::Ewma => residual / 10.0,
                _ => residual.max(0.0) / 2.0,
            };
            let is_cusum = kind == ChartKind::Cusum;
            points.push(ChartPoint {
                reading: format!("{K2}/readings/r{week}"),
                fire_time: Some(friday(week, 0)),
                value,
                lower_value: is_cusum.then_some(residual.min(0.0) / 2.0),
                centre: 0.0,
                upper_limit: limit,
                lower_limit: if kind == ChartKind::MovingRange {
                    0.0
                } else {
                    -limit
                },
                signal: value > limit,
            });
        }
        charts.push(ControlChart {
            kind: kind.into(),
            title: title.to_owned(),
            points,
            unit: unit.to_owned(),
            basis:
                "Limits at three standard deviations of the first twenty readings (ISO 7870-2); \
                    constants from its table."
                    .to_owned(),
            average_run_length: Some(370.4),
        });
    }
    charts
}
