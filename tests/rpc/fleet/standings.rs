//! Furnaces among others: orders, filters, pages.

use ringtrue_fleet::finding::FindingKind;
use ringtrue_proto::v1;
use ringtrue_remote::Failure;
use ringtrue_tests::Network;

use super::{another, finding, fleet, put, subject};
use crate::close;
use crate::refusals::bad_value;

pub(super) async fn standings(
    network: &Network,
    ask: v1::ListFurnaceStandingsRequest,
) -> v1::ListFurnaceStandingsResponse {
    let found = fleet(network).list_furnace_standings(ask).await;
    found.expect("furnaces are listed").into_inner()
}

pub(super) fn all_of(parent: &str) -> v1::ListFurnaceStandingsRequest {
    v1::ListFurnaceStandingsRequest {
        parent: parent.to_owned(),
        ..v1::ListFurnaceStandingsRequest::default()
    }
}

pub(super) fn names(listed: &v1::ListFurnaceStandingsResponse) -> Vec<&str> {
    let mut names = Vec::new();
    for standing in &listed.standings {
        names.push(standing.furnace.as_str());
    }
    names
}

#[tokio::test]
async fn the_most_pressing_furnace_is_listed_first() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let unread = another(&network, &bench, "k0").await;
    let fine = another(&network, &bench, "k3").await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network
        .record(network.ask(&fine, &[19.561, 19.559, 19.563]))
        .await;
    let listed = standings(&network, all_of("sites/-")).await;
    let order = [bench.furnace.as_str(), &fine.furnace, &unread.furnace];
    assert_eq!(names(&listed), order);
    let [hot, good, unknown] = listed.standings.as_slice() else {
        panic!("three furnaces: {listed:?}");
    };
    assert_eq!(hot.conformity(), v1::Conformity::Out);
    close(hot.present_error_c, 19.0, 0.2);
    assert_eq!(hot.programme, bench.programme);
    assert!(hot.outside_probability > 0.95, "{hot:?}");
    assert!(hot.leaving_probability >= hot.outside_probability);
    assert_eq!((hot.tolerance_c, hot.reading_count), (10.0, 1));
    assert_eq!(
        (
            hot.furnace_display_name.as_str(),
            hot.site_display_name.as_str()
        ),
        ("K2", "North bench")
    );
    assert!(good.outside_probability < 0.1, "{good:?}");
    let interval = good.interval.as_ref().expect("an interval is advised");
    assert!((1..=14).contains(&interval.interval_days), "{interval:?}");
    assert!(!interval.method.is_empty() && interval.reason.len() > 10);
    assert_eq!(unknown.conformity(), v1::Conformity::Unknown);
    assert_eq!(
        (unknown.reading_count, unknown.interval.is_none()),
        (0, true)
    );
    // Never read: due today. The others in two weeks, on the calibration day.
    let due = |standing: &v1::FurnaceStanding| standing.next_due_date.expect("a day").day;
    assert_eq!((due(unknown), due(hot)), (6, 13));
    network.stop().await;
}

#[tokio::test]
async fn furnaces_are_ordered_and_filtered_as_asked() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let fine = another(&network, &bench, "k3").await;
    let far = network.bench_elsewhere("south", &bench).await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network
        .record(network.ask(&fine, &[19.561, 19.559, 19.563]))
        .await;
    network
        .record(network.ask(&far, &[19.661, 19.659, 19.663]))
        .await;
    put(
        &network,
        &[finding(
            "f1",
            FindingKind::FurnaceDrifting,
            subject(&fine.furnace),
        )],
    )
    .await;
    let (hot, fine, cold) = (
        bench.furnace.as_str(),
        fine.furnace.as_str(),
        far.furnace.as_str(),
    );
    let listed = |ask: v1::ListFurnaceStandingsRequest| standings(&network, ask);
    for (order, wanted) in [
        (v1::StandingOrder::Error, [cold, hot, fine]),
        (v1::StandingOrder::Name, [hot, fine, cold]),
        (v1::StandingOrder::Due, [hot, fine, cold]),
    ] {
        let ask = v1::ListFurnaceStandingsRequest {
            order: order.into(),
            ..all_of("sites/-")
        };
        assert_eq!(names(&listed(ask).await), wanted, "{order:?}");
    }
    let ask = v1::ListFurnaceStandingsRequest {
        conformity: v1::Conformity::Out.into(),
        order: v1::StandingOrder::Name.into(),
        ..all_of("sites/-")
    };
    assert_eq!(names(&listed(ask).await), [hot, cold]);
    let ask = v1::ListFurnaceStandingsRequest {
        search: "SOUTH/".to_owned(),
        ..all_of("sites/-")
    };
    assert_eq!(
        names(&listed(ask).await),
        [cold],
        "names are searched in any case"
    );
    let ask = v1::ListFurnaceStandingsRequest {
        search: "k3".to_owned(),
        ..all_of("sites/-")
    };
    assert_eq!(names(&listed(ask).await), [fine]);
    let ask = v1::ListFurnaceStandingsRequest {
        with_findings: true,
        ..all_of("sites/-")
    };
    let with_findings = listed(ask).await;
    assert_eq!(names(&with_findings), [fine]);
    assert_eq!(with_findings.standings[0].open_finding_count, 1);
    let ask = all_of(&far.site);
    assert_eq!(
        names(&listed(ask).await),
        [cold],
        "of one site only its own"
    );
    network.stop().await;
}

#[tokio::test]
async fn pages_of_furnaces_follow_each_other_while_time_passes() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let south = network.bench_elsewhere("south", &bench).await;
    let mut read = vec![bench.clone(), south.clone()];
    for id in ["k3", "k4", "k5"] {
        read.push(another(&network, &bench, id).await);
    }
    another(&network, &south, "k9").await;
    for (at, one) in read.iter().enumerate() {
        let mm = 19.47 + 0.03 * f64::from(u8::try_from(at).expect("few"));
        network
            .record(network.ask(one, &[mm, mm + 0.001, mm - 0.001]))
            .await;
    }
    for order in [
        v1::StandingOrder::Risk,
        v1::StandingOrder::Error,
        v1::StandingOrder::Drift,
        v1::StandingOrder::Due,
        v1::StandingOrder::Name,
    ] {
        let ask = v1::ListFurnaceStandingsRequest {
            order: order.into(),
            ..all_of("sites/-")
        };
        let whole = standings(&network, ask.clone()).await;
        assert_eq!(
            (whole.standings.len(), whole.next_page_token.as_str()),
            (6, "")
        );
        let mut paged = Vec::new();
        let mut page_token = String::new();
        loop {
            let ask = v1::ListFurnaceStandingsRequest {
                page_size: 2,
                page_token,
                ..ask.clone()
            };
            let page = standings(&network, ask).await;
            paged.extend(page.standings);
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
            network.advance_days(3);
        }
        assert_eq!(paged, whole.standings, "{order:?}");
    }
    // A token of one order is not one of another.
    let ask = v1::ListFurnaceStandingsRequest {
        page_size: 2,
        ..all_of("sites/-")
    };
    let first = standings(&network, ask).await;
    let ask = v1::ListFurnaceStandingsRequest {
        page_size: 2,
        page_token: first.next_page_token,
        order: v1::StandingOrder::Due.into(),
        ..all_of("sites/-")
    };
    let refused = fleet(&network).list_furnace_standings(ask).await;
    let failure = Failure::of(&refused.expect_err("another order"));
    bad_value(
        &failure,
        "page_token",
        "NOT_OF_THIS_LIST",
        "leave it out to begin again",
    );
    network.stop().await;
}
