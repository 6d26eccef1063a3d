//! Ring tables as delimited text: whatever a spreadsheet writes, a table is in order and can be looked up, or is refused.

use ringtrue_calibration::ring_table::{
    DIAMETER_RANGE_MM, LONGEST_HOLD_MIN, MOST_ENTRIES, RingTable, TEMPERATURE_RANGE_C, csv,
};

/// Holds that the first byte of an input picks from, minutes: usual ones and impossible ones.
const HOLDS_MIN: [f64; 8] = [120.0, 60.0, 0.5, 0.0, -1.0, 1e9, f64::NAN, f64::INFINITY];

/// Entries that are looked up; a table may have very many.
const LOOKED_UP: usize = 40;

/// Reads an input as a table: its first byte picks the hold, the rest is the text.
pub fn read(input: &[u8]) {
    let Some((first, text)) = input.split_first() else {
        return;
    };
    let hold_min = HOLDS_MIN[usize::from(*first) % HOLDS_MIN.len()];
    match csv::parse(text, hold_min) {
        Ok(table) => in_order(&table),
        // What is wrong is said in words, and there is always something.
        Err(faults) => assert!(!faults.to_string().is_empty(), "refused without a reason"),
    }
}

fn in_order(table: &RingTable) {
    let entries = table.entries();
    assert!((3..=MOST_ENTRIES).contains(&entries.len()));
    assert!(table.hold_min() > 0.0 && table.hold_min() <= LONGEST_HOLD_MIN);
    for pair in entries.windows(2) {
        assert!(pair[0].diameter_mm < pair[1].diameter_mm, "{pair:?}");
        assert!(pair[0].temperature_c > pair[1].temperature_c, "{pair:?}");
    }
    let within = |value: f64, (low, high): (f64, f64)| (low..=high).contains(&value);
    for entry in entries {
        assert!(within(entry.diameter_mm, DIAMETER_RANGE_MM), "{entry:?}");
        assert!(
            within(entry.temperature_c, TEMPERATURE_RANGE_C),
            "{entry:?}"
        );
    }
    for pair in entries.windows(2).take(LOOKED_UP) {
        let at = |diameter_mm: f64| table.temperature_at(diameter_mm).expect("inside the table");
        let exact = at(pair[0].diameter_mm);
        assert_eq!(exact.to_bits(), pair[0].temperature_c.to_bits());
        let between = f64::midpoint(pair[0].diameter_mm, pair[1].diameter_mm);
        let between_c = at(between);
        let (high, low) = (pair[0].temperature_c, pair[1].temperature_c);
        assert!(
            within(between_c, (low, high)),
            "{between_c} °C beside {pair:?}"
        );
        let back = table.diameter_at(between_c).expect("inside the table");
        assert!(
            within(back, (pair[0].diameter_mm, pair[1].diameter_mm)),
            "{back} mm beside {pair:?}"
        );
        let slope = table.slope_c_per_mm(between).expect("inside the table");
        assert!(slope.is_finite() && slope < 0.0, "a slope of {slope} °C/mm");
    }
    let (smallest, largest) = table.diameter_range_mm();
    for outside in [smallest - 0.001, largest + 0.001, f64::NAN] {
        assert!(
            table.temperature_at(outside).is_err(),
            "{outside} mm is outside"
        );
    }
    let written = csv::print(table);
    let again = csv::parse(written.as_bytes(), table.hold_min());
    assert_eq!(again.as_ref(), Ok(table), "not read back as it was written");
}
