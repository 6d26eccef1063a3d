//! The register of alerts: raised once, updated, escalated in time, closed by what mends the cause.

use jiff::civil::Weekday;
use proptest::prelude::*;

use super::*;
use crate::calendar::Calendar;
use crate::finding::Said;
use crate::refusal::Refusal;
use crate::site::SiteDetails;

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn berlin() -> Calendar {
    Calendar::of(&SiteDetails {
        time_zone: "Europe/Berlin".to_owned(),
        closed_days: vec![Weekday::Saturday, Weekday::Sunday],
        ..SiteDetails::default()
    })
}

/// A calibration due on Friday 2026-11-27: soon from the 20th, late on Saturday, for the manager a day and for
/// quality control three days after it, lapsed after Monday.
fn wanted() -> Wanted {
    let calendar = berlin();
    let start = |text: &str| calendar.start_of(text.parse().expect("a day"));
    Wanted {
        cause: "calibration/sites/porto/furnaces/k2/1".to_owned(),
        kind: AlertKind::CalibrationDue,
        site: SiteId::new("porto").ok(),
        subject: "sites/porto/furnaces/k2".to_owned(),
        stages: vec![
            (Stage::Soon, start("2026-11-20")),
            (Stage::Due, start("2026-11-27")),
            (Stage::Overdue, start("2026-11-28")),
            (Stage::Lapsed, start("2026-12-01")),
        ],
        levels: vec![
            (Level::Manager, start("2026-11-28")),
            (Level::Quality, start("2026-11-30")),
        ],
        urgent: false,
        statement: "K2 is due".to_owned(),
        next_step: "Fire a ring.".to_owned(),
        due_on: "2026-11-27".parse().ok(),
        snooze_limit: Some(start("2026-12-01")),
    }
}

struct Register {
    alerts: Vec<Alert>,
    ids: u32,
}

impl Register {
    fn new() -> Self {
        Self {
            alerts: Vec::new(),
            ids: 0,
        }
    }

    /// Looks at a moment; gives what changed and when to look again.
    fn look(&mut self, wanted: &[Wanted], now: &str) -> (Vec<ChangeKind>, Option<Timestamp>) {
        self.look_at(wanted, at(now))
    }

    fn look_at(
        &mut self,
        wanted: &[Wanted],
        now: Timestamp,
    ) -> (Vec<ChangeKind>, Option<Timestamp>) {
        let ids = &mut self.ids;
        let done = registered(&self.alerts, wanted, &berlin(), now, || {
            *ids += 1;
            AlertId::new(&format!("a{ids}")).expect("an id")
        });
        let mut kinds = Vec::new();
        for change in done.changes {
            kinds.push(change.kind);
            self.put(change);
        }
        (kinds, done.next_at)
    }

    fn put(&mut self, change: AlertChange) {
        self.alerts.retain(|alert| alert.id != change.alert.id);
        self.alerts.push(change.alert);
    }

    fn only(&self) -> &Alert {
        assert_eq!(self.alerts.len(), 1, "{:?}", self.alerts);
        &self.alerts[0]
    }
}

fn said(note: &str) -> Said {
    Said {
        note: note.to_owned(),
        noted_by: "t1".to_owned(),
    }
}

#[test]
fn a_cause_is_raised_once_and_rises_in_time() {
    let mut register = Register::new();
    let wanted = [wanted()];
    // The 20th is a Friday; before its quiet hours end nothing is raised, and the next look is foreseen.
    let (changes, next) = register.look(&wanted, "2026-11-20T05:59:59Z");
    assert_eq!((changes, next), (vec![], Some(at("2026-11-20T06:00:00Z"))));
    let (changes, next) = register.look(&wanted, "2026-11-20T06:00:00Z");
    assert_eq!(changes, [ChangeKind::Raised]);
    assert_eq!(next, Some(at("2026-11-27T06:00:00Z")));
    assert_eq!(register.look(&wanted, "2026-11-22T12:00:00Z").0, []);
    assert_eq!(
        register.look(&wanted, "2026-11-27T06:00:00Z").0,
        [ChangeKind::Updated]
    );
    assert_eq!(
        (register.only().stage, register.only().level),
        (Stage::Due, Level::Technician)
    );
    // Late on Saturday, when nobody is there: Monday morning, for the manager and for quality control.
    assert_eq!(register.look(&wanted, "2026-11-28T12:00:00Z").0, []);
    assert_eq!(
        register.look(&wanted, "2026-11-30T06:00:00Z").0,
        [ChangeKind::Escalated]
    );
    assert_eq!(
        (register.only().stage, register.only().level),
        (Stage::Overdue, Level::Quality)
    );
    let (changes, next) = register.look(&wanted, "2026-12-01T06:00:00Z");
    assert_eq!((changes, next), (vec![ChangeKind::Updated], None));
    assert_eq!(register.only().stage, Stage::Lapsed);
    assert_eq!(register.only().id.as_str(), "a1");
}

#[test]
fn a_late_first_look_raises_it_at_the_level_it_has_reached() {
    let mut register = Register::new();
    let (changes, _) = register.look(&[wanted()], "2026-12-05T12:00:00Z");
    assert_eq!(changes, [ChangeKind::Raised]);
    assert_eq!(
        (register.only().stage, register.only().level),
        (Stage::Lapsed, Level::Quality)
    );
}

#[test]
fn an_alert_closes_when_its_cause_is_gone_and_opens_again_under_the_same_id() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-27T12:00:00Z");
    assert_eq!(
        register.look(&[], "2026-11-27T13:00:00Z").0,
        [ChangeKind::Closed]
    );
    assert!(
        register
            .only()
            .close_reason
            .contains("calibration was recorded"),
        "{:?}",
        register.only()
    );
    assert_eq!(register.look(&[], "2026-11-27T14:00:00Z").0, []);
    // The reading was amended away: the same round is open again.
    assert_eq!(
        register.look(&[wanted()], "2026-11-27T15:00:00Z").0,
        [ChangeKind::Reopened]
    );
    assert_eq!(
        (register.only().state, register.only().closed_at),
        (AlertState::Open, None)
    );
    assert_eq!(register.only().id.as_str(), "a1");
}

#[test]
fn acknowledged_is_not_done() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-27T12:00:00Z");
    let now = at("2026-11-27T13:00:00Z");
    let change = acknowledged(register.only(), &said("tonight"), now).expect("it is open");
    register.put(change);
    assert_eq!(register.look(&[wanted()], "2026-11-27T14:00:00Z").0, []);
    // Late, it opens again and rises.
    assert_eq!(
        register.look(&[wanted()], "2026-11-30T06:00:00Z").0,
        [ChangeKind::Reopened]
    );
    assert_eq!(
        (register.only().state, register.only().level),
        (AlertState::Open, Level::Quality)
    );
    assert_eq!(register.only().note, "tonight");
}

#[test]
fn a_rest_ends_by_itself_and_is_limited() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-24T12:00:00Z");
    let now = at("2026-11-24T13:00:00Z");
    let rest = |register: &Register, until: &str, now| {
        snoozed(register.only(), at(until), &said("ring ordered"), now)
    };
    let refused = |outcome: Result<AlertChange, Refusal>| match outcome {
        Err(Refusal::MayNotRest { why, .. }) => why,
        other => panic!("{other:?}"),
    };
    assert!(refused(rest(&register, "2026-11-25T13:00:01Z", now)).contains("24 hours"));
    assert!(refused(rest(&register, "2026-11-24T13:00:00Z", now)).contains("24 hours"));
    let change = rest(&register, "2026-11-25T12:00:00Z", now).expect("may rest");
    register.put(change);
    let (changes, next) = register.look(&[wanted()], "2026-11-24T14:00:00Z");
    assert_eq!((changes, next), (vec![], Some(at("2026-11-25T12:00:00Z"))));
    assert_eq!(
        register.look(&[wanted()], "2026-11-25T12:00:00Z").0,
        [ChangeKind::Reopened]
    );
    let now = at("2026-11-25T13:00:00Z");
    let change = rest(&register, "2026-11-26T12:00:00Z", now).expect("a second time");
    register.put(change);
    let now = at("2026-11-25T14:00:00Z");
    assert!(refused(rest(&register, "2026-11-26T12:00:00Z", now)).contains("twice"));
}

#[test]
fn no_rest_goes_past_the_end_of_grace_and_none_is_for_a_furnace_outside_tolerance() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-30T12:00:00Z");
    let now = at("2026-11-30T13:00:00Z");
    let late = snoozed(register.only(), at("2026-12-01T12:00:00Z"), &said("x"), now);
    assert!(matches!(late, Err(Refusal::MayNotRest { why, .. }) if why.contains("grace")));
    let outside = Alert {
        snooze_limit: None,
        ..register.only().clone()
    };
    let refused = snoozed(&outside, at("2026-11-30T14:00:00Z"), &said("x"), now);
    assert!(matches!(refused, Err(Refusal::MayNotRest { why, .. }) if why.contains("patients")));
}

#[test]
fn nothing_can_be_said_about_a_closed_alert() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-27T12:00:00Z");
    register.look(&[], "2026-11-27T13:00:00Z");
    let now = at("2026-11-27T14:00:00Z");
    assert!(matches!(
        acknowledged(register.only(), &said(""), now),
        Err(Refusal::AlertClosed { .. })
    ));
    let rest = snoozed(register.only(), at("2026-11-27T15:00:00Z"), &said("x"), now);
    assert!(matches!(rest, Err(Refusal::AlertClosed { .. })));
}

#[test]
fn what_is_urgent_does_not_wait_for_the_morning() {
    let mut register = Register::new();
    let night = at("2026-11-28T23:00:00Z");
    let urgent = Wanted {
        urgent: true,
        stages: vec![(Stage::Overdue, night)],
        levels: vec![(Level::Quality, night)],
        snooze_limit: None,
        ..wanted()
    };
    assert_eq!(
        register.look_at(std::slice::from_ref(&urgent), night).0,
        [ChangeKind::Raised]
    );
    assert_eq!(register.only().level, Level::Quality);
}

#[test]
fn one_whose_day_was_moved_ahead_closes_and_comes_again_then() {
    let mut register = Register::new();
    register.look(&[wanted()], "2026-11-20T12:00:00Z");
    let calendar = berlin();
    let later = Wanted {
        stages: vec![(
            Stage::Soon,
            calendar.start_of("2026-12-04".parse().expect("a day")),
        )],
        ..wanted()
    };
    let (changes, next) = register.look(std::slice::from_ref(&later), "2026-11-21T12:00:00Z");
    assert_eq!((changes, next.is_some()), (vec![ChangeKind::Closed], true));
    assert_eq!(
        register.look(&[later], "2026-12-04T12:00:00Z").0,
        [ChangeKind::Reopened]
    );
    assert_eq!(register.only().id.as_str(), "a1");
}

proptest! {
    /// However often and when it is looked, the same stages and levels are reached in the same order, each
    /// change is told once, and a look at the foreseen moments alone misses nothing.
    #[test]
    fn looking_more_often_changes_nothing(mut moments in prop::collection::vec(0_i64..20 * 86_400, 1..60)) {
        let begin = at("2026-11-18T00:00:00Z").as_second();
        moments.sort_unstable();
        let wanted = [wanted()];
        let mut often = Register::new();
        let mut told = 0;
        for moment in &moments {
            let now = Timestamp::from_second(begin + moment).expect("in range");
            let (changes, _) = often.look_at(&wanted, now);
            told += changes.len();
            let (again, _) = often.look_at(&wanted, now);
            prop_assert_eq!(again, vec![]);
        }
        prop_assert!(told <= 5, "{} changes", told);
        let last = Timestamp::from_second(begin + moments[moments.len() - 1]).expect("in range");
        let mut foreseen = Register::new();
        let mut now = Timestamp::from_second(begin).expect("in range");
        loop {
            let (_, next) = foreseen.look_at(&wanted, now);
            match next {
                Some(next) if next <= last => now = next,
                _ => break,
            }
        }
        let how = |register: &Register| register.alerts.first().map(|a| (a.stage, a.level, a.state));
        prop_assert_eq!(how(&often), how(&foreseen));
    }
}

#[test]
fn every_moment_of_an_alert_comes_back_from_microseconds() {
    let records = NetworkRecords {
        findings: Vec::new(),
        undelivered: vec![Undelivered {
            recipient: "mailSubscriptions/m1".to_owned(),
            site: None,
            is_webhook: false,
            since: at("2026-11-27T08:00:00Z"),
            failure: "refused".to_owned(),
        }],
    };
    let wanted = of_network(&records).pop().expect("it asks for an alert");
    let limit = wanted.snooze_limit.expect("it may rest");
    assert_eq!(
        Timestamp::from_microsecond(limit.as_microsecond()).ok(),
        Some(limit)
    );
}
