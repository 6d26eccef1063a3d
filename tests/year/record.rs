//! What was done, as it is written down for the second opinion: plain JSON, days as `YYYY-MM-DD`, moments in
//! microseconds since 1970.

use jiff::Timestamp;
use jiff::civil::Weekday;
use ringtrue_fleet::act::{ActDetails, ActKind, ActSubject};
use ringtrue_fleet::alert::{AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::calendar::Shift;
use ringtrue_fleet::recurrence::Recurrence;
use ringtrue_fleet::rule::{Plan, RuleDetails};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_fleet::task::TaskKind;
use ringtrue_store::LoggedChange;
use serde_json::{Value, json};

/// A moment.
pub(crate) fn moment(at: Timestamp) -> i64 {
    at.as_microsecond()
}

pub(crate) fn site(site: &SiteDetails) -> Value {
    let closed: Vec<i8> = site
        .closed_days
        .iter()
        .map(|day| day.to_monday_one_offset())
        .collect();
    let closures: Vec<[String; 2]> = site
        .closures
        .iter()
        .map(|closure| [closure.from.to_string(), closure.until.to_string()])
        .collect();
    json!({
        "time_zone": site.time_zone,
        "calibration_day": site.calibration_day.map(Weekday::to_monday_one_offset),
        "calibration_interval_days": site.calibration_interval_days,
        "closed_days": closed,
        "closures": closures,
        "quiet_from": site.quiet_from.to_string(),
        "quiet_until": site.quiet_until.to_string(),
        "manager_after_days": site.manager_after_days,
        "quality_after_days": site.quality_after_days,
        "silent_after_days": site.silent_after_days,
    })
}

pub(crate) fn rule(rule: &RuleDetails) -> Value {
    let (plan, recurrence) = match &rule.plan {
        Plan::SiteInterval => ("site_interval", None),
        Plan::FixedDates(recurrence) => ("fixed_dates", Some(recurrence)),
        Plan::SinceLast(recurrence) => ("since_last", Some(recurrence)),
        Plan::NoDates => ("no_dates", None),
        Plan::Off => ("off", None),
    };
    let events: Vec<&str> = rule.after_events.iter().map(|kind| kind.words()).collect();
    json!({
        "plan": plan,
        "recurrence": recurrence.map(Recurrence::text),
        "start_date": recurrence.map(|recurrence| recurrence.starts_on().to_string()),
        "after_firings": rule.after_firings,
        "after_hours_hot": rule.after_hours_hot,
        "after_events": events,
        "busy_firings_per_day": rule.busy_firings_per_day,
        "busy_interval_days": rule.busy_interval_days,
        "shift": match rule.shift { Shift::Before => "before", Shift::After => "after" },
        "grace_days": rule.grace_days,
        "lead_days": rule.lead_days,
        "verify": rule.verify,
    })
}

pub(crate) fn act(act: &ActDetails) -> Value {
    let mut all = json!({
        "what": "act",
        "furnace": act.subject.as_ref().map(ActSubject::name),
        "task": act.task.map(TaskKind::word),
        "acted_at": moment(act.acted_at),
    });
    let more = match act.kind {
        Some(ActKind::Done) => json!({"kind": "done"}),
        Some(ActKind::Skipped) => json!({"kind": "skipped"}),
        Some(ActKind::Deferred { until }) => {
            json!({"kind": "deferred", "until": until.map(|day| day.to_string())})
        }
        Some(ActKind::RingFired) => json!({"kind": "ring_fired"}),
        Some(ActKind::UseCounted(counted)) => json!({
            "kind": "use_counted",
            "from": counted.from.to_string(),
            "until": counted.until.to_string(),
            "firings": counted.firings,
            "hours_hot": counted.hours_hot,
        }),
        Some(ActKind::RingsCounted { .. }) | None => json!({"kind": "other"}),
    };
    join(&mut all, more);
    all
}

/// Adds the members of one object to another.
pub(crate) fn join(object: &mut Value, more: Value) {
    if let (Value::Object(object), Value::Object(more)) = (object, more) {
        object.extend(more);
    }
}

pub(crate) fn change(logged: &LoggedChange) -> Value {
    let alert = &logged.alert.alert;
    json!({
        "seq": logged.seq,
        "change": ChangeKind::word(logged.kind),
        "at": moment(logged.at),
        "id": alert.id.to_string(),
        "cause": alert.cause,
        "kind": AlertKind::word(alert.kind),
        "site": alert.site.as_ref().map(ToString::to_string),
        "subject": alert.subject,
        "stage": Stage::word(alert.stage),
        "level": Level::word(alert.level),
        "state": AlertState::word(alert.state),
        "statement": alert.statement,
        "due_on": alert.due_on.map(|day| day.to_string()),
        "raised_at": moment(alert.raised_at),
        "snoozed_until": alert.snoozed_until.map(moment),
        "snooze_limit": alert.snooze_limit.map(moment),
        "closed_at": alert.closed_at.map(moment),
        "close_reason": alert.close_reason,
        "revision": alert.revision,
    })
}
