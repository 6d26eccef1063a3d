//! The plain arithmetic that a bench does by itself, held against the server's own figure over many tables, holds and
//! diameters.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use ringtrue_proto::v1;
use ringtrue_remote::plain;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{batch, evaluation_of, programme_at, reading_of, ring, rings_of};

/// Tables, and diameters tried in each.
const TABLES: usize = 24;
const DIAMETERS: usize = 12;

/// An invented table: temperatures fall as diameters grow, unevenly, in steps of its own.
fn table(chance: &mut ChaCha8Rng, hold_min: f64) -> v1::RingTable {
    let step_mm = [0.01, 0.02, 0.05, 0.1][chance.random_range(0..4)];
    let lines = if step_mm > 0.02 { 12 } else { 60 };
    let mut entries = Vec::new();
    let (mut diameter_mm, mut temperature_c) = (19.0, 1640.0);
    for _ in 0..lines {
        entries.push(v1::RingTableEntry {
            diameter_mm,
            temperature_c: f64::round(temperature_c * 10.0) / 10.0,
        });
        let wide = if step_mm > 0.02 && chance.random_ratio(1, 4) {
            1.3
        } else {
            1.0
        };
        diameter_mm = f64::round((diameter_mm + wide * step_mm) * 1e4) / 1e4;
        temperature_c -= wide * step_mm * chance.random_range(140.0..260.0);
    }
    v1::RingTable {
        hold_min,
        entries,
        ..v1::RingTable::default()
    }
}

/// A programme with dwells of all kinds below its peak.
fn programme(chance: &mut ChaCha8Rng) -> v1::Programme {
    let hold_min = [58.0, 60.0, 63.5, 118.0, 120.0, 123.0, 90.0][chance.random_range(0..7)];
    let mut programme = programme_at(1500.0, hold_min);
    programme.segments[0].temperature_c =
        [900.0, 1300.0, 1400.0, 1480.0][chance.random_range(0..4)];
    programme.segments[0].hold_min = [0.0, 5.0, 30.0][chance.random_range(0..3)];
    programme
}

#[tokio::test]
async fn a_bench_reckons_the_same_plain_setpoint_as_the_server() {
    let network = Network::start().await;
    let mut bench = network.bench().await;
    let mut chance = ChaCha8Rng::seed_from_u64(19_47);
    let (mut compared, mut left_to_the_server) = (0, 0);
    for number in 0..TABLES {
        let tables = vec![table(&mut chance, 120.0), table(&mut chance, 60.0)];
        let asked = v1::CreateRingBatchRequest {
            ring_batch: Some(v1::RingBatch {
                tables: tables.clone(),
                code: format!("T{number}"),
                ..batch()
            }),
            ring_batch_id: format!("t{number}"),
            ..v1::CreateRingBatchRequest::default()
        };
        let made = network
            .remote
            .create_ring_batch(asked)
            .await
            .expect("a batch");
        let made = made.ring_batch.expect("the batch");
        let fired = programme(&mut chance);
        let id = format!("p-{number}");
        let fired = network.programme(&bench.furnace, &id, fired).await;
        bench.programme.clone_from(&fired.name);
        bench.batch.clone_from(&made.name);
        let found = plain::fitting_table(&made.tables, &fired.segments);
        for _ in 0..DIAMETERS {
            let diameter_mm = f64::round(chance.random_range(19.0..19.6) * 1e3) / 1e3;
            let set_c = f64::from(chance.random_range(1400_u16..1600));
            let mut ask = network.ask(&bench, &[diameter_mm]);
            ask.validate_only = true;
            let reading = reading_of(&mut ask);
            reading.setpoint_c = Some(set_c);
            rings_of(reading).rings = vec![ring("centre", &[diameter_mm])];
            let here = found.and_then(|table| plain::table_temperature_c(table, diameter_mm));
            let answer = match network.remote.record_reading(ask).await {
                Ok(answer) => answer.reading.expect("a reading"),
                Err(failure) => {
                    // Outside the table, for both.
                    assert!(
                        here.is_none() || found.is_none(),
                        "{diameter_mm} mm: {failure}"
                    );
                    continue;
                }
            };
            let evaluation = evaluation_of(&answer);
            let matched = evaluation.hold.as_ref().map(v1::HoldResult::treatment)
                == Some(v1::HoldTreatment::Matched);
            assert_eq!(found.is_some(), matched, "{:?}", evaluation.hold);
            let Some(ring_c) = here.filter(|_| matched) else {
                left_to_the_server += 1;
                continue;
            };
            let mine = plain::plain_setpoint_c(fired.target_c, ring_c, set_c);
            let theirs = evaluation.plain_setpoint_c;
            assert!(
                (mine - theirs).abs() < 1e-7,
                "{diameter_mm} mm in {}: {mine}, not {theirs}",
                made.code
            );
            compared += 1;
        }
    }
    assert!(compared > 60, "{compared} figures were compared only");
    assert!(
        left_to_the_server > 10,
        "{left_to_the_server} were left to the server only"
    );
}

#[tokio::test]
async fn the_trades_worked_figure_is_the_same_at_bench_and_server() {
    // Common practice, no source: set to 1500 °C, 19.47 mm, 1519 °C in its table; so 1481 °C.
    let network = Network::start().await;
    let bench = network.bench().await;
    let name = bench.batch.clone();
    let found = network
        .remote
        .ring_batch(v1::GetRingBatchRequest { name })
        .await;
    let batch = found.expect("the batch").ring_batch.expect("the batch");
    let programme = network.programme_now(&bench.programme).await;
    let table =
        plain::fitting_table(&batch.tables, &programme.segments).expect("a table for its hold");
    let ring_c = plain::table_temperature_c(table, 19.47).expect("inside the table");
    let mine = plain::plain_setpoint_c(programme.target_c, ring_c, programme.setpoint_c);
    let reading = network
        .record(network.ask(&bench, &[19.47, 19.468, 19.472]))
        .await;
    let theirs = evaluation_of(&reading).plain_setpoint_c;
    assert_eq!(
        (format!("{ring_c:.1}"), format!("{mine:.1}")),
        ("1519.0".to_owned(), "1481.0".to_owned())
    );
    assert_eq!(format!("{theirs:.1}"), "1481.0");
}
