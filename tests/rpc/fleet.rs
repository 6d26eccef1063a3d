//! The fleet: overview, biases of batches and gauges, and what is refused; standings, histories and findings
//! have files of their own.

mod findings;
mod glances;
mod histories;
mod standings;

use std::collections::BTreeSet;

use jiff::Timestamp;
use ringtrue_fleet::finding::{Evidence, Finding, FindingKind, FindingState, Subject};
use ringtrue_fleet::key::{FindingId, FurnaceKey, ReadingKey};
use ringtrue_proto::v1;
use ringtrue_proto::v1::fleet_service_client::FleetServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app::{self, App, Because};
use ringtrue_tests::bench::{furnace, programme, stamp};
use ringtrue_tests::network::everything;
use ringtrue_tests::{Bench, Network};
use tonic::transport::Channel;

use self::findings::findings_of;
use self::standings::{all_of, names, standings};
use crate::close;
use crate::refusals::{Records, bad_value};

fn fleet(network: &Network) -> FleetServiceClient<Channel> {
    FleetServiceClient::new(network.channel())
}

async fn fit(network: &Network) {
    let App { store, clock, .. } = &network.app;
    let fitted = app::refit(store, clock, "test", Because::Asked).await;
    assert!(fitted.expect("the store answers").is_some());
}

/// Another furnace of a bench's site with the usual programme.
async fn another(network: &Network, bench: &Bench, id: &str) -> Bench {
    let made = v1::Furnace {
        display_name: id.to_uppercase(),
        ..furnace()
    };
    let furnace = network.furnace(&bench.site, id, made).await.name;
    let programme = network.programme(&furnace, "p1", programme()).await.name;
    Bench {
        furnace,
        programme,
        ..bench.clone()
    }
}

async fn overview(network: &Network, parent: &str) -> v1::FleetOverview {
    let ask = v1::GetFleetOverviewRequest {
        parent: parent.to_owned(),
    };
    let found = fleet(network).get_fleet_overview(ask).await;
    let found = found.expect("the overview is given").into_inner();
    found.overview.expect("the answer holds the overview")
}

#[tokio::test]
async fn the_overview_counts_furnaces_and_names_the_fit_that_it_rests_on() {
    let network = Network::start().await;
    let bench = network.bench().await;
    another(&network, &bench, "k3").await;
    let before = overview(&network, "sites/-").await;
    assert_eq!((before.furnace_count, before.never_read_count), (2, 2));
    assert_eq!(before.due_count, 2, "a furnace never read is due today");
    let model = before.model.expect("the model");
    assert_eq!((model.fit, model.fit_time), (0, None));
    assert_eq!(model.components_origin(), v1::ComponentsOrigin::Assumed);
    close(model.wander_c2_per_week, 0.4, 1e-12);
    close(model.batch_standard_deviation_c, 2.0, 1e-12);

    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let unfitted = overview(&network, &bench.site).await;
    let pending = unfitted.model.expect("the model").pending_change_count;
    assert_eq!(pending, 1, "the reading waits for a fit");
    fit(&network).await;
    let after = overview(&network, &bench.site).await;
    assert_eq!((after.furnace_count, after.never_read_count), (2, 1));
    // 19 °C too hot, with a tolerance of 10 °C, is outside beyond doubt.
    assert_eq!((after.out_of_tolerance_count, after.due_count), (1, 1));
    let model = after.model.expect("the model");
    assert_eq!((model.fit, model.reading_count), (1, 1));
    assert_eq!(model.pending_change_count, 0);
    assert_eq!(model.fit_time, Some(stamp(network.now())));

    // A retired furnace is counted no more.
    let retired = v1::Furnace {
        name: format!("{}/furnaces/k3", bench.site),
        state: v1::FurnaceState::Retired.into(),
        ..v1::Furnace::default()
    };
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(retired),
        ..v1::UpdateFurnaceRequest::default()
    };
    network.remote.update_furnace(ask).await.expect("retired");
    assert_eq!(overview(&network, "sites/-").await.furnace_count, 1);
    let listed = standings(&network, all_of("sites/-")).await;
    assert_eq!(names(&listed), [bench.furnace.as_str()]);
    network.stop().await;
}

#[tokio::test]
async fn what_is_known_of_batches_grows_with_the_sites_that_use_them() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.batch("b2", ringtrue_tests::bench::batch()).await;
    let south = network.bench_elsewhere("south", &bench).await;
    let ask = v1::ListBatchEffectsRequest::default();
    let before = fleet(&network).list_batch_effects(ask.clone()).await;
    let before = before.expect("listed").into_inner().effects;
    assert_eq!(before.len(), 2);
    // A stated expanded uncertainty of 4 °C is two standard deviations.
    close(before[0].expected_standard_deviation_c, 2.0, 1e-12);
    close(before[0].standard_uncertainty_c, 2.0, 1e-12);
    assert_eq!((before[0].reading_count, before[0].bias_c), (0, 0.0));
    assert!(
        before[0].statement.contains("No reading"),
        "{:?}",
        before[0]
    );

    for one in [&bench, &south] {
        network
            .record(network.ask(one, &[19.470, 19.468, 19.472]))
            .await;
    }
    fit(&network).await;
    let after = fleet(&network).list_batch_effects(ask).await;
    let after = after.expect("listed").into_inner().effects;
    assert_eq!(after[0].ring_batch, bench.batch);
    assert_eq!((after[0].reading_count, after[0].site_count), (2, 2));
    assert_eq!((after[1].reading_count, after[1].site_count), (0, 0));
    let mut seen = Vec::new();
    let mut page_token = String::new();
    loop {
        let ask = v1::ListBatchEffectsRequest {
            page_size: 1,
            page_token,
        };
        let page = fleet(&network).list_batch_effects(ask).await;
        let page = page.expect("listed").into_inner();
        seen.extend(page.effects);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(seen, after);
    network.stop().await;
}

#[tokio::test]
async fn a_gauges_bias_is_what_its_check_found_and_every_page_follows() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let south = network.bench_elsewhere("south", &bench).await;
    let plain = network
        .gauge(&south.site, "g2", ringtrue_tests::bench::caliper())
        .await
        .name;
    let large = network
        .gauge(&bench.site, "g3", ringtrue_tests::bench::caliper())
        .await
        .name;
    network.check(&large, &[19.52, 19.52, 19.52]).await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    fit(&network).await;
    let ask = v1::ListGaugeEffectsRequest {
        parent: "sites/-".to_owned(),
        ..v1::ListGaugeEffectsRequest::default()
    };
    let all = fleet(&network).list_gauge_effects(ask.clone()).await;
    let all = all.expect("listed").into_inner().effects;
    let gauges: Vec<&str> = all.iter().map(|effect| effect.gauge.as_str()).collect();
    assert_eq!(gauges, [bench.gauge.as_str(), &large, &south.gauge, &plain]);
    assert_eq!((all[0].reading_count, all[0].check_count), (1, 1));
    // 0.02 mm too large makes furnaces look 4 °C colder at -200 °C/mm.
    close(all[1].bias_mm, 0.02, 1e-4);
    close(all[1].bias_c, -4.0, 0.02);
    close(
        all[1].standard_uncertainty_c,
        all[1].standard_uncertainty_mm * 200.0,
        1e-9,
    );
    // Never checked, permissible error 0.03 mm, rectangular.
    close(all[3].standard_uncertainty_mm, 0.03 / 3.0_f64.sqrt(), 1e-9);
    assert_eq!(all[3].check_count, 0);
    assert!(
        all[3].statement.contains("Check it on a reference block"),
        "{:?}",
        all[3]
    );

    let mut seen = Vec::new();
    let mut page_token = String::new();
    loop {
        let ask = v1::ListGaugeEffectsRequest {
            page_size: 1,
            page_token,
            ..ask.clone()
        };
        let page = fleet(&network).list_gauge_effects(ask).await;
        let page = page.expect("listed").into_inner();
        assert_eq!(page.effects.len(), 1);
        seen.extend(page.effects);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(seen, all);
    let ask = v1::ListGaugeEffectsRequest {
        parent: south.site.clone(),
        ..ask
    };
    let own = fleet(&network).list_gauge_effects(ask).await;
    assert_eq!(own.expect("listed").into_inner().effects, all[2..]);
    network.stop().await;
}

fn subject(furnace: &str) -> Subject {
    Subject::Furnace(FurnaceKey::parse(furnace).expect("a name"))
}

fn finding(id: &str, kind: FindingKind, subject: Subject) -> Finding {
    let seen_at: Timestamp = "2026-03-05T18:00:00Z".parse().expect("a moment");
    let mut readings = Vec::new();
    for reading in [
        "sites/south/furnaces/k2/readings/r2",
        "sites/north/furnaces/k2/readings/r1",
    ] {
        readings.push(ReadingKey::parse(reading).expect("a name"));
    }
    Finding {
        id: FindingId::new(id).expect("an id"),
        kind,
        subject,
        state: FindingState::Open,
        probability: 0.97,
        statement: "It drifts by 0.9 °C a week.".to_owned(),
        next_step: "Fire a ring within a week.".to_owned(),
        evidence: vec![Evidence {
            label: "drift".to_owned(),
            value: 0.9,
            unit: "°C/week".to_owned(),
        }],
        readings,
        first_seen_at: seen_at,
        last_seen_at: seen_at,
        false_discovery_rate: 0.05,
        note: String::new(),
        noted_by: String::new(),
        noted_at: None,
        revision: 1,
    }
}

/// Puts findings on record, as the background work would.
async fn put(network: &Network, findings: &[Finding]) {
    let store = &network.app.store;
    let mut tx = store.begin("test", &everything()).await.expect("begun");
    tx.put_findings(findings, network.now())
        .await
        .expect("stored");
    tx.commit().await.expect("committed");
}

#[tokio::test]
async fn everything_wrong_with_a_request_about_the_fleet_is_said_at_once() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = v1::ListFurnaceStandingsRequest {
        parent: "north".to_owned(),
        page_size: -1,
        page_token: "zz".to_owned(),
        conformity: 9,
        search: "x".repeat(121),
        with_findings: false,
        order: 77,
    };
    let refused = fleet(&network).list_furnace_standings(ask).await;
    let failure = Failure::of(&refused.expect_err("refused"));
    let mut fields = BTreeSet::new();
    for violation in &failure.violations {
        fields.insert(violation.field.as_str());
    }
    let wanted = [
        "conformity",
        "order",
        "page_size",
        "page_token",
        "parent",
        "search",
    ];
    assert_eq!(fields, BTreeSet::from(wanted));

    let ask = v1::GetFurnaceHistoryRequest {
        name: "sites/north".to_owned(),
        start_time: Some(prost_types::Timestamp {
            seconds: i64::MAX,
            nanos: 0,
        }),
        outlook_weeks: Some(105),
    };
    let refused = fleet(&network).get_furnace_history(ask).await;
    let failure = Failure::of(&refused.expect_err("refused"));
    assert_eq!(failure.violations.len(), 3, "{failure:?}");
    bad_value(&failure, "outlook_weeks", "OUT_OF_RANGE", "leave it out");
    bad_value(&failure, "start_time", "NOT_A_MOMENT", "check the date");

    let ask = v1::ListFindingsRequest {
        state: 9,
        kind: -1,
        subject: "furnaces/k2".to_owned(),
        ..findings_of("sites/-")
    };
    let refused = fleet(&network).list_findings(ask).await;
    let failure = Failure::of(&refused.expect_err("refused"));
    assert_eq!(failure.violations.len(), 3, "{failure:?}");

    let ask = v1::AcknowledgeFindingRequest {
        name: "f1".to_owned(),
        note: String::new(),
        noted_by: "x".repeat(41),
        etag: String::new(),
        request_id: "today".to_owned(),
    };
    let before = Records::of(&network, &bench).await;
    let refused = fleet(&network).acknowledge_finding(ask.clone()).await;
    let failure = Failure::of(&refused.expect_err("refused"));
    assert_eq!(failure.violations.len(), 4, "{failure:?}");
    let ask = v1::ResolveFindingRequest {
        name: "findings/none".to_owned(),
        note: "x".repeat(501),
        ..v1::ResolveFindingRequest::default()
    };
    let refused = fleet(&network).resolve_finding(ask).await;
    let failure = Failure::of(&refused.expect_err("refused"));
    assert_eq!(failure.violations[0].field, "note", "{failure}");
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn what_is_not_on_record_is_not_found() {
    let network = Network::start().await;
    network.bench().await;
    let mut client = fleet(&network);
    let name = "sites/north/furnaces/none".to_owned();
    let mut refused = Vec::new();
    let ask = v1::GetFurnaceHistoryRequest {
        name: name.clone(),
        ..v1::GetFurnaceHistoryRequest::default()
    };
    refused.push(client.get_furnace_history(ask).await.expect_err("none"));
    let ask = v1::GetFurnaceChartsRequest {
        name,
        start_time: None,
    };
    refused.push(client.get_furnace_charts(ask).await.expect_err("none"));
    let ask = v1::GetFleetOverviewRequest {
        parent: "sites/none".to_owned(),
    };
    refused.push(client.get_fleet_overview(ask).await.expect_err("none"));
    let ask = v1::GetFindingRequest {
        name: "findings/none".to_owned(),
    };
    refused.push(client.get_finding(ask).await.expect_err("none"));
    let ask = v1::AcknowledgeFindingRequest {
        name: "findings/none".to_owned(),
        note: "seen".to_owned(),
        ..v1::AcknowledgeFindingRequest::default()
    };
    refused.push(client.acknowledge_finding(ask).await.expect_err("none"));
    for status in refused {
        let failure = Failure::of(&status);
        assert_eq!(
            (failure.code, failure.reason.as_str()),
            (Code::NotFound, "NOT_FOUND")
        );
    }
    network.stop().await;
}
