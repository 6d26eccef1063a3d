//! Ring batches: their tables from numbers or files, their state, shared by every site.

use ringtrue_proto::v1;
use ringtrue_proto::v1::add_ring_table_request::Source;
use ringtrue_tests::Network;
use ringtrue_tests::bench::{TABLE_CSV, batch, reading_of, rings_of, table_file};

use crate::close;
use crate::refusals::{Records, bad_value, forbidden, missing};

#[tokio::test]
async fn a_batch_from_a_file_shows_what_was_read() {
    let network = Network::start().await;
    let made = network.batch("b7", batch()).await;
    assert_eq!(made.name, "ringBatches/b7");
    assert_eq!(made.state(), v1::RingBatchState::Released);
    let table = &made.tables[0];
    assert_eq!(table.entries.len(), 81);
    close(table.smallest_diameter_mm, 19.2, 1e-12);
    close(table.largest_diameter_mm, 20.0, 1e-12);
    close(table.lowest_temperature_c, 1383.0, 1e-12);
    close(table.highest_temperature_c, 1570.0, 1e-12);
    close(table.step_mm, 0.01, 1e-9);

    let ask = v1::GetRingBatchRequest {
        name: made.name.clone(),
    };
    let found = network.remote.ring_batch(ask).await.expect("found");
    assert_eq!(found.ring_batch.as_ref(), Some(&made));
    let listed = network
        .remote
        .ring_batches(v1::ListRingBatchesRequest::default())
        .await;
    let listed = listed.expect("listed").ring_batches;
    assert_eq!(listed.len(), 1);
    assert_eq!(
        (listed[0].name.as_str(), listed[0].tables[0].entries.len()),
        ("ringBatches/b7", 0)
    );
    close(listed[0].tables[0].smallest_diameter_mm, 19.2, 1e-12);

    let ask = v1::GetRingBatchRequest {
        name: "ringBatches/none".to_owned(),
    };
    let failure = network.remote.ring_batch(ask).await.expect_err("none");
    missing(&failure, "ringBatches/none");
    network.stop().await;
}

#[tokio::test]
async fn a_batch_that_is_only_tried_out_is_shown_and_not_stored() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = Records::of(&network, &bench).await;
    let ask = v1::CreateRingBatchRequest {
        ring_batch: Some(batch()),
        table_files: vec![table_file(120.0, TABLE_CSV)],
        ring_batch_id: "b7".to_owned(),
        validate_only: true,
        ..v1::CreateRingBatchRequest::default()
    };
    let shown = network
        .remote
        .create_ring_batch(ask)
        .await
        .expect("it would do");
    let shown = shown.ring_batch.expect("a batch");
    assert_eq!(shown.tables[0].entries.len(), 81);
    assert_eq!((shown.etag.as_str(), shown.create_time), ("", None));
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_table_for_another_hold_is_added_and_none_is_ever_changed() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let colder = "diameter mm,temperature C\n19.4,1513\n19.5,1493\n19.6,1472\n";
    let ask = |hold_min| v1::AddRingTableRequest {
        name: bench.batch.clone(),
        source: Some(Source::TableFile(table_file(hold_min, colder))),
        ..v1::AddRingTableRequest::default()
    };
    let grown = network
        .remote
        .add_ring_table(ask(180.0))
        .await
        .expect("added");
    let holds: Vec<f64> = grown
        .ring_batch
        .expect("a batch")
        .tables
        .iter()
        .map(|table| table.hold_min)
        .collect();
    assert_eq!(holds.len(), 2);
    close(holds[0], 120.0, 1e-12);
    close(holds[1], 180.0, 1e-12);
    let before = Records::of(&network, &bench).await;
    let failure = network
        .remote
        .add_ring_table(ask(120.0))
        .await
        .expect_err("there is one");
    assert!(
        failure.message.contains("has a table for 120 min already"),
        "{failure}"
    );
    let without = v1::AddRingTableRequest {
        name: bench.batch.clone(),
        ..v1::AddRingTableRequest::default()
    };
    let failure = network
        .remote
        .add_ring_table(without)
        .await
        .expect_err("no table");
    bad_value(&failure, "table", "REQUIRED", "send the table as numbers");
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_batch_on_hold_is_released_again_and_a_withdrawn_one_never() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let set = |state: v1::RingBatchState, reason: &str| v1::SetRingBatchStateRequest {
        name: bench.batch.clone(),
        state: state.into(),
        reason: reason.to_owned(),
        ..v1::SetRingBatchStateRequest::default()
    };
    let remote = &network.remote;
    let failure = remote
        .set_ring_batch_state(set(v1::RingBatchState::OnHold, " "))
        .await;
    bad_value(
        &failure.expect_err("no reason"),
        "reason",
        "REQUIRED",
        "send 1 to 500 characters",
    );
    let held = set(v1::RingBatchState::OnHold, "a ring was chipped");
    let held = remote
        .set_ring_batch_state(held)
        .await
        .expect("held")
        .ring_batch;
    assert_eq!(held.expect("a batch").state_reason, "a ring was chipped");
    let ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    remote
        .record_reading(ask.clone())
        .await
        .expect_err("on hold");
    remote
        .set_ring_batch_state(set(v1::RingBatchState::Released, ""))
        .await
        .expect("released");
    network.record(ask).await;
    remote
        .set_ring_batch_state(set(v1::RingBatchState::Withdrawn, "the table was wrong"))
        .await
        .expect("withdrawn");
    let before = Records::of(&network, &bench).await;
    let failure = remote
        .set_ring_batch_state(set(v1::RingBatchState::Released, ""))
        .await;
    let failure = failure.expect_err("withdrawn for good");
    assert_eq!(failure.reason, "BATCH_WITHDRAWN", "{failure}");
    // Its readings stay.
    assert_eq!(network.readings(&bench.furnace).await.len(), 1);
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_batch_is_shared_by_every_site_and_a_ring_fires_once_in_all_of_them() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let site = network
        .site("south", ringtrue_tests::bench::site())
        .await
        .name;
    let gauge = network
        .gauge(&site, "g1", ringtrue_tests::bench::micrometer())
        .await
        .name;
    let furnace = network
        .furnace(&site, "k2", ringtrue_tests::bench::furnace())
        .await
        .name;
    let programme = ringtrue_tests::bench::programme();
    let programme = network.programme(&furnace, "p1", programme).await.name;
    let south = ringtrue_tests::Bench {
        site,
        furnace,
        programme,
        gauge,
        batch: bench.batch.clone(),
    };
    let numbered = |bench| {
        let mut ask = network.ask(bench, &[19.470, 19.468, 19.472]);
        "R-17".clone_into(&mut rings_of(reading_of(&mut ask)).rings[0].serial_number);
        ask
    };
    network.record(numbered(&bench)).await;
    let failure = network
        .remote
        .record_reading(numbered(&south))
        .await
        .expect_err("used");
    assert_eq!(failure.reason, "OPEN_QUESTIONS");
    assert_eq!(failure.preconditions[0].kind, "USED_RING");
    network.stop().await;
}

#[tokio::test]
async fn a_batch_may_come_on_hold_and_waits_for_its_release() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let held = v1::RingBatch {
        state: v1::RingBatchState::OnHold.into(),
        ..batch()
    };
    let held = network.batch("b8", held).await.name;
    let mut ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    rings_of(reading_of(&mut ask)).ring_batch = held;
    let failure = network
        .remote
        .record_reading(ask)
        .await
        .expect_err("on hold");
    forbidden(
        &failure,
        "BATCH_ON_HOLD",
        "reading.rings.ring_batch",
        "a released batch",
    );
    network.stop().await;
}
