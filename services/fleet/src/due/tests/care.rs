//! Care tasks, gauge checks and the stock of rings.

use super::bench::{act, at, calibrated, day, due, records};
use crate::act::ActKind;
use crate::due::{DueState, GaugeRecords, StockRecords, due_tasks};
use crate::event::EventKind;
use crate::gauge::GaugeDetails;
use crate::key::{BatchId, GaugeKey};
use crate::rule::{Plan, RuleDetails};
use crate::task::TaskKind;

#[test]
fn a_care_task_is_counted_from_when_it_was_done_or_left_out_last() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    // Four weeks after the furnace was added, a Monday.
    assert_eq!(
        due(&records, TaskKind::PurgeFiring, "2026-01-06T09:00:00Z").due_on,
        day("2026-02-02")
    );
    for kind in [ActKind::Done, ActKind::Skipped] {
        records.furnaces[0].acts = vec![act(
            kind,
            Some(TaskKind::PurgeFiring),
            "2026-01-20T18:00:00Z",
        )];
        let next = due(&records, TaskKind::PurgeFiring, "2026-01-21T09:00:00Z");
        assert_eq!(
            (next.due_on, next.state),
            (day("2026-02-17"), DueState::Current)
        );
    }
}

#[test]
fn a_deferred_task_waits_until_its_day_and_no_longer_once_it_is_done() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    let until = Some(day("2026-02-12"));
    let put_off = act(
        ActKind::Deferred { until },
        Some(TaskKind::PurgeFiring),
        "2026-02-02T10:00:00Z",
    );
    records.furnaces[0].acts = vec![put_off.clone()];
    let waiting = due(&records, TaskKind::PurgeFiring, "2026-02-03T09:00:00Z");
    assert_eq!(
        (waiting.due_on, waiting.state),
        (day("2026-02-12"), DueState::Current)
    );
    assert!(
        waiting.reasons[0].text.contains("no staff"),
        "{:?}",
        waiting.reasons
    );
    let done = act(
        ActKind::Done,
        Some(TaskKind::PurgeFiring),
        "2026-02-04T10:00:00Z",
    );
    records.furnaces[0].acts = vec![done, put_off];
    assert_eq!(
        due(&records, TaskKind::PurgeFiring, "2026-02-05T09:00:00Z").due_on,
        day("2026-03-04")
    );
}

#[test]
fn elements_are_regenerated_after_new_ones_or_discoloured_work_only() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    let listed = |records: &crate::due::SiteRecords| {
        due_tasks(records, at("2026-02-20T09:00:00Z"))
            .into_iter()
            .find(|due| due.task == TaskKind::ElementRegeneration)
    };
    assert_eq!(listed(&records), None);
    for kind in [EventKind::ElementsReplaced, EventKind::DiscolouredWork] {
        records.furnaces[0].events = vec![(kind, at("2026-02-11T10:00:00Z"))];
        let due = listed(&records).expect("due after such an event");
        assert_eq!(
            (due.due_on, due.state),
            (day("2026-02-11"), DueState::Overdue)
        );
    }
    records.furnaces[0].acts = vec![act(
        ActKind::Done,
        Some(TaskKind::ElementRegeneration),
        "2026-02-12T10:00:00Z",
    )];
    assert_eq!(listed(&records), None);
}

#[test]
fn a_task_that_is_switched_off_is_not_listed() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.rules = super::bench::network_rule(
        TaskKind::PurgeFiring,
        RuleDetails {
            plan: Plan::Off,
            ..RuleDetails::built_in(TaskKind::PurgeFiring)
        },
    );
    assert!(
        due_tasks(&records, at("2026-12-01T09:00:00Z"))
            .iter()
            .all(|due| due.task != TaskKind::PurgeFiring)
    );
}

#[test]
fn a_gauge_is_due_when_its_check_goes_out_of_date_moved_to_the_working_day_before() {
    let mut records = records();
    records.gauges = vec![GaugeRecords {
        key: GaugeKey::parse("sites/porto/gauges/c1").expect("a name"),
        details: GaugeDetails {
            display_name: "C1".to_owned(),
            check_interval_days: 90,
            ..GaugeDetails::default()
        },
        created_at: at("2026-01-05T09:00:00Z"),
        checked_at: Some(at("2026-01-12T09:00:00Z")),
    }];
    // 90 days later is Sunday 2026-04-12.
    assert_eq!(
        due(&records, TaskKind::GaugeCheck, "2026-02-01T09:00:00Z").due_on,
        day("2026-04-10")
    );
    records.gauges[0].checked_at = None;
    assert_eq!(
        due(&records, TaskKind::GaugeCheck, "2026-01-06T09:00:00Z").due_on,
        day("2026-01-12")
    );
    records.gauges[0].details.in_use = false;
    assert!(
        due_tasks(&records, at("2026-05-01T09:00:00Z"))
            .iter()
            .all(|due| due.task != TaskKind::GaugeCheck)
    );
}

#[test]
fn rings_are_ordered_before_they_run_out_or_expire() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    let stock = |left_then, fired_since, expires_on| StockRecords {
        batch: BatchId::new("b7").expect("an id"),
        code: "B7".to_owned(),
        expires_on,
        released: true,
        counted_at: at("2026-02-02T09:00:00Z"),
        left_then,
        fired_since,
    };
    // Two rings for one furnace every 28 days: enough for 8 weeks from Monday 2026-02-09.
    records.stocks = vec![stock(3, 1, None)];
    let enough = due(&records, TaskKind::RingStock, "2026-02-10T09:00:00Z");
    assert_eq!(
        (enough.due_on, enough.state),
        (day("2026-03-23"), DueState::Current)
    );
    records.stocks = vec![stock(1, 1, None)];
    let none = due(&records, TaskKind::RingStock, "2026-02-10T09:00:00Z");
    assert_eq!(
        (none.state, none.reasons[0].code),
        (DueState::Overdue, "RINGS_RUN_OUT")
    );
    records.stocks = vec![stock(100, 0, Some(day("2026-03-01")))];
    let expiring = due(&records, TaskKind::RingStock, "2026-02-10T09:00:00Z");
    assert_eq!(
        (expiring.due_on, expiring.reasons[0].code),
        (day("2026-02-13"), "RINGS_EXPIRE")
    );
}
