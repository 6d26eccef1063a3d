//! What asks for an alert now, with the moments at which it becomes more pressing and rises.
//!
//! A cause names what raised it down to the round it belongs to: a calibration's alert is that of the time
//! since the firing before. So a cause is alerted once, however often it is looked at.

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_calibration::decision::Advice;

use super::{AlertKind, Level, Stage};
use crate::calendar::{Calendar, plus};
use crate::due::{
    Due, DueSubject, FurnaceRecords, OpenFinding, SiteRecords, setpoint_waiting,
    verification_waiting, waiting_since,
};
use crate::furnace::FurnaceState;
use crate::key::SiteId;
use crate::rule::InForce;
use crate::site::SiteDetails;
use crate::task::TaskKind;

/// A cause that asks for an alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// What raised it.
    pub cause: String,
    /// What it is about.
    pub kind: AlertKind,
    /// Its site; none for what the network shares.
    pub site: Option<SiteId>,
    /// Resource name of what it is about.
    pub subject: String,
    /// From when it is how pressing, in order; nothing before the first.
    pub stages: Vec<(Stage, Timestamp)>,
    /// From when it is for whom, in order; for technicians from the start.
    pub levels: Vec<(Level, Timestamp)>,
    /// Whether it is raised and rises at once, in quiet hours too.
    pub urgent: bool,
    /// What is the matter.
    pub statement: String,
    /// What to do next.
    pub next_step: String,
    /// Day by which it was or is due.
    pub due_on: Option<Date>,
    /// Up to when it may be snoozed; none for not at all.
    pub snooze_limit: Option<Timestamp>,
}

/// Mail that does not get through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undelivered {
    /// Resource name of the subscription or webhook.
    pub recipient: String,
    /// Its site; none for the whole network.
    pub site: Option<SiteId>,
    /// Whether it is a webhook.
    pub is_webhook: bool,
    /// Since when it fails.
    pub since: Timestamp,
    /// What was said last.
    pub failure: String,
}

/// What bears on the alerts that no site has alone.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NetworkRecords {
    /// Findings about what the network shares.
    pub findings: Vec<OpenFinding>,
    /// Mail to recipients of the whole network that does not get through.
    pub undelivered: Vec<Undelivered>,
}

/// Below this probability of being within tolerance a furnace was found outside (JCGM 106:2012, 7.3; the
/// limit is the usual 5 %).
const OUTSIDE_BELOW: f64 = 0.05;

/// Up to when an alert without a date may rest, which is at any time: 9999-12-30. The very last moment of the
/// calendar would not come back from the microseconds in which moments are kept.
pub(super) const AT_ANY_TIME: Timestamp = Timestamp::constant(253_402_128_000, 0);

/// What asks for an alert at a site. `dues` are those of the same records and moment.
pub fn of_site(records: &SiteRecords, dues: &[Due], undelivered: &[Undelivered]) -> Vec<Wanted> {
    let calendar = Calendar::of(&records.site.details);
    let at = At {
        records,
        site: &records.site.details,
        calendar: &calendar,
    };
    let mut all: Vec<Wanted> = dues.iter().map(|due| at.due(due)).collect();
    for furnace in &records.furnaces {
        if furnace.state == FurnaceState::InUse {
            at.of_furnace(furnace, &mut all);
        }
    }
    for finding in &records.findings {
        all.push(at.finding(finding));
    }
    all.extend(at.silence());
    for failing in undelivered {
        all.push(undeliverable(failing, Some(&records.site.key)));
    }
    all
}

/// What asks for an alert in the network as a whole.
pub fn of_network(records: &NetworkRecords) -> Vec<Wanted> {
    let mut all = Vec::new();
    for finding in &records.findings {
        all.push(Wanted {
            cause: format!("finding/{}", finding.id),
            kind: AlertKind::Finding,
            site: None,
            subject: finding.id.name(),
            stages: vec![(Stage::Due, finding.first_seen_at)],
            levels: vec![(Level::Quality, finding.first_seen_at)],
            urgent: false,
            statement: finding.statement.clone(),
            next_step: finding.next_step.clone(),
            due_on: None,
            snooze_limit: Some(AT_ANY_TIME),
        });
    }
    for failing in &records.undelivered {
        all.push(undeliverable(failing, None));
    }
    all
}

/// A site while its causes are gathered.
struct At<'a> {
    records: &'a SiteRecords,
    site: &'a SiteDetails,
    calendar: &'a Calendar,
}

impl At<'_> {
    fn wanted(&self, cause: String, kind: AlertKind, subject: String) -> Wanted {
        Wanted {
            cause,
            kind,
            site: Some(self.records.site.key.clone()),
            subject,
            stages: Vec::new(),
            levels: Vec::new(),
            urgent: false,
            statement: String::new(),
            next_step: String::new(),
            due_on: None,
            snooze_limit: None,
        }
    }

    /// Rises from technicians to the manager and to quality control, so many days after a day.
    fn levels_after(&self, day: Date) -> Vec<(Level, Timestamp)> {
        vec![
            (
                Level::Manager,
                self.calendar
                    .start_of(plus(day, self.site.manager_after_days)),
            ),
            (
                Level::Quality,
                self.calendar
                    .start_of(plus(day, self.site.quality_after_days)),
            ),
        ]
    }

    /// Due on a day and late after it.
    fn stages_of_day(&self, day: Date, from: Timestamp) -> Vec<(Stage, Timestamp)> {
        vec![
            (Stage::Due, from),
            (Stage::Overdue, self.calendar.end_of(day).max(from)),
        ]
    }

    fn due(&self, due: &Due) -> Wanted {
        let round = due.last_done_at.map_or(0, Timestamp::as_second);
        let kind = match due.task {
            TaskKind::Calibration => AlertKind::CalibrationDue,
            TaskKind::GaugeCheck => AlertKind::GaugeCheckDue,
            TaskKind::RingStock => AlertKind::RingStock,
            _ => AlertKind::CareDue,
        };
        let subject = due.subject.name();
        let place = match &due.subject {
            DueSubject::Rings(_) => format!("{}/{subject}", self.records.site.key.name()),
            _ => subject.clone(),
        };
        let start = |day| self.calendar.start_of(day);
        let mut stages = vec![
            (Stage::Soon, start(due.soon_on.min(due.due_on))),
            (Stage::Due, start(due.due_on)),
            (Stage::Overdue, start(plus(due.due_on, 1))),
        ];
        if due.task == TaskKind::Calibration {
            stages.push((Stage::Lapsed, self.calendar.end_of(due.grace_ends_on)));
        }
        let name = &due.subject_display_name;
        let day = weekday_and(due.due_on);
        let reason = due
            .reasons
            .first()
            .map_or("", |reason| reason.text.as_str());
        let (verb, what) = match due.task {
            TaskKind::RingStock => ("Rings of batch", "are to be ordered by"),
            TaskKind::GaugeCheck => ("Gauge", "is to be checked by"),
            _ => ("", "is due by"),
        };
        let statement = match due.task {
            TaskKind::RingStock | TaskKind::GaugeCheck => {
                format!("{verb} {name} {what} {day}. {reason}")
            }
            task => format!("{name}: {} {what} {day}. {reason}", task.words()),
        };
        Wanted {
            stages,
            levels: self.levels_after(due.due_on),
            statement: statement.trim_end().to_owned(),
            next_step: due_next_step(due),
            due_on: Some(due.due_on),
            snooze_limit: Some(self.calendar.end_of(due.grace_ends_on)),
            ..self.wanted(
                format!("{}/{place}/{round}", due.task.word()),
                kind,
                subject,
            )
        }
    }

    fn of_furnace(&self, furnace: &FurnaceRecords, all: &mut Vec<Wanted>) {
        all.extend(self.ring(furnace));
        all.extend(self.setpoint(furnace));
        all.extend(self.verification(furnace));
        all.extend(self.outside(furnace));
    }

    fn ring(&self, furnace: &FurnaceRecords) -> Option<Wanted> {
        let fired_at = waiting_since(furnace)?;
        let fired_on = self.calendar.day_of(fired_at);
        let measure_by = self.calendar.next_open(fired_on);
        Some(Wanted {
            stages: self.stages_of_day(measure_by, self.calendar.start_of(measure_by)),
            levels: self.levels_after(measure_by),
            statement: format!(
                "A ring fired in {} on {} waits to be measured.",
                furnace.display_name,
                weekday_and(fired_on)
            ),
            next_step: "Measure it when it is cold, and record the reading.".to_owned(),
            due_on: Some(measure_by),
            snooze_limit: Some(self.calendar.end_of(plus(measure_by, 3))),
            ..self.wanted(
                format!("ring/{}/{}", furnace.key.name(), fired_at.as_second()),
                AlertKind::RingWaiting,
                furnace.key.name(),
            )
        })
    }

    fn setpoint(&self, furnace: &FurnaceRecords) -> Option<Wanted> {
        let latest = setpoint_waiting(furnace)?;
        let measured_on = self.calendar.day_of(latest.measured_at);
        let setpoint = latest
            .advised_setpoint_c
            .map_or_else(String::new, |c| format!(" of {c} °C"));
        Some(Wanted {
            stages: self.stages_of_day(measured_on, latest.measured_at),
            levels: self.levels_after(measured_on),
            statement: format!(
                "The advised setpoint{setpoint} was not entered on {} (reading of {}).",
                furnace.display_name,
                weekday_and(self.calendar.day_of(latest.fired_at))
            ),
            next_step:
                "Enter it before the next work for patients is fired, read it back and confirm it."
                    .to_owned(),
            due_on: Some(measured_on),
            snooze_limit: Some(self.calendar.end_of(plus(measured_on, 3))),
            ..self.wanted(
                format!("setpoint/{}", latest.reading.name()),
                AlertKind::SetpointWaiting,
                furnace.key.name(),
            )
        })
    }

    fn verification(&self, furnace: &FurnaceRecords) -> Option<Wanted> {
        let rule = InForce::of(self.records, furnace, TaskKind::Calibration);
        let adjusted_at = verification_waiting(furnace, &rule)?;
        let verify_by = self.calendar.next_open(self.calendar.day_of(adjusted_at));
        Some(Wanted {
            stages: self.stages_of_day(verify_by, adjusted_at),
            levels: self.levels_after(verify_by),
            statement: format!(
                "The changed setpoint of {} is to be verified by {}.",
                furnace.display_name,
                weekday_and(verify_by)
            ),
            next_step:
                "Fire a second ring with the new setpoint and record the reading as a verification."
                    .to_owned(),
            due_on: Some(verify_by),
            snooze_limit: Some(self.calendar.end_of(plus(verify_by, 3))),
            ..self.wanted(
                format!("verify/{}/{}", furnace.key.name(), adjusted_at.as_second()),
                AlertKind::VerificationWaiting,
                furnace.key.name(),
            )
        })
    }

    /// A furnace whose latest reading, with the setpoint still in force, lies outside tolerance.
    fn outside(&self, furnace: &FurnaceRecords) -> Option<Wanted> {
        let latest = furnace.latest.as_ref()?;
        let conformance = latest
            .conformance
            .filter(|p| latest.counts && *p < OUTSIDE_BELOW)?;
        let mended = furnace.adjusted.as_ref().is_some_and(|adjusted| {
            adjusted.at >= latest.fired_at && adjusted.programme == latest.programme
        });
        if mended || latest.advice == Some(Advice::FireAgain) {
            return None;
        }
        Some(Wanted {
            stages: vec![(Stage::Overdue, latest.measured_at)],
            levels: vec![(Level::Quality, latest.measured_at)],
            urgent: true,
            statement: format!(
                "{} was found outside tolerance on {}: {:.0} % likely within it.",
                furnace.display_name,
                weekday_and(self.calendar.day_of(latest.fired_at)),
                100.0 * conformance
            ),
            next_step: format!(
                "Fire no work for patients until the setpoint is mended. Work sintered since the last good calibration \
                 is for a qualified person to review against the material maker's instructions; `ringtrue exposure \
                 assess {}` estimates how hot each firing was.",
                furnace.key.furnace
            ),
            ..self.wanted(
                format!("outside/{}", latest.reading.name()),
                AlertKind::OutOfTolerance,
                furnace.key.name(),
            )
        })
    }

    fn finding(&self, finding: &OpenFinding) -> Wanted {
        let seen_on = self.calendar.day_of(finding.first_seen_at);
        Wanted {
            stages: vec![(Stage::Due, finding.first_seen_at)],
            levels: self.levels_after(seen_on),
            statement: finding.statement.clone(),
            next_step: finding.next_step.clone(),
            snooze_limit: Some(AT_ANY_TIME),
            ..self.wanted(
                format!("finding/{}", finding.id),
                AlertKind::Finding,
                finding.id.name(),
            )
        }
    }

    fn silence(&self) -> Option<Wanted> {
        let works = self
            .records
            .furnaces
            .iter()
            .any(|furnace| furnace.state == FurnaceState::InUse);
        let last = self.records.last_record_at;
        let last_on = self.calendar.day_of(last);
        let from = self
            .calendar
            .start_of(plus(last_on, self.site.silent_after_days));
        works.then(|| Wanted {
            stages: vec![(Stage::Overdue, from)],
            levels: vec![
                (Level::Manager, from),
                (
                    Level::Quality,
                    self.calendar.start_of(plus(
                        last_on,
                        self.site.silent_after_days + self.site.quality_after_days,
                    )),
                ),
            ],
            statement: format!(
                "{} has recorded nothing since {}.",
                self.site.display_name,
                weekday_and(last_on)
            ),
            next_step: "Ask the site whether it still fires, and whether its records get through."
                .to_owned(),
            snooze_limit: Some(AT_ANY_TIME),
            ..self.wanted(
                format!(
                    "silent/{}/{}",
                    self.records.site.key.name(),
                    last.as_second()
                ),
                AlertKind::SiteSilent,
                self.records.site.key.name(),
            )
        })
    }
}

/// What to do about a task in its alert: worded for the time at which it is due.
fn due_next_step(due: &Due) -> String {
    let name = &due.subject_display_name;
    match due.task {
        TaskKind::Calibration if due.last_done_at.is_none() => format!(
            "Fire a fresh test ring in {name} before work for patients is fired, measure it when it is cold, \
             record the reading."
        ),
        TaskKind::Calibration => format!(
            "Fire a fresh test ring with a load of {name}, measure it when it is cold, record the reading."
        ),
        TaskKind::GaugeCheck => {
            "Measure a reference block with it and record the check.".to_owned()
        }
        TaskKind::RingStock => "Order rings, and count them again when they have come.".to_owned(),
        task => format!(
            "Do the {} by the maker's instructions and record it; or leave it out or put it off with a \
             reason.",
            task.words()
        ),
    }
}

fn undeliverable(failing: &Undelivered, site: Option<&SiteId>) -> Wanted {
    Wanted {
        cause: format!(
            "delivery/{}/{}",
            failing.recipient,
            failing.since.as_second()
        ),
        kind: AlertKind::DeliveryFailing,
        site: site.cloned(),
        subject: failing.recipient.clone(),
        stages: vec![(Stage::Due, failing.since)],
        levels: vec![(Level::Manager, failing.since)],
        urgent: false,
        statement: if failing.is_webhook {
            format!("Events do not arrive at a webhook: {}", failing.failure)
        } else {
            format!("Mail does not get through: {}", failing.failure)
        },
        next_step: if failing.is_webhook {
            "Mend the receiver, then send again what was given up: `ringtrue webhook deliveries` and `replay`."
        } else {
            "Check the address of the subscription and the settings of the mail server."
        }
        .to_owned(),
        due_on: None,
        snooze_limit: Some(AT_ANY_TIME),
    }
}

/// `Friday 2026-11-27`.
pub(super) fn weekday_and(day: Date) -> String {
    format!("{:?} {day}", day.weekday())
}
