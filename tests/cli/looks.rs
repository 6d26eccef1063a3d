//! What people see: no colour where none is wanted, times of the laboratory, ids that can be copied.

use crate::access::Computer;
use crate::workplace::{Outcome, Workplace};

const ESCAPE: char = '\u{1b}';

#[test]
fn nothing_is_coloured_beside_a_terminal() {
    let place = Workplace::furnished();
    let mut plain = place.command("reading preview k2 --batch x7 --diameters 19.47 --fired");
    plain.arg("yesterday 18:00");
    let shown = Outcome::from(plain.output().expect("the program starts"));
    assert!(!shown.err.contains(ESCAPE), "{}", shown.err);
    assert!(!shown.done().contains(ESCAPE));
}

#[test]
fn times_are_those_of_the_site_with_zone_and_weekday() {
    let place = Workplace::furnished();
    let line = "reading add k2 --batch x7 --diameters 19.47 --fired 2026-07-03T17:00:00Z \
                --measured 2026-07-04T07:00:00Z";
    let shown = place.said(line).done();
    // 17:00 UTC is 18:00 in Lisbon in summer.
    assert!(shown.contains("Friday 3 July 2026 18:00 WEST"), "{shown}");
    // Friday is the calibration day, 28 days the longest time between calibrations.
    assert!(shown.contains("by Friday 31 July 2026"), "{shown}");
    let json = place.said("reading show --furnace k2 --json").done();
    assert!(
        json.contains("2026-07-03T17:00:00Z"),
        "programs are given UTC: {json}"
    );
}

#[test]
fn an_id_in_a_table_stands_on_one_line() {
    let place = Workplace::furnished();
    place.reading("add", "19.47", "").done();
    let listed = place.said("reading list").done();
    let id = listed
        .split_whitespace()
        .find(|word| word.len() == 36 && word.matches('-').count() == 4);
    let id = id.unwrap_or_else(|| panic!("no whole id in:\n{listed}"));
    place.said(&format!("reading show k2/{id}")).done();
}

#[test]
fn every_line_fits_a_terminal_of_eighty_columns() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.46 19.48", "").done();
    for line in [
        "furnace show k2",
        "reading show --furnace k2 --budget",
        "reading list",
        "gauge checks caliper-1",
    ] {
        let output = place
            .command(line)
            .env("COLUMNS", "80")
            .output()
            .expect("the program starts");
        for shown in Outcome::from(output).done().lines() {
            // A command to copy is never broken.
            let to_copy = shown.trim_start().starts_with("ringtrue ");
            assert!(to_copy || shown.chars().count() <= 80, "{line}: {shown}");
        }
    }
}

#[test]
fn the_budget_names_every_source_with_its_unit() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.46 19.48", "").done();
    let shown = place.said("reading show --furnace k2 --budget").done();
    for words in [
        "repeatability",
        "gauge resolution",
        "batch bias",
        "°C/mm",
        "Coverage factor",
        "(about 95 %)",
    ] {
        assert!(shown.contains(words), "{words} is missing:\n{shown}");
    }
}

#[test]
fn a_narrow_terminal_is_given_a_block_for_each_row() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.46 19.48", "").done();
    for (line, piece) in [
        ("reading list", "\nadvice: enter 1481 °C\nid: "),
        ("furnace show k2", "\nadvice: enter 1481 °C\nid: "),
        (
            "reading show --furnace k2 --budget",
            "source: gauge resolution",
        ),
    ] {
        let output = place
            .command(line)
            .env("COLUMNS", "44")
            .output()
            .expect("the program starts");
        let shown = Outcome::from(output).done();
        assert!(shown.contains(piece), "{line}: {shown}");
        for row in shown.lines() {
            // A command or a name to copy is never broken.
            let to_copy = row.trim_start().starts_with("ringtrue ") || row.starts_with("sites/");
            assert!(to_copy || row.chars().count() <= 44, "{line}: {row}");
        }
    }
}

#[test]
fn a_reading_of_another_hold_says_once_why_it_says_nothing_and_what_to_fire() {
    let place = Workplace::furnished();
    place
        .said(
            "programme add k2 --id quick --name Quick --segment 8:1500:60 --target 1500 \
             --setpoint 1500",
        )
        .done();
    let shown = place
        .reading("add", "19.47 19.46 19.48", "--programme quick")
        .done();
    assert!(shown.starts_with("NOT EVALUATED"), "{shown}");
    for once in [
        "The table reads   1519.0 °C, but for a hold of 120 min",
        "hold of 60 min",
        "Fire a programme with a hold of 120 min at the peak.",
        "Differences between positions in the chamber",
    ] {
        assert_eq!(shown.matches(once).count(), 1, "{once} in:\n{shown}");
    }
    for never in ["±", "What would help most"] {
        assert!(!shown.contains(never), "{never} in:\n{shown}");
    }
    let budget = place.said("reading show --furnace k2 --budget");
    assert!(budget.err.contains("not evaluated"), "{}", budget.err);
    assert!(!budget.done().contains('±'));
}

#[test]
fn a_negative_number_is_refused_by_what_it_means_and_not_as_an_unknown_flag() {
    let place = Workplace::furnished();
    for (diameters, more) in [
        ("-3", ""),
        ("19.47 -3,5", ""),
        ("19.47", "--setpoint -1500"),
    ] {
        let refused = place.reading("add", diameters, more);
        assert_eq!(refused.code, Some(3), "{diameters} {more}: {}", refused.err);
        assert!(!refused.err.contains("unexpected"), "{}", refused.err);
    }
    let refused = place.said("furnace change k2 --tolerance -3");
    assert_eq!(refused.code, Some(3), "{}", refused.err);
}

#[test]
fn who_may_do_what_fits_every_terminal() {
    let place = Workplace::furnished();
    let manager = Computer::enrolled(&place, "--role site-manager --site porto");
    manager.said("furnace change k2 --tolerance 8").done();
    let about = "audit list --about sites/porto/furnaces/k2";
    for line in [
        "whoami",
        "credential list",
        "credential invitations",
        "profile list",
        about,
        &format!("{about} --before-after"),
    ] {
        for columns in [80, 44] {
            let mut command = manager.command(line);
            command.env("COLUMNS", columns.to_string());
            let shown = Outcome::from(command.output().expect("the program starts")).done();
            for row in shown.lines() {
                // Names and addresses to copy are never broken; nor is what was recorded.
                let to_copy = ["http", "sites/", "credentials/", "  + ", "  - "];
                let to_copy = to_copy.iter().any(|begin| row.contains(begin));
                let fits = row.chars().count() <= columns;
                assert!(to_copy || fits, "{line}, {columns} columns: {row}");
            }
        }
    }
}
