//! The register of alerts: what is raised, rises, opens again and closes.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::{Alert, AlertChange, AlertState, ChangeKind, Level, Stage, Wanted};
use crate::calendar::Calendar;
use crate::key::AlertId;

/// What a look changes, and when the next look is due if nothing is recorded meanwhile.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Registered {
    /// Changes, in order of raising.
    pub changes: Vec<AlertChange>,
    /// The next moment at which something would change by time alone.
    pub next_at: Option<Timestamp>,
}

/// Brings the register of a site, or of the network, up to date. With the same causes and moment a second
/// time there is nothing to change.
///
/// - A cause is raised once its first stage has come, and then keeps its alert for good: it is updated, never
///   repeated. Quiet hours and closed days hold back what is not urgent.
/// - An alert rises to the next level when its time has come. While it is acknowledged or snoozed and not yet
///   overdue it does not.
/// - Overdue, or lapsed, an acknowledged alert opens again: seen is not done.
/// - An alert whose cause is gone closes.
///
/// `on_record` holds every alert of that place that is not closed, and any other of the causes.
pub fn registered(
    on_record: &[Alert],
    wanted: &[Wanted],
    calendar: &Calendar,
    now: Timestamp,
    mut new_id: impl FnMut() -> AlertId,
) -> Registered {
    let known: BTreeMap<&str, &Alert> = on_record
        .iter()
        .map(|alert| (alert.cause.as_str(), alert))
        .collect();
    let mut registered = Registered::default();
    let mut asked = BTreeSet::new();
    for wanted in wanted {
        asked.insert(wanted.cause.as_str());
        let time = Time::of(wanted, calendar, now);
        registered.look_at(time.next_at);
        let Some(stage) = time.stage else {
            // Its time was moved ahead: what stands open closes, to come again then.
            if let Some(alert) = known.get(wanted.cause.as_str())
                && alert.state != AlertState::Closed
            {
                let change = closed(alert, "It is not due yet any more.", now);
                registered.changes.push(change);
            }
            continue;
        };
        match known.get(wanted.cause.as_str()) {
            None => registered
                .changes
                .push(raised(wanted, stage, time.level, now, new_id())),
            Some(alert) => {
                if let Some(until) = alert.snoozed_until
                    && alert.state == AlertState::Snoozed
                {
                    registered.look_at(Some(until).filter(|until| *until > now));
                }
                registered
                    .changes
                    .extend(followed(alert, wanted, stage, time.level, now));
            }
        }
    }
    for alert in on_record {
        if alert.state != AlertState::Closed && !asked.contains(alert.cause.as_str()) {
            let mended = mended_by(alert);
            registered.changes.push(closed(alert, mended, now));
        }
    }
    registered
}

impl Registered {
    fn look_at(&mut self, moment: Option<Timestamp>) {
        self.next_at = match (self.next_at, moment) {
            (Some(one), Some(other)) => Some(one.min(other)),
            (one, other) => one.or(other),
        };
    }
}

/// Where a cause stands at a moment.
struct Time {
    /// None before the first stage.
    stage: Option<Stage>,
    level: Level,
    next_at: Option<Timestamp>,
}

impl Time {
    fn of(wanted: &Wanted, calendar: &Calendar, now: Timestamp) -> Self {
        let from = |moment: Timestamp| {
            if wanted.urgent {
                moment
            } else {
                calendar.loud_from(moment)
            }
        };
        let mut time = Self {
            stage: None,
            level: Level::Technician,
            next_at: None,
        };
        for (stage, moment) in &wanted.stages {
            let moment = from(*moment);
            if moment <= now {
                time.stage = time.stage.max(Some(*stage));
            } else {
                time.later(moment);
            }
        }
        for (level, moment) in &wanted.levels {
            let moment = from(*moment);
            if moment <= now {
                time.level = time.level.max(*level);
            } else {
                time.later(moment);
            }
        }
        time
    }

    fn later(&mut self, moment: Timestamp) {
        self.next_at = Some(self.next_at.map_or(moment, |known| known.min(moment)));
    }
}

fn raised(wanted: &Wanted, stage: Stage, level: Level, now: Timestamp, id: AlertId) -> AlertChange {
    AlertChange {
        kind: ChangeKind::Raised,
        alert: Alert {
            id,
            cause: wanted.cause.clone(),
            kind: wanted.kind,
            site: wanted.site.clone(),
            subject: wanted.subject.clone(),
            stage,
            level,
            state: AlertState::Open,
            statement: wanted.statement.clone(),
            next_step: wanted.next_step.clone(),
            due_on: wanted.due_on,
            raised_at: now,
            updated_at: now,
            note: String::new(),
            noted_by: String::new(),
            snoozed_until: None,
            snoozes: 0,
            snooze_limit: wanted.snooze_limit,
            closed_at: None,
            close_reason: String::new(),
            revision: 1,
        },
    }
}

/// The alert as its cause now stands; none when nothing changes.
fn followed(
    alert: &Alert,
    wanted: &Wanted,
    stage: Stage,
    level: Level,
    now: Timestamp,
) -> Option<AlertChange> {
    let mut next = Alert {
        stage,
        statement: wanted.statement.clone(),
        next_step: wanted.next_step.clone(),
        due_on: wanted.due_on,
        snooze_limit: wanted.snooze_limit,
        ..alert.clone()
    };
    let was_closed = alert.state == AlertState::Closed;
    let rested = alert.snoozed_until.is_some_and(|until| until <= now);
    let grew_late = stage >= Stage::Overdue && stage > alert.stage;
    let reopens = match alert.state {
        AlertState::Closed => true,
        AlertState::Snoozed => rested || grew_late,
        AlertState::Acknowledged => grew_late,
        AlertState::Open => false,
    };
    if reopens {
        next.state = AlertState::Open;
        next.snoozed_until = None;
        next.closed_at = None;
        next.close_reason = String::new();
    }
    let holds = matches!(next.state, AlertState::Acknowledged | AlertState::Snoozed)
        && stage < Stage::Overdue;
    if !holds {
        next.level = if was_closed {
            level
        } else {
            level.max(alert.level)
        };
    }
    if next == *alert {
        return None;
    }
    let kind = if reopens {
        ChangeKind::Reopened
    } else if next.level > alert.level {
        ChangeKind::Escalated
    } else {
        ChangeKind::Updated
    };
    next.updated_at = now;
    next.revision += 1;
    Some(AlertChange { kind, alert: next })
}

fn closed(alert: &Alert, reason: &str, now: Timestamp) -> AlertChange {
    AlertChange {
        kind: ChangeKind::Closed,
        alert: Alert {
            state: AlertState::Closed,
            snoozed_until: None,
            closed_at: Some(now),
            close_reason: reason.to_owned(),
            updated_at: now,
            revision: alert.revision + 1,
            ..alert.clone()
        },
    }
}

/// What mends an alert of a kind: said when its cause is gone.
fn mended_by(alert: &Alert) -> &'static str {
    use super::AlertKind as Kind;
    match alert.kind {
        Kind::CalibrationDue => "The calibration was recorded, or the furnace is out of use.",
        Kind::RingWaiting => "The reading was recorded.",
        Kind::SetpointWaiting => {
            "The setpoint was confirmed, or a later reading no longer asks for it."
        }
        Kind::VerificationWaiting => "A ring was fired with the new setpoint.",
        Kind::CareDue => "The task was done, left out or put off.",
        Kind::GaugeCheckDue => "The check was recorded, or the gauge is withdrawn.",
        Kind::RingStock => "There are rings enough again.",
        Kind::OutOfTolerance => {
            "The setpoint was changed after it, or a later reading is within tolerance."
        }
        Kind::Finding => "The finding is resolved.",
        Kind::SiteSilent => "The site has recorded something again.",
        Kind::CredentialEnds => {
            "The credential was rotated, revoked or replaced, or ended long ago."
        }
        Kind::DeliveryFailing => {
            "What was sent gets through again, or the subscription or webhook has ended."
        }
    }
}
