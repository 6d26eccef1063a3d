//! Files with something wrong in them: every fault is named by its row, and nothing is left half done.

use std::fs;

use crate::workplace::{Outcome, Workplace};

const HEAD: &str = "external_id,programme,start_time,end_time,cases";

/// Row 2 is in order; what is wrong with each other one stands behind it.
const BAD: &[(&str, &str)] = &[
    (
        "F-1,porto/k2/standard,2026-10-05T06:00:00Z,2026-10-05T13:00:00Z,C-1=2 LAB:7",
        "",
    ),
    (
        "F-2,porto/k2/standard,2026-10-06T13:00:00Z,2026-10-06T06:00:00Z,",
        "end_time",
    ),
    (
        "F-3,porto/k2/nowhere,2026-10-07T06:00:00Z,2026-10-07T13:00:00Z,",
        "programme",
    ),
    (
        "F-4,porto/k2/standard,2026-10-08T06:00:00Z,2026-10-08T13:00:00Z,Smith=2",
        "cases",
    ),
    (
        "F-1,porto/k2/standard,2026-10-09T06:00:00Z,2026-10-09T13:00:00Z,",
        "DUPLICATE",
    ),
    (
        "F-6,porto/k2/standard,2026-10-05T12:00:00Z,2026-10-05T15:00:00Z,",
        "OVERLAPS",
    ),
    (
        "F-7,porto/k2/standard,yesterday,2026-10-10T13:00:00Z,",
        "start_time",
    ),
    ("F-8,porto/k2/standard,2026-10-11T06:00:00Z", "WRONG_WIDTH"),
    (
        ",porto/k2/standard,2026-10-12T06:00:00Z,2026-10-12T13:00:00Z,",
        "external_id",
    ),
    (
        "F-10,porto/k2/standard,2026-10-13T06:00:00Z,2026-10-13T13:00:00Z,C-2",
        "",
    ),
];

fn file_of(rows: &[(&str, &str)]) -> String {
    let mut text = format!("{HEAD}\n");
    for (row, _) in rows {
        text.push_str(row);
        text.push('\n');
    }
    text
}

fn firings(place: &Workplace) -> Vec<String> {
    let listed = place.said("export firings").done();
    let ids = listed
        .lines()
        .skip(1)
        .filter_map(|line| line.split(',').next());
    ids.map(str::to_owned).collect()
}

fn json(outcome: &Outcome) -> serde_json::Value {
    serde_json::from_str(&outcome.out).unwrap_or_else(|fault| panic!("{fault}: {outcome:?}"))
}

#[test]
fn every_fault_is_named_by_row_and_nothing_is_stored() {
    let place = Workplace::furnished();
    let file = place.with_file("bad.csv", file_of(BAD));
    let refused = place.said_with("import firings", &[&file]);
    assert_eq!(refused.code, Some(3), "{refused:?}");
    for (at, (_, words)) in BAD.iter().enumerate() {
        let mut lines = refused.err.lines();
        let found = lines.find(|line| {
            line.strip_prefix(&format!("row {}", at + 2))
                .is_some_and(|rest| rest.starts_with([',', ':']))
        });
        match (words.is_empty(), found) {
            (true, None) => {}
            (false, Some(_)) => assert!(refused.err.contains(words), "{words}: {}", refused.err),
            _ => panic!("row {}: {}", at + 2, refused.err),
        }
    }
    assert!(
        refused.out.contains("At fault: 8 of 10 firings"),
        "{}",
        refused.out
    );
    assert_eq!(firings(&place), Vec::<String>::new());
    // A program is told the same.
    let all = place.folder().join("faults.csv");
    let told = place
        .command("import firings --json --dry-run --faults")
        .args([&all, &file])
        .output()
        .expect("the program starts");
    let told = json(&told.into());
    assert_eq!(
        (&told["state"], &told["leftOut"]),
        (&"refused".into(), &8.into()),
        "{told}"
    );
    let lines = fs::read_to_string(all).expect("all faults").lines().count();
    assert_eq!(told["faultCount"].as_u64(), u64::try_from(lines - 1).ok());
}

#[test]
fn keep_good_keeps_exactly_the_good_and_the_rest_can_be_mended() {
    let place = Workplace::furnished();
    let file = place.with_file("bad.csv", file_of(BAD));
    let rest = place.folder().join("rest.csv");
    let kept = place
        .command("import firings --keep-good --json --rejected")
        .args([&rest, &file])
        .output()
        .expect("the program starts");
    let kept = json(&kept.into());
    assert_eq!(
        (&kept["recorded"], &kept["leftOut"]),
        (&2.into(), &8.into()),
        "{kept}"
    );
    assert_eq!(firings(&place), ["F-1", "F-10"]);
    let left: Vec<(&str, &str)> = BAD
        .iter()
        .filter(|(_, words)| !words.is_empty())
        .copied()
        .collect();
    assert_eq!(fs::read_to_string(&rest).expect("the rest"), file_of(&left));
    // A file that is there is nobody's to overwrite.
    let again = place
        .command("import firings --keep-good --rejected")
        .args([&rest, &file])
        .output()
        .expect("the program starts");
    assert_eq!(again.status.code(), Some(3));
}

#[test]
fn what_is_on_record_is_known_and_what_overlaps_it_is_refused() {
    let place = Workplace::furnished();
    let good = &BAD[..1];
    let file = place.with_file("good.csv", file_of(good));
    place.said_with("import firings", &[&file]).done();
    let clash = place.with_file("clash.csv", file_of(&[good[0], BAD[5]]));
    let refused = place.said_with("import firings", &[&clash]);
    assert_eq!(refused.code, Some(3), "{refused:?}");
    assert!(refused.err.contains("row 3"), "{}", refused.err);
    assert!(!refused.err.contains("row 2,"), "{}", refused.err);
    // The same id with other values.
    let other = good[0].0.replace("T13:00", "T12:00");
    let changed = place.with_file("changed.csv", file_of(&[(&other, "")]));
    let refused = place.said_with("import firings", &[&changed]);
    assert_eq!(refused.code, Some(3), "{refused:?}");
    assert_eq!(firings(&place), ["F-1"]);
    let sites =
        "name,display_name,time_zone,calibration_day\nporto,Elsewhere,Europe/Lisbon,friday\n";
    let sites = place.with_file("sites.csv", sites);
    let refused = place.said_with("import sites", &[&sites]);
    assert!(
        refused.err.contains("row 2, display_name"),
        "{}",
        refused.err
    );
}

#[test]
fn columns_that_are_not_known_or_missing_are_named() {
    let place = Workplace::furnished();
    let file = place.with_file("columns.csv", "external_id,colour,programme,programme\n");
    let refused = place.said_with("import firings", &[&file]);
    assert_eq!(refused.code, Some(3));
    for words in [
        "`colour` is not known",
        "`programme` is there twice",
        "`start_time` is missing",
        "The columns are external_id, programme",
    ] {
        assert!(refused.err.contains(words), "{}", refused.err);
    }
    let line = place.with_file(
        "line.ndjson",
        "\n{\"externalId\": \"F-1\", \"colour\": 3}\n{\n",
    );
    let refused = place.said_with("import firings", &[&line]);
    assert!(
        refused.err.contains("row 2") && refused.err.contains("colour"),
        "{}",
        refused.err
    );
    assert!(refused.err.contains("row 3"), "{}", refused.err);
    let named = place.with_file("firings.xyz", "");
    assert_eq!(place.said_with("import firings", &[&named]).code, Some(2));
    let empty = place.with_file("empty.csv", "");
    assert_eq!(place.said_with("import firings", &[&empty]).code, Some(3));
}

#[test]
fn an_open_quote_and_bytes_that_are_no_text_are_refused_in_words() {
    let place = Workplace::furnished();
    let mut open = format!("{HEAD}\nF-1,\"porto");
    open.push_str(&"x".repeat(9 << 20));
    let file = place.with_file("open.csv", open);
    let refused = place.said_with("import firings", &[&file]);
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    assert!(refused.err.contains("quote left open"), "{}", refused.err);
    let mut bytes =
        format!("{HEAD}\nF-1,porto/k2/standard,2026-10-05T06:00:00Z,2026-10-05T13:00:00Z,")
            .into_bytes();
    bytes.extend([0xff, 0xfe, b'\n']);
    let file = place.with_file("bytes.csv", bytes);
    let refused = place.said_with("import firings", &[&file]);
    assert!(
        refused.err.contains("row 2, cases: is not UTF-8"),
        "{}",
        refused.err
    );
}

#[test]
fn doubtful_readings_are_asked_about_and_answered_in_a_column() {
    let place = Workplace::furnished();
    let head = "programme,fire_time,measure_time,performed_by,ring_batch,gauge,diameters_mm,answered_questions";
    let row = "porto/k2/standard,2026-10-02T18:00:00Z,2026-10-03T09:00:00Z,t1,x7,caliper-1,19.47 19.74 19.46";
    let file = place.with_file("asked.csv", format!("{head}\n{row},\n"));
    let asked = place.said_with("import readings --json", &[&file]);
    assert_eq!(asked.code, Some(3), "{asked:?}");
    let asked = json(&asked);
    let faults = asked["faults"].as_array().expect("faults").clone();
    let codes: Vec<&str> = faults
        .iter()
        .filter_map(|fault| fault["reason"].as_str())
        .collect();
    assert!(!codes.is_empty(), "{asked}");
    assert!(
        faults[0]["problem"]
            .as_str()
            .unwrap_or_default()
            .contains("answered_questions"),
        "{asked}"
    );
    assert_eq!(place.readings(), 0);
    let answered = format!("{head}\n{row},{}\n", codes.join(";"));
    let file = place.with_file("answered.csv", answered);
    place.said_with("import readings", &[&file]).done();
    assert_eq!(place.readings(), 1);
}
