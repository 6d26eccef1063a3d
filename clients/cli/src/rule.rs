//! `ringtrue rule`: when tasks fall due, for the network, a site or a furnace.

mod dates;

use clap::{Args, Subcommand};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    ClosedDayShift, FurnaceEventKind, GetScheduleRuleRequest, ListScheduleRulesRequest, PlanKind,
    RemoveScheduleRuleRequest, ScheduleRule, SetScheduleRuleRequest, TaskKind,
};

use crate::command::{Repeat, Seen};
use crate::due::{set_where, spoken};
use crate::failure::Stop;
use crate::names::FURNACE;
use crate::quantity::{self, brief};
use crate::session::Session;
use crate::site::shown_list;
use crate::{day, moment, names, output, words};

use dates::Dates;

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue rule show                                    rules at the site
  ringtrue rule show calibration --furnace k2           one rule in full
  ringtrue rule set calibration --every 2w --on friday  fixed dates
  ringtrue rule set calibration --on-day 31             monthly, or its last day
  ringtrue rule set calibration --furnace k2 --every 3w --since-last
  ringtrue rule set purge-firing --no-dates --after-event discoloured-work
  ringtrue rule set bead-replacement --after-firings 50
  ringtrue rule remove calibration --furnace k2         the site's holds again
The nearest rule wins: the furnace's, then the site's, then the network's, then the
built-in one. A calibration is due at least monthly (common practice, no source).";

/// What to do with rules.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Shows the rules in force, or one of them in full.
    Show {
        /// Task; all when left out.
        #[arg(value_parser = words::one_of(words::TASKS))]
        task: Option<TaskKind>,
        #[command(flatten)]
        place: Place,
    },
    /// Sets when a task is due; what is not named stays as it is in force there.
    Set(Box<Wanted>),
    /// Removes a place's own rule; the nearest outer one holds again.
    Remove {
        /// Task.
        #[arg(value_parser = words::one_of(words::TASKS))]
        task: TaskKind,
        #[command(flatten)]
        place: Place,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// Where a rule holds: the site meant when nothing is named.
#[derive(Debug, Args)]
pub(crate) struct Place {
    /// For one furnace, for example k2.
    #[arg(long, value_name = "FURNACE", conflicts_with = "network")]
    furnace: Option<String>,
    /// For the whole network.
    #[arg(long)]
    network: bool,
}

impl Place {
    /// Gives its resource name; empty for the network.
    async fn named(&self, session: &mut Session<'_, '_>) -> Result<String, Stop> {
        match &self.furnace {
            Some(furnace) => session.named(furnace, FURNACE).await,
            None if self.network => Ok(String::new()),
            None => session.site_name().await,
        }
    }
}

/// A rule as it is wanted.
#[derive(Debug, Args)]
pub(crate) struct Wanted {
    /// Task.
    #[arg(value_parser = words::one_of(words::TASKS))]
    task: TaskKind,
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    dates: Dates,
    /// First day of fixed dates, for example 2026-11-27; today when left out.
    #[arg(long, value_name = "DAY", conflicts_with_all = ["since_last", "site_interval", "no_dates", "off"])]
    start: Option<String>,
    /// Counts from the last time it was done, in place of fixed dates.
    #[arg(long, conflicts_with_all = ["site_interval", "no_dates", "off"])]
    since_last: bool,
    /// The site's own interval and calibration day; calibrations only.
    #[arg(long, conflicts_with_all = ["every", "on_day", "on", "rrule", "no_dates", "off"])]
    site_interval: bool,
    /// No dates: only use and events make it due.
    #[arg(long, conflicts_with_all = ["every", "on_day", "on", "rrule", "off"])]
    no_dates: bool,
    /// The task is not done here; not for calibrations.
    #[arg(long, conflicts_with_all = ["every", "on_day", "on", "rrule"])]
    off: bool,
    /// Due after so many firings were counted; 0 for no such limit.
    #[arg(long, value_name = "COUNT", allow_negative_numbers = true)]
    after_firings: Option<i32>,
    /// Due after so many hours at sintering temperature were counted; 0 for no such limit.
    #[arg(long, value_name = "HOURS", value_parser = quantity::number, allow_hyphen_values = true)]
    after_hours: Option<f64>,
    /// Due on the day of such an event; several with commas between them.
    #[arg(long, value_name = "KIND", value_delimiter = ',',
          value_parser = words::one_of(words::EVENTS), conflicts_with = "after_no_event")]
    after_event: Option<Vec<FurnaceEventKind>>,
    /// No event makes it due.
    #[arg(long)]
    after_no_event: bool,
    /// A furnace is busy from so many firings a day on; 0 for never.
    #[arg(long, value_name = "COUNT", value_parser = quantity::number, allow_hyphen_values = true)]
    busy_from: Option<f64>,
    /// Longest time between calibrations of a busy furnace, days.
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    busy_every: Option<i32>,
    /// Where a due date on a closed day goes: the working day before or after.
    #[arg(long, value_name = "WHERE", value_parser = words::one_of(words::SHIFTS))]
    shift: Option<ClosedDayShift>,
    /// Days after the due date during which the furnace may still be used (0 to 31).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    grace: Option<i32>,
    /// Days before the due date from which it counts as due soon (0 to 31).
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    lead: Option<i32>,
    /// Whether every changed setpoint is confirmed by a second ring.
    #[arg(long, value_name = "true|false")]
    verify: Option<bool>,
    #[command(flatten)]
    seen: Seen,
    #[command(flatten)]
    repeat: Repeat,
}

impl Wanted {
    /// Whether anything to set was named.
    fn says_something(&self) -> bool {
        self.says_dates()
            || self.after_firings.is_some()
            || self.after_hours.is_some()
            || self.after_event.is_some()
            || self.after_no_event
            || self.busy_from.is_some()
            || self.busy_every.is_some()
            || self.shift.is_some()
            || self.grace.is_some()
            || self.lead.is_some()
            || self.verify.is_some()
    }

    fn says_dates(&self) -> bool {
        self.dates.are_named()
            || self.start.is_some()
            || self.since_last
            || self.site_interval
            || self.no_dates
            || self.off
    }

    /// Writes what is named into the rule in force.
    fn apply(&self, rule: &mut ScheduleRule, today: Date) -> Result<(), String> {
        self.apply_dates(rule, today)?;
        if let Some(count) = self.after_firings {
            rule.after_firings = count;
        }
        if let Some(hours) = self.after_hours {
            rule.after_hours_hot = hours;
        }
        if let Some(events) = &self.after_event {
            rule.after_events = events.iter().copied().map(i32::from).collect();
        }
        if self.after_no_event {
            rule.after_events.clear();
        }
        if let Some(count) = self.busy_from {
            rule.busy_firings_per_day = count;
        }
        if let Some(days) = self.busy_every {
            rule.busy_interval_days = days;
        }
        if let Some(shift) = self.shift {
            rule.shift = shift.into();
        }
        rule.grace_days = self.grace.or(rule.grace_days);
        rule.lead_days = self.lead.or(rule.lead_days);
        if let Some(verify) = self.verify {
            rule.verify = verify;
        }
        Ok(())
    }

    fn apply_dates(&self, rule: &mut ScheduleRule, today: Date) -> Result<(), String> {
        let bare = [
            (self.site_interval, PlanKind::SiteInterval),
            (self.no_dates, PlanKind::NoDates),
            (self.off, PlanKind::Off),
        ];
        if let Some((_, plan)) = bare.into_iter().find(|(wanted, _)| *wanted) {
            rule.plan = plan.into();
            rule.recurrence.clear();
            rule.start_date = None;
            return Ok(());
        }
        if !self.says_dates() {
            return Ok(());
        }
        let had_fixed = rule.plan() == PlanKind::FixedDates;
        if self.since_last {
            rule.plan = PlanKind::SinceLast.into();
            rule.start_date = None;
            if self.dates.are_named() {
                rule.recurrence = self.dates.recurrence(None)?;
            } else if rule.recurrence.is_empty() {
                return Err("--since-last needs how long: add --every, like --every 3w.".to_owned());
            }
            return Ok(());
        }
        let kept = day::received(rule.start_date.as_ref()).filter(|_| had_fixed);
        let start = match &self.start {
            Some(text) => day::coming(text, today)?,
            // Another rhythm begins anew.
            None if self.dates.are_named() => self.dates.first_day(today),
            None => kept.unwrap_or(today),
        };
        rule.plan = PlanKind::FixedDates.into();
        rule.start_date = Some(day::sent(start));
        if self.dates.are_named() {
            rule.recurrence = self.dates.recurrence(Some(start))?;
        } else if rule.recurrence.is_empty() {
            return Err(
                "--start needs dates that begin then: add --every, --on-day or --on.".to_owned(),
            );
        }
        Ok(())
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Show { task, place } => {
            let parent = place.named(session).await?;
            match task {
                None => list(&parent, session).await,
                Some(task) => {
                    let rule = in_force(&rule_name(&parent, task), session).await?;
                    shown(&rule, &parent, "", session).await
                }
            }
        }
        Ask::Set(wanted) => set(*wanted, session).await,
        Ask::Remove {
            task,
            place,
            repeat,
        } => {
            let parent = place.named(session).await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = RemoveScheduleRuleRequest {
                name: rule_name(&parent, task),
                request_id: request_id.clone(),
            };
            let answer = session.remote.remove_schedule_rule(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            let done = "Removed. This holds now; `ringtrue due --all` shows the dates.";
            shown(&answer.rule.unwrap_or_default(), &parent, done, session).await
        }
    }
}

async fn set(wanted: Wanted, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if !wanted.says_something() {
        return Err(Stop::Usage(
            "Nothing to set is named. `ringtrue rule set --help` lists what can be.".to_owned(),
        ));
    }
    let parent = wanted.place.named(session).await?;
    let name = rule_name(&parent, wanted.task);
    let repeatable = session.repeatable(wanted.repeat.request_id.as_deref())?;
    let zone = place_zone(&parent, session).await?;
    let today = day::of(repeatable.now, &zone);
    let mut rule = in_force(&name, session).await?;
    wanted.apply(&mut rule, today).map_err(Stop::Usage)?;
    // What the server says about a rule is none of the rule, and would make a repeat look like another
    // request.
    let rule = ScheduleRule {
        name,
        task: 0,
        words: String::new(),
        set_at: String::new(),
        basis: String::new(),
        etag: wanted.seen.etag.unwrap_or_default(),
        update_time: None,
        ..rule
    };
    let ask = SetScheduleRuleRequest {
        rule: Some(rule),
        request_id: repeatable.request_id.clone(),
    };
    let answer = session.remote.set_schedule_rule(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &repeatable.request_id))?;
    let done = "Set. `ringtrue due --all` shows the dates that follow.";
    shown(&answer.rule.unwrap_or_default(), &parent, done, session).await
}

fn rule_name(parent: &str, task: TaskKind) -> String {
    let slash = if parent.is_empty() { "" } else { "/" };
    let word = words::word(words::TASKS, task);
    format!("{parent}{slash}scheduleRules/{word}")
}

async fn in_force(name: &str, session: &Session<'_, '_>) -> Result<ScheduleRule, Stop> {
    let ask = GetScheduleRuleRequest {
        name: name.to_owned(),
    };
    let answer = session.remote.schedule_rule(ask).await?;
    answer
        .rule
        .ok_or_else(|| Stop::Missing(format!("The server names no rule {name}.")))
}

/// The zone of a place; UTC for the network.
async fn place_zone(parent: &str, session: &mut Session<'_, '_>) -> Result<TimeZone, Stop> {
    if parent.is_empty() {
        return Ok(TimeZone::UTC);
    }
    session.zone(names::site_of(parent)).await
}

async fn list(parent: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListScheduleRulesRequest {
        parent: parent.to_owned(),
    };
    let answer = session.remote.schedule_rules(ask).await?;
    if session.json {
        return session.show_json("ListScheduleRulesResponse", &answer);
    }
    let mut rows = Vec::new();
    for rule in &answer.rules {
        rows.push(vec![
            words::word(words::TASKS, rule.task()).to_owned(),
            rule.words.clone(),
            set_where(&rule.set_at).to_owned(),
        ]);
    }
    shown_list(
        "rules",
        &["task", "when it is due", "from"],
        &rows,
        false,
        session,
    )?;
    session.say("`ringtrue rule show TASK` shows one in full.")
}

async fn shown(
    rule: &ScheduleRule,
    parent: &str,
    done: &str,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        return session.show_json("ScheduleRule", rule);
    }
    let zone = place_zone(parent, session).await?;
    session.show(&drawn(rule, &zone, session.world.columns))?;
    if done.is_empty() {
        Ok(())
    } else {
        session.say(done)
    }
}

fn drawn(rule: &ScheduleRule, zone: &TimeZone, columns: u16) -> String {
    let days = |count: i32| match count {
        1 => "1 day".to_owned(),
        count => format!("{count} days"),
    };
    let mut events = Vec::new();
    for event in rule.after_events() {
        events.push(words::word(words::EVENTS, event));
    }
    let busy = if rule.busy_firings_per_day > 0.0 {
        format!(
            "every {} at least, from {} firings a day on",
            days(rule.busy_interval_days),
            brief(rule.busy_firings_per_day, 1)
        )
    } else {
        String::new()
    };
    let changed = moment::received(rule.update_time.as_ref());
    let lines = [
        ("Task", spoken(rule.task())),
        ("When it is due", rule.words.clone()),
        ("From", set_where(&rule.set_at).to_owned()),
        ("Basis", rule.basis.clone()),
        ("Plan", plan(rule.plan()).to_owned()),
        ("Recurrence", rule.recurrence.clone()),
        (
            "First day",
            rule.start_date
                .as_ref()
                .map(moment::shown_day)
                .unwrap_or_default(),
        ),
        (
            "After firings",
            counted(f64::from(rule.after_firings), "firings"),
        ),
        ("After use", counted(rule.after_hours_hot, "h hot")),
        ("After events", events.join(", ")),
        ("When busy", busy),
        (
            "On a closed day",
            match rule.shift() {
                ClosedDayShift::After => "the working day after".to_owned(),
                ClosedDayShift::Before | ClosedDayShift::Unspecified => {
                    "the working day before".to_owned()
                }
            },
        ),
        (
            "Grace",
            rule.grace_days
                .map_or_else(|| "as usual for the interval".to_owned(), days),
        ),
        (
            "Due soon from",
            rule.lead_days.map_or_else(
                || "as usual for the interval".to_owned(),
                |lead| format!("{} before", days(lead)),
            ),
        ),
        (
            "Verified",
            if rule.verify {
                "every changed setpoint, by a second ring".to_owned()
            } else {
                String::new()
            },
        ),
        (
            "Changed",
            changed
                .map(|at| moment::shown(at, zone))
                .unwrap_or_default(),
        ),
        ("Version", rule.etag.clone()),
    ];
    output::card(&lines, columns)
}

fn counted(count: f64, unit: &str) -> String {
    if count > 0.0 {
        format!("{} {unit}", brief(count, 1))
    } else {
        String::new()
    }
}

/// Says from where dates count.
fn plan(kind: PlanKind) -> &'static str {
    match kind {
        PlanKind::Unspecified => "",
        PlanKind::SiteInterval => "the site's interval and calibration day",
        PlanKind::FixedDates => "fixed dates, whenever it was done",
        PlanKind::SinceLast => "counted from the last time it was done",
        PlanKind::NoDates => "no dates; use and events only",
        PlanKind::Off => "not done here",
    }
}

#[cfg(test)]
mod tests;
