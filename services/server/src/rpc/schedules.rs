//! Calls about the rules by which tasks fall due.

use jiff::civil::Date;
use ringtrue_fleet::calendar::Shift;
use ringtrue_fleet::key::BadName;
use ringtrue_fleet::recurrence::Recurrence;
use ringtrue_fleet::rule::{InForce, Plan, Rule, RuleBook, RuleDetails, RuleKey, RulePlace};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_fleet::task::TaskKind;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::schedule_service_server::ScheduleService;
use ringtrue_store::Read;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{calendar_date, choice, date, found, name, settled, timestamp};
use super::furnaces::{event_kind, kind_message};
use super::request::repeatable;
use super::status::answer;
use super::{furnaces, sites};
use crate::app::{self, App, Error};

const SET: Method = method("/ringtrue.v1.ScheduleService/SetScheduleRule");
const GET: Method = method("/ringtrue.v1.ScheduleService/GetScheduleRule");
const LIST: Method = method("/ringtrue.v1.ScheduleService/ListScheduleRules");
const REMOVE: Method = method("/ringtrue.v1.ScheduleService/RemoveScheduleRule");

/// Answers calls about schedules.
#[derive(Clone)]
pub(crate) struct Schedules(pub(crate) App);

#[tonic::async_trait]
impl ScheduleService for Schedules {
    async fn set_schedule_rule(
        &self,
        request: Request<v1::SetScheduleRuleRequest>,
    ) -> Result<Response<v1::SetScheduleRuleResponse>, Status> {
        answer(set(&self.0, request).await)
    }

    async fn get_schedule_rule(
        &self,
        request: Request<v1::GetScheduleRuleRequest>,
    ) -> Result<Response<v1::GetScheduleRuleResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_schedule_rules(
        &self,
        request: Request<v1::ListScheduleRulesRequest>,
    ) -> Result<Response<v1::ListScheduleRulesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn remove_schedule_rule(
        &self,
        request: Request<v1::RemoveScheduleRuleRequest>,
    ) -> Result<Response<v1::RemoveScheduleRuleResponse>, Status> {
        answer(remove(&self.0, request).await)
    }
}

async fn set(
    app: &App,
    request: Request<v1::SetScheduleRuleRequest>,
) -> Result<v1::SetScheduleRuleResponse, Error> {
    let asking = Asking::of(SET, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(SET, &request_id, &asked, &mut violations);
    let given = asked.rule.unwrap_or_default();
    let key = rule_key("rule.name", &given.name, &mut violations);
    let details = details(&given, &mut violations);
    if let (Some(key), Some(details)) = (&key, &details) {
        details.check(key, "rule", &mut violations);
    }
    let key = settled(key, violations)?;
    let details = details.ok_or(Error::Broken)?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let rule = app::set_rule(app, &asking.caller, &key, details, etag, &repeat).await?;
    let site = site_of(app, &asking, &key.place).await?;
    let in_force = InForce {
        task: key.task,
        details: &rule.details,
        set: Some(&rule),
    };
    Ok(v1::SetScheduleRuleResponse {
        rule: Some(message(&key, &in_force, site.as_ref())),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetScheduleRuleRequest>,
) -> Result<v1::GetScheduleRuleResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = rule_key("name", &asked.name, &mut violations);
    let key = settled(key, violations)?;
    let rule = in_force(app, &asking, &key).await?;
    Ok(v1::GetScheduleRuleResponse { rule: Some(rule) })
}

async fn list(
    app: &App,
    request: Request<v1::ListScheduleRulesRequest>,
) -> Result<v1::ListScheduleRulesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let place = name("parent", &asked.parent, RulePlace::parse, &mut violations);
    let place = settled(place, violations)?;
    let site = site_of(app, &asking, &place).await?;
    let book = book(app, &asking, &place).await?;
    let tasks: &[TaskKind] = match place {
        RulePlace::Furnace(_) => &TaskKind::OF_FURNACES,
        RulePlace::Network | RulePlace::Site(_) => &TaskKind::ALL,
    };
    let mut rules = Vec::with_capacity(tasks.len());
    for task in tasks {
        let key = RuleKey {
            place: place.clone(),
            task: *task,
        };
        rules.push(message(&key, &book.in_force(&place, *task), site.as_ref()));
    }
    Ok(v1::ListScheduleRulesResponse { rules })
}

async fn remove(
    app: &App,
    request: Request<v1::RemoveScheduleRuleRequest>,
) -> Result<v1::RemoveScheduleRuleResponse, Error> {
    let asking = Asking::of(REMOVE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(REMOVE, &request_id, &asked, &mut violations);
    let key = rule_key("name", &asked.name, &mut violations);
    let key = settled(key, violations)?;
    app::remove_rule(app, &asking.caller, &key, &repeat).await?;
    let rule = in_force(app, &asking, &key).await?;
    Ok(v1::RemoveScheduleRuleResponse { rule: Some(rule) })
}

async fn in_force(app: &App, asking: &Asking, key: &RuleKey) -> Result<v1::ScheduleRule, Error> {
    let site = site_of(app, asking, &key.place).await?;
    let book = book(app, asking, &key.place).await?;
    Ok(message(
        key,
        &book.in_force(&key.place, key.task),
        site.as_ref(),
    ))
}

/// A reader of a place's rules.
fn reader(app: &App, asking: &Asking, place: &RulePlace) -> Result<Read, Error> {
    let scope = match place.site() {
        Some(site) => asking.site(site)?,
        None => asking.network()?,
    };
    Ok(app.store.read(&scope))
}

async fn book(app: &App, asking: &Asking, place: &RulePlace) -> Result<RuleBook, Error> {
    let read = reader(app, asking, place)?;
    Ok(RuleBook(read.rules_of(place.site()).await?))
}

/// The place's site, once the place is known to exist; none for the network.
async fn site_of(
    app: &App,
    asking: &Asking,
    place: &RulePlace,
) -> Result<Option<SiteDetails>, Error> {
    let Some(site) = place.site() else {
        return Ok(None);
    };
    let read = reader(app, asking, place)?;
    let found_site = found(read.site(site).await?, sites::KIND, site.name())?;
    if let RulePlace::Furnace(furnace) = place {
        found(read.furnace(furnace).await?, furnaces::KIND, furnace.name())?;
    }
    Ok(Some(found_site.details))
}

fn rule_key(field: &str, text: &str, violations: &mut Violations) -> Option<RuleKey> {
    let parse: fn(&str) -> Result<Option<RuleKey>, BadName> = RuleKey::parse;
    let key = name(field, text, parse, violations)?;
    if key.is_none() {
        let tasks: Vec<&str> = TaskKind::ALL.iter().map(|task| task.word()).collect();
        violations.add(
            field,
            "NOT_A_NAME",
            format!(
                "`{}` does not end in `scheduleRules/` and a task; tasks are {}",
                ringtrue_fleet::key::shown(text),
                tasks.join(", ")
            ),
        );
    }
    key
}

fn details(given: &v1::ScheduleRule, violations: &mut Violations) -> Option<RuleDetails> {
    let start = date("rule.start_date", given.start_date, violations);
    let plan = plan(given, start, violations);
    let shift = match choice("rule.shift", given.shift, violations) {
        Some(v1::ClosedDayShift::After) => Shift::After,
        _ => Shift::Before,
    };
    let mut after_events = Vec::new();
    for (at, number) in given.after_events.iter().enumerate().take(MOST_EVENTS + 1) {
        let field = format!("rule.after_events[{at}]");
        match choice(&field, *number, violations).map(event_kind) {
            Some(Some(kind)) if !after_events.contains(&kind) && at < MOST_EVENTS => {
                after_events.push(kind);
            }
            Some(None) => violations.add(field, "REQUIRED", "is missing; say which event"),
            Some(Some(_)) => {
                violations.add(field, "REPEATED", "is there already; send each event once");
            }
            None => {}
        }
    }
    Some(RuleDetails {
        plan: plan?,
        after_firings: given.after_firings,
        after_hours_hot: given.after_hours_hot,
        after_events,
        busy_firings_per_day: given.busy_firings_per_day,
        busy_interval_days: if given.busy_interval_days == 0 {
            14
        } else {
            given.busy_interval_days
        },
        shift,
        grace_days: given.grace_days,
        lead_days: given.lead_days,
        verify: given.verify,
    })
}

/// There are no more kinds of events.
const MOST_EVENTS: usize = 8;

fn plan(
    given: &v1::ScheduleRule,
    start: Option<Date>,
    violations: &mut Violations,
) -> Option<Plan> {
    let kind = choice("rule.plan", given.plan, violations)?;
    let dated = matches!(kind, v1::PlanKind::FixedDates | v1::PlanKind::SinceLast);
    if !dated && !given.recurrence.is_empty() {
        violations.add(
            "rule.recurrence",
            "NOT_WANTED",
            "belongs to a plan with fixed dates or with dates since the last time; leave it out",
        );
    }
    match kind {
        v1::PlanKind::Unspecified => {
            violations.add(
                "rule.plan",
                "REQUIRED",
                "is missing; say from where dates count",
            );
            None
        }
        v1::PlanKind::SiteInterval => Some(Plan::SiteInterval),
        v1::PlanKind::NoDates => Some(Plan::NoDates),
        v1::PlanKind::Off => Some(Plan::Off),
        v1::PlanKind::FixedDates => {
            if start.is_none() && given.start_date.is_none() {
                violations.add(
                    "rule.start_date",
                    "REQUIRED",
                    "is missing; send the first day of the plan",
                );
            }
            Some(Plan::FixedDates(recurrence(given, start?, violations)?))
        }
        v1::PlanKind::SinceLast => {
            let any = Date::constant(2024, 1, 1);
            Some(Plan::SinceLast(recurrence(given, any, violations)?))
        }
    }
}

fn recurrence(
    given: &v1::ScheduleRule,
    start: Date,
    violations: &mut Violations,
) -> Option<Recurrence> {
    match Recurrence::parse(&given.recurrence, start) {
        Ok(recurrence) => Some(recurrence),
        Err(fault) => {
            violations.add("rule.recurrence", "NOT_A_RECURRENCE", fault.to_string());
            None
        }
    }
}

fn message(key: &RuleKey, rule: &InForce<'_>, site: Option<&SiteDetails>) -> v1::ScheduleRule {
    let details = rule.details;
    let (plan, recurrence, start) = match &details.plan {
        Plan::SiteInterval => (v1::PlanKind::SiteInterval, "", None),
        Plan::FixedDates(recurrence) => (
            v1::PlanKind::FixedDates,
            recurrence.text(),
            Some(recurrence.starts_on()),
        ),
        Plan::SinceLast(recurrence) => (v1::PlanKind::SinceLast, recurrence.text(), None),
        Plan::NoDates => (v1::PlanKind::NoDates, "", None),
        Plan::Off => (v1::PlanKind::Off, "", None),
    };
    let shift = match details.shift {
        Shift::Before => v1::ClosedDayShift::Before,
        Shift::After => v1::ClosedDayShift::After,
    };
    let basis = match rule.set {
        Some(_) => String::new(),
        None => RuleDetails::basis(key.task).to_owned(),
    };
    v1::ScheduleRule {
        name: key.name(),
        task: task_message(key.task).into(),
        plan: plan.into(),
        recurrence: recurrence.to_owned(),
        start_date: start.map(calendar_date),
        after_firings: details.after_firings,
        after_hours_hot: details.after_hours_hot,
        after_events: details
            .after_events
            .iter()
            .map(|kind| kind_message(*kind).into())
            .collect(),
        busy_firings_per_day: details.busy_firings_per_day,
        busy_interval_days: details.busy_interval_days,
        shift: shift.into(),
        grace_days: details.grace_days,
        lead_days: details.lead_days,
        verify: details.verify,
        words: details.words(key.task, site),
        set_at: rule.name(),
        basis,
        // The version of this place's own rule; an outer one is changed at its own place.
        etag: rule
            .set
            .filter(|set| set.key == *key)
            .map_or_else(String::new, Rule::etag),
        update_time: rule.set.map(|set| timestamp(set.updated_at)),
    }
}

pub(super) fn task_message(task: TaskKind) -> v1::TaskKind {
    match task {
        TaskKind::Calibration => v1::TaskKind::Calibration,
        TaskKind::PurgeFiring => v1::TaskKind::PurgeFiring,
        TaskKind::ElementRegeneration => v1::TaskKind::ElementRegeneration,
        TaskKind::BeadReplacement => v1::TaskKind::BeadReplacement,
        TaskKind::TrayReplacement => v1::TaskKind::TrayReplacement,
        TaskKind::GaugeCheck => v1::TaskKind::GaugeCheck,
        TaskKind::RingStock => v1::TaskKind::RingStock,
    }
}

pub(super) fn task_kind(field: &str, number: i32, violations: &mut Violations) -> Option<TaskKind> {
    match choice(field, number, violations)? {
        v1::TaskKind::Unspecified => None,
        v1::TaskKind::Calibration => Some(TaskKind::Calibration),
        v1::TaskKind::PurgeFiring => Some(TaskKind::PurgeFiring),
        v1::TaskKind::ElementRegeneration => Some(TaskKind::ElementRegeneration),
        v1::TaskKind::BeadReplacement => Some(TaskKind::BeadReplacement),
        v1::TaskKind::TrayReplacement => Some(TaskKind::TrayReplacement),
        v1::TaskKind::GaugeCheck => Some(TaskKind::GaugeCheck),
        v1::TaskKind::RingStock => Some(TaskKind::RingStock),
    }
}
