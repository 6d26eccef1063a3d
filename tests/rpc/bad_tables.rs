//! Ring tables that cannot be right: each is refused by its row, with what to do next, and leaves no
//! trace.

use ringtrue_proto::v1;
use ringtrue_remote::Failure;
use ringtrue_tests::bench::{TABLE_CSV, batch, table_file};
use ringtrue_tests::{Bench, Network};

use crate::refusals::{Records, bad_value};

struct Desk {
    network: Network,
    bench: Bench,
}

impl Desk {
    async fn new() -> Self {
        let network = Network::start().await;
        let bench = network.bench().await;
        Self { network, bench }
    }

    async fn refused(&self, ask: v1::CreateRingBatchRequest) -> Failure {
        let before = Records::of(&self.network, &self.bench).await;
        let answer = self.network.remote.create_ring_batch(ask.clone()).await;
        let failure = *answer.expect_err("it cannot be right");
        let tried = v1::CreateRingBatchRequest {
            validate_only: true,
            ..ask
        };
        let tried = self.network.remote.create_ring_batch(tried).await;
        assert_eq!(*tried.expect_err("nor tried out"), failure);
        assert_eq!(Records::of(&self.network, &self.bench).await, before);
        failure
    }

    async fn refused_entries(&self, entries: &[(f64, f64)]) -> Failure {
        self.refused(with_entries(entries)).await
    }

    async fn refused_file(&self, content: &[u8]) -> Failure {
        let file = v1::RingTableFile {
            hold_min: 120.0,
            content: content.to_vec(),
        };
        let ask = v1::CreateRingBatchRequest {
            ring_batch: Some(batch()),
            table_files: vec![file],
            ring_batch_id: "b9".to_owned(),
            ..v1::CreateRingBatchRequest::default()
        };
        self.refused(ask).await
    }
}

fn with_entries(entries: &[(f64, f64)]) -> v1::CreateRingBatchRequest {
    let mut table = v1::RingTable {
        hold_min: 120.0,
        ..v1::RingTable::default()
    };
    for &(diameter_mm, temperature_c) in entries {
        table.entries.push(v1::RingTableEntry {
            diameter_mm,
            temperature_c,
        });
    }
    v1::CreateRingBatchRequest {
        ring_batch: Some(v1::RingBatch {
            tables: vec![table],
            ..batch()
        }),
        ring_batch_id: "b9".to_owned(),
        ..v1::CreateRingBatchRequest::default()
    }
}

const ENTRIES: &str = "ring_batch.tables[0].entries";
const CONTENT: &str = "table_files[0].content";

#[tokio::test]
async fn a_table_that_turns_back_or_repeats_itself_is_refused_by_its_row() {
    let desk = Desk::new().await;
    let failure = desk
        .refused_entries(&[
            (19.4, 1533.0),
            (19.5, 1513.0),
            (19.6, 1520.0),
            (19.7, 1472.0),
        ])
        .await;
    bad_value(
        &failure,
        &format!("{ENTRIES}[2]"),
        "NOT_MONOTONE",
        "compare both rows with the printed table",
    );
    let failure = desk
        .refused_entries(&[
            (19.4, 1533.0),
            (19.5, 1513.0),
            (19.5, 1512.0),
            (19.6, 1492.0),
        ])
        .await;
    bad_value(
        &failure,
        &format!("{ENTRIES}[2]"),
        "DUPLICATE_DIAMETER",
        "keep the right row",
    );
    let failure = desk
        .refused_entries(&[(19.4, 1533.0), (19.5, 1513.0)])
        .await;
    bad_value(&failure, ENTRIES, "TOO_FEW_ENTRIES", "add the missing ones");
    desk.network.stop().await;
}

#[tokio::test]
async fn inches_labelled_millimetres_and_fahrenheit_labelled_celsius_are_asked_about() {
    let desk = Desk::new().await;
    let failure = desk
        .refused_entries(&[(0.7638, 1533.0), (0.7677, 1513.0), (0.7717, 1492.0)])
        .await;
    bad_value(
        &failure,
        &format!("{ENTRIES}[0]"),
        "OUT_OF_PLAUSIBLE_RANGE",
        "are these inches? State the unit",
    );
    let failure = desk
        .refused_entries(&[(19.4, 2791.0), (19.5, 2755.0), (19.6, 2718.0)])
        .await;
    bad_value(
        &failure,
        &format!("{ENTRIES}[0]"),
        "OUT_OF_PLAUSIBLE_RANGE",
        "are these °F? State the unit",
    );
    // The same in files whose headers claim mm and °C.
    let failure = desk
        .refused_file(b"diameter mm;temperature C\n0.7638;1533\n0.7677;1513\n0.7717;1492\n")
        .await;
    bad_value(
        &failure,
        CONTENT,
        "OUT_OF_PLAUSIBLE_RANGE",
        "are these inches?",
    );
    let failure = desk
        .refused_file(b"diameter mm;temperature C\n19.4;2791\n19.5;2755\n19.6;2718\n")
        .await;
    bad_value(&failure, CONTENT, "OUT_OF_PLAUSIBLE_RANGE", "are these °F?");
    desk.network.stop().await;
}

#[tokio::test]
async fn the_right_unit_in_the_header_is_converted() {
    let network = Network::start().await;
    network.bench().await;
    let inches = "diameter inch;temperature F\n0.7638;2791.4\n0.7677;2755.4\n0.7717;2717.6\n";
    let made = network
        .batch_of("inch", batch(), vec![table_file(120.0, inches)])
        .await;
    let first = made.tables[0].entries[0];
    crate::close(first.diameter_mm, 0.7638 * 25.4, 1e-9);
    crate::close(first.temperature_c, 1533.0, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn decimal_points_and_commas_in_one_file_are_never_guessed_at() {
    let desk = Desk::new().await;
    let mixed = "Durchmesser mm;Temperatur °C\n19,46;1521\n19,47;1519\n19.48;1517\n";
    let failure = desk.refused_file(mixed.as_bytes()).await;
    bad_value(&failure, CONTENT, "MIXED_DECIMAL_MARKS", "Row 4");
    assert!(failure.message.contains("19.48"), "{failure}");
    // Commas throughout are fine.
    let commas = "Durchmesser mm;Temperatur °C\n19,46;1521\n19,47;1519\n19,48;1517\n";
    let made = desk
        .network
        .batch_of("b8", batch(), vec![table_file(120.0, commas)])
        .await;
    crate::close(made.tables[0].entries[1].diameter_mm, 19.47, 1e-9);
    desk.network.stop().await;
}

#[tokio::test]
async fn a_slip_in_a_printed_table_is_found_by_its_neighbours() {
    let desk = Desk::new().await;
    let slipped = TABLE_CSV.replace("19.47,1519", "19.47,1591");
    assert_ne!(slipped, TABLE_CSV);
    let failure = desk.refused_file(slipped.as_bytes()).await;
    assert_eq!(failure.violations[0].field, CONTENT);
    assert!(failure.message.contains("printed table"), "{failure}");
    let rows: Vec<&str> = TABLE_CSV
        .lines()
        .filter(|row| !row.starts_with("19.47,"))
        .collect();
    let failure = desk.refused_file(rows.join("\n").as_bytes()).await;
    bad_value(&failure, CONTENT, "MISSING_STEP", "19.47");
    desk.network.stop().await;
}

#[tokio::test]
async fn numbers_that_are_none_are_refused_by_their_row() {
    let desk = Desk::new().await;
    for wrong in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        for entry in [(19.5, wrong), (wrong, 1513.0)] {
            let failure = desk
                .refused_entries(&[(19.4, 1533.0), entry, (19.6, 1492.0)])
                .await;
            bad_value(
                &failure,
                &format!("{ENTRIES}[1]"),
                "NOT_FINITE",
                "enter both as numbers",
            );
        }
    }
    let failure = desk
        .refused_entries(&[(19.4, 1533.0), (-19.5, 1513.0), (19.6, 1492.0)])
        .await;
    bad_value(
        &failure,
        &format!("{ENTRIES}[1]"),
        "OUT_OF_PLAUSIBLE_RANGE",
        "(5 to 40 mm)",
    );
    for hold_min in [0.0, -120.0, f64::NAN, 1441.0] {
        let mut ask = with_entries(&[(19.4, 1533.0), (19.5, 1513.0), (19.6, 1492.0)]);
        let given = ask.ring_batch.as_mut().expect("a batch");
        given.tables[0].hold_min = hold_min;
        let failure = desk.refused(ask).await;
        bad_value(
            &failure,
            "ring_batch.tables[0].hold_min",
            "HOLD_OUT_OF_RANGE",
            "enter the hold the table was issued for",
        );
    }
    desk.network.stop().await;
}

#[tokio::test]
async fn a_file_of_ten_megabytes_is_refused_by_its_field_and_not_by_the_transport() {
    let desk = Desk::new().await;
    let mut large = b"diameter mm,temperature C\n".to_vec();
    large.resize(10 * 1024 * 1024, b'\n');
    let failure = desk.refused_file(&large).await;
    bad_value(&failure, CONTENT, "TOO_LARGE", "1 MiB");
    desk.network.stop().await;
}

#[tokio::test]
async fn bytes_that_are_no_text_are_refused_with_their_place() {
    let desk = Desk::new().await;
    let failure = desk
        .refused_file(b"diameter mm,temperature \xb0C\n19.4,1533\n")
        .await;
    bad_value(&failure, CONTENT, "INVALID_UTF8", "UTF-8");
    let failure = desk.refused_file(b"").await;
    bad_value(&failure, CONTENT, "NO_HEADER", "header");
    desk.network.stop().await;
}

#[tokio::test]
async fn a_batch_with_texts_of_ten_kilobytes_is_refused_by_each_field() {
    let desk = Desk::new().await;
    let mut ask = with_entries(&[(19.4, 1533.0), (19.5, 1513.0), (19.6, 1492.0)]);
    let given = ask.ring_batch.as_mut().expect("a batch");
    given.code = "x".repeat(10_000);
    given.provenance = "x".repeat(10_000);
    given.expiry_date = Some(ringtrue_proto::Date {
        year: 2026,
        month: 2,
        day: 30,
    });
    ask.ring_batch_id = "X".repeat(10_000);
    let failure = desk.refused(ask).await;
    bad_value(&failure, "ring_batch.code", "TOO_LONG", "send at most 60");
    bad_value(
        &failure,
        "ring_batch.provenance",
        "TOO_LONG",
        "send at most 2000",
    );
    bad_value(
        &failure,
        "ring_batch.expiry_date",
        "NOT_A_DATE",
        "send year, month and day",
    );
    bad_value(
        &failure,
        "ring_batch_id",
        "NOT_AN_ID",
        "1 to 63 lower-case letters",
    );
    desk.network.stop().await;
}
