//! Calibrations: their day, their four steps, and what brings them forward.

use ringtrue_calibration::decision::Advice;

use super::bench::{act, at, calibrate, calibrated, day, due, network_rule, records};
use crate::act::{ActKind, Use};
use crate::due::{Adjusted, DueState, StepKind, StepState, due_tasks};
use crate::event::EventKind;
use crate::furnace::FurnaceState;
use crate::key::ProgrammeId;
use crate::rule::RuleDetails;
use crate::task::TaskKind;

const CALIBRATION: TaskKind = TaskKind::Calibration;

fn step(due: &crate::due::Due, kind: StepKind) -> StepState {
    due.steps
        .iter()
        .find(|step| step.kind == kind)
        .expect("a calibration has four steps")
        .state
}

#[test]
fn a_new_furnace_is_due_at_once_and_says_why() {
    let due = due(&records(), CALIBRATION, "2026-01-05T12:00:00Z");
    assert_eq!((due.due_on, due.state), (day("2026-01-05"), DueState::Due));
    assert_eq!(due.reasons[0].code, "NO_BASELINE");
}

#[test]
fn the_states_follow_the_local_days_around_the_due_date() {
    // Fired on Friday 2026-02-06: due on Friday 2026-03-06, soon from seven days before, 3 days of grace.
    let records = calibrated("2026-02-06T18:00:00Z");
    let state = |now| {
        let due = due(&records, CALIBRATION, now);
        (due.state, due.lapsed)
    };
    assert_eq!(state("2026-02-26T23:59:00Z"), (DueState::Current, false));
    assert_eq!(state("2026-02-27T00:00:00Z"), (DueState::DueSoon, false));
    assert_eq!(state("2026-03-06T00:00:00Z"), (DueState::Due, false));
    assert_eq!(state("2026-03-06T23:59:59Z"), (DueState::Due, false));
    assert_eq!(state("2026-03-07T00:00:00Z"), (DueState::Overdue, false));
    assert_eq!(state("2026-03-09T23:59:59Z"), (DueState::Overdue, false));
    assert_eq!(state("2026-03-10T00:00:00Z"), (DueState::Overdue, true));
}

#[test]
fn a_ring_fired_on_the_due_friday_and_measured_on_monday_is_never_late() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.furnaces[0].acts = vec![act(
        ActKind::RingFired,
        Some(CALIBRATION),
        "2026-03-06T19:00:00Z",
    )];
    let monday = due(&records, CALIBRATION, "2026-03-09T09:00:00Z");
    assert_eq!(monday.state, DueState::Due);
    assert_eq!(step(&monday, StepKind::Fire), StepState::Done);
    assert_eq!(step(&monday, StepKind::Measure), StepState::Open);
    // Not measured on Monday either: late.
    let tuesday = due(&records, CALIBRATION, "2026-03-10T09:00:00Z");
    assert_eq!(
        (tuesday.state, step(&tuesday, StepKind::Measure)),
        (DueState::Overdue, StepState::Late)
    );
    // Measured, the firing counts for its Friday: the next one is four weeks after it.
    calibrate(&mut records, "2026-03-06T20:30:00Z", Advice::Leave);
    let after = due(&records, CALIBRATION, "2026-03-09T10:00:00Z");
    assert_eq!(
        (after.due_on, after.state),
        (day("2026-04-03"), DueState::Current)
    );
}

#[test]
fn a_ring_fired_late_gets_no_more_time_and_one_never_measured_is_given_up() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.furnaces[0].acts = vec![act(
        ActKind::RingFired,
        Some(CALIBRATION),
        "2026-03-09T19:00:00Z",
    )];
    let tuesday = due(&records, CALIBRATION, "2026-03-10T09:00:00Z");
    assert_eq!(
        (tuesday.due_on, tuesday.state),
        (day("2026-03-06"), DueState::Overdue)
    );
    let much_later = due(&records, CALIBRATION, "2026-03-25T09:00:00Z");
    assert_eq!(step(&much_later, StepKind::Fire), StepState::Late);
}

#[test]
fn an_advised_setpoint_waits_until_it_is_entered() {
    let mut records = records();
    calibrate(&mut records, "2026-02-06T18:00:00Z", Advice::Adjust);
    let friday = due(&records, CALIBRATION, "2026-02-06T19:00:00Z");
    assert_eq!(step(&friday, StepKind::EnterSetpoint), StepState::Open);
    let saturday = due(&records, CALIBRATION, "2026-02-07T09:00:00Z");
    assert_eq!(step(&saturday, StepKind::EnterSetpoint), StepState::Late);
    records.furnaces[0].adjusted = Some(Adjusted {
        at: at("2026-02-06T19:30:00Z"),
        programme: ProgrammeId::new("standard").expect("an id"),
        setpoint_c: 1481.0,
    });
    let done = due(&records, CALIBRATION, "2026-02-07T09:00:00Z");
    assert_eq!(step(&done, StepKind::EnterSetpoint), StepState::Done);
    assert_eq!(step(&done, StepKind::Verify), StepState::NotNeeded);
}

#[test]
fn a_rule_that_asks_for_it_wants_a_second_ring_after_a_changed_setpoint() {
    let mut records = records();
    calibrate(&mut records, "2026-02-06T18:00:00Z", Advice::Adjust);
    records.rules = network_rule(
        CALIBRATION,
        RuleDetails {
            verify: true,
            ..RuleDetails::built_in(CALIBRATION)
        },
    );
    records.furnaces[0].adjusted = Some(Adjusted {
        at: at("2026-02-06T19:30:00Z"),
        programme: ProgrammeId::new("standard").expect("an id"),
        setpoint_c: 1481.0,
    });
    let waiting = due(&records, CALIBRATION, "2026-02-07T09:00:00Z");
    assert_eq!(step(&waiting, StepKind::Verify), StepState::Open);
    calibrate(&mut records, "2026-02-09T18:00:00Z", Advice::Leave);
    let verified = due(&records, CALIBRATION, "2026-02-10T09:00:00Z");
    assert_eq!(step(&verified, StepKind::Verify), StepState::Done);
}

#[test]
fn an_event_after_the_last_ring_makes_it_due_that_day_and_one_before_does_not() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.furnaces[0].events = vec![(EventKind::ElementsReplaced, at("2026-02-11T10:00:00Z"))];
    let after = due(&records, CALIBRATION, "2026-02-11T12:00:00Z");
    assert_eq!(
        (after.due_on, after.state),
        (day("2026-02-11"), DueState::Due)
    );
    assert_eq!(after.reasons[0].code, "EVENT_SINCE_CHECK");
    records.furnaces[0].events = vec![(EventKind::ElementsReplaced, at("2026-02-01T10:00:00Z"))];
    assert_eq!(
        due(&records, CALIBRATION, "2026-02-11T12:00:00Z").due_on,
        day("2026-03-06")
    );
    // What the rule does not name changes nothing.
    records.furnaces[0].events = vec![(EventKind::MainsWork, at("2026-02-11T10:00:00Z"))];
    assert_eq!(
        due(&records, CALIBRATION, "2026-02-11T12:00:00Z").due_on,
        day("2026-03-06")
    );
}

#[test]
fn a_busy_furnace_is_due_after_two_weeks_as_long_as_its_firings_are_counted() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    let counted = |firings| {
        act(
            ActKind::UseCounted(Use {
                from: day("2026-02-09"),
                until: day("2026-02-13"),
                firings,
                hours_hot: 30.0,
            }),
            None,
            "2026-02-13T18:00:00Z",
        )
    };
    records.furnaces[0].acts = vec![counted(15)];
    let busy = due(&records, CALIBRATION, "2026-02-14T09:00:00Z");
    assert_eq!(
        (busy.due_on, busy.reasons[0].code),
        (day("2026-02-20"), "BUSY")
    );
    records.furnaces[0].acts = vec![counted(5)];
    assert_eq!(
        due(&records, CALIBRATION, "2026-02-14T09:00:00Z").due_on,
        day("2026-03-06")
    );
    // Nothing counted for more than a week: dates alone decide, and it is said.
    records.furnaces[0].acts = vec![counted(15)];
    let stale = due(&records, CALIBRATION, "2026-02-21T09:00:00Z");
    assert_eq!(stale.due_on, day("2026-03-06"));
    assert!(
        stale
            .reasons
            .iter()
            .any(|reason| reason.code == "USE_NOT_COUNTED"),
        "{:?}",
        stale.reasons
    );
}

#[test]
fn counted_firings_or_hours_make_it_due_on_the_day_that_reached_the_limit() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.rules = network_rule(
        CALIBRATION,
        RuleDetails {
            after_firings: 20,
            ..RuleDetails::built_in(CALIBRATION)
        },
    );
    let counted = |from, until, firings, at| {
        act(
            ActKind::UseCounted(Use {
                from: day(from),
                until: day(until),
                firings,
                hours_hot: 4.0,
            }),
            None,
            at,
        )
    };
    records.furnaces[0].acts = vec![
        counted("2026-02-09", "2026-02-20", 12, "2026-02-20T18:00:00Z"),
        counted("2026-02-21", "2026-02-26", 8, "2026-02-26T18:00:00Z"),
        // Before the last ring: does not count.
        counted("2026-01-20", "2026-02-05", 50, "2026-02-05T18:00:00Z"),
    ];
    let used = due(&records, CALIBRATION, "2026-02-26T19:00:00Z");
    assert_eq!(
        (used.due_on, used.reasons[0].code),
        (day("2026-02-26"), "USED")
    );
}

#[test]
fn readings_that_speak_for_a_drift_or_ask_again_bring_the_next_ring_forward() {
    let mut records = calibrated("2026-02-06T18:00:00Z");
    records.furnaces[0]
        .calibrated
        .as_mut()
        .expect("calibrated")
        .may_drift = true;
    assert_eq!(
        due(&records, CALIBRATION, "2026-02-07T09:00:00Z").due_on,
        day("2026-02-13")
    );
    calibrate(&mut records, "2026-02-06T18:00:00Z", Advice::FireAgain);
    let again = due(&records, CALIBRATION, "2026-02-07T09:00:00Z");
    assert_eq!(
        (again.due_on, again.reasons[0].code),
        (day("2026-02-09"), "FIRE_AGAIN")
    );
}

#[test]
fn out_of_service_or_retired_nothing_is_due() {
    for state in [FurnaceState::InService, FurnaceState::Retired] {
        let mut records = calibrated("2026-02-06T18:00:00Z");
        records.furnaces[0].state = state;
        assert_eq!(due_tasks(&records, at("2026-12-01T09:00:00Z")), Vec::new());
    }
}

#[test]
fn the_same_records_and_moment_give_the_same() {
    let records = calibrated("2026-02-06T18:00:00Z");
    let now = at("2026-03-07T09:00:00Z");
    assert_eq!(due_tasks(&records, now), due_tasks(&records, now));
}
