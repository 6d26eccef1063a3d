//! Checks of the way of ring batches into messages and back, and that each fault of a table names
//! its place in the request.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;

use super::*;

/// A made-up table: 1450 to 1550 °C in steps of 0.01 mm, 4 °C each.
fn entries() -> Vec<v1::RingTableEntry> {
    let mut entries = Vec::new();
    for step in 0..26 {
        entries.push(v1::RingTableEntry {
            diameter_mm: f64::from(1940 + step) / 100.0,
            temperature_c: 1550.0 - 4.0 * f64::from(step),
        });
    }
    entries
}

fn table_given(hold_min: f64) -> v1::RingTable {
    v1::RingTable {
        hold_min,
        entries: entries(),
        ..v1::RingTable::default()
    }
}

fn file(hold_min: f64) -> v1::RingTableFile {
    let mut content = "diameter mm,temperature °C\n".to_owned();
    for entry in entries() {
        writeln!(content, "{},{}", entry.diameter_mm, entry.temperature_c)
            .expect("writing to a string cannot fail");
    }
    v1::RingTableFile {
        hold_min,
        content: content.into_bytes(),
    }
}

fn given(tables: Vec<v1::RingTable>) -> v1::RingBatch {
    v1::RingBatch {
        code: "A7".to_owned(),
        tables,
        stated_expanded_uncertainty_c: Some(4.0),
        expiry_date: Some(ringtrue_proto::Date {
            year: 2027,
            month: 6,
            day: 30,
        }),
        provenance: "papers of the batch".to_owned(),
        ..v1::RingBatch::default()
    }
}

fn refused(given: v1::RingBatch, files: &[v1::RingTableFile]) -> Vec<String> {
    let mut violations = Violations::default();
    details(given, files, &mut violations);
    violations
        .0
        .into_iter()
        .map(|violation| violation.field)
        .collect()
}

#[test]
fn a_batch_survives_the_way_out_and_back_with_its_tables_by_rising_hold() {
    let mut violations = Violations::default();
    let sent = given(vec![table_given(120.0), table_given(60.0)]);
    let before = details(sent, &[], &mut violations);
    assert_eq!(violations, Violations::default());
    assert_eq!(before.state, BatchState::Released);
    assert_eq!(before.expires_on, Some(Date::constant(2027, 6, 30)));
    let key = BatchId::new("a7").expect("an id");
    let batch = RingBatch::first(key, before.clone(), Timestamp::UNIX_EPOCH);
    let out = message(&batch);
    assert_eq!(out.name, "ringBatches/a7");
    assert_eq!(out.tables.len(), 2);
    let first = &out.tables[0];
    assert!((first.hold_min - 60.0).abs() < 1e-9);
    assert_eq!(first.entries.len(), 26);
    assert!((first.smallest_diameter_mm - 19.40).abs() < 1e-9);
    assert!((first.largest_diameter_mm - 19.65).abs() < 1e-9);
    assert!((first.lowest_temperature_c - 1450.0).abs() < 1e-9);
    assert!((first.highest_temperature_c - 1550.0).abs() < 1e-9);
    assert!((first.step_mm - 0.01).abs() < 1e-9);
    assert_eq!(message_without_entries(&batch).tables[0].entries.len(), 0);
    assert_eq!(details(out, &[], &mut violations), before);
}

#[test]
fn a_file_gives_the_same_table_as_its_numbers() {
    let mut violations = Violations::default();
    let of_numbers = details(given(vec![table_given(120.0)]), &[], &mut violations);
    let of_file = details(given(Vec::new()), &[file(120.0)], &mut violations);
    assert_eq!(violations, Violations::default());
    assert_eq!(of_file, of_numbers);
}

#[test]
fn each_fault_of_a_table_names_its_place() {
    let mut broken = table_given(120.0);
    broken.entries[3].diameter_mm = broken.entries[2].diameter_mm;
    broken.entries[12].temperature_c = f64::NAN;
    let fields = refused(given(vec![table_given(60.0), broken]), &[]);
    assert!(
        fields.contains(&"ring_batch.tables[1].entries[3]".to_owned()),
        "{fields:?}"
    );
    assert!(
        fields.contains(&"ring_batch.tables[1].entries[12]".to_owned()),
        "{fields:?}"
    );
    assert!(
        fields
            .iter()
            .all(|field| field.starts_with("ring_batch.tables[1].")),
        "{fields:?}"
    );
    assert_eq!(
        refused(given(vec![table_given(0.0)]), &[]),
        ["ring_batch.tables[0].hold_min"]
    );
    let short = v1::RingTable {
        entries: entries()[..2].to_vec(),
        ..table_given(60.0)
    };
    assert_eq!(
        refused(given(vec![short]), &[]),
        ["ring_batch.tables[0].entries"]
    );
}

#[test]
fn each_fault_of_a_file_names_the_file_and_the_line() {
    let mut broken = file(120.0);
    broken.content.extend_from_slice(b"19.66,hot\n");
    let mut violations = Violations::default();
    details(given(Vec::new()), &[file(60.0), broken], &mut violations);
    assert_eq!(violations.0.len(), 1, "{violations}");
    assert_eq!(violations.0[0].field, "table_files[1].content");
    assert!(
        violations.0[0].message.starts_with("Row 28: "),
        "{violations}"
    );
    assert_eq!(
        refused(given(Vec::new()), &[file(-1.0)]),
        ["table_files[0].hold_min"]
    );
}

#[test]
fn a_file_above_a_mebibyte_is_refused_by_its_field() {
    let large = v1::RingTableFile {
        hold_min: 60.0,
        content: vec![b'1'; LARGEST_BYTES + 1],
    };
    assert_eq!(
        refused(given(Vec::new()), &[large]),
        ["table_files[0].content"]
    );
}

#[test]
fn tables_are_given_once_and_in_a_number_that_is_looked_at() {
    assert_eq!(
        refused(given(vec![table_given(60.0)]), &[file(120.0)]),
        ["table_files"]
    );
    assert_eq!(refused(given(Vec::new()), &[]), ["ring_batch.tables"]);
    assert_eq!(
        refused(given(Vec::new()), &vec![file(60.0); 9]),
        ["table_files"]
    );
    assert_eq!(
        refused(given(vec![table_given(60.0); 9]), &[]),
        ["ring_batch.tables"]
    );
}

#[test]
fn two_tables_for_one_hold_are_told_by_their_place_in_the_request() {
    let twice = vec![table_given(120.0), table_given(60.0), table_given(120.0)];
    assert_eq!(
        refused(given(twice), &[]),
        ["ring_batch.tables[2].hold_min"]
    );
    let files = [file(120.0), file(60.0), file(60.2)];
    assert_eq!(
        refused(given(Vec::new()), &files),
        ["table_files[2].hold_min"]
    );
}

#[test]
fn everything_wrong_with_a_batch_is_told_at_once() {
    let mut sent = given(vec![table_given(0.0)]);
    sent.code.clear();
    sent.state = 9;
    sent.expiry_date = Some(ringtrue_proto::Date {
        year: 2027,
        month: 2,
        day: 30,
    });
    sent.stated_expanded_uncertainty_c = Some(f64::NAN);
    let fields = refused(sent, &[]);
    for wanted in [
        "ring_batch.code",
        "ring_batch.state",
        "ring_batch.expiry_date",
        "ring_batch.stated_expanded_uncertainty_c",
        "ring_batch.tables[0].hold_min",
    ] {
        assert!(
            fields.contains(&wanted.to_owned()),
            "{wanted} in {fields:?}"
        );
    }
}
