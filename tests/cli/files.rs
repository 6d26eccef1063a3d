//! Whole files taken in and given out: the way there and back, by our own hand and by Python's csv module.

use ringtrue_tests::bench::TABLE_CSV;
use ringtrue_tests::python;
use std::fmt::Write as _;

use crate::workplace::Workplace;

/// Two rings of one firing, a warm one, and words that need quotes. Two readings on two weeks.
const READINGS: &str = "\
programme,fire_time,measure_time,purpose,performed_by,note,answered_questions,ring_batch,gauge,ring_temperature_c,position,diameters_mm
porto/k2/standard,2026-10-02T18:00:00+01:00,2026-10-03T09:00:00+01:00,routine,t1,\"said \"\"fine\"\", twice\",,x7,caliper-1,22,centre,19.47 19.46 19.48
,,,,,,,,,,door,19.5 19.49 19.51
porto/k2/standard,2026-10-16T17:00:00Z,2026-10-17T08:00:00Z,,t1,,,x7,caliper-1,,centre,19.47 19.47
";

const FIRINGS: &str = "\
external_id,programme,start_time,end_time,outcome,cases,segments,hours_hot,performed_by,note
F-1,porto/k2/standard,2026-10-05T06:00:00Z,2026-10-05T13:30:00Z,completed,C-8841=3 C-8842=0,1500/120 600/30.5,2,t1,\"a, b; \"\"c\"\"\"
F-2,porto/k2/standard,2026-10-06T06:00:00+02:00,2026-10-06T13:30:00+02:00,power_lost,,,,,
";

const SITES: &str = "\
name,display_name,time_zone,calibration_day,closed_days,action_band_c,closures,manager_after_days
oslo,\"Oslo, west\",Europe/Oslo,monday,saturday;sunday,0,2026-12-24/2026-12-26 a \\; b; 2027-05-17,0
";

fn furnished() -> Workplace {
    let place = Workplace::furnished();
    for (kind, text) in [
        ("sites", SITES),
        ("readings", READINGS),
        ("firings", FIRINGS),
    ] {
        let file = place.with_file(&format!("first-{kind}.csv"), text);
        place
            .said_with(&format!("--site porto import {kind}"), &[file])
            .done();
    }
    place
}

/// Everything of a kind, as it is exported.
fn exported(place: &Workplace, kind: &str, form: &str) -> String {
    place.said(&format!("export {kind} --format {form}")).done()
}

#[test]
fn every_kind_survives_the_way_there_and_back_in_both_forms() {
    let first = furnished();
    for form in ["csv", "ndjson"] {
        let second = Workplace::empty();
        for kind in [
            "sites", "furnaces", "batches", "gauges", "readings", "firings",
        ] {
            let written = exported(&first, kind, form);
            assert!(!written.is_empty(), "{kind}");
            let file = second.with_file(&format!("{kind}.{form}"), &written);
            if kind == "readings" {
                // Programmes and checks of gauges are no kinds of file.
                for line in [
                    "programme add porto/k2 --id standard --name Standard --segment 8:1500:120 --target 1500 --setpoint 1500",
                    "gauge check porto/caliper-1 --nominal 20 --measured 20 20 20",
                ] {
                    second.said(line).done();
                }
            }
            let tried = second.said_with(&format!("import {kind} --dry-run"), &[&file]);
            assert!(
                tried.out.contains("Nothing was stored"),
                "{kind}: {tried:?}"
            );
            second.said_with(&format!("import {kind}"), &[&file]).done();
            assert_eq!(exported(&second, kind, form), written, "{kind} as {form}");
            // Once more: all of it is known.
            let again = second
                .said_with(&format!("import {kind} --json"), &[&file])
                .done();
            let again: serde_json::Value = serde_json::from_str(&again).expect("JSON");
            assert_eq!(again["leftOut"], 0, "{again}");
            assert_eq!(again["recorded"], 0, "{again}");
            assert_eq!(again["known"], again["records"], "{again}");
            assert_eq!(
                exported(&second, kind, form),
                written,
                "{kind} as {form}, twice"
            );
        }
    }
}

/// What a file says is what Python's csv module reads out of it (its default dialect, which follows RFC 4180), and what
/// that module writes is read the same here.
#[test]
fn pythons_csv_module_reads_what_is_written_and_writes_what_is_read() {
    let place = furnished();
    let written = exported(&place, "firings", "csv");
    assert!(written.contains("\r\n"), "lines end as RFC 4180 wants");
    let rows: serde_json::Value =
        serde_json::from_str(&python::asked("cli/rows.py", &written)).expect("JSON");
    assert_eq!(rows["rows"][0]["note"], "a, b; \"c\"");
    assert_eq!(rows["rows"][0]["cases"], "C-8841=3 C-8842=0");
    assert_eq!(rows["rows"][0]["start_time"], "2026-10-05T06:00:00Z");
    assert_eq!(rows["rows"].as_array().map(Vec::len), Some(2));
    // Every cell quoted, which the module can write as well.
    let file = place.with_file("quoted.csv", rows["quoted"].as_str().expect("text"));
    let done = place.said_with("import firings --json", &[file]).done();
    let done: serde_json::Value = serde_json::from_str(&done).expect("JSON");
    assert_eq!(
        (&done["known"], &done["recorded"]),
        (&2.into(), &0.into()),
        "{done}"
    );
}

#[test]
fn a_file_with_a_mark_semicolons_and_decimal_commas_is_read_the_same() {
    let place = Workplace::furnished();
    let spelled = "\u{feff}external_id;programme;setpoint_c;start_time;end_time;segments\r\n\
        F-1;k2/standard;1500,5;2026-10-05T06:00:00+01:00;2026-10-05T13:30:00+01:00;1500,5/120\r\n";
    let file = place.with_file("commas.csv", spelled);
    let pointed = place.said_with("--site porto import firings --delimiter ;", &[&file]);
    assert_eq!(pointed.code, Some(3));
    assert!(pointed.err.contains("--decimal comma"), "{}", pointed.err);
    place
        .said_with(
            "--site porto import firings --delimiter ; --decimal comma",
            &[&file],
        )
        .done();
    let written = exported(&place, "firings", "csv");
    assert!(written.contains("1500.5,2026-10-05T05:00:00Z"), "{written}");
    assert!(written.contains("1500.5/120"), "{written}");
    let commas = place
        .said("export firings --delimiter ; --decimal comma")
        .done();
    assert!(commas.contains(";1500,5;2026-10-05T05:00:00Z"), "{commas}");
}

#[test]
fn a_batch_is_a_row_for_each_line_of_its_tables() {
    let place = Workplace::empty();
    let mut text =
        "name,code,stated_expanded_uncertainty_c,expiry_date,hold_min,diameter_mm,temperature_c\n"
            .to_owned();
    for (at, line) in TABLE_CSV.lines().skip(1).enumerate() {
        let head = if at == 0 { "b1,B1,3,2029-12-31" } else { ",,," };
        writeln!(text, "{head},120,{line}").expect("text");
    }
    let file = place.with_file("batches.csv", &text);
    place.said_with("import batches", &[&file]).done();
    let shown = place.said("batch show b1 --entries").done();
    assert!(
        shown.contains("120 min") && shown.contains("1519"),
        "{shown}"
    );
    // The name in every row would be many batches of the same name.
    let named = place.with_file("named.csv", text.replace("\n,,,,", "\nb2,B2,,,"));
    let refused = place.said_with("import batches", &[&named]);
    assert_eq!(refused.code, Some(3), "{}", refused.err);
}
