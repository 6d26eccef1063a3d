//! Table files as they come: good, bad with row numbers, in other spellings, and too large.

use ringtrue_tests::bench::TABLE_CSV;

use crate::workplace::{Outcome, Workplace};

fn imported(place: &Workplace, name: &str, content: impl AsRef<[u8]>, more: &str) -> Outcome {
    let file = place.with_file(name, content);
    place.said_with(&format!("batch import --code B1 --id b1 {more}"), &[file])
}

fn batches(place: &Workplace) -> usize {
    let listed = place.said("batch list --json").done();
    let listed: serde_json::Value = serde_json::from_str(&listed).expect("JSON");
    listed["ringBatches"].as_array().map_or(0, Vec::len)
}

#[test]
fn a_good_file_is_checked_first_and_stored_then() {
    let place = Workplace::empty();
    let checked = imported(&place, "b1.csv", TABLE_CSV, "--hold 120 --dry-run");
    assert!(
        checked.err.contains("Nothing was stored"),
        "{}",
        checked.err
    );
    assert!(checked.done().contains("120 min  19.20 to 20.00 mm"));
    assert_eq!(batches(&place), 0);
    imported(&place, "b1.csv", TABLE_CSV, "--hold 120").done();
    assert_eq!(batches(&place), 1);
    let file = place.folder().join("b1.csv");
    place
        .said_with("batch add-table b1 --hold 60", &[file])
        .done();
    let shown = place.said("batch show b1 --entries").done();
    assert!(
        shown.contains("60 min") && shown.contains("120 min") && shown.contains("1519"),
        "{shown}"
    );
}

#[test]
fn every_bad_row_is_named_by_file_and_number_and_nothing_is_stored() {
    let place = Workplace::empty();
    let bad = "diameter_mm,ring_temperature_C\n19.20,1570\n19.21,1569\n19.21,1568\n19.22,abc\n19.23,1590\n19.24,1560\n";
    let refused = imported(&place, "bad.csv", bad, "--hold 120");
    assert_eq!(refused.code, Some(3));
    let first = refused.err.lines().next().expect("a line");
    assert!(first.contains("nothing was stored"), "{first}");
    for (row, words) in [
        (4, "is in the table twice"),
        (5, "not a number"),
        (6, "compare both rows"),
    ] {
        let found = refused
            .err
            .lines()
            .find(|line| line.contains(&format!("bad.csv:{row}: ")));
        let found = found.unwrap_or_else(|| panic!("row {row} is not named:\n{}", refused.err));
        assert!(found.contains(words), "{found}");
        assert_eq!(
            refused.err.matches(words).count(),
            1,
            "said twice:\n{}",
            refused.err
        );
    }
    assert_eq!(batches(&place), 0);
}

#[test]
fn a_file_with_semicolons_and_decimal_commas_is_read_the_same() {
    let place = Workplace::empty();
    let mut spelled = String::new();
    for line in TABLE_CSV.lines() {
        spelled.push_str(&line.replace(',', ";").replace('.', ","));
        spelled.push_str("\r\n");
    }
    let shown = imported(&place, "commas.csv", spelled, "--hold 120").done();
    assert!(
        shown.contains("19.20 to 20.00 mm  1383 to 1570 °C"),
        "{shown}"
    );
}

#[test]
fn a_file_that_is_too_large_is_refused_before_it_is_sent() {
    let place = Workplace::empty();
    let mut large = TABLE_CSV.to_owned();
    while large.len() <= 1 << 20 {
        large.push_str("20.01,1380\n");
    }
    let refused = imported(&place, "large.csv", large, "--hold 120");
    assert_eq!(refused.code, Some(3));
    assert!(
        refused.err.contains("large.csv") && refused.err.contains("too many for a ring table"),
        "{}",
        refused.err
    );
    assert_eq!(batches(&place), 0);
}

#[test]
fn bytes_that_are_no_text_are_refused_in_words() {
    let place = Workplace::empty();
    let refused = imported(
        &place,
        "scan.csv",
        [0xff_u8, 0xfe, 0x00, 0x31, 0x80],
        "--hold 120",
    );
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    assert!(refused.err.contains("scan.csv"), "{}", refused.err);
    let missing = place.said("batch import --code B1 --hold 120 nowhere.csv");
    assert_eq!(missing.code, Some(3), "{}", missing.err);
    assert!(missing.err.contains("nowhere.csv"), "{}", missing.err);
}

#[test]
fn every_file_wants_its_hold() {
    let place = Workplace::empty();
    let refused = imported(&place, "b1.csv", TABLE_CSV, "");
    assert_eq!(refused.code, Some(2), "{}", refused.err);
    assert!(refused.err.contains("hold"), "{}", refused.err);
}
