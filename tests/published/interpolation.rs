//! The monotone cubic of Fritsch & Butland (1984) as SciPy computes it, through ring tables.

use ringtrue_calibration::ring_table::csv::{parse, print};

use crate::setup::{close, figure, rows, table, table_of};

/// Temperature range of the table below, °C: heights of the data times this, counted down.
const SCALE_C: f64 = 800.0;
const TOP_C: f64 = 1750.0;

#[test]
fn a_ring_table_reads_between_its_rows_as_scipy_does() {
    // Fritsch & Carlson (1980), data "RPN 14"; values from SciPy's PchipInterpolator. A ring table
    // refuses the flat ends of the data, so the six knots between are taken. The interpolation is
    // local: between the second and the fifth of them it depends on these six alone.
    let mut pairs = Vec::new();
    for row in rows(include_str!("data/fritsch_carlson_rpn14.csv")) {
        let (x, y) = (figure(row[0]), figure(row[1]));
        if (8.05..12.5).contains(&x) {
            pairs.push((x, TOP_C - SCALE_C * y));
        }
    }
    assert_eq!(pairs.len(), 6);
    let table = table_of(120.0, &pairs);
    let mut seen = 0;
    for row in rows(include_str!("data/fritsch_carlson_eval.csv")) {
        let (x, scipy, fritsch_carlson) = (figure(row[0]), figure(row[1]), figure(row[2]));
        if !(8.19..10.0).contains(&x) {
            continue;
        }
        let found = (TOP_C - table.temperature_at(x).expect("inside the table")) / SCALE_C;
        close(found, scipy, 1e-10);
        // The older limiter of 1980 gives visibly other values; the two are often confused.
        assert!((found - fritsch_carlson).abs() > 1e-3, "{x}");
        seen += 1;
    }
    assert_eq!(seen, 3);
}

#[test]
fn between_whole_rows_the_invented_table_reads_as_a_person_would() {
    // Recomputed with SciPy; linear reading differs by at most 0.105 °C on this table.
    let table = table();
    for (diameter_mm, temperature_c) in [
        (19.47, 1519.0),
        (19.475, 1518.0),
        (19.4725, 1518.5),
        (19.468, 1519.4),
        (19.333, 1545.4),
    ] {
        close(
            table.temperature_at(diameter_mm).expect("inside"),
            temperature_c,
            0.105,
        );
        close(
            table.diameter_at(temperature_c).expect("inside"),
            diameter_mm,
            0.0006,
        );
    }
}

#[test]
fn a_table_printed_and_read_again_is_the_same_table() {
    let before = table();
    let again = parse(print(&before).as_bytes(), before.hold_min()).expect("a table");
    assert_eq!(before, again);
}
