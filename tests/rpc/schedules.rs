//! Rules of scheduling: set, shown, nearest first, taken away; and what is no rule.

use ringtrue_proto::Date;
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::bench::{site, stamp};
use ringtrue_tests::{Bench, Network};

use crate::refusals::{Records, bad_value, missing};

async fn started() -> (Network, Bench) {
    let network = Network::start().await;
    let bench = network.bench().await;
    (network, bench)
}

pub(crate) fn day(year: i32, month: i32, day: i32) -> Date {
    Date { year, month, day }
}

/// A rule of fixed dates from 2026-03-06, a Friday.
pub(crate) fn fixed(name: &str, recurrence: &str) -> v1::ScheduleRule {
    v1::ScheduleRule {
        name: name.to_owned(),
        plan: v1::PlanKind::FixedDates.into(),
        recurrence: recurrence.to_owned(),
        start_date: Some(day(2026, 3, 6)),
        ..v1::ScheduleRule::default()
    }
}

fn ask(rule: v1::ScheduleRule) -> v1::SetScheduleRuleRequest {
    v1::SetScheduleRuleRequest {
        rule: Some(rule),
        ..v1::SetScheduleRuleRequest::default()
    }
}

pub(crate) async fn set(network: &Network, rule: v1::ScheduleRule) -> v1::ScheduleRule {
    let set = network.remote.set_schedule_rule(ask(rule)).await;
    set.expect("the rule is set").rule.expect("a rule")
}

async fn in_force(network: &Network, name: &str) -> v1::ScheduleRule {
    let ask = v1::GetScheduleRuleRequest {
        name: name.to_owned(),
    };
    let found = network.remote.schedule_rule(ask).await;
    found.expect("a rule holds").rule.expect("a rule")
}

async fn refused(network: &Network, bench: &Bench, rule: v1::ScheduleRule) -> Failure {
    let before = Records::of(network, bench).await;
    let failure = network
        .remote
        .set_schedule_rule(ask(rule))
        .await
        .expect_err("no rule");
    assert_eq!(Records::of(network, bench).await, before);
    *failure
}

#[tokio::test]
async fn the_nearest_rule_holds_and_taken_away_the_next_one_does() {
    let (network, bench) = started().await;
    let name = |place: &str| format!("{place}scheduleRules/calibration");
    let of_furnace = name(&format!("{}/", bench.furnace));
    let of_site = name(&format!("{}/", bench.site));
    let built_in = in_force(&network, &of_furnace).await;
    assert_eq!(
        (
            built_in.plan(),
            built_in.set_at.as_str(),
            built_in.etag.as_str()
        ),
        (v1::PlanKind::SiteInterval, "", "")
    );
    assert!(built_in.basis.contains("common practice, no source"));
    assert!(
        built_in
            .words
            .starts_with("at least every 14 days, on Friday"),
        "{}",
        built_in.words
    );

    set(
        &network,
        fixed(&name(""), "FREQ=WEEKLY;INTERVAL=4;BYDAY=FR"),
    )
    .await;
    set(&network, fixed(&of_site, "FREQ=WEEKLY;INTERVAL=3;BYDAY=FR")).await;
    let nearest = set(
        &network,
        fixed(&of_furnace, "freq=weekly;byday=fr;interval=2"),
    )
    .await;
    assert_eq!(nearest.recurrence, "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR");
    assert_eq!(nearest.task(), v1::TaskKind::Calibration);
    assert_eq!(nearest.set_at, of_furnace);
    assert_eq!(nearest.busy_interval_days, 14);
    assert_eq!(nearest.update_time, Some(stamp(network.now())));
    assert_eq!(in_force(&network, &of_furnace).await, nearest);

    let mut held = Vec::new();
    for own in [of_furnace.clone(), of_site, name("")] {
        let ask = v1::RemoveScheduleRuleRequest {
            name: own,
            ..v1::RemoveScheduleRuleRequest::default()
        };
        let left = network.remote.remove_schedule_rule(ask).await;
        left.expect("taken away").rule.expect("a rule");
        held.push(in_force(&network, &of_furnace).await.recurrence);
    }
    assert_eq!(
        held,
        [
            "FREQ=WEEKLY;INTERVAL=3;BYDAY=FR",
            "FREQ=WEEKLY;INTERVAL=4;BYDAY=FR",
            ""
        ]
    );
    let ask = v1::RemoveScheduleRuleRequest {
        name: of_furnace.clone(),
        ..v1::RemoveScheduleRuleRequest::default()
    };
    let none_left = network.remote.remove_schedule_rule(ask).await;
    missing(&none_left.expect_err("none of its own"), &of_furnace);
    network.stop().await;
}

#[tokio::test]
async fn a_place_lists_one_rule_for_each_of_its_tasks() {
    let (network, bench) = started().await;
    let rule = v1::ScheduleRule {
        name: format!("{}/scheduleRules/purge-firing", bench.site),
        plan: v1::PlanKind::Off.into(),
        ..v1::ScheduleRule::default()
    };
    set(&network, rule).await;
    for (parent, tasks) in [("", 7), (&bench.site, 7), (&bench.furnace, 5)] {
        let ask = v1::ListScheduleRulesRequest {
            parent: parent.to_owned(),
        };
        let rules = network
            .remote
            .schedule_rules(ask)
            .await
            .expect("listed")
            .rules;
        assert_eq!(rules.len(), tasks, "{parent}");
        let off = rules
            .iter()
            .filter(|rule| rule.plan() == v1::PlanKind::Off)
            .count();
        assert_eq!(off, usize::from(!parent.is_empty()), "{parent}");
        for rule in rules {
            assert!(rule.name.starts_with(parent), "{}", rule.name);
            assert!(!rule.words.is_empty(), "{}", rule.name);
            assert_eq!(
                rule.basis.is_empty(),
                !rule.set_at.is_empty(),
                "{}",
                rule.name
            );
        }
    }
    network.stop().await;
}

#[tokio::test]
async fn what_is_no_recurrence_or_leaves_a_furnace_alone_too_long_is_refused_with_what_to_send() {
    let (network, bench) = started().await;
    let name = format!("{}/scheduleRules/calibration", bench.furnace);
    for (recurrence, reason, next_step) in [
        ("", "NOT_A_RECURRENCE", "FREQ"),
        ("FREQ=NEVER", "NOT_A_RECURRENCE", "FREQ"),
        ("FREQ=WEEKLY;INTERVAL=0", "NOT_A_RECURRENCE", "INTERVAL"),
        ("FREQ=YEARLY;INTERVAL=10000", "NOT_A_RECURRENCE", "INTERVAL"),
        (
            "FREQ=MONTHLY;BYMONTH=2;BYMONTHDAY=30",
            "NOT_A_RECURRENCE",
            "check that its parts can be true together",
        ),
        ("FREQ=HOURLY", "NOT_A_RECURRENCE", "DAILY"),
        ("FREQ=WEEKLY;COUNT=4", "ENDS", "leave COUNT and UNTIL out"),
        (
            "FREQ=WEEKLY;INTERVAL=6",
            "AT_LEAST_MONTHLY",
            "at most 35 days apart",
        ),
        (
            "FREQ=MONTHLY;BYMONTHDAY=31",
            "AT_LEAST_MONTHLY",
            "leaves 61 days",
        ),
    ] {
        let failure = refused(&network, &bench, fixed(&name, recurrence)).await;
        bad_value(&failure, "rule.recurrence", reason, next_step);
    }
    let longest = "X".repeat(100_000);
    let failure = refused(&network, &bench, fixed(&name, &longest)).await;
    bad_value(&failure, "rule.recurrence", "NOT_A_RECURRENCE", "");
    assert!(failure.message.len() < 2_000, "{}", failure.message.len());
    for plan in [v1::PlanKind::Off, v1::PlanKind::NoDates] {
        let rule = v1::ScheduleRule {
            name: name.clone(),
            plan: plan.into(),
            ..v1::ScheduleRule::default()
        };
        let failure = refused(&network, &bench, rule).await;
        bad_value(&failure, "rule.plan", "AT_LEAST_MONTHLY", "send dates");
    }
    network.stop().await;
}

#[tokio::test]
async fn every_bad_field_of_a_rule_is_named_at_once() {
    let (network, bench) = started().await;
    let rule = v1::ScheduleRule {
        name: format!("{}/scheduleRules/purge-firing", bench.furnace),
        plan: v1::PlanKind::SiteInterval.into(),
        after_firings: -1,
        after_hours_hot: f64::NAN,
        busy_firings_per_day: 1e9,
        busy_interval_days: 400,
        grace_days: Some(-2),
        lead_days: Some(32),
        verify: true,
        ..v1::ScheduleRule::default()
    };
    let failure = refused(&network, &bench, rule).await;
    for (field, reason) in [
        ("rule.plan", "NOT_FOR_THIS_TASK"),
        ("rule.after_firings", "OUT_OF_RANGE"),
        ("rule.busy_interval_days", "OUT_OF_RANGE"),
        ("rule.grace_days", "OUT_OF_RANGE"),
        ("rule.lead_days", "OUT_OF_RANGE"),
        ("rule.verify", "NOT_WANTED"),
    ] {
        bad_value(&failure, field, reason, "");
    }
    let fields: Vec<&str> = failure
        .violations
        .iter()
        .map(|one| one.field.as_str())
        .collect();
    assert!(fields.contains(&"rule.after_hours_hot"), "{fields:?}");
    assert!(fields.contains(&"rule.busy_firings_per_day"), "{fields:?}");

    let unknown = v1::ScheduleRule {
        name: format!("{}/scheduleRules/calibration", bench.furnace),
        plan: 77,
        shift: -4,
        after_events: vec![99, 0],
        ..v1::ScheduleRule::default()
    };
    let failure = refused(&network, &bench, unknown).await;
    let fields: Vec<&str> = failure
        .violations
        .iter()
        .map(|one| one.field.as_str())
        .collect();
    assert_eq!(
        fields,
        [
            "rule.plan",
            "rule.shift",
            "rule.after_events[0]",
            "rule.after_events[1]"
        ]
    );
    network.stop().await;
}

#[tokio::test]
async fn a_rule_of_no_task_or_for_a_place_that_is_not_there_is_refused() {
    let (network, bench) = started().await;
    for (name, next_step) in [
        ("", "calibration, purge-firing"),
        ("scheduleRules/polishing", "calibration, purge-firing"),
        ("sites/north/scheduleRules/", "calibration, purge-firing"),
    ] {
        let failure = refused(&network, &bench, fixed(name, "FREQ=WEEKLY")).await;
        bad_value(&failure, "rule.name", "NOT_A_NAME", next_step);
    }
    let of_furnace = format!("{}/scheduleRules/gauge-check", bench.furnace);
    let rule = v1::ScheduleRule {
        name: of_furnace,
        plan: v1::PlanKind::SiteInterval.into(),
        ..v1::ScheduleRule::default()
    };
    let failure = refused(&network, &bench, rule).await;
    bad_value(
        &failure,
        "rule.name",
        "NOT_OF_A_FURNACE",
        "for the site or the network",
    );
    for place in ["sites/none", "sites/north/furnaces/none"] {
        let name = format!("{place}/scheduleRules/calibration");
        let failure = refused(&network, &bench, fixed(&name, "FREQ=WEEKLY")).await;
        missing(&failure, place);
        let ask = v1::GetScheduleRuleRequest { name };
        let failure = network
            .remote
            .schedule_rule(ask)
            .await
            .expect_err("nowhere");
        missing(&failure, place);
    }
    network.stop().await;
}

#[tokio::test]
async fn a_rule_set_twice_with_one_request_id_is_set_once_and_another_is_refused() {
    let (network, bench) = started().await;
    let name = format!("{}/scheduleRules/calibration", bench.site);
    let mut first = ask(fixed(&name, "FREQ=WEEKLY;BYDAY=FR"));
    "0198c0de-0000-7000-8000-000000000001".clone_into(&mut first.request_id);
    let before = network.audit_length(&bench.site).await;
    let set = network
        .remote
        .set_schedule_rule(first.clone())
        .await
        .expect("set");
    network.advance_days(1);
    let again = network
        .remote
        .set_schedule_rule(first.clone())
        .await
        .expect("answered");
    assert_eq!(again, set);
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    first.rule = Some(fixed(&name, "FREQ=WEEKLY;BYDAY=TH"));
    let other = network
        .remote
        .set_schedule_rule(first)
        .await
        .expect_err("other content");
    assert_eq!(
        (other.code, other.reason.as_str()),
        (Code::AlreadyExists, "REQUEST_ID_REUSED")
    );
    network.stop().await;
}

#[tokio::test]
async fn a_site_in_no_zone_of_this_world_is_refused_with_one_that_is() {
    let (network, bench) = started().await;
    for zone in ["", "Mars/Olympus", "Europe/../Lisbon", "+01:00", "EST"] {
        let before = Records::of(&network, &bench).await;
        let ask = v1::CreateSiteRequest {
            site: Some(v1::Site {
                time_zone: zone.to_owned(),
                ..site()
            }),
            site_id: "south".to_owned(),
            ..v1::CreateSiteRequest::default()
        };
        let failure = network.remote.create_site(ask).await.expect_err("no zone");
        bad_value(
            &failure,
            "site.time_zone",
            "UNKNOWN_TIME_ZONE",
            "`Europe/Lisbon`",
        );
        assert_eq!(Records::of(&network, &bench).await, before, "{zone}");
    }
    network.stop().await;
}

#[tokio::test]
async fn a_new_rule_moves_the_due_date_and_the_alert_at_the_next_look() {
    let (network, bench) = started().await;
    network.record(network.ask(&bench, &[19.557; 3])).await;
    let due = |task: v1::DueTask| task.due_date.expect("a date");
    // Fired on Thursday 5 March, the calibration day is a Friday, the interval 14 days.
    let by_interval = crate::care::calibration(&network, &bench).await;
    assert_eq!(due(by_interval), day(2026, 3, 13));
    let name = format!("{}/scheduleRules/calibration", bench.furnace);
    let mut rule = fixed(&name, "FREQ=DAILY;INTERVAL=20");
    rule.shift = v1::ClosedDayShift::After.into();
    rule.grace_days = Some(0);
    set(&network, rule).await;
    let by_rule = crate::care::calibration(&network, &bench).await;
    // Done the day before the plan's first day, which it serves; the next is Thursday 26 March.
    assert_eq!(by_rule.rule, name);
    assert_eq!(by_rule.grace_end_date, Some(day(2026, 3, 26)));
    assert_eq!(due(by_rule), day(2026, 3, 26));
    network.stop().await;
}

#[tokio::test]
async fn a_rule_that_somebody_else_changed_meanwhile_is_not_overwritten_unseen() {
    let (network, bench) = started().await;
    let name = format!("{}/scheduleRules/calibration", bench.site);
    let seen = set(&network, fixed(&name, "FREQ=WEEKLY;BYDAY=FR")).await;
    set(&network, fixed(&name, "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR")).await;
    let late = v1::ScheduleRule {
        etag: seen.etag,
        ..fixed(&name, "FREQ=WEEKLY;INTERVAL=3;BYDAY=FR")
    };
    let failure = refused(&network, &bench, late.clone()).await;
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Aborted, "STALE_ETAG")
    );
    let present = in_force(&network, &name).await;
    let fresh = v1::ScheduleRule {
        etag: present.etag,
        ..late
    };
    let changed = set(&network, fresh).await;
    assert_eq!(changed.recurrence, "FREQ=WEEKLY;INTERVAL=3;BYDAY=FR");
    // The furnace has no rule of its own, and says so.
    let of_furnace = format!("{}/scheduleRules/calibration", bench.furnace);
    assert_eq!(in_force(&network, &of_furnace).await.etag, "");
}
