//! Findings that readings open and close, from recording to the register.

use ringtrue_fleet::finding::{Finding, FindingKind, FindingState, Said, resolved};
use ringtrue_proto::v1;
use ringtrue_server::app::{self, App, Because, Found};
use ringtrue_store::{FindingFilter, NamedFinding, Page, Request};
use ringtrue_tests::bench::{batch, furnace, micrometer, programme, site};
use ringtrue_tests::network::everything;
use ringtrue_tests::{Bench, Network};

/// 1500 °C in the invented table.
const RIGHT_MM: f64 = 19.56;

const WHOLE: Page = Page {
    size: 100,
    after: Vec::new(),
};

/// Fits the network and looks for findings.
async fn look(network: &Network) -> Found {
    let App {
        store, clock, ids, ..
    } = &network.app;
    let fitted = app::refit(store, clock, "test", Because::Asked).await;
    assert!(fitted.expect("the store answers").is_some());
    let found = app::find(store, clock, ids, "test").await;
    found
        .expect("the store answers")
        .expect("nobody else looks")
}

async fn register(network: &Network, state: Option<FindingState>) -> Vec<NamedFinding> {
    let filter = FindingFilter {
        state,
        ..FindingFilter::default()
    };
    let read = network.app.store.read(&everything());
    read.findings(&filter, &WHOLE).await.expect("findings")
}

fn of_kind(register: &[NamedFinding], kind: FindingKind) -> Vec<&Finding> {
    register
        .iter()
        .map(|named| &named.finding)
        .filter(|finding| finding.kind == kind)
        .collect()
}

/// Records a reading on a furnace, with all questions confirmed.
async fn record(network: &Network, bench: &Bench, diameter_mm: f64) -> v1::Reading {
    let mut ask = network.ask(
        bench,
        &[diameter_mm, diameter_mm + 0.01, diameter_mm - 0.01],
    );
    let reading = ask.reading.as_mut().expect("the request holds a reading");
    reading.answered_questions = every_question();
    network.record(ask).await
}

/// Codes of questions that a strange but true reading meets.
fn every_question() -> Vec<String> {
    let codes = [
        "FAR_FROM_HISTORY",
        "TOO_GOOD",
        "WRONG_FURNACE",
        "WRONG_BATCH",
        "DIGIT_SLIP",
        "DIGITS_SWAPPED",
        "CORRECTION_NOT_APPLIED",
        "CORRECTION_APPLIED_TWICE",
        "CORRECTION_OPPOSITE",
    ];
    codes.map(str::to_owned).to_vec()
}

#[tokio::test]
async fn a_furnace_far_off_opens_a_finding_and_an_adjustment_closes_it() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let quiet = look(&network).await;
    assert_eq!((quiet.sites, quiet.opened), (1, 0));

    record(&network, &bench, 19.47).await;
    let opened = look(&network).await;
    let open = register(&network, None).await;
    let leaving = of_kind(&open, FindingKind::FurnaceLeavingTolerance);
    assert_eq!((opened.opened, leaving.len()), (1, 1));
    assert_eq!(leaving[0].subject.name(), bench.furnace);
    assert!(leaving[0].probability > 0.9);
    assert_eq!(open[0].subject_display_name, furnace().display_name);
    assert_eq!(open[0].site_display_name, site().display_name);

    // Nothing new: nothing is written, and the register stays as it was.
    let again = look(&network).await;
    assert_eq!((again.opened, again.closed, again.refreshed), (0, 0, 0));
    assert_eq!(register(&network, None).await, open);

    network.adjust(&bench, "", 1481.0).await;
    let closed = look(&network).await;
    assert_eq!(closed.closed, 1);
    assert!(register(&network, None).await.is_empty());
    let resolved = register(&network, Some(FindingState::Resolved)).await;
    assert_eq!(resolved[0].finding.noted_at, None);
    assert!(resolved[0].finding.note.contains("fallen"));
    // What opened and closed stands in the audit chain, and all is as recorded.
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
}

#[tokio::test]
async fn what_was_resolved_by_hand_opens_anew_only_by_a_later_firing() {
    let network = Network::start().await;
    let bench = network.bench().await;
    record(&network, &bench, 19.47).await;
    look(&network).await;
    let open = register(&network, None).await;
    let said = Said {
        note: "measured by hand, all is well".to_owned(),
        noted_by: "MK".to_owned(),
    };
    let caller = ringtrue_fleet::caller::Caller::local(Some("t1"));
    let id = &open[0].finding.id;
    app::note_finding(
        &network.app,
        &caller,
        id,
        None,
        resolved,
        said,
        &Request::NONE,
    )
    .await
    .expect("it is open");
    assert_eq!(look(&network).await.opened, 0);
    network.advance_days(7);
    record(&network, &bench, 19.47).await;
    assert_eq!(look(&network).await.opened, 1);
    let open = register(&network, None).await;
    assert_ne!(&open[0].finding.id, id);
}

#[tokio::test]
async fn a_hot_batch_is_named_and_not_the_furnaces_that_were_read_with_it() {
    let network = Network::start().await;
    let bench = network.bench().await;
    // Only differences between batches can be seen: two alone would be suspected alike.
    let mut batches = vec![bench.batch.clone()];
    for id in ["b2", "b3", "b4", "b5"] {
        batches.push(network.batch(id, batch()).await.name);
    }
    let hot = batches[4].clone();
    let mut benches = vec![bench.clone()];
    for id in ["south", "west"] {
        let site = network.site(id, site()).await.name;
        let gauge = network.gauge(&site, "g1", micrometer()).await.name;
        network.check(&gauge, &[19.5; 3]).await;
        let furnace = network.furnace(&site, "k2", furnace()).await.name;
        let programme = network.programme(&furnace, "p1", programme()).await.name;
        benches.push(Bench {
            site,
            furnace,
            programme,
            gauge,
            ..bench.clone()
        });
    }
    for fortnight in 0..10 {
        let batch = &batches[fortnight / 2];
        // Rings of the last batch come out 0.04 mm smaller than they should: 8 °C hotter.
        let diameter_mm = if *batch == hot {
            RIGHT_MM - 0.04
        } else {
            RIGHT_MM
        };
        for own in &benches {
            let own = Bench {
                batch: batch.clone(),
                ..own.clone()
            };
            record(&network, &own, diameter_mm).await;
        }
        network.advance_days(14);
    }
    look(&network).await;
    let open = register(&network, None).await;
    let suspects = of_kind(&open, FindingKind::BatchSuspect);
    assert_eq!(suspects.len(), 1, "{open:?}");
    assert_eq!(suspects[0].subject.name(), hot);
    let words = &suspects[0].statement;
    assert!(
        words.contains("hot") && words.contains("3 sites"),
        "{words}"
    );
    assert!(of_kind(&open, FindingKind::FurnaceDrifting).is_empty());
    assert!(of_kind(&open, FindingKind::GaugeSuspect).is_empty());
}

#[tokio::test]
async fn a_furnace_that_becomes_hotter_and_hotter_is_found() {
    let network = Network::start().await;
    let bench = network.bench().await;
    // 0.01 mm a fortnight: 1 °C a week, with the setpoint left alone.
    let mut diameter_mm = RIGHT_MM;
    for _ in 0..10 {
        record(&network, &bench, diameter_mm).await;
        network.advance_days(14);
        diameter_mm -= 0.015;
    }
    look(&network).await;
    let open = register(&network, None).await;
    let drifting = of_kind(&open, FindingKind::FurnaceDrifting);
    assert_eq!(drifting.len(), 1, "{open:?}");
    assert!(
        drifting[0].statement.contains("hotter"),
        "{}",
        drifting[0].statement
    );
    assert!(drifting[0].readings.len() > 2);
}

#[tokio::test]
async fn a_furnace_that_may_drift_is_due_within_a_week_and_says_why() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let monthly = v1::UpdateSiteRequest {
        site: Some(v1::Site {
            name: bench.site.clone(),
            calibration_interval_days: 28,
            ..v1::Site::default()
        }),
        ..v1::UpdateSiteRequest::default()
    };
    network
        .remote
        .update_site(monthly)
        .await
        .expect("the site is changed");
    let mut diameter_mm = RIGHT_MM;
    let mut asked_early = None;
    for firing in 0..8 {
        let reading = record(&network, &bench, diameter_mm).await;
        let fired_at = reading.fire_time.expect("a moment").seconds;
        let evaluation = reading.evaluation.expect("an evaluation");
        let due = evaluation.next_due_date.expect("a day");
        let due = jiff::civil::date(
            i16::try_from(due.year).expect("a year"),
            i8::try_from(due.month).expect("a month"),
            i8::try_from(due.day).expect("a day"),
        );
        let due_at = jiff::tz::TimeZone::UTC
            .to_timestamp(due.at(0, 0, 0, 0))
            .expect("a moment");
        let days = (due_at.as_second() - fired_at) / 86_400;
        let suspected = evaluation
            .notices
            .iter()
            .any(|notice| notice.code == "DRIFT_SUSPECTED");
        assert_eq!(suspected, days <= 7, "firing {firing}: due in {days} days");
        if suspected && asked_early.is_none() {
            asked_early = Some(firing);
        }
        network.advance_days(14);
        diameter_mm -= 0.02;
    }
    let asked_early = asked_early.expect("2 °C a week raise suspicion");
    assert!((2..6).contains(&asked_early), "{asked_early}");
}
