//! The provisional figure over what a bench knows: the figure itself, and every case in which there is none.

use super::*;
use ringtrue_proto::v1::{GaugeCheck, Ring, RingTableEntry, Segment};
use tempfile::TempDir;

const K2: &str = "sites/porto/furnaces/k2";

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

/// What a bench knows, to be changed before it is kept.
struct Shelf {
    furnace: Furnace,
    programme: Programme,
    batch: RingBatch,
    gauge: Gauge,
}

impl Shelf {
    fn usual() -> Self {
        let mut entries = Vec::new();
        for step in 0..=80_u32 {
            entries.push(RingTableEntry {
                diameter_mm: 19.2 + 0.01 * f64::from(step),
                temperature_c: 1573.0 - 2.0 * f64::from(step),
            });
        }
        Shelf {
            furnace: Furnace {
                name: K2.to_owned(),
                maximum_setpoint_c: 1600.0,
                ..Furnace::default()
            },
            programme: Programme {
                name: format!("{K2}/programmes/standard"),
                segments: vec![Segment {
                    ramp_c_per_min: 8.0,
                    temperature_c: 1500.0,
                    hold_min: 120.0,
                }],
                target_c: 1500.0,
                setpoint_c: 1500.0,
                ..Programme::default()
            },
            batch: RingBatch {
                name: "ringBatches/x7".to_owned(),
                code: "X7".to_owned(),
                tables: vec![RingTable {
                    hold_min: 120.0,
                    entries,
                    ..RingTable::default()
                }],
                state: RingBatchState::Released.into(),
                ..RingBatch::default()
            },
            gauge: Gauge {
                name: "sites/porto/gauges/caliper-1".to_owned(),
                ..Gauge::default()
            },
        }
    }

    /// Works the figure out for rings of these mean diameters, all at the centre.
    fn figure(&self, diameter_mm: f64) -> Result<Provisional, String> {
        self.figure_of(&reading(diameter_mm))
    }

    fn figure_of(&self, reading: &Reading) -> Result<Provisional, String> {
        let folder = TempDir::new().expect("a folder");
        let mut known = Known::made(folder.path()).expect("made");
        let seen = at("2026-11-23T08:00:00Z");
        known.keep(std::slice::from_ref(&self.furnace), None, seen);
        known.keep(std::slice::from_ref(&self.programme), None, seen);
        known.keep(std::slice::from_ref(&self.batch), None, seen);
        known.keep(std::slice::from_ref(&self.gauge), None, seen);
        worked_out(reading, None, Some(&TimeZone::UTC), &known)
    }
}

fn ring(position: &str, diameter_mm: f64) -> Ring {
    Ring {
        position: position.to_owned(),
        diameters_mm: vec![diameter_mm - 0.002, diameter_mm + 0.002],
        ..Ring::default()
    }
}

fn reading(diameter_mm: f64) -> Reading {
    Reading {
        programme: format!("{K2}/programmes/standard"),
        method: Some(Method::Rings(RingMeasurement {
            ring_batch: "ringBatches/x7".to_owned(),
            gauge: "sites/porto/gauges/caliper-1".to_owned(),
            rings: vec![ring("centre", diameter_mm)],
            ..RingMeasurement::default()
        })),
        fire_time: Some(moment::sent(at("2026-11-20T18:00:00Z"))),
        measure_time: Some(moment::sent(at("2026-11-23T08:00:00Z"))),
        ..Reading::default()
    }
}

fn said(figure: &Provisional) -> String {
    brief(figure.setpoint_c, 1)
}

#[test]
fn the_trades_worked_figure_is_shown_as_provisional() {
    let figure = Shelf::usual().figure(19.47).expect("a figure");
    assert_eq!(said(&figure), "1481");
    let text = drawn(&figure, 80, false);
    assert!(text.starts_with("PROVISIONAL: 1481 °C"), "{text}");
    for words in [
        "From this reading alone",
        "do not chase noise",
        "Enter it only if",
        "The server's advice replaces it.",
        "1500 - (1519 - 1500) = 1481 °C",
        "Mind",
        "local rules decide",
    ] {
        assert!(
            text.replace('\n', " ").contains(words),
            "{words} in\n{text}"
        );
    }
    for line in drawn(&figure, 44, false).lines() {
        assert!(line.chars().count() <= 44, "{line}");
    }
}

#[test]
fn within_tolerance_the_controller_is_left_alone() {
    let mut shelf = Shelf::usual();
    shelf.furnace.tolerance_c = Some(25.0);
    let figure = shelf.figure(19.47).expect("a figure");
    let text = drawn(&figure, 80, false).replace('\n', " ");
    assert!(text.contains("Leave the controller at 1500 °C"), "{text}");
    assert!(!text.contains("Enter it only if"), "{text}");
}

#[test]
fn a_gauges_bias_is_taken_off_unless_it_was_checked_since() {
    let mut shelf = Shelf::usual();
    let check = |time: &str| GaugeCheck {
        bias_mm: 0.01,
        check_time: Some(moment::sent(at(time))),
        ..GaugeCheck::default()
    };
    shelf.gauge.latest_check = Some(check("2026-11-01T08:00:00Z"));
    // 0.01 mm too large reads 2 °C too cold.
    assert_eq!(said(&shelf.figure(19.48).expect("a figure")), "1481");
    shelf.gauge.latest_check = Some(check("2026-11-24T08:00:00Z"));
    let why = shelf.figure(19.48).expect_err("checked since");
    assert!(why.contains("checked since"), "{why}");
}

#[test]
fn only_rings_at_the_position_that_counts_are_averaged() {
    let mut shelf = Shelf::usual();
    let mut both = reading(19.47);
    if let Some(Method::Rings(measured)) = &mut both.method {
        measured.rings.insert(0, ring("Left", 19.5));
    }
    assert_eq!(said(&shelf.figure_of(&both).expect("a figure")), "1487");
    shelf.furnace.reference_position = "centre".to_owned();
    assert_eq!(said(&shelf.figure_of(&both).expect("a figure")), "1481");
}

#[test]
fn there_is_no_figure_where_batch_table_or_limits_forbid_it() {
    type Change = fn(&mut Shelf);
    let cases: [(&str, Change); 8] = [
        ("on hold", |shelf| {
            shelf.batch.state = RingBatchState::OnHold.into();
        }),
        ("withdrawn", |shelf| {
            shelf.batch.state = RingBatchState::Withdrawn.into();
        }),
        ("out of date", |shelf| {
            shelf.batch.expiry_date = Some(ringtrue_proto::Date {
                year: 2026,
                month: 11,
                day: 19,
            });
        }),
        ("no table for the hold", |shelf| {
            shelf.programme.segments[0].hold_min = 60.0;
        }),
        ("has not seen the table", |shelf| {
            shelf.batch.tables[0].entries.clear();
        }),
        ("outside the table", |shelf| {
            shelf.batch.tables[0].entries.truncate(10);
        }),
        ("outside the limits", |shelf| {
            shelf.programme.minimum_setpoint_c = 1490.0;
        }),
        ("has not seen gauge", |shelf| {
            shelf.gauge.name = "sites/porto/gauges/other".to_owned();
        }),
    ];
    for (words, change) in cases {
        let mut shelf = Shelf::usual();
        change(&mut shelf);
        let why = shelf.figure(19.47).expect_err(words);
        assert!(why.contains(words), "{words}: {why}");
    }
    let far = Shelf::usual().figure(19.30).expect_err("a step of 53 °C");
    assert!(far.contains("a step of more than 30 °C"), "{far}");
    let thermocouple = Reading {
        method: None,
        ..reading(19.47)
    };
    assert!(Shelf::usual().figure_of(&thermocouple).is_err());
}

#[test]
fn on_the_last_day_of_a_batch_it_still_counts() {
    let mut shelf = Shelf::usual();
    shelf.batch.expiry_date = Some(ringtrue_proto::Date {
        year: 2026,
        month: 11,
        day: 20,
    });
    assert!(shelf.figure(19.47).is_ok());
}
