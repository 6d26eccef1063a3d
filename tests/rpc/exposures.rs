//! What was exposed while a furnace was probably outside tolerance, and what was decided about it.

use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::bench::{evaluation_of, stamp};
use ringtrue_tests::{Bench, Network};
use uuid::Uuid;

use crate::firings::{firing, report};

/// Days between the two readings.
const BETWEEN_DAYS: i64 = 28;

/// A furnace that was read at 1501 °C four weeks ago and twice at 1519 °C since (19.47 mm in the invented table;
/// the trade's own worked figure, common practice, no source), with a firing every day between.
async fn drifted(network: &Network) -> (Bench, v1::Reading) {
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.555, 19.555, 19.556]))
        .await;
    network.advance_days(BETWEEN_DAYS);
    let firings = (1..BETWEEN_DAYS)
        .map(|day| {
            firing(
                network,
                &bench,
                &format!("F{day}"),
                24 * (BETWEEN_DAYS - day),
            )
        })
        .collect();
    let reported = network.remote.report_firings(report(&bench, firings)).await;
    assert_eq!(reported.expect("recorded").recorded, 27);
    // Far from what was expected: it is fired again before anything follows from it.
    let hot = |diameters_mm: &[f64]| {
        let mut ask = network.ask(&bench, diameters_mm);
        if let Some(reading) = ask.reading.as_mut() {
            reading.answered_questions = vec!["FAR_FROM_HISTORY".to_owned()];
        }
        ask
    };
    network.record(hot(&[19.470, 19.468, 19.472])).await;
    network.advance_days(2);
    let reading = network.record(hot(&[19.471, 19.469, 19.470])).await;
    (bench, reading)
}

fn of_reading(bench: &Bench, reading: &v1::Reading) -> v1::AssessExposureRequest {
    v1::AssessExposureRequest {
        furnace: bench.furnace.clone(),
        reading: reading.name.clone(),
        page_size: 1000,
        ..v1::AssessExposureRequest::default()
    }
}

#[tokio::test]
async fn a_reading_outside_tolerance_tells_what_was_fired_since_the_last_one_within() {
    let network = Network::start().await;
    let (bench, reading) = drifted(&network).await;
    let ask = of_reading(&bench, &reading);
    let answer = network.remote.assess_exposure(ask.clone()).await;
    let answer = answer.expect("assessed");
    let summary = answer.summary.expect("a summary");
    assert_eq!(summary.start_reason(), v1::SpanBound::WithinTolerance);
    assert_eq!(summary.end_reason(), v1::SpanBound::Now);
    assert_eq!(
        (summary.firings, summary.cases, summary.units),
        (27, 27, 54)
    );
    assert_eq!(
        summary.review_first + summary.review + summary.no_action,
        27
    );
    assert!(summary.review > 0 && summary.no_action > 0, "{summary:?}");
    // Nothing is said of the restorations but that they are for somebody else to judge.
    let words = format!("{} {}", summary.statement, summary.next_step).to_lowercase();
    for forbidden in ["unsafe", "safe ", "defective", "recall", "harmless"] {
        assert!(!words.contains(forbidden), "{words}");
    }
    assert!(words.contains("qualified person"), "{words}");
    let probabilities: Vec<f64> = answer
        .firings
        .iter()
        .map(|one| one.outside_probability.expect("there are readings"))
        .collect();
    assert_eq!(probabilities.len(), 27);
    assert!(
        probabilities.is_sorted(),
        "from cool to hot: {probabilities:?}"
    );
    for one in &answer.firings {
        let (worst, estimate) = (one.worst_temperature_c, one.temperature_c);
        assert!(worst >= estimate, "{one:?}");
        // Held against the two readings at 1519 °C, every firing was hot.
        assert!(
            one.worst_outside_probability.is_some_and(|p| p > 0.5),
            "{one:?}"
        );
        assert!(
            one.expanded_uncertainty_c.is_some_and(|u| u > 6.0),
            "{one:?}"
        );
    }
    // By case, by probability, and page by page.
    let mut of_case = ask.clone();
    of_case.case_id = "C-F20".to_owned();
    let one = network
        .remote
        .assess_exposure(of_case)
        .await
        .expect("one case");
    assert_eq!(one.firings, [answer.firings[19].clone()]);
    assert_eq!(one.summary.expect("of the whole span").firings, 27);
    let mut likely = ask.clone();
    likely.least_probability = 0.05;
    let likely = network.remote.assess_exposure(likely).await.expect("some");
    assert_eq!(
        likely.firings.len(),
        usize::try_from(summary.review + summary.review_first).expect("some")
    );
    let mut paged = Vec::new();
    let mut page = ask.clone();
    page.page_size = 10;
    loop {
        let part = network.remote.assess_exposure(page.clone()).await;
        let part = part.expect("a page");
        paged.extend(part.firings);
        if part.next_page_token.is_empty() {
            break;
        }
        page.page_token = part.next_page_token;
    }
    assert_eq!(paged, answer.firings);
}

#[tokio::test]
async fn an_adjustment_ends_the_exposure() {
    let network = Network::start().await;
    let (bench, reading) = drifted(&network).await;
    let advised_c = evaluation_of(&reading).advised_setpoint_c;
    crate::close(advised_c, 1481.0, 3.0);
    network.adjust(&bench, &reading.name, advised_c).await;
    network.advance_days(2);
    let later = vec![firing(&network, &bench, "F99", 20)];
    let reported = network.remote.report_firings(report(&bench, later)).await;
    reported.expect("recorded");
    let ask = of_reading(&bench, &reading);
    let answer = network.remote.assess_exposure(ask).await.expect("assessed");
    let summary = answer.summary.expect("a summary");
    assert_eq!(summary.end_reason(), v1::SpanBound::Adjusted);
    assert_eq!(summary.firings, 27, "not the one after the adjustment");
    let span = v1::AssessExposureRequest {
        furnace: bench.furnace.clone(),
        start_time: Some(stamp(network.now() - SignedDuration::from_hours(24))),
        ..v1::AssessExposureRequest::default()
    };
    let after = network
        .remote
        .assess_exposure(span)
        .await
        .expect("assessed");
    let mended = &after.firings[0];
    crate::close(mended.setpoint_c, advised_c, 1e-9);
    assert!(
        mended.outside_probability.is_some_and(|p| p < 0.5),
        "{mended:?}"
    );
    assert!(!mended.notices.is_empty(), "no reading since");
}

#[tokio::test]
async fn a_decision_is_recorded_once_and_shown_with_its_cases() {
    let network = Network::start().await;
    let (bench, reading) = drifted(&network).await;
    let ask = of_reading(&bench, &reading);
    let seen = network
        .remote
        .assess_exposure(ask.clone())
        .await
        .expect("assessed");
    let summary = seen.summary.expect("a summary");
    let record = v1::RecordExposureDecisionRequest {
        parent: bench.furnace.clone(),
        exposure_decision: Some(v1::ExposureDecision {
            start_time: summary.start_time,
            end_time: summary.end_time,
            reading: reading.name.clone(),
            case_ids: vec!["C-F27".to_owned()],
            outcome: v1::ExposureOutcome::InformPrescriber.into(),
            reason: "shade and fit reviewed".to_owned(),
            decided_by: "q1".to_owned(),
            ..v1::ExposureDecision::default()
        }),
        request_id: Uuid::from_u128(9).to_string(),
    };
    let made = network
        .remote
        .record_exposure_decision(record.clone())
        .await;
    let made = made
        .expect("recorded")
        .exposure_decision
        .expect("a decision");
    let again = network
        .remote
        .record_exposure_decision(record.clone())
        .await;
    assert_eq!(
        again.expect("the first answer").exposure_decision,
        Some(made.clone())
    );
    let get = v1::GetExposureDecisionRequest {
        name: made.name.clone(),
    };
    let found = network.remote.exposure_decision(get).await.expect("found");
    assert_eq!(found.exposure_decision, Some(made.clone()));
    let list = v1::ListExposureDecisionsRequest {
        parent: format!("{}/furnaces/-", bench.site),
        ..v1::ListExposureDecisionsRequest::default()
    };
    let listed = network
        .remote
        .exposure_decisions(list)
        .await
        .expect("listed");
    assert_eq!(listed.exposure_decisions, std::slice::from_ref(&made));
    let seen = network.remote.assess_exposure(ask).await.expect("assessed");
    for one in &seen.firings {
        let decided = one.case_ids == ["C-F27"];
        assert_eq!(one.decisions.len(), usize::from(decided), "{one:?}");
    }
    let mut unknown = record;
    unknown.request_id = Uuid::from_u128(10).to_string();
    if let Some(decision) = unknown.exposure_decision.as_mut() {
        decision.case_ids = vec!["C-F27".to_owned(), "C-404".to_owned()];
    }
    let refused = network.remote.record_exposure_decision(unknown).await;
    let refused = refused.expect_err("a case that was in no firing");
    assert_eq!(refused.violations.len(), 1);
    assert_eq!(refused.violations[0].field, "exposure_decision.case_ids[1]");
}

#[tokio::test]
async fn what_cannot_be_assessed_is_said() {
    let network = Network::start().await;
    let (bench, reading) = drifted(&network).await;
    let bad = [
        (
            v1::AssessExposureRequest {
                furnace: bench.furnace.clone(),
                ..v1::AssessExposureRequest::default()
            },
            "start_time",
        ),
        (
            v1::AssessExposureRequest {
                start_time: reading.fire_time,
                ..of_reading(&bench, &reading)
            },
            "reading",
        ),
        (
            v1::AssessExposureRequest {
                furnace: bench.furnace.clone(),
                start_time: Some(stamp(network.now())),
                end_time: Some(stamp(network.now() - SignedDuration::from_hours(1))),
                ..v1::AssessExposureRequest::default()
            },
            "end_time",
        ),
        (
            v1::AssessExposureRequest {
                least_probability: f64::NAN,
                ..of_reading(&bench, &reading)
            },
            "least_probability",
        ),
    ];
    for (ask, field) in bad {
        let refused = network.remote.assess_exposure(ask).await;
        let refused = refused.expect_err("refused");
        assert_eq!(refused.violations[0].field, field, "{refused:?}");
    }
    let mut unknown = of_reading(&bench, &reading);
    unknown.case_id = "C-404".to_owned();
    let refused = network.remote.assess_exposure(unknown).await;
    assert_eq!(refused.expect_err("an unknown case").code, Code::NotFound);
    let mut unknown = of_reading(&bench, &reading);
    unknown.reading = format!("{}/readings/none", bench.furnace);
    let refused = network.remote.assess_exposure(unknown).await;
    assert_eq!(
        refused.expect_err("an unknown reading").code,
        Code::NotFound
    );
    // A furnace without readings: its firings are told, and that nobody can say.
    let other = network.bench_elsewhere("south", &bench).await;
    let firings = vec![firing(&network, &other, "F1", 30)];
    let reported = network.remote.report_firings(report(&other, firings)).await;
    reported.expect("recorded");
    let span = v1::AssessExposureRequest {
        furnace: other.furnace.clone(),
        start_time: Some(stamp(network.now() - SignedDuration::from_hours(100))),
        ..v1::AssessExposureRequest::default()
    };
    let answer = network.remote.assess_exposure(span).await.expect("told");
    assert_eq!(answer.firings[0].temperature_c, None);
    assert_eq!(answer.firings[0].queue(), v1::ExposureQueue::Review);
}
