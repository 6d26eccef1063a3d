//! What is due, what was done about it, and whether a furnace may be used.

use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_remote::Failure;
use ringtrue_tests::bench::{codes, stamp};
use ringtrue_tests::{Bench, Network};

use crate::refusals::{Records, bad_value, missing};
use crate::schedules::day;

async fn started() -> (Network, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    (network, bench)
}

async fn due(network: &Network, parent: &str) -> Vec<v1::DueTask> {
    let ask = v1::ListDueTasksRequest {
        parent: parent.to_owned(),
        page_size: 1000,
        all: true,
        ..v1::ListDueTasksRequest::default()
    };
    network.remote.due_tasks(ask).await.expect("listed").tasks
}

/// The calibration of the bench's furnace.
pub(crate) async fn calibration(network: &Network, bench: &Bench) -> v1::DueTask {
    let all = due(network, &bench.site).await;
    all.into_iter()
        .find(|one| one.task() == v1::TaskKind::Calibration && one.subject == bench.furnace)
        .expect("a furnace in use is to be calibrated")
}

fn act(bench: &Bench, kind: v1::CareActKind, task: v1::TaskKind) -> v1::RecordCareActRequest {
    let act = v1::CareAct {
        kind: kind.into(),
        task: task.into(),
        subject: bench.furnace.clone(),
        performed_by: "t1".to_owned(),
        ..v1::CareAct::default()
    };
    v1::RecordCareActRequest {
        parent: bench.site.clone(),
        act: Some(act),
        ..v1::RecordCareActRequest::default()
    }
}

fn of(ask: &mut v1::RecordCareActRequest) -> &mut v1::CareAct {
    ask.act.as_mut().expect("the request holds an act")
}

async fn refused(network: &Network, bench: &Bench, ask: v1::RecordCareActRequest) -> Failure {
    let before = Records::of(network, bench).await;
    let failure = network
        .remote
        .record_care_act(ask)
        .await
        .expect_err("no act");
    assert_eq!(Records::of(network, bench).await, before);
    *failure
}

const PURGE: v1::TaskKind = v1::TaskKind::PurgeFiring;

#[tokio::test]
async fn what_is_due_is_listed_soonest_first_page_by_page() {
    let (network, first) = started().await;
    network.bench_elsewhere("south", &first).await;
    let all = due(&network, "sites/-").await;
    // Calibration, purge firing, beads and tray of each furnace, and each site's gauge.
    assert_eq!(all.len(), 10);
    let days: Vec<_> = all
        .iter()
        .map(|one| one.due_date.expect("a date"))
        .map(|due| (due.year, due.month, due.day))
        .collect();
    assert!(days.is_sorted(), "{days:?}");
    assert_eq!(all[0].task(), v1::TaskKind::Calibration);
    assert_eq!(all[0].state(), v1::DueState::Due);
    assert_eq!(codes(&all[0].reasons)[0], "NO_BASELINE");
    assert_eq!(all[0].steps.len(), 4);
    assert!(!all[0].cautions.is_empty() && !all[0].next_step.is_empty());
    assert_eq!(all[0].time_zone, "Europe/Lisbon");

    let mut ask = v1::ListDueTasksRequest {
        parent: "sites/-".to_owned(),
        page_size: 3,
        all: true,
        ..v1::ListDueTasksRequest::default()
    };
    let mut paged = Vec::new();
    loop {
        let page = network.remote.due_tasks(ask.clone()).await.expect("a page");
        paged.extend(page.tasks);
        if page.next_page_token.is_empty() {
            break;
        }
        ask.page_token = page.next_page_token;
    }
    assert_eq!(paged, all);
    ask.page_token.clear();
    // Without those that are not due yet, of one kind, of one furnace.
    ask.all = false;
    let now = network
        .remote
        .due_tasks(ask.clone())
        .await
        .expect("listed")
        .tasks;
    assert_eq!(now.len(), 2, "{now:?}");
    ask.all = true;
    ask.tasks = vec![PURGE.into()];
    ask.subject.clone_from(&first.furnace);
    let one = network
        .remote
        .due_tasks(ask.clone())
        .await
        .expect("listed")
        .tasks;
    assert_eq!(one.len(), 1);
    ask.tasks = vec![99];
    let failure = network.remote.due_tasks(ask).await.expect_err("no task");
    bad_value(&failure, "tasks[0]", "UNKNOWN_VALUE", "");
    network.stop().await;
}

#[tokio::test]
async fn care_that_was_done_left_out_or_put_off_moves_its_due_date() {
    let (network, bench) = started().await;
    let mut done = act(&bench, v1::CareActKind::Done, PURGE);
    of(&mut done).chamber_was_empty = true;
    let answer = network
        .remote
        .record_care_act(done)
        .await
        .expect("recorded");
    let kept = answer.act.expect("the act");
    assert!(
        kept.name.starts_with("sites/north/careActs/"),
        "{}",
        kept.name
    );
    assert_eq!(kept.act_time, Some(stamp(network.now())));
    assert_eq!(kept.receive_time, Some(stamp(network.now())));
    // Every four weeks since the last time, from Friday 6 March.
    let next = answer.next.expect("it comes round");
    assert_eq!(next.due_date, Some(day(2026, 4, 3)));
    assert_eq!(next.last_done_time, kept.act_time);

    network.advance_days(28);
    let mut later = act(&bench, v1::CareActKind::Deferred, PURGE);
    of(&mut later).deferred_until_date = Some(day(2026, 4, 17));
    "elements on order".clone_into(&mut of(&mut later).reason);
    let next = network
        .remote
        .record_care_act(later)
        .await
        .expect("recorded")
        .next;
    let next = next.expect("it waits");
    assert_eq!(next.due_date, Some(day(2026, 4, 17)));
    assert_eq!(codes(&next.reasons)[0], "DEFERRED");

    let mut skipped = act(&bench, v1::CareActKind::Skipped, PURGE);
    "furnace not used".clone_into(&mut of(&mut skipped).reason);
    let next = network
        .remote
        .record_care_act(skipped)
        .await
        .expect("recorded")
        .next;
    // Counted from the day on which it was left out, 3 April: Friday 1 May.
    assert_eq!(
        next.expect("it comes round").due_date,
        Some(day(2026, 5, 1))
    );

    let ask = v1::ListCareActsRequest {
        parent: bench.site.clone(),
        page_size: 2,
        subject: bench.furnace.clone(),
        ..v1::ListCareActsRequest::default()
    };
    let page = network.remote.care_acts(ask.clone()).await.expect("listed");
    let kinds: Vec<_> = page.acts.iter().map(v1::CareAct::kind).collect();
    assert_eq!(kinds.len(), 2);
    assert!(!page.next_page_token.is_empty());
    let rest = v1::ListCareActsRequest {
        page_token: page.next_page_token,
        ..ask
    };
    let rest = network.remote.care_acts(rest).await.expect("listed");
    assert_eq!(
        (rest.acts.as_slice(), rest.next_page_token.as_str()),
        (&[kept][..], "")
    );
    network.stop().await;
}

#[tokio::test]
async fn acts_that_cannot_be_are_refused_field_by_field() {
    let (network, bench) = started().await;
    let done = |task| act(&bench, v1::CareActKind::Done, task);
    let failure = refused(&network, &bench, done(v1::TaskKind::Calibration)).await;
    bad_value(
        &failure,
        "act.task",
        "NOT_FOR_CALIBRATIONS",
        "record the reading",
    );
    let failure = refused(&network, &bench, done(v1::TaskKind::GaugeCheck)).await;
    bad_value(
        &failure,
        "act.task",
        "NOT_FOR_THIS_TASK",
        "record the gauge check",
    );
    let failure = refused(&network, &bench, done(v1::TaskKind::Unspecified)).await;
    bad_value(&failure, "act.task", "REQUIRED", "say which task");
    let failure = refused(&network, &bench, done(PURGE)).await;
    bad_value(
        &failure,
        "act.chamber_was_empty",
        "REQUIRED",
        "chamber empty",
    );

    let mut nothing = done(PURGE);
    of(&mut nothing).kind = 0;
    let failure = refused(&network, &bench, nothing).await;
    bad_value(&failure, "act.kind", "REQUIRED", "say what was done");
    let mut ahead = act(
        &bench,
        v1::CareActKind::RingFired,
        v1::TaskKind::Unspecified,
    );
    of(&mut ahead).act_time = Some(stamp(network.now() + SignedDuration::from_hours(30)));
    let failure = refused(&network, &bench, ahead).await;
    bad_value(&failure, "act.act_time", "IN_THE_FUTURE", "check date");
    for (until, reason) in [
        (None, "REQUIRED"),
        (Some(day(2026, 3, 6)), "OUT_OF_RANGE"),
        (Some(day(2026, 4, 7)), "OUT_OF_RANGE"),
        (Some(day(12_026, 4, 1)), "NOT_A_DATE"),
    ] {
        let mut later = act(&bench, v1::CareActKind::Deferred, PURGE);
        of(&mut later).deferred_until_date = until;
        "later".clone_into(&mut of(&mut later).reason);
        let failure = refused(&network, &bench, later).await;
        bad_value(&failure, "act.deferred_until_date", reason, "");
    }
    let mut no_reason = act(&bench, v1::CareActKind::Skipped, PURGE);
    "  ".clone_into(&mut of(&mut no_reason).reason);
    let failure = refused(&network, &bench, no_reason).await;
    assert_eq!(failure.violations[0].field, "act.reason", "{failure:?}");

    let mut elsewhere = act(
        &bench,
        v1::CareActKind::RingFired,
        v1::TaskKind::Unspecified,
    );
    "sites/south/furnaces/k2".clone_into(&mut of(&mut elsewhere).subject);
    let failure = refused(&network, &bench, elsewhere).await;
    bad_value(
        &failure,
        "act.subject",
        "OF_ANOTHER_SITE",
        "does not stand in",
    );
    let mut gone = act(
        &bench,
        v1::CareActKind::RingFired,
        v1::TaskKind::Unspecified,
    );
    "sites/north/furnaces/none".clone_into(&mut of(&mut gone).subject);
    let failure = refused(&network, &bench, gone).await;
    missing(&failure, "sites/north/furnaces/none");
    network.stop().await;
}

#[tokio::test]
async fn counted_use_makes_a_furnace_busy_and_its_calibration_sooner() {
    let network = Network::start().await;
    let bench = network
        .bench_with(|site| site.calibration_interval_days = 28)
        .await;
    network.record(network.ask(&bench, &[19.557; 3])).await;
    // Fired on Thursday 5 March: at most 28 days on, on a Friday.
    let usual = calibration(&network, &bench).await;
    assert_eq!(usual.due_date, Some(day(2026, 3, 27)));
    let mut counted = act(
        &bench,
        v1::CareActKind::UseCounted,
        v1::TaskKind::Unspecified,
    );
    of(&mut counted).from_date = Some(day(2026, 2, 27));
    of(&mut counted).until_date = Some(day(2026, 3, 5));
    of(&mut counted).firings = 21;
    of(&mut counted).hours_hot = 42.0;
    network
        .remote
        .record_care_act(counted.clone())
        .await
        .expect("counted");
    let busy = calibration(&network, &bench).await;
    assert_eq!(busy.due_date, Some(day(2026, 3, 19)));
    assert_eq!(codes(&busy.reasons)[0], "BUSY");
    // Nobody counts any more: after a week dates alone decide, and that is said.
    network.advance_days(8);
    let stale = calibration(&network, &bench).await;
    assert_eq!(stale.due_date, Some(day(2026, 3, 27)));
    assert!(
        codes(&stale.reasons).contains(&"USE_NOT_COUNTED"),
        "{stale:?}"
    );

    of(&mut counted).firings = 701;
    let failure = refused(&network, &bench, counted.clone()).await;
    bad_value(&failure, "act.firings", "OUT_OF_RANGE", "100 firings a day");
    of(&mut counted).until_date = Some(day(2027, 3, 5));
    let failure = refused(&network, &bench, counted).await;
    bad_value(&failure, "act.until_date", "OUT_OF_RANGE", "in the future");
    network.stop().await;
}

#[tokio::test]
async fn a_furnace_is_fit_once_calibrated_and_unfit_when_grace_is_used_up() {
    let (network, bench) = started().await;
    let ask = v1::CheckUseRequest {
        furnace: bench.furnace.clone(),
        programme: bench.programme.clone(),
    };
    let check = async || {
        network
            .remote
            .check_use(ask.clone())
            .await
            .expect("answered")
    };
    let new = check().await;
    assert_eq!(new.state(), v1::UseState::Unfit);
    assert!(new.caution.contains("cannot"), "{}", new.caution);
    assert_eq!(new.as_of_time, Some(stamp(network.now())));

    network.record(network.ask(&bench, &[19.557; 3])).await;
    let calibrated = check().await;
    assert_eq!(
        calibrated.state(),
        v1::UseState::Fit,
        "{:?}",
        calibrated.reasons
    );
    assert_eq!(calibrated.setpoint_c, Some(1500.0));
    let due_task = calibrated.calibration.expect("a due date");
    assert_eq!(due_task.due_date, Some(day(2026, 3, 13)));
    // Two days of grace up to every two weeks: until the end of Sunday 15 March.
    assert_eq!(due_task.grace_end_date, Some(day(2026, 3, 15)));
    network.advance_days(8);
    assert_ne!(check().await.state(), v1::UseState::Unfit);
    network.advance_days(2);
    let lapsed = check().await;
    assert_eq!(lapsed.state(), v1::UseState::Unfit, "{:?}", lapsed.reasons);

    let other = v1::CheckUseRequest {
        furnace: bench.furnace.clone(),
        programme: "sites/north/furnaces/k9/programmes/p1".to_owned(),
    };
    let failure = network
        .remote
        .check_use(other)
        .await
        .expect_err("not its own");
    bad_value(
        &failure,
        "programme",
        "OF_ANOTHER_FURNACE",
        "one of its own",
    );
    let none = v1::CheckUseRequest {
        furnace: "sites/north/furnaces/none".to_owned(),
        programme: String::new(),
    };
    let failure = network.remote.check_use(none).await.expect_err("none");
    missing(&failure, "sites/north/furnaces/none");
    network.stop().await;
}

#[tokio::test]
async fn an_act_sent_again_is_kept_once_and_answered_with_the_first() {
    let (network, bench) = started().await;
    let mut ask = act(
        &bench,
        v1::CareActKind::RingFired,
        v1::TaskKind::Unspecified,
    );
    "0198c0de-0000-7000-8000-000000000001".clone_into(&mut ask.request_id);
    let before = network.audit_length(&bench.site).await;
    let first = network
        .remote
        .record_care_act(ask.clone())
        .await
        .expect("recorded");
    network.advance_h(5);
    let again = network.remote.record_care_act(ask).await.expect("answered");
    assert_eq!(again.act, first.act);
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    network.stop().await;
}

#[tokio::test]
async fn background_work_is_listed_with_what_waits() {
    let network = Network::start_with(|settings| settings.alerts.look_every_s = 1).await;
    network.bench().await;
    let ask = v1::ListBackgroundWorkRequest::default();
    let end = std::time::Instant::now() + ringtrue_tests::process::PATIENCE;
    let alerts = loop {
        let all = network
            .remote
            .background_work(ask)
            .await
            .expect("listed")
            .work;
        let names: Vec<&str> = all.iter().map(|work| work.name.as_str()).collect();
        assert!(names.is_sorted(), "{names:?}");
        let alerts = all.into_iter().find(|work| work.name == "alerts");
        if let Some(alerts) = alerts
            && alerts.waiting_count == 0
        {
            break alerts;
        }
        assert!(std::time::Instant::now() < end, "nobody looked at alerts");
        tokio::task::yield_now().await;
    };
    assert!(alerts.run_count >= 1, "{alerts:?}");
    assert_eq!(
        (alerts.failure_count, alerts.last_failure.as_str()),
        (0, "")
    );
    assert!(
        alerts.last_start_time.is_some() && alerts.last_success_time.is_some(),
        "{alerts:?}"
    );
    network.stop().await;
}
