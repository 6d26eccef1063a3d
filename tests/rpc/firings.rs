//! Production firings: reported one by one, by the thousand and in a stream; repeated, amended, refused.

use futures::StreamExt as _;
use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_proto::v1::firing_service_client::FiringServiceClient;
use ringtrue_remote::Code;
use ringtrue_tests::bench::stamp;
use ringtrue_tests::{Bench, Network};
use uuid::Uuid;

/// A firing that ended some hours ago and lasted seven.
pub(crate) fn firing(network: &Network, bench: &Bench, id: &str, hours_ago: i64) -> v1::Firing {
    let end = network.now() - SignedDuration::from_hours(hours_ago);
    v1::Firing {
        external_id: id.to_owned(),
        programme: bench.programme.clone(),
        start_time: Some(stamp(end - SignedDuration::from_hours(7))),
        end_time: Some(stamp(end)),
        outcome: v1::FiringOutcome::Completed.into(),
        cases: vec![v1::FiringCase {
            case_id: format!("C-{id}"),
            units: 2,
        }],
        performed_by: "t1".to_owned(),
        ..v1::Firing::default()
    }
}

pub(crate) fn report(bench: &Bench, firings: Vec<v1::Firing>) -> v1::ReportFiringsRequest {
    v1::ReportFiringsRequest {
        parent: bench.site.clone(),
        firings,
        ..v1::ReportFiringsRequest::default()
    }
}

async fn listed(network: &Network, bench: &Bench) -> Vec<v1::Firing> {
    let ask = v1::ListFiringsRequest {
        parent: bench.furnace.clone(),
        ..v1::ListFiringsRequest::default()
    };
    network.remote.firings(ask).await.expect("listed").firings
}

fn states(answer: &v1::ReportFiringsResponse) -> Vec<v1::FiringResultState> {
    answer.results.iter().map(v1::FiringResult::state).collect()
}

use v1::FiringResultState::{Known, Recorded, Refused};

#[tokio::test]
async fn reported_firings_are_on_record_with_what_was_in_force() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let firings = vec![
        firing(&network, &bench, "F1", 30),
        firing(&network, &bench, "F2", 20),
    ];
    let answer = network.remote.report_firings(report(&bench, firings)).await;
    let answer = answer.expect("recorded");
    assert_eq!((answer.recorded, answer.known, answer.refused), (2, 0, 0));
    let found = listed(&network, &bench).await;
    let ids: Vec<&str> = found.iter().map(|one| one.external_id.as_str()).collect();
    assert_eq!(ids, ["F2", "F1"], "latest first");
    assert_eq!(found[1].name, answer.results[0].name);
    assert_eq!(found[0].setpoint_c, Some(1500.0));
    crate::close(found[0].target_c, 1500.0, 1e-9);
    assert_eq!(found[0].hours_hot, Some(2.0), "the hold of 120 min");
    let ask = v1::GetFiringRequest {
        name: found[0].name.clone(),
    };
    let one = network.remote.firing(ask).await.expect("found").firing;
    assert_eq!(one, Some(found[0].clone()));
    let of_case = v1::ListFiringsRequest {
        parent: format!("{}/furnaces/-", bench.site),
        case_id: "C-F1".to_owned(),
        ..v1::ListFiringsRequest::default()
    };
    let of_case = network.remote.firings(of_case).await.expect("listed");
    assert_eq!(of_case.firings, [found[1].clone()]);
    let entry = network.last_entry("north").await;
    assert_eq!(entry.action, "firing.report");
    // Whoever follows the changes finds what came in the report that they name.
    let mut later = report(&bench, vec![firing(&network, &bench, "F3", 10)]);
    later.request_id = Uuid::from_u128(3).to_string();
    network
        .remote
        .report_firings(later)
        .await
        .expect("recorded");
    let mut of_report = v1::ListFiringsRequest {
        parent: format!("{}/furnaces/-", bench.site),
        report: entry.subject,
        ..v1::ListFiringsRequest::default()
    };
    let came = network.remote.firings(of_report.clone()).await;
    assert_eq!(came.expect("listed").firings, found);
    of_report.page_size = 1;
    of_report.case_id = "C-F1".to_owned();
    let came = network.remote.firings(of_report.clone()).await;
    assert_eq!(came.expect("listed").firings, [found[1].clone()]);
    of_report.report = "sites/south/firingReports/r1".to_owned();
    let refused = network
        .remote
        .firings(of_report)
        .await
        .expect_err("refused");
    assert_eq!(refused.violations[0].field, "report");
}

#[tokio::test]
async fn a_repeat_changes_nothing_with_and_without_a_request_id() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut ask = report(&bench, vec![firing(&network, &bench, "F1", 30)]);
    ask.request_id = Uuid::from_u128(1).to_string();
    let first = network.remote.report_firings(ask.clone()).await;
    let first = first.expect("recorded");
    let again = network.remote.report_firings(ask.clone()).await;
    assert_eq!(again.expect("the first answer"), first);
    let length = network.audit_length("north").await;
    let mut anew = ask.clone();
    anew.request_id = Uuid::from_u128(2).to_string();
    let anew = network.remote.report_firings(anew).await.expect("known");
    assert_eq!(states(&anew), [Known]);
    assert_eq!(anew.results[0].name, first.results[0].name);
    assert_eq!(network.audit_length("north").await, length);
    ask.firings[0].note = "other".to_owned();
    let reused = network.remote.report_firings(ask).await;
    let reused = reused.expect_err("the id stands for another request");
    assert_eq!(reused.code, Code::AlreadyExists, "{reused:?}");
}

#[tokio::test]
async fn one_bad_firing_refuses_all_unless_the_good_ones_are_to_be_kept() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let mut bad = firing(&network, &bench, "F2", 20);
    (bad.start_time, bad.end_time) = (bad.end_time, bad.start_time);
    bad.cases[0].case_id = "name@example.org".to_owned();
    let overlapping = firing(&network, &bench, "F3", 29);
    let firings = vec![firing(&network, &bench, "F1", 30), bad, overlapping];
    let before = network.audit_length("north").await;
    let refused = network
        .remote
        .report_firings(report(&bench, firings.clone()))
        .await
        .expect_err("all are refused");
    assert_eq!(refused.code, Code::InvalidArgument);
    let fields: Vec<&str> = refused
        .violations
        .iter()
        .map(|one| one.field.as_str())
        .collect();
    assert_eq!(
        fields,
        [
            "firings[1].end_time",
            "firings[1].cases[0].case_id",
            "firings[2].start_time"
        ]
    );
    assert!(
        !refused.message.contains("example.org"),
        "{}",
        refused.message
    );
    assert_eq!(network.audit_length("north").await, before);

    let mut look = report(&bench, firings.clone());
    look.validate_only = true;
    let looked = network
        .remote
        .report_firings(look)
        .await
        .expect("looked at");
    assert_eq!(states(&looked), [Recorded, Refused, Refused]);
    assert!(listed(&network, &bench).await.is_empty());

    let mut keep = report(&bench, firings);
    keep.keep_good = true;
    let kept = network
        .remote
        .report_firings(keep)
        .await
        .expect("one is kept");
    assert_eq!(states(&kept), [Recorded, Refused, Refused]);
    assert_eq!(kept.results[2].faults[0].reason, "OVERLAPS");
    assert_eq!(listed(&network, &bench).await.len(), 1);
}

#[tokio::test]
async fn reports_out_of_bounds_are_refused() {
    let network = Network::start().await;
    let bench = network.bench().await;
    for count in [0, 1001] {
        let firings = vec![firing(&network, &bench, "F1", 30); count];
        let refused = network.remote.report_firings(report(&bench, firings)).await;
        let refused = refused.expect_err("none or too many");
        assert_eq!(refused.violations[0].field, "firings", "{count}");
    }
    let mut elsewhere = report(&bench, vec![firing(&network, &bench, "F1", 30)]);
    elsewhere.parent = "sites/nowhere".to_owned();
    let refused = network.remote.report_firings(elsewhere).await;
    assert_eq!(refused.expect_err("no such site").code, Code::NotFound);
    let south = network.bench_elsewhere("south", &bench).await;
    let foreign = report(&south, vec![firing(&network, &bench, "F1", 30)]);
    let refused = network.remote.report_firings(foreign).await;
    let refused = refused.expect_err("a programme of another site");
    assert_eq!(refused.violations[0].field, "firings[0].programme");
}

#[tokio::test]
async fn an_amended_firing_stays_readable_and_counts_once() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = report(&bench, vec![firing(&network, &bench, "F1", 30)]);
    let made = network.remote.report_firings(ask.clone()).await;
    let name = made.expect("recorded").results[0].name.clone();
    let mut later = firing(&network, &bench, "F1", 29);
    later.start_time = ask.firings[0].start_time;
    let amend = v1::AmendFiringRequest {
        name: name.clone(),
        firing: Some(later),
        amend_reason: "the end was an hour later".to_owned(),
        request_id: Uuid::from_u128(3).to_string(),
    };
    let amended = network.remote.amend_firing(amend.clone()).await;
    let amended = amended.expect("amended").firing.expect("the version");
    assert_eq!(amended.amends, name);
    let again = network.remote.amend_firing(amend.clone()).await;
    assert_eq!(
        again.expect("the first answer").firing,
        Some(amended.clone())
    );
    let ask_one = v1::GetFiringRequest { name: name.clone() };
    let earlier = network.remote.firing(ask_one).await.expect("readable");
    assert_eq!(earlier.firing.expect("the firing").amended_by, amended.name);
    assert_eq!(
        listed(&network, &bench).await,
        std::slice::from_ref(&amended)
    );
    let mut twice = amend.clone();
    twice.request_id = Uuid::from_u128(4).to_string();
    let refused = network.remote.amend_firing(twice).await;
    let refused = refused.expect_err("the earlier version is not the latest");
    assert_eq!(refused.reason, "AMENDED_ALREADY");
    // The reporting system sends the first version again: it is known.
    let known = network.remote.report_firings(ask).await.expect("known");
    assert_eq!(
        (states(&known), &known.results[0].name),
        (vec![Known], &name)
    );

    let mut never = amend;
    never.name = amended.name;
    never.request_id = Uuid::from_u128(5).to_string();
    if let Some(firing) = never.firing.as_mut() {
        firing.set_outcome(v1::FiringOutcome::Cancelled);
    }
    network.remote.amend_firing(never).await.expect("cancelled");
    assert!(listed(&network, &bench).await.is_empty());
}

#[tokio::test]
async fn a_stream_is_answered_part_by_part_and_ends_at_the_first_that_is_refused() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let part = |first: i64| {
        let firings = (first..first + 10)
            .map(|n| firing(&network, &bench, &format!("F{n}"), 4000 - 8 * n))
            .collect();
        v1::ReportFiringStreamRequest {
            part: Some(report(&bench, firings)),
        }
    };
    let mut bad = part(20);
    if let Some(last) = bad.part.as_mut().and_then(|part| part.firings.last_mut()) {
        last.programme = format!("{}/programmes/none", bench.furnace);
    }
    let parts = vec![part(0), part(10), bad, part(30)];
    let mut client = FiringServiceClient::new(network.channel());
    let answers = client
        .report_firing_stream(futures::stream::iter(parts))
        .await;
    let answers: Vec<_> = answers.expect("a stream").into_inner().collect().await;
    assert_eq!(answers.len(), 3, "nothing after the refusal");
    for answer in &answers[..2] {
        let part = answer.as_ref().expect("recorded").part.as_ref();
        assert_eq!(part.expect("an answer").recorded, 10);
    }
    let fault = answers[2].as_ref().expect_err("refused");
    assert_eq!(fault.code(), tonic::Code::InvalidArgument);
    assert_eq!(listed(&network, &bench).await.len(), 20, "whole parts only");
}

#[tokio::test]
async fn firings_bring_what_is_due_by_use() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let rule = v1::SetScheduleRuleRequest {
        rule: Some(v1::ScheduleRule {
            name: format!("{}/scheduleRules/purge-firing", bench.furnace),
            plan: v1::PlanKind::NoDates.into(),
            after_firings: 5,
            ..v1::ScheduleRule::default()
        }),
        ..v1::SetScheduleRuleRequest::default()
    };
    let set = network.remote.set_schedule_rule(rule).await;
    set.expect("a purge firing after every five firings");
    let due = async || {
        let ask = v1::ListDueTasksRequest {
            parent: bench.site.clone(),
            subject: bench.furnace.clone(),
            tasks: vec![v1::TaskKind::PurgeFiring.into()],
            all: true,
            ..v1::ListDueTasksRequest::default()
        };
        let tasks = network.remote.due_tasks(ask).await.expect("listed").tasks;
        tasks.first().map(v1::DueTask::state)
    };
    let before = due().await;
    let firings = |range: std::ops::Range<i64>| {
        let each = range.map(|n| firing(&network, &bench, &format!("F{n}"), 200 - 24 * n));
        report(&bench, each.collect())
    };
    network.advance_days(20);
    network
        .remote
        .report_firings(firings(0..4))
        .await
        .expect("recorded");
    assert_eq!(due().await, before, "four are not five");
    network
        .remote
        .report_firings(firings(4..6))
        .await
        .expect("recorded");
    let after = due().await.expect("a purge firing is due");
    assert_ne!(Some(after), before);
    assert!(
        matches!(
            after,
            v1::DueState::Due | v1::DueState::DueSoon | v1::DueState::Overdue
        ),
        "{after:?}"
    );
}
