//! What a ring table promises: exact entries, no extrapolation, and no wrong row let through.

use super::*;
use proptest::prelude::*;

/// Invented table, 19.20 to 20.00 mm in steps of 0.01 mm; no maker's data.
const SYNTHETIC: &str = include_str!("../../vectors/synthetic_ring_table.csv");

fn entries() -> Vec<Entry> {
    let mut entries = Vec::new();
    for line in SYNTHETIC.lines().skip(1) {
        let (diameter, temperature) = line.split_once(',').expect("two columns");
        entries.push(Entry {
            diameter_mm: diameter.parse().expect("a number"),
            temperature_c: temperature.parse().expect("a number"),
        });
    }
    entries
}

fn table() -> RingTable {
    RingTable::new(120.0, entries()).expect("the synthetic table is sound")
}

/// Invented table with coarse, uneven steps.
fn coarse_entries() -> Vec<Entry> {
    [
        (16.40, 1440.0),
        (16.28, 1460.0),
        (16.15, 1480.0),
        (16.00, 1500.0),
        (15.84, 1520.0),
        (15.67, 1540.0),
        (15.49, 1560.0),
    ]
    .map(|(diameter_mm, temperature_c)| Entry {
        diameter_mm,
        temperature_c,
    })
    .to_vec()
}

fn reasons(hold_min: f64, entries: Vec<Entry>) -> Vec<&'static str> {
    match RingTable::new(hold_min, entries) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.0.iter().map(TableFault::reason).collect(),
    }
}

#[test]
fn nineteen_forty_seven_is_fifteen_nineteen() {
    // Common practice, no source: set 1500, 19.47 mm, 1519 in the table.
    let temperature_c = table().temperature_at(19.47).expect("in the table");
    assert!((temperature_c - 1519.0).abs() < f64::EPSILON);
}

#[test]
fn between_entries_a_straight_line_is_read() {
    for (diameter_mm, expected_c) in [
        (19.475, 1518.0),
        (19.4725, 1518.5),
        (19.468, 1519.4),
        (19.333, 1545.4),
    ] {
        let found = table().temperature_at(diameter_mm).expect("in the table");
        assert!(
            (found - expected_c).abs() < 1e-9,
            "{diameter_mm} mm: {found}"
        );
    }
}

#[test]
fn every_entry_is_read_back_exactly_in_both_directions() {
    for table in [
        table(),
        RingTable::new(120.0, coarse_entries()).expect("sound"),
    ] {
        for entry in table.entries() {
            let temperature_c = table
                .temperature_at(entry.diameter_mm)
                .expect("in the table");
            assert!((temperature_c - entry.temperature_c).abs() < f64::EPSILON);
            let diameter_mm = table
                .diameter_at(entry.temperature_c)
                .expect("in the table");
            assert!(
                (diameter_mm - entry.diameter_mm).abs() < 1e-11,
                "{diameter_mm}"
            );
        }
    }
}

#[test]
fn a_coarse_table_is_read_with_the_monotone_cubic() {
    let table = RingTable::new(120.0, coarse_entries()).expect("sound");
    let mut diameters: Vec<f64> = Vec::new();
    let mut temperatures: Vec<f64> = Vec::new();
    for entry in table.entries() {
        diameters.push(entry.diameter_mm);
        temperatures.push(entry.temperature_c);
    }
    let slopes = monotone_cubic::slopes(&diameters, &temperatures);
    let knot = |i: usize| Knot {
        x: diameters[i],
        y: temperatures[i],
        slope: slopes[i],
    };
    let wanted = monotone_cubic::value(knot(2), knot(3), 15.93);
    let found = table.temperature_at(15.93).expect("in the table");
    assert!((found - wanted).abs() < 1e-12, "{found} against {wanted}");
    // The straight line would say 1508.75; the curve stays within a degree of it.
    assert!(
        (found - 1508.75).abs() < 0.5 && (found - 1508.75).abs() > 1e-3,
        "{found}"
    );
}

#[test]
fn straight_lines_and_the_cubic_hardly_differ_in_fine_steps() {
    let table = table();
    let mut as_cubic = table.clone();
    let diameters: Vec<f64> = table.entries().iter().map(|e| e.diameter_mm).collect();
    let temperatures: Vec<f64> = table.entries().iter().map(|e| e.temperature_c).collect();
    as_cubic.cubic_slopes = Some(monotone_cubic::slopes(&diameters, &temperatures));
    let mut largest_c: f64 = 0.0;
    for i in 0..=8000 {
        let diameter_mm = (19.2 + 0.8 * f64::from(i) / 8000.0).min(20.0);
        let line = table.temperature_at(diameter_mm).expect("in the table");
        let cubic = as_cubic.temperature_at(diameter_mm).expect("in the table");
        largest_c = largest_c.max((line - cubic).abs());
    }
    assert!((largest_c - 0.105).abs() < 0.005, "{largest_c}");
}

#[test]
fn outside_the_table_there_is_no_answer() {
    let table = table();
    let small = table.temperature_at(19.12).expect_err("below the table");
    assert!(small.needs_hotter_table());
    assert!(small.to_string().contains("above 1570 °C"), "{small}");
    let large = table
        .temperature_at(20.000_001)
        .expect_err("above the table");
    assert!(large.to_string().contains("below 1383 °C"), "{large}");
    assert!(
        table
            .diameter_at(1570.5)
            .expect_err("too hot")
            .needs_hotter_table()
    );
    assert!(
        !table
            .diameter_at(1382.0)
            .expect_err("too cold")
            .needs_hotter_table()
    );
    for odd in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(table.temperature_at(odd).is_err());
        assert!(table.diameter_at(odd).is_err());
        assert!(table.slope_c_per_mm(odd).is_err());
    }
}

#[test]
fn the_slope_near_the_middle_is_about_two_degrees_per_hundredth() {
    let slope = table().slope_c_per_mm(19.47).expect("in the table");
    assert!((slope + 200.0).abs() < 2.0, "{slope}");
}

#[test]
fn the_slope_of_a_coarse_table_is_that_of_its_neighbours() {
    let table = RingTable::new(120.0, coarse_entries()).expect("sound");
    let between = table.slope_c_per_mm(15.93).expect("in the table");
    assert!((between + 20.0 / 0.16).abs() < 1e-6, "{between}");
    let on_entry = table.slope_c_per_mm(16.00).expect("in the table");
    assert!(
        on_entry < -20.0 / 0.16 + 1.0 && on_entry > -20.0 / 0.15 - 9.0,
        "{on_entry}"
    );
    assert!(table.slope_c_per_mm(15.49).expect("in the table") < 0.0);
    assert!(table.slope_c_per_mm(16.40).expect("in the table") < 0.0);
}

#[test]
fn a_table_knows_its_ranges_step_and_hold() {
    let table = table();
    assert_eq!(table.diameter_range_mm(), (19.2, 20.0));
    assert_eq!(table.temperature_range_c(), (1383.0, 1570.0));
    assert!((table.median_step_mm() - 0.01).abs() < 1e-9);
    assert!((table.hold_min() - 120.0).abs() < f64::EPSILON);
    assert_eq!(table.entries().len(), 81);
}

#[test]
fn entries_may_come_in_either_order() {
    let mut reversed = entries();
    reversed.reverse();
    assert_eq!(RingTable::new(120.0, reversed), Ok(table()));
}

#[test]
fn a_sound_coarse_table_has_no_fault() {
    assert!(reasons(120.0, coarse_entries()).is_empty());
}

#[test]
fn a_hold_must_be_possible() {
    for hold_min in [0.0, -1.0, 1440.1, f64::NAN, f64::INFINITY] {
        assert_eq!(
            reasons(hold_min, entries()),
            ["HOLD_OUT_OF_RANGE"],
            "{hold_min}"
        );
    }
    assert!(reasons(1440.0, entries()).is_empty());
}

#[test]
fn too_few_and_too_many_entries_are_refused() {
    assert_eq!(reasons(120.0, Vec::new()), ["TOO_FEW_ENTRIES"]);
    assert_eq!(reasons(120.0, entries()[..2].to_vec()), ["TOO_FEW_ENTRIES"]);
    assert!(reasons(120.0, entries()[..3].to_vec()).is_empty());
    let many = vec![entries()[0]; MOST_ENTRIES + 1];
    assert_eq!(reasons(120.0, many), ["TOO_MANY_ENTRIES"]);
}

#[test]
fn what_is_no_number_is_named_by_its_row() {
    let mut typed = entries();
    typed[4].temperature_c = f64::NAN;
    typed[9].diameter_mm = f64::INFINITY;
    let faults = RingTable::new(120.0, typed).expect_err("two rows are bad");
    assert_eq!(
        faults.0,
        [
            TableFault::NotFinite { row: 5 },
            TableFault::NotFinite { row: 10 }
        ]
    );
}

#[test]
fn a_diameter_entered_twice_is_named() {
    let mut typed = entries();
    typed.push(Entry {
        diameter_mm: 19.47,
        temperature_c: 1518.0,
    });
    let faults = RingTable::new(120.0, typed).expect_err("19.47 is there twice");
    assert_eq!(
        faults.0,
        [TableFault::DuplicateDiameter {
            row: 82,
            diameter_mm: 19.47
        }]
    );
}

#[test]
fn two_swapped_rows_are_not_monotone() {
    let mut typed = entries();
    typed[30].temperature_c = 1509.0;
    typed[31].temperature_c = 1513.0;
    let faults = RingTable::new(120.0, typed).expect_err("two rows are swapped");
    assert!(
        faults
            .0
            .iter()
            .any(|f| f.reason() == "NOT_MONOTONE" && f.row() == Some(32)),
        "{faults}"
    );
}

#[test]
fn equal_temperatures_are_not_monotone_either() {
    let mut typed = entries();
    typed[30].temperature_c = typed[31].temperature_c;
    assert!(reasons(120.0, typed).contains(&"NOT_MONOTONE"));
}

#[test]
fn a_mistyped_temperature_is_found_by_row_with_the_value_expected() {
    for (typed_c, row) in [(1591.0, 28), (1516.0, 28), (1522.0, 28)] {
        let mut typed = entries();
        typed[row - 1].temperature_c = typed_c;
        let faults = RingTable::new(120.0, typed).expect_err("one row is wrong");
        let outlying: Vec<&TableFault> = faults
            .0
            .iter()
            .filter(|f| f.reason() == "OUTLYING_ENTRY")
            .collect();
        let [
            TableFault::OutlyingEntry {
                row: found,
                expected_c,
                diameter_mm,
                ..
            },
        ] = outlying[..]
        else {
            panic!("{typed_c}: {faults}");
        };
        assert_eq!(*found, row);
        assert!((expected_c - 1519.0).abs() < 1.0, "{expected_c}");
        assert!((diameter_mm - 19.47).abs() < 1e-9);
    }
}

#[test]
fn wrong_rows_near_the_end_and_several_of_them_are_found() {
    let mut typed = entries();
    typed[1].temperature_c = 1596.0;
    typed[40].temperature_c = 1429.0;
    typed[79].temperature_c = 1358.0;
    let faults = RingTable::new(120.0, typed).expect_err("three rows are wrong");
    let rows: Vec<Option<usize>> = faults
        .0
        .iter()
        .filter(|f| f.reason() == "OUTLYING_ENTRY")
        .map(TableFault::row)
        .collect();
    assert_eq!(rows, [Some(2), Some(41), Some(80)], "{faults}");
}

#[test]
fn a_skipped_row_of_a_regular_grid_is_named() {
    let mut typed = entries();
    typed.remove(27);
    let faults = RingTable::new(120.0, typed).expect_err("19.47 is missing");
    assert_eq!(
        faults.0,
        [TableFault::MissingStep {
            row: 27,
            missing_mm: vec![19.47]
        }]
    );
    assert!(faults.to_string().contains("skips 19.47 mm"), "{faults}");
}

#[test]
fn a_table_that_is_coarser_towards_its_end_has_no_hole() {
    let mut typed = Vec::new();
    for (i, entry) in entries().into_iter().enumerate() {
        if i <= 72 || i % 2 == 0 {
            typed.push(entry);
        }
    }
    assert!(reasons(120.0, typed).is_empty());
}

#[test]
fn inches_and_fahrenheit_are_asked_about() {
    let mut inches = entries();
    let mut fahrenheit = entries();
    for entry in &mut inches {
        entry.diameter_mm /= 25.4;
    }
    for entry in &mut fahrenheit {
        entry.temperature_c = entry.temperature_c * 1.8 + 32.0;
    }
    let faults = RingTable::new(120.0, inches).expect_err("these are inches");
    assert!(faults.to_string().contains("are these inches?"), "{faults}");
    assert_eq!(faults.0.len(), 1);
    let faults = RingTable::new(120.0, fahrenheit).expect_err("these are °F");
    assert!(faults.to_string().contains("are these °F?"), "{faults}");
}

#[test]
fn a_shifted_decimal_point_is_out_of_range_without_talk_of_inches() {
    let mut typed = entries();
    typed[3].diameter_mm = 192.3;
    let faults = RingTable::new(120.0, typed).expect_err("192.3 mm is no ring");
    assert_eq!(faults.0.len(), 1, "{faults}");
    assert_eq!(faults.0[0].reason(), "OUT_OF_PLAUSIBLE_RANGE");
    assert_eq!(faults.0[0].row(), Some(4));
    assert!(!faults.to_string().contains("inches"), "{faults}");
}

#[test]
fn a_slope_no_ring_has_is_refused() {
    let line = |step_mm: f64, fall_c: f64| {
        let mut entries = Vec::new();
        for i in 0..8 {
            entries.push(Entry {
                diameter_mm: 18.0 + step_mm * f64::from(i),
                temperature_c: 1600.0 - fall_c * f64::from(i),
            });
        }
        entries
    };
    assert!(reasons(120.0, line(0.01, 12.0)).contains(&"IMPLAUSIBLE_SLOPE"));
    assert_eq!(reasons(120.0, line(0.5, 5.0)), ["IMPLAUSIBLE_SLOPE"]);
    assert_eq!(reasons(120.0, line(0.1, 1.0)), ["IMPLAUSIBLE_SLOPE"]);
    assert!(reasons(120.0, line(0.1, 20.0)).is_empty());
}

#[test]
fn every_fault_is_told_at_once() {
    let mut typed = entries();
    typed[3].diameter_mm = 192.3;
    typed[10].temperature_c = f64::NAN;
    typed[50] = typed[51];
    let faults = RingTable::new(0.0, typed).expect_err("four things are wrong");
    let found: Vec<&str> = faults.0.iter().map(TableFault::reason).collect();
    assert_eq!(
        found,
        [
            "HOLD_OUT_OF_RANGE",
            "OUT_OF_PLAUSIBLE_RANGE",
            "NOT_FINITE",
            "DUPLICATE_DIAMETER"
        ]
    );
}

/// A smooth invented curve like those of real rings, steeper towards its ends, rounded to whole
/// degrees.
fn smooth(start_mm: f64, step_mm: f64, rows: u32, slope: f64, tail: f64) -> Vec<Entry> {
    let half_mm = step_mm * f64::from(rows - 1) / 2.0;
    let mut entries = Vec::new();
    for i in 0..rows {
        let along_mm = step_mm * f64::from(i);
        let u = along_mm / half_mm - 1.0;
        let fall_c = slope * along_mm + tail * slope * half_mm / 5.0 * (u * u * u * u * u + 1.0);
        let entry = Entry {
            diameter_mm: ((start_mm + along_mm) * 1e4).round() / 1e4,
            temperature_c: (1790.0 - fall_c).round(),
        };
        if entry.temperature_c >= 900.0 {
            entries.push(entry);
        }
    }
    entries
}

proptest! {
    #[test]
    fn a_reading_lies_between_its_neighbours_and_falls_with_diameter(
        a in 0.0..1.0_f64, b in 0.0..1.0_f64, coarse in any::<bool>(),
    ) {
        let table = if coarse {
            RingTable::new(120.0, coarse_entries()).expect("sound")
        } else {
            table()
        };
        let (low, high) = table.diameter_range_mm();
        let at = |share: f64| (low + share * (high - low)).min(high);
        let (small, large) = (at(a.min(b)), at(a.max(b)));
        let hot = table.temperature_at(small).expect("in the table");
        let cold = table.temperature_at(large).expect("in the table");
        prop_assert!(hot >= cold);
        let after = table.entries().partition_point(|e| e.diameter_mm <= small);
        let left = after.saturating_sub(1).min(table.entries().len() - 2);
        prop_assert!(hot <= table.entries()[left].temperature_c);
        prop_assert!(hot >= table.entries()[left + 1].temperature_c);
        let back = table.diameter_at(hot).expect("in the table");
        prop_assert!((back - small).abs() < 1e-7, "{} against {}", back, small);
        prop_assert!(table.slope_c_per_mm(small).expect("in the table") < 0.0);
    }

    #[test]
    fn a_smooth_rounded_table_is_never_refused(
        start in 10.0..30.0_f64,
        step in prop::sample::select(vec![0.01, 0.02, 0.025, 0.05, 0.1, 0.2]),
        rows in 6_u32..60,
        slope in 110.0..260.0_f64,
        tail in 0.0..1.0_f64,
    ) {
        let entries = smooth((start * 100.0).round() / 100.0, step, rows, slope, tail);
        let made = RingTable::new(120.0, entries);
        prop_assert!(made.is_ok(), "{:?}", made);
    }

    #[test]
    fn a_gross_slip_in_a_smooth_table_is_never_let_through(
        rows in 8_u32..60, at in 0_usize..60, slip in prop::sample::select(vec![-90.0, -20.0, 20.0, 90.0]),
    ) {
        let mut entries = smooth(19.0, 0.02, rows, 180.0, 0.5);
        let at = at % entries.len();
        entries[at].temperature_c += slip;
        prop_assert!(RingTable::new(120.0, entries).is_err());
    }

    #[test]
    fn nothing_entered_can_panic(
        hold in any::<f64>(),
        pairs in prop::collection::vec((any::<f64>(), any::<f64>()), 0..12),
        near in prop::collection::vec((5.0..40.0_f64, 900.0..1800.0_f64), 0..12),
        asked in any::<f64>(),
    ) {
        let mut entries = Vec::new();
        for (diameter_mm, temperature_c) in pairs.into_iter().chain(near) {
            entries.push(Entry { diameter_mm, temperature_c });
        }
        match RingTable::new(hold, entries) {
            Ok(table) => {
                let _tried = table.temperature_at(asked);
                let _tried = table.diameter_at(asked);
                let _tried = table.slope_c_per_mm(asked);
            }
            Err(faults) => prop_assert!(!faults.to_string().is_empty()),
        }
    }
}
