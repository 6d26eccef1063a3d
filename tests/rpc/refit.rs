//! What all sites' readings say together: a fit of the network, through the whole server.

use jiff::SignedDuration;
use ringtrue_calibration::inference::Components;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::FurnaceKey;
use ringtrue_fleet::tracking::TrackedOffset;
use ringtrue_proto::v1;
use ringtrue_server::app::{Because, Refitted, rebuild, refit};
use ringtrue_tests::bench::{batch, evaluation_of, furnace, programme, reading_of, rings_of};
use ringtrue_tests::{Bench, Network};

use crate::close;

/// Diameters of one ring, mm; in the invented table 19.56 mm stands for 1500 °C, 0.01 mm for 2.1 °C.
const AT_1500: [f64; 3] = [19.560, 19.558, 19.562];
const AT_1506: [f64; 3] = [19.534, 19.532, 19.536];

async fn fitted(network: &Network, because: Because) -> Option<Refitted> {
    let (store, clock) = (&network.app.store, &network.app.clock);
    refit(store, clock, "test", because)
        .await
        .expect("a network that can be fitted")
}

/// The same with another batch.
fn with_batch(bench: &Bench, batch: &str) -> Bench {
    Bench {
        batch: batch.to_owned(),
        ..bench.clone()
    }
}

/// What recording a reading would say, with nothing recorded.
async fn tried(network: &Network, ask: &v1::RecordReadingRequest) -> v1::Evaluation {
    let only_tried = v1::RecordReadingRequest {
        validate_only: true,
        ..ask.clone()
    };
    evaluation_of(&network.record(only_tried).await).clone()
}

/// What is kept of a furnace's offset.
async fn tracked(network: &Network, furnace: &str) -> TrackedOffset {
    let key = FurnaceKey::parse(furnace).expect("a name");
    let read = network.app.store.read(&Scope::for_work("test"));
    read.tracked_offset(&key)
        .await
        .expect("the store answers")
        .expect("an offset")
}

/// The bias of a batch by the last fit and its standard uncertainty, °C.
async fn bias(network: &Network, batch: &str) -> (f64, f64) {
    let read = network.app.store.read(&Scope::for_work("test"));
    let fit = read.fit().await.expect("the store answers");
    let name = format!("batch:{batch}");
    let at = fit
        .globals
        .iter()
        .position(|global| global.effect.to_string() == name)
        .expect("a batch that was used");
    (
        fit.solution.mean_c(at),
        fit.solution.covariance_c2(at, at).sqrt(),
    )
}

async fn replaced_components(network: &Network) -> Refitted {
    let learnt = Components {
        wander_c2_per_week: 0.9,
        noise_scale: 0.8,
        ..Components::default()
    };
    fitted(network, Because::Learnt(learnt))
        .await
        .expect("nobody else is at it")
}

#[tokio::test]
async fn the_bias_of_a_hot_batch_is_found_by_two_sites_and_taken_off_at_a_third_furnace() {
    let network = Network::start().await;
    let north = network.bench().await;
    let south = network.bench_elsewhere("south", &north).await;
    let hot = network.batch("b2", batch()).await.name;
    // Both laboratories fire rings of both batches by turns; the second shows 6 °C more in both.
    for _ in 0..4 {
        for bench in [&north, &south] {
            network.record(network.ask(bench, &AT_1500)).await;
        }
        network.advance_days(7);
        for bench in [&north, &south] {
            let with_hot = with_batch(bench, &hot);
            network.record(network.ask(&with_hot, &AT_1506)).await;
        }
        network.advance_days(7);
    }
    let third = network.furnace(&north.site, "k9", furnace()).await.name;
    let programme = network.programme(&third, "p1", programme()).await.name;
    let bench = Bench {
        furnace: third,
        programme,
        ..with_batch(&north, &hot)
    };
    // Before the fit a first reading is believed as it is.
    let ask = network.ask(&bench, &AT_1506);
    let before = tried(&network, &ask).await;
    close(before.offset_c, 6.0, 0.5);

    let done = fitted(&network, Because::Changes).await.expect("due");
    assert_eq!((done.sites, done.furnaces, done.replayed), (2, 2, 0));
    assert_eq!((done.fit.number, done.fit.readings), (1, 16));
    let (cold_c, _) = bias(&network, "b1").await;
    let (hot_c, sure_c) = bias(&network, "b2").await;
    assert!(hot_c > 1.5 && cold_c < -1.5, "{hot_c} {cold_c}");
    assert!(hot_c - cold_c > 4.0 && hot_c - cold_c < 6.0);
    assert!(sure_c < 2.0, "{sure_c}");

    let reading = network.record(ask).await;
    let after = evaluation_of(&reading);
    close(after.offset_c, before.offset_c - hot_c, 1e-6);
    // What the ring itself says is told as it is.
    close(after.plain_setpoint_c, before.plain_setpoint_c, 1e-9);
    assert!(after.offset_standard_uncertainty_c < before.offset_standard_uncertainty_c);
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
    network.stop().await;
}

#[tokio::test]
async fn what_an_evaluation_said_is_what_the_next_fit_says() {
    let network = Network::start().await;
    let north = network.bench().await;
    let south = network.bench_elsewhere("south", &north).await;
    let other = network.batch("b2", batch()).await.name;
    let plan = [
        (&north, "ringBatches/b1", AT_1500),
        (&south, "ringBatches/b1", AT_1506),
        (&north, other.as_str(), AT_1506),
        (&north, "ringBatches/b1", AT_1500),
        (&south, other.as_str(), AT_1506),
    ];
    for (number, (bench, batch, diameters_mm)) in (1_i64..).zip(plan) {
        let reading = network
            .record(network.ask(&with_batch(bench, batch), &diameters_mm))
            .await;
        let said = evaluation_of(&reading);
        let now = network.furnace_now(&bench.furnace).await.offset;
        close(now.expect("an offset").offset_c, said.offset_c, 1e-12);
        let done = fitted(&network, Because::Changes).await.expect("due");
        assert_eq!(done.fit.number, number);
        let fitted_now = network.furnace_now(&bench.furnace).await.offset;
        let fitted_now = fitted_now.expect("an offset");
        close(fitted_now.offset_c, said.offset_c, 1e-9);
        close(
            fitted_now.standard_uncertainty_c,
            said.offset_standard_uncertainty_c,
            1e-9,
        );
        network.advance_days(7);
    }
    network.stop().await;
}

#[tokio::test]
async fn without_a_change_nothing_is_fitted_unless_somebody_asks() {
    let network = Network::start().await;
    let bench = network.bench().await;
    // A network without a reading needs no fit.
    assert_eq!(fitted(&network, Because::Changes).await, None);
    network.record(network.ask(&bench, &AT_1500)).await;
    assert!(fitted(&network, Because::Changes).await.is_some());
    assert_eq!(fitted(&network, Because::Changes).await, None);
    let asked = fitted(&network, Because::Asked).await.expect("asked for");
    assert_eq!(asked.fit.number, 2);
    // A check of a gauge changes what its readings say.
    network.check(&bench.gauge, &[19.501; 3]).await;
    let checked = fitted(&network, Because::Changes).await.expect("due");
    assert_eq!(checked.fit.number, 3);
    network.stop().await;
}

#[tokio::test]
async fn one_process_at_a_time_fits_the_network() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.record(network.ask(&bench, &AT_1500)).await;
    let (store, clock) = (&network.app.store, &network.app.clock);
    let a_quarter = SignedDuration::from_mins(15);
    let scope = Scope::for_work("test");
    let mut tx = store.begin("test", &scope).await.expect("a transaction");
    let theirs = tx
        .take_lease("refit", "another", network.now(), a_quarter)
        .await
        .expect("the store answers");
    assert!(theirs.is_some());
    tx.commit().await.expect("committed");
    assert_eq!(fitted(&network, Because::Asked).await, None);
    // It did not come back within the time it asked for.
    network.advance_h(1);
    assert_eq!(
        fitted(&network, Because::Asked).await.map(|d| d.fit.number),
        Some(1)
    );
    // Two at once: whoever comes second waits for its next turn or follows, and numbers stay in order.
    let (one, two) = tokio::join!(
        refit(store, clock, "one", Because::Asked),
        refit(store, clock, "two", Because::Asked)
    );
    let (one, two) = (one.expect("no fault"), two.expect("no fault"));
    let mut numbers: Vec<i64> = [one, two]
        .iter()
        .flatten()
        .map(|done| done.fit.number)
        .collect();
    numbers.sort_unstable();
    assert!(numbers == [2] || numbers == [2, 3], "{numbers:?}");
    network.stop().await;
}

#[tokio::test]
async fn a_reading_that_comes_in_during_a_fit_is_in_that_one_or_in_the_next() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.record(network.ask(&bench, &AT_1500)).await;
    network.advance_days(7);
    let ask = network.ask(&bench, &AT_1506);
    let (during, reading) = tokio::join!(fitted(&network, Because::Asked), network.record(ask));
    assert!(during.is_some());
    let said = evaluation_of(&reading).offset_c;
    while fitted(&network, Because::Changes).await.is_some() {}
    let read = network.app.store.read(&Scope::for_work("test"));
    let (fit, pending) = (
        read.fit().await.expect("the store answers"),
        read.pending().await.expect("the store answers"),
    );
    assert_eq!(fit.readings, 2);
    assert_eq!(fit.changes, pending.changes);
    assert_eq!(fit.reference_version, pending.reference_version);
    let now = network.furnace_now(&bench.furnace).await.offset;
    close(now.expect("an offset").offset_c, said, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn other_components_work_every_filter_out_again_as_a_rebuild_does() {
    let network = Network::start().await;
    let north = network.bench().await;
    let south = network.bench_elsewhere("south", &north).await;
    for bench in [&north, &south, &north] {
        network.record(network.ask(bench, &AT_1500)).await;
        network.advance_days(7);
    }
    let before = tracked(&network, &north.furnace).await;
    let done = replaced_components(&network).await;
    assert_eq!((done.furnaces, done.replayed), (2, 2));
    assert_eq!(done.fit.components_number, 1);
    let after = tracked(&network, &north.furnace).await;
    assert_eq!((before.components, after.components), (0, 1));
    assert_ne!(before.chain, after.chain);
    let rebuilt = rebuild(&network.app.store).await.expect("rebuilt");
    assert_eq!((rebuilt.furnaces, rebuilt.differed), (2, 0));
    // The next fit finds them up to date.
    let done = fitted(&network, Because::Asked).await.expect("asked for");
    assert_eq!((done.replayed, done.fit.components_number), (0, 1));
    network.stop().await;
}

#[tokio::test]
async fn a_server_that_begins_writes_the_filters_that_the_one_before_left() {
    let network = Network::start().await;
    let bench = network.bench().await;
    // Without a reading there is nothing to fit.
    assert_eq!(fitted(&network, Because::Started).await, None);
    network.record(network.ask(&bench, &AT_1500)).await;
    let outdated = tracked(&network, &bench.furnace).await;
    replaced_components(&network).await;
    let key = FurnaceKey::parse(&bench.furnace).expect("a name");
    let scope = Scope::for_work("test");
    let store = &network.app.store;
    let mut tx = store.begin("test", &scope).await.expect("a transaction");
    tx.put_tracked_offset(&key, Some(&outdated))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    // It was killed after the fit was on the disk: nothing was recorded since, so nothing is due.
    assert_eq!(fitted(&network, Because::Changes).await, None);
    let done = fitted(&network, Because::Started).await.expect("made");
    assert_eq!(done.replayed, 1);
    assert_eq!(tracked(&network, &bench.furnace).await.components, 1);
    network.stop().await;
}

#[tokio::test]
async fn a_recording_that_meets_an_outdated_filter_works_it_out_again() {
    let network = Network::start().await;
    let bench = network.bench().await;
    for _ in 0..2 {
        network.record(network.ask(&bench, &AT_1500)).await;
        network.advance_days(7);
    }
    let outdated = tracked(&network, &bench.furnace).await;
    replaced_components(&network).await;
    // The filter of before the change, as it stands while a fit writes the others.
    let key = FurnaceKey::parse(&bench.furnace).expect("a name");
    let scope = Scope::for_work("test");
    let mut tx = network
        .app
        .store
        .begin("test", &scope)
        .await
        .expect("a transaction");
    tx.put_tracked_offset(&key, Some(&outdated))
        .await
        .expect("kept");
    tx.commit().await.expect("committed");
    let ask = network.ask(&bench, &AT_1506);
    let tried = tried(&network, &ask).await;
    let reading = network.record(ask).await;
    let said = evaluation_of(&reading);
    close(tried.offset_c, said.offset_c, 1e-12);
    assert_eq!(tracked(&network, &bench.furnace).await.components, 1);
    let rebuilt = rebuild(&network.app.store).await.expect("rebuilt");
    assert_eq!(rebuilt.differed, 0);
    // A reading told late is worked out under the components in force as well.
    let mut late = network.ask_days_ago(&bench, &AT_1500, 10);
    rings_of(reading_of(&mut late)).ring_temperature_c = Some(21.0);
    network.record(late).await;
    assert_eq!(tracked(&network, &bench.furnace).await.components, 1);
    let rebuilt = rebuild(&network.app.store).await.expect("rebuilt");
    assert_eq!(rebuilt.differed, 0);
    network.stop().await;
}
