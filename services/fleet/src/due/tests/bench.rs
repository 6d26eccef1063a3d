//! An invented site for these tests.

use jiff::Timestamp;
use jiff::civil::{Date, Weekday};
use ringtrue_calibration::decision::Advice;

use crate::act::{Act, ActDetails, ActKind, ActSubject};
use crate::due::{Calibrated, Due, FurnaceRecords, Latest, SiteRecords, due_tasks};
use crate::furnace::FurnaceState;
use crate::key::{ActId, ActKey, FurnaceKey, ProgrammeId, ReadingKey, SiteId};
use crate::reading::Purpose;
use crate::rule::{Rule, RuleBook, RuleDetails, RuleKey, RulePlace};
use crate::site::{Site, SiteDetails};
use crate::task::TaskKind;

pub(super) fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

pub(super) fn day(text: &str) -> Date {
    text.parse().expect("a day")
}

pub(super) fn k2() -> FurnaceKey {
    FurnaceKey::parse("sites/porto/furnaces/k2").expect("a name")
}

/// A site in Lisbon that calibrates on Fridays, every 28 days, closed at the weekend; one furnace added on
/// 2026-01-05.
pub(super) fn records() -> SiteRecords {
    let created = at("2026-01-05T09:00:00Z");
    SiteRecords {
        site: Site::first(
            SiteId::new("porto").expect("an id"),
            SiteDetails {
                display_name: "Porto".to_owned(),
                time_zone: "Europe/Lisbon".to_owned(),
                calibration_day: Some(Weekday::Friday),
                closed_days: vec![Weekday::Saturday, Weekday::Sunday],
                ..SiteDetails::default()
            },
            created,
        ),
        rules: RuleBook::default(),
        furnaces: vec![FurnaceRecords {
            key: k2(),
            display_name: "K2".to_owned(),
            state: FurnaceState::InUse,
            created_at: created,
            calibrated: None,
            latest: None,
            adjusted: None,
            events: Vec::new(),
            acts: Vec::new(),
            fired: Vec::new(),
        }],
        gauges: Vec::new(),
        stocks: Vec::new(),
        findings: Vec::new(),
        last_record_at: created,
    }
}

/// The same with a calibration that leaves nothing to do.
pub(super) fn calibrated(fired_at: &str) -> SiteRecords {
    let mut records = records();
    calibrate(&mut records, fired_at, Advice::Leave);
    records
}

pub(super) fn calibrate(records: &mut SiteRecords, fired_at: &str, advice: Advice) {
    let fired_at = at(fired_at);
    let furnace = &mut records.furnaces[0];
    furnace.calibrated = Some(Calibrated {
        fired_at,
        may_drift: false,
    });
    furnace.latest = Some(Latest {
        reading: ReadingKey::parse("sites/porto/furnaces/k2/readings/r1").expect("a name"),
        programme: ProgrammeId::new("standard").expect("an id"),
        fired_at,
        measured_at: fired_at,
        purpose: Purpose::Routine,
        advice: Some(advice),
        conformance: Some(0.99),
        advised_setpoint_c: Some(1481.0),
        counts: true,
        received_at: fired_at,
        signed: None,
    });
}

pub(super) fn act(kind: ActKind, task: Option<TaskKind>, acted_at: &str) -> Act {
    Act {
        key: ActKey {
            site: SiteId::new("porto").expect("an id"),
            act: ActId::new("a1").expect("an id"),
        },
        details: ActDetails {
            kind: Some(kind),
            task,
            subject: Some(ActSubject::Furnace(k2())),
            acted_at: at(acted_at),
            reason: "no staff".to_owned(),
            chamber_was_empty: true,
            performed_by: String::new(),
        },
        received_at: at(acted_at),
    }
}

pub(super) fn rule(place: RulePlace, task: TaskKind, details: RuleDetails) -> Rule {
    Rule::first(RuleKey { place, task }, details, at("2026-01-01T00:00:00Z"))
}

pub(super) fn network_rule(task: TaskKind, details: RuleDetails) -> RuleBook {
    RuleBook(vec![rule(RulePlace::Network, task, details)])
}

/// What is due of one task.
pub(super) fn due(records: &SiteRecords, task: TaskKind, now: &str) -> Due {
    due_tasks(records, at(now))
        .into_iter()
        .find(|due| due.task == task)
        .expect("the task is on the list")
}
