//! What is due, as a technician reads it.

use ringtrue_proto::v1::{CalibrationStep, Reason};

use super::*;

fn date(text: &str) -> ringtrue_proto::Date {
    day::sent(text.parse().expect("a day"))
}

fn step(kind: StepKind, state: StepState, due: Option<&str>) -> CalibrationStep {
    CalibrationStep {
        kind: kind.into(),
        state: state.into(),
        due_date: due.map(date),
    }
}

/// K2 was due on a Friday; its ring is fired and waits.
fn calibration() -> DueTask {
    DueTask {
        task: TaskKind::Calibration.into(),
        site: "sites/porto".to_owned(),
        subject: "sites/porto/furnaces/k2".to_owned(),
        site_display_name: "Porto".to_owned(),
        subject_display_name: "K2".to_owned(),
        due_date: Some(date("2026-11-27")),
        grace_end_date: Some(date("2026-11-30")),
        state: DueState::Overdue.into(),
        steps: vec![
            step(StepKind::Fire, StepState::Done, None),
            step(StepKind::Measure, StepState::Open, Some("2026-11-30")),
            step(StepKind::EnterSetpoint, StepState::Later, None),
            step(StepKind::Verify, StepState::NotNeeded, None),
        ],
        reasons: vec![Reason {
            code: "INTERVAL".to_owned(),
            text: "The last ring was fired on 13 November.".to_owned(),
        }],
        next_step: "Measure the ring that waits, and enter it.".to_owned(),
        rule_words: "every 2 weeks on Friday".to_owned(),
        rule: "sites/porto/scheduleRules/calibration".to_owned(),
        last_done_time: Some(prost_types::Timestamp {
            seconds: 1_794_592_800,
            nanos: 0,
        }),
        cautions: vec!["Open the chamber only when it is cold.".to_owned()],
        time_zone: "Europe/Lisbon".to_owned(),
        ..DueTask::default()
    }
}

fn purge() -> DueTask {
    DueTask {
        task: TaskKind::PurgeFiring.into(),
        subject: "sites/porto/furnaces/k1".to_owned(),
        subject_display_name: "By the window".to_owned(),
        due_date: Some(date("2026-12-18")),
        state: DueState::Current.into(),
        steps: Vec::new(),
        last_done_time: None,
        ..calibration()
    }
}

fn view(columns: u16) -> View {
    View {
        now: "2026-11-29T23:30:00Z".parse().expect("a moment"),
        columns,
        colour: false,
        names_sites: false,
        wants_cautions: false,
    }
}

#[test]
fn a_task_says_what_since_when_and_what_to_do_next() {
    let expected = "\
K2: calibration, OVERDUE by 2 days, since Fri 27 Nov
  Do next    Measure the ring that waits, and enter it.
  Steps      fire the ring: done
             measure it cold: now, by tomorrow (Mon 30 Nov)
             enter the setpoint: later
  Why        The last ring was fired on 13 November.
  Grace      until tomorrow (Mon 30 Nov); after that not for patients' work until it is calibrated
  Rule       every 2 weeks on Friday (set for the site)
  Last done  Fri 2026-11-13 18:00 WET
  Record it  ringtrue reading add porto/k2

Later
DUE                      OF                  WHAT          LAST DONE
Fri 18 Dec (in 19 days)  By the window (k1)  purge firing  never, as far as recorded

Mind
!  Open the chamber only when it is cold.
`ringtrue cautions` has the rest.";
    assert_eq!(drawn(&[calibration(), purge()], &view(100)), expected);
}

#[test]
fn a_narrow_terminal_shows_the_same_and_no_line_is_longer_than_it() {
    let drawn = drawn(&[calibration(), purge()], &view(44));
    for line in drawn.lines() {
        assert!(line.chars().count() <= 44, "{line}\nin\n{drawn}");
    }
    for piece in [
        "OVERDUE by 2 days",
        "Do next: Measure the ring",
        "reading add porto/k2",
    ] {
        assert!(drawn.contains(piece), "{piece} in\n{drawn}");
    }
}

#[test]
fn due_states_are_words_and_not_only_colours() {
    let today: Date = "2026-11-30".parse().expect("a day");
    let at = |state: DueState, due: &str| {
        let task = DueTask {
            state: state.into(),
            due_date: Some(date(due)),
            ..calibration()
        };
        when(&task, today)
    };
    assert_eq!(at(DueState::Due, "2026-11-30"), "due today (Mon 30 Nov)");
    assert_eq!(
        at(DueState::DueSoon, "2026-12-04"),
        "due soon: Fri 4 Dec (in 4 days)"
    );
    // A step of the last calibration still waits: that comes first.
    assert_eq!(
        at(DueState::Current, "2026-12-31"),
        "NOT FINISHED; the next one is due Thu 31 Dec (in 31 days)"
    );
    let finished = DueTask {
        state: DueState::Current.into(),
        due_date: Some(date("2026-12-31")),
        steps: Vec::new(),
        ..calibration()
    };
    assert_eq!(when(&finished, today), "due Thu 31 Dec (in 31 days)");
    assert_eq!(
        at(DueState::Overdue, "2026-11-29"),
        "OVERDUE by 1 day, since Sun 29 Nov"
    );
    let coloured = View {
        colour: true,
        ..view(100)
    };
    assert!(drawn(&[calibration()], &coloured).contains("OVERDUE"));
}

#[test]
fn used_up_grace_names_the_consequence() {
    let lapsed = DueTask {
        lapsed: true,
        ..calibration()
    };
    let today: Date = "2026-12-02".parse().expect("a day");
    assert_eq!(
        grace(&lapsed, today),
        "used up: not for patients' work until it is calibrated"
    );
    let not_due = DueTask {
        state: DueState::Due.into(),
        ..calibration()
    };
    assert_eq!(grace(&not_due, today), "");
}

#[test]
fn at_most_three_cautions_are_shown_unless_all_are_wanted() {
    let many = DueTask {
        cautions: (1..=5).map(|n| format!("Caution {n}.")).collect(),
        ..calibration()
    };
    // The same caution of a second task is shown once.
    let shown = drawn(&[many.clone(), many.clone()], &view(100));
    assert_eq!(shown.matches("Caution").count(), 3, "{shown}");
    assert!(shown.contains("2 more with --cautions"), "{shown}");
    let all = View {
        wants_cautions: true,
        ..view(100)
    };
    assert_eq!(drawn(&[many], &all).matches("Caution").count(), 5);
}

#[test]
fn each_step_and_task_names_the_command_that_records_it() {
    let with = |kind: StepKind| {
        let task = DueTask {
            steps: vec![step(kind, StepState::Late, None)],
            ..calibration()
        };
        recording(&task)
    };
    assert_eq!(with(StepKind::Fire), "care ring-fired porto/k2");
    assert_eq!(with(StepKind::Measure), "reading add porto/k2");
    assert_eq!(with(StepKind::EnterSetpoint), "adjustment confirm porto/k2");
    assert_eq!(
        with(StepKind::Verify),
        "reading add porto/k2 --purpose verification"
    );
    assert_eq!(recording(&purge()), "care done purge-firing porto/k1");
    let rings = DueTask {
        task: TaskKind::RingStock.into(),
        subject: "ringBatches/x7".to_owned(),
        ..calibration()
    };
    assert_eq!(recording(&rings), "care rings x7 --left COUNT");
    let gauge = DueTask {
        task: TaskKind::GaugeCheck.into(),
        subject: "sites/porto/gauges/caliper-1".to_owned(),
        ..calibration()
    };
    assert_eq!(recording(&gauge), "gauge check porto/caliper-1");
}

#[test]
fn a_rule_says_where_it_was_set() {
    assert_eq!(set_where(""), "built in");
    assert_eq!(
        set_where("scheduleRules/calibration"),
        "set for the network"
    );
    assert_eq!(
        set_where("sites/porto/scheduleRules/calibration"),
        "set for the site"
    );
    assert_eq!(
        set_where("sites/porto/furnaces/k2/scheduleRules/calibration"),
        "set for this furnace"
    );
}
