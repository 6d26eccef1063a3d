//! What is answered from memory about very many sites: the same as what is worked out on the spot, after every kind of
//! change, at every server, and only within the caller's reach.

use std::time::Duration;

use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::finding::FindingKind;
use ringtrue_fleet::grant::Role;
use ringtrue_proto::v1;
use ringtrue_proto::v1::furnace_service_client::FurnaceServiceClient;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_proto::v1::ring_batch_service_client::RingBatchServiceClient;
use ringtrue_proto::v1::site_service_client::SiteServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::glances::GlanceLimits;
use ringtrue_tests::bench::{programme_at, stamp};
use ringtrue_tests::credentials::{grant, proved};
use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::{Bench, Network};

use super::{all_of, another, finding, fit, fleet, names, put, standings, subject};

const ORDERS: [v1::StandingOrder; 5] = [
    v1::StandingOrder::Risk,
    v1::StandingOrder::Error,
    v1::StandingOrder::Drift,
    v1::StandingOrder::Due,
    v1::StandingOrder::Name,
];

/// Calls about the whole network are answered from memory, however few sites there are.
fn from_memory(network: &Network) {
    network.app.glances.limit(GlanceLimits {
        on_the_spot_sites: 0,
        patience: PATIENCE,
    });
}

/// All is worked out on the spot, as in small networks.
fn on_the_spot(network: &Network) {
    network.app.glances.limit(GlanceLimits::default());
}

async fn overview(network: &Network) -> v1::FleetOverview {
    super::overview(network, "sites/-").await
}

/// The overview and all lists.
async fn whole(network: &Network) -> (v1::FleetOverview, Vec<v1::ListFurnaceStandingsResponse>) {
    let mut lists = Vec::new();
    for order in ORDERS {
        let ask = v1::ListFurnaceStandingsRequest {
            order: order.into(),
            ..all_of("sites/-")
        };
        lists.push(standings(network, ask).await);
    }
    for conformity in [v1::Conformity::Out, v1::Conformity::Unknown] {
        let ask = v1::ListFurnaceStandingsRequest {
            conformity: conformity.into(),
            search: "K".to_owned(),
            ..all_of("sites/-")
        };
        lists.push(standings(network, ask).await);
    }
    (overview(network).await, lists)
}

/// Asks from memory and on the spot, which must say the same.
async fn same(network: &Network, after: &str) -> v1::FleetOverview {
    from_memory(network);
    let kept = whole(network).await;
    on_the_spot(network);
    let worked_out = whole(network).await;
    assert_eq!(kept, worked_out, "after {after}");
    kept.0
}

/// A network with two sites that are answered about from memory.
async fn two_sites() -> (Network, Bench, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    let south = network.bench_elsewhere("south", &bench).await;
    from_memory(&network);
    (network, bench, south)
}

async fn update_furnace(network: &Network, furnace: v1::Furnace) {
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(furnace),
        ..v1::UpdateFurnaceRequest::default()
    };
    network.remote.update_furnace(ask).await.expect("updated");
}

async fn amend(network: &Network, name: &str, content: v1::RecordReadingRequest) {
    let ask = v1::AmendReadingRequest {
        name: name.to_owned(),
        reading: content.reading,
        reason: "two rings were swapped".to_owned(),
        ..v1::AmendReadingRequest::default()
    };
    let mut readings = ReadingServiceClient::new(network.channel());
    readings.amend_reading(ask).await.expect("amended");
}

#[tokio::test]
async fn what_is_answered_from_memory_is_right_after_every_kind_of_change() {
    let (network, bench, south) = two_sites().await;
    let before = same(&network, "the beginning").await;
    assert_eq!((before.furnace_count, before.never_read_count), (2, 2));

    let reading = network
        .record(network.ask_days_ago(&bench, &[19.470, 19.468, 19.472], 3))
        .await;
    let read = same(&network, "a reading").await;
    assert_eq!((read.out_of_tolerance_count, read.never_read_count), (1, 1));

    network
        .record(network.ask_days_ago(&south, &[19.561, 19.559, 19.563], 3))
        .await;
    same(&network, "a reading at another site").await;

    let content = network.ask_days_ago(&bench, &[19.560, 19.558, 19.562], 3);
    amend(&network, &reading.name, content).await;
    let mended = same(&network, "an amendment").await;
    assert_eq!(mended.out_of_tolerance_count, 0);

    network.adjust(&bench, "", 1495.0).await;
    same(&network, "an adjustment").await;

    let ask = v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(v1::FurnaceEvent {
            kind: v1::FurnaceEventKind::ElementsReplaced.into(),
            event_time: Some(stamp(network.now())),
            performed_by: "t1".to_owned(),
            ..v1::FurnaceEvent::default()
        }),
        ..v1::RecordFurnaceEventRequest::default()
    };
    let mut furnaces = FurnaceServiceClient::new(network.channel());
    furnaces.record_furnace_event(ask).await.expect("recorded");
    same(&network, "an event").await;

    network.check(&bench.gauge, &[19.52, 19.52, 19.52]).await;
    same(&network, "a check of the gauge").await;

    let cooler = programme_at(1485.0, 120.0);
    let ask = v1::UpdateProgrammeRequest {
        programme: Some(v1::Programme {
            name: bench.programme.clone(),
            segments: cooler.segments,
            material_target_c: cooler.material_target_c,
            ..v1::Programme::default()
        }),
        ..v1::UpdateProgrammeRequest::default()
    };
    network.remote.update_programme(ask).await.expect("updated");
    same(&network, "a change of a programme").await;

    let renamed = v1::Furnace {
        name: bench.furnace.clone(),
        display_name: "Kiln of the north".to_owned(),
        tolerance_c: Some(4.0),
        ..v1::Furnace::default()
    };
    update_furnace(&network, renamed).await;
    same(&network, "a change of a furnace").await;

    another(&network, &south, "k7").await;
    let more = same(&network, "a new furnace").await;
    assert_eq!(more.furnace_count, 3);
    let far = network.bench_elsewhere("west", &bench).await;
    let more = same(&network, "a new site").await;
    assert_eq!(more.furnace_count, 4);
    let retired = v1::Furnace {
        name: far.furnace.clone(),
        state: v1::FurnaceState::Retired.into(),
        ..v1::Furnace::default()
    };
    update_furnace(&network, retired).await;
    let fewer = same(&network, "a retirement").await;
    assert_eq!(fewer.furnace_count, 3);

    let mut sites = SiteServiceClient::new(network.channel());
    let ask = v1::UpdateSiteRequest {
        site: Some(v1::Site {
            name: south.site.clone(),
            display_name: "South side".to_owned(),
            tolerance_c: 3.0,
            calibration_interval_days: 5,
            ..v1::Site::default()
        }),
        ..v1::UpdateSiteRequest::default()
    };
    sites.update_site(ask).await.expect("updated");
    same(&network, "a change of a site").await;

    let ask = v1::SetRingBatchStateRequest {
        name: bench.batch.clone(),
        state: v1::RingBatchState::Withdrawn.into(),
        reason: "cracked rings".to_owned(),
        ..v1::SetRingBatchStateRequest::default()
    };
    let mut batches = RingBatchServiceClient::new(network.channel());
    batches.set_ring_batch_state(ask).await.expect("withdrawn");
    same(&network, "the withdrawal of a batch").await;

    network.every_friday("").await;
    same(&network, "a rule of the network").await;
    network.every_friday(&format!("{}/", bench.site)).await;
    same(&network, "a rule of a site").await;
    network.stop().await;
}

#[tokio::test]
async fn findings_fits_and_time_reach_what_is_answered_from_memory() {
    let (network, bench, south) = two_sites().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network
        .record(network.ask(&south, &[19.561, 19.559, 19.563]))
        .await;
    same(&network, "readings").await;

    let about = subject(&south.furnace);
    put(
        &network,
        &[finding("f1", FindingKind::FurnaceDrifting, about)],
    )
    .await;
    let found = same(&network, "a finding").await;
    assert_eq!(found.open_finding_count, 1);
    from_memory(&network);
    let ask = v1::ListFurnaceStandingsRequest {
        with_findings: true,
        ..all_of("sites/-")
    };
    let with_findings = standings(&network, ask).await;
    assert_eq!(names(&with_findings), [south.furnace.as_str()]);
    let ask = v1::ResolveFindingRequest {
        name: "findings/f1".to_owned(),
        note: "the ring was wet".to_owned(),
        noted_by: "t1".to_owned(),
        ..v1::ResolveFindingRequest::default()
    };
    fleet(&network)
        .resolve_finding(ask)
        .await
        .expect("resolved");
    let resolved = same(&network, "its resolution").await;
    assert_eq!(resolved.open_finding_count, 0);

    // A fit, and time, within minutes.
    fit(&network).await;
    network.advance_h(1);
    same(&network, "a fit").await;
    assert_eq!(overview(&network).await.due_count, 0);
    network.advance_days(40);
    let due = same(&network, "some weeks").await;
    assert_eq!(due.due_count, 2);
    network.advance_days(-40);
    let back = same(&network, "the clock being put back").await;
    assert_eq!(back.due_count, 0);
    network.stop().await;
}

#[tokio::test]
async fn own_records_are_seen_at_once_and_the_answer_says_as_of_when_the_rest_is() {
    let (network, bench, south) = two_sites().await;
    let first = overview(&network).await;
    assert_eq!(first.as_of_time, Some(stamp(network.now())));
    let by = jiff::SignedDuration::from_secs(90);
    network.app.clock.advance(by).expect("it moves");
    network
        .record(network.ask(&south, &[19.470, 19.468, 19.472]))
        .await;
    let later = overview(&network).await;
    assert_eq!(later.as_of_time, first.as_of_time, "as of the same look");
    assert_eq!(later.out_of_tolerance_count, 1, "with what was recorded");
    let listed = standings(&network, all_of("sites/-")).await;
    assert_eq!(listed.as_of_time, first.as_of_time);
    assert_eq!(names(&listed), [south.furnace.as_str(), &bench.furnace]);
    // Of one site everything is worked out for the very moment.
    let own = super::overview(&network, &south.site).await;
    assert_eq!(own.as_of_time, Some(stamp(network.now())));
    network.advance_h(1);
    let renewed = overview(&network).await;
    assert_eq!(renewed.as_of_time, Some(stamp(network.now())));
    network.stop().await;
}

#[tokio::test]
async fn whoever_asks_for_more_than_is_ready_is_told_how_far_it_is() {
    let (network, _, _) = two_sites().await;
    network.app.glances.limit(GlanceLimits {
        on_the_spot_sites: 0,
        patience: Duration::ZERO,
    });
    let ask = v1::GetFleetOverviewRequest {
        parent: "sites/-".to_owned(),
    };
    let refused = fleet(&network).get_fleet_overview(ask.clone()).await;
    let failure = Failure::of(&refused.expect_err("nothing is ready yet"));
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Unavailable, "BEING_PREPARED")
    );
    assert!(failure.metadata.contains_key("done_sites"), "{failure:?}");
    assert!(failure.metadata.contains_key("all_sites"), "{failure:?}");
    assert_eq!(failure.retry_after, Some(Duration::from_secs(1)));
    // The work goes on although nobody waits.
    let ready = async {
        loop {
            let answer = fleet(&network).get_fleet_overview(ask.clone()).await;
            if let Ok(answer) = answer {
                return answer.into_inner().overview.expect("an overview");
            }
            tokio::task::yield_now().await;
        }
    };
    let ready = tokio::time::timeout(PATIENCE, ready).await;
    assert_eq!(ready.expect("it gets ready").furnace_count, 2);
    // Of one site it is answered whatever is being prepared.
    assert_eq!(
        super::overview(&network, "sites/north").await.furnace_count,
        1
    );
    network.stop().await;
}

#[tokio::test]
async fn memory_shows_nobody_more_than_their_own_sites() {
    let (network, bench, south) = two_sites().await;
    let west = network.bench_elsewhere("west", &bench).await;
    put(
        &network,
        &[finding(
            "f1",
            FindingKind::FurnaceDrifting,
            subject(&west.furnace),
        )],
    )
    .await;
    let all = overview(&network).await;
    assert_eq!((all.furnace_count, all.open_finding_count), (3, 1));
    let two = grant(Role::Support, &["north", "south"]);
    let held = network.held(Holder::Device, two).await;
    let list = || proved(all_of("sites/-"), &held.token);
    let seen = async || {
        let listed = fleet(&network).list_furnace_standings(list()).await;
        listed.expect("listed").into_inner()
    };
    let count = async || {
        let ask = v1::GetFleetOverviewRequest {
            parent: "sites/-".to_owned(),
        };
        let asked = proved(ask, &held.token);
        let given = fleet(&network).get_fleet_overview(asked).await;
        let overview = given.expect("given").into_inner().overview;
        overview.expect("an overview")
    };
    let own = [bench.furnace.as_str(), &south.furnace];
    assert_eq!(names(&seen().await), own);
    let counted = count().await;
    assert_eq!((counted.furnace_count, counted.open_finding_count), (2, 0));
    // What others record moves nothing here, what is recorded at home is seen.
    network
        .record(network.ask(&west, &[19.470, 19.468, 19.472]))
        .await;
    assert_eq!(count().await.never_read_count, 2);
    network
        .record(network.ask(&south, &[19.470, 19.468, 19.472]))
        .await;
    assert_eq!(
        names(&seen().await),
        [south.furnace.as_str(), &bench.furnace]
    );
    assert_eq!(count().await.never_read_count, 1);
    network.stop().await;
}

#[tokio::test]
async fn pages_go_on_with_the_look_that_the_first_was_taken_from() {
    let (network, bench, south) = two_sites().await;
    let mut benches = vec![bench.clone(), south.clone()];
    for id in ["k3", "k4", "k5"] {
        benches.push(another(&network, &bench, id).await);
    }
    for (at, one) in benches.iter().enumerate() {
        let mm = 19.47 + 0.03 * f64::from(u8::try_from(at).expect("few"));
        network
            .record(network.ask(one, &[mm, mm + 0.001, mm - 0.001]))
            .await;
    }
    let ask = v1::ListFurnaceStandingsRequest {
        page_size: 2,
        ..all_of("sites/-")
    };
    let whole = standings(&network, all_of("sites/-")).await;
    let first = standings(&network, ask.clone()).await;
    // The next look is made while somebody reads the first page.
    let minutes = jiff::SignedDuration::from_mins(10);
    network.app.clock.advance(minutes).expect("it moves");
    let renewed = overview(&network).await;
    assert_ne!(renewed.as_of_time, first.as_of_time);
    let mut paged = first.standings;
    let mut page_token = first.next_page_token;
    while !page_token.is_empty() {
        let page = standings(
            &network,
            v1::ListFurnaceStandingsRequest {
                page_token,
                ..ask.clone()
            },
        )
        .await;
        assert_eq!(page.as_of_time, first.as_of_time);
        paged.extend(page.standings);
        page_token = page.next_page_token;
    }
    assert_eq!(paged, whole.standings);
    network.stop().await;
}

#[tokio::test]
async fn what_one_server_records_is_in_the_other_s_next_answer() {
    let (one, other) = Network::start_two().await;
    let bench = one.bench().await;
    let south = one.bench_elsewhere("south", &bench).await;
    from_memory(&one);
    from_memory(&other);
    for network in [&one, &other] {
        assert_eq!(overview(network).await.never_read_count, 2);
    }
    one.record(one.ask(&bench, &[19.470, 19.468, 19.472])).await;
    assert_eq!(overview(&other).await.never_read_count, 1);
    other
        .record(other.ask(&south, &[19.661, 19.659, 19.663]))
        .await;
    assert_eq!(overview(&one).await.never_read_count, 0);
    assert_eq!(
        standings(&one, all_of("sites/-")).await.standings,
        standings(&other, all_of("sites/-")).await.standings
    );
    one.stop().await;
    other.stop().await;
}
