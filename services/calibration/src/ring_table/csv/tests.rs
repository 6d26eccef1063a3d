//! What is read from files of several countries, and what is asked about instead of guessed.

use super::*;
use proptest::prelude::*;

fn reasons(content: &str) -> Vec<(&'static str, Option<usize>)> {
    match parse(content.as_bytes(), 120.0) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.0.iter().map(|f| (f.reason(), f.row())).collect(),
    }
}

fn expected() -> RingTable {
    let entries =
        [(19.46, 1521.0), (19.47, 1519.0), (19.48, 1517.0)].map(|(diameter_mm, temperature_c)| {
            Entry {
                diameter_mm,
                temperature_c,
            }
        });
    RingTable::new(120.0, entries.to_vec()).expect("sound")
}

#[test]
fn the_same_table_is_read_from_every_dialect() {
    for content in [
        "diameter_mm,temperature_c\n19.46,1521\n19.47,1519\n19.48,1517\n",
        "Durchmesser mm;Temperatur °C\r\n19,46;1521\r\n19,47;1519\r\n19,48;1517\r\n",
        "\u{feff}Durchmesser mm;Temperatur °C\r\n19,46;1521\r\n19,47;1519\r\n19,48;1517",
        "diamètre mm\ttempérature °C\n19,46\t1521\n19,47\t1519\n19,48\t1517\n",
        "\"diameter, mm\",\"temperature, °C\"\n\"19,46\",\"1521\"\n\"19,47\",1519\n\"19,48\",1517\n",
        "temperature C,lot,diameter mm\n1517,x,19.48\n1519,\"a \"\"b\"\"\nc\",19.47\n1521,,19.46\n",
        "\n\ndiameter mm;temperature C;\n19.46;1521;\n;;\n19.47;1519;;\n 19.48 ; 1517 \n\n",
        "diameter mm,temperature C\r19.46,1521\r19.47,1519\r19.48,1517\r",
    ] {
        assert_eq!(
            parse(content.as_bytes(), 120.0),
            Ok(expected()),
            "{content}"
        );
    }
}

#[test]
fn inches_and_fahrenheit_become_millimetres_and_celsius() {
    let content = "diameter inch;temp °F\n0,766;2770\n0,767;2766\n0,768;2762\n";
    let table = parse(content.as_bytes(), 120.0).expect("sound");
    assert!((table.entries()[0].diameter_mm - 19.4564).abs() < 1e-12);
    assert!((table.entries()[1].temperature_c - 1_518.888_889).abs() < 1e-9);
    assert_eq!(parse(print(&table).as_bytes(), 120.0), Ok(table));
}

#[test]
fn the_synthetic_table_is_printed_and_read_back() {
    let file = include_bytes!("../../../vectors/synthetic_ring_table.csv");
    let table = parse(file, 120.0).expect("sound");
    assert_eq!(table.entries().len(), 81);
    let text = print(&table);
    assert!(
        text.starts_with("diameter_mm,temperature_c\n19.2,1570\n19.21,1569\n"),
        "{text}"
    );
    assert_eq!(parse(text.as_bytes(), 120.0), Ok(table));
}

#[test]
fn decimal_commas_between_comma_separators_are_asked_about_once() {
    let content = "diameter mm,temperature C\n19,46,1521\n19,47,1519\n19,48,1517\n";
    assert_eq!(reasons(content), [("DECIMAL_COMMA_NOT_CLEAR", Some(2))]);
    let words = parse(content.as_bytes(), 120.0)
        .expect_err("not clear")
        .to_string();
    assert!(words.contains("semicolons"), "{words}");
}

#[test]
fn two_decimal_marks_in_one_file_are_refused_by_row() {
    let content = "diameter mm;temperature C\n19,46;1521\n19.47;1519\n19,48;1517\n";
    assert_eq!(reasons(content), [("MIXED_DECIMAL_MARKS", Some(3))]);
    let content = "diameter mm;temperature C\n19,46;1521.0\n19,47;1519\n19,48;1517\n";
    assert_eq!(reasons(content), [("MIXED_DECIMAL_MARKS", Some(2))]);
}

#[test]
fn a_missing_unit_is_asked_for() {
    let content = "diameter;temperature\n19,46;1521\n19,47;1519\n19,48;1517\n";
    assert_eq!(
        reasons(content),
        [("UNIT_NOT_STATED", Some(1)), ("UNIT_NOT_STATED", Some(1))]
    );
}

#[test]
fn a_file_without_header_or_content_says_so() {
    assert_eq!(
        reasons("19.46,1521\n19.47,1519\n19.48,1517\n"),
        [("NO_HEADER", Some(1))]
    );
    assert_eq!(reasons(""), [("NO_HEADER", None)]);
    assert_eq!(reasons(" \n;;\n"), [("NO_HEADER", None)]);
    assert_eq!(
        reasons("diameter mm;temperature C\n"),
        [("TOO_FEW_ENTRIES", None)]
    );
}

#[test]
fn fields_that_are_no_numbers_are_shown_with_their_row() {
    let content = "diameter mm;temperature C\n19,46;1521 C\n19,4o;1519\nNaN;inf\n19,48;1e3\n-;+\n";
    let expected = [2, 3, 4, 4, 5, 6, 6].map(|row| ("NOT_A_NUMBER", Some(row)));
    assert_eq!(reasons(content), expected);
    let words = parse(content.as_bytes(), 120.0)
        .expect_err("no numbers")
        .to_string();
    assert!(words.contains("\"1521 C\""), "{words}");
}

#[test]
fn rows_that_are_too_short_or_too_long_are_refused() {
    let content = "diameter mm;temperature C\n19,46;1521\n19,47\n19,475;1518;7\n19,48;1517\n";
    assert_eq!(
        reasons(content),
        [("UNEVEN_ROW", Some(3)), ("UNEVEN_ROW", Some(4))]
    );
}

#[test]
fn faults_of_the_table_carry_the_line_of_the_file() {
    let content = "\ndiameter mm;temperature C\n19,48;1517\n19,47;1519\n\n19,46;1511\n";
    assert_eq!(reasons(content), [("NOT_MONOTONE", Some(4))]);
}

#[test]
fn a_bad_field_does_not_hide_a_bad_table() {
    let content = "diameter mm;temperature C\n19,46;1521\n19,47;x\n19,48;1530\n19,49;1522\n";
    assert_eq!(
        reasons(content),
        [("NOT_A_NUMBER", Some(3)), ("NOT_MONOTONE", Some(4))]
    );
}

#[test]
fn what_is_not_utf_8_is_told_with_its_byte() {
    let faults = parse(b"diameter mm;temperature \xb0C\n", 120.0).expect_err("Latin-1");
    assert_eq!(faults.0, [TableFault::InvalidUtf8 { byte: 25 }]);
}

#[test]
fn a_file_over_a_mebibyte_is_not_read() {
    let faults = parse(&vec![b'1'; LARGEST_BYTES + 1], 120.0).expect_err("too large");
    assert_eq!(
        faults.0,
        [TableFault::TooLarge {
            bytes: LARGEST_BYTES + 1
        }]
    );
}

proptest! {
    #[test]
    fn no_bytes_can_panic(content in prop::collection::vec(any::<u8>(), 0..400), hold in any::<f64>()) {
        let _tried = parse(&content, hold);
    }

    #[test]
    fn no_text_near_a_table_can_panic(body in "[0-9,.;\"\n\r\t mxé°]{0,200}") {
        for header in ["diameter mm;temp C\n", "diameter mm,temp C\n", "temp °F\tdia \"\n"] {
            if let Err(faults) = parse(format!("{header}{body}").as_bytes(), 120.0) {
                prop_assert!(!faults.to_string().is_empty());
            }
        }
    }

    #[test]
    fn what_is_printed_reads_back_the_same(
        start in 6.0..30.0_f64,
        steps in prop::collection::vec((0.011..0.3_f64, 60.0..300.0_f64), 2..30),
    ) {
        let mut entries = vec![Entry { diameter_mm: start, temperature_c: 1790.0 }];
        let mut last = entries[0];
        for (step_mm, slope) in steps {
            last.diameter_mm += step_mm;
            last.temperature_c -= slope * step_mm;
            entries.push(last);
        }
        // A made-up table may be too rough to be accepted; those that are must survive printing.
        if let Ok(table) = RingTable::new(120.0, entries) {
            prop_assert_eq!(parse(print(&table).as_bytes(), 120.0), Ok(table));
        }
    }
}
