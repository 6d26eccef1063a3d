//! `ringtrue due`: what is due at a site, soonest first, and what to do about it.

use clap::Args;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    CalibrationStep, DueState, DueTask, ListDueTasksRequest, ListDueTasksResponse, StepKind,
    StepState, TaskKind,
};

use crate::command::Limit;
use crate::failure::Stop;
use crate::names::{FURNACE, GAUGE};
use crate::session::{Session, gathered};
use crate::term::{Ink, ink};
use crate::{cautions, day, moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue due                      what is due at the site, soonest first
  ringtrue due --all                also what comes later
  ringtrue due --furnace k2         one furnace
  ringtrue due --everywhere --json  every site you may see, for programs

A calibration has steps: fire the ring, measure it cold, enter the setpoint and,
where the rule asks for it, verify with a second ring. `ringtrue rule show` tells
the rules. Days are those of the site.";

/// What of it is wanted.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Also shows what is not due yet.
    #[arg(long)]
    all: bool,
    /// Only this furnace, for example k2.
    #[arg(long, value_name = "FURNACE", conflicts_with = "gauge")]
    furnace: Option<String>,
    /// Only this gauge, for example caliper-1.
    #[arg(long, value_name = "GAUGE")]
    gauge: Option<String>,
    /// Every site you may see.
    #[arg(long, conflicts_with_all = ["furnace", "gauge"])]
    everywhere: bool,
    /// Shows every caution for what is due, not only the first three.
    #[arg(long)]
    cautions: bool,
    #[command(flatten)]
    limit: Limit,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let subject = match (&ask.furnace, &ask.gauge) {
        (Some(furnace), _) => session.named(furnace, FURNACE).await?,
        (None, Some(gauge)) => session.named(gauge, GAUGE).await?,
        (None, None) => String::new(),
    };
    let parent = if ask.everywhere {
        "sites/-".to_owned()
    } else if subject.is_empty() {
        session.site_name().await?
    } else {
        names::site_of(&subject).to_owned()
    };
    let template = ListDueTasksRequest {
        parent,
        all: ask.all,
        subject,
        ..ListDueTasksRequest::default()
    };
    let (tasks, next_page_token) = found(&template, ask.limit.limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListDueTasksResponse {
            tasks,
            next_page_token,
        };
        return session.show_json("ListDueTasksResponse", &whole);
    }
    if tasks.is_empty() {
        return nothing(template, session).await;
    }
    let view = View {
        now: session.world.now,
        columns: session.world.columns,
        colour: session.world.colour,
        names_sites: ask.everywhere,
        wants_cautions: ask.cautions,
    };
    session.show(&drawn(&tasks, &view))?;
    if more {
        session.say("There is more; show it with a higher --limit.")?;
    }
    Ok(())
}

async fn found(
    template: &ListDueTasksRequest,
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<DueTask>, String), Stop> {
    let remote = session.remote.clone();
    gathered(limit, async |page_size, page_token| {
        let ask = ListDueTasksRequest {
            page_size,
            page_token,
            ..template.clone()
        };
        let page = remote.due_tasks(ask).await?;
        Ok((page.tasks, page.next_page_token))
    })
    .await
}

/// Says that nothing is due, and what comes next.
async fn nothing(template: ListDueTasksRequest, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let place = match (template.subject.as_str(), template.parent.as_str()) {
        ("", "sites/-") => "anywhere".to_owned(),
        ("", site) => format!("at {}", names::id(site)),
        (subject, _) => format!("for {}", names::id(subject)),
    };
    let all = ListDueTasksRequest {
        all: true,
        ..template
    };
    let (coming, _) = found(&all, 1, session).await?;
    session.show(&format!("Nothing is due {place}."))?;
    match coming.first() {
        Some(next) => {
            let today = today(next, session.world.now);
            let next = format!("Next comes {}, {}.", titled(next, false), when(next, today));
            session.show(&output::paragraph(&next, session.world.columns))?;
            session.say("`ringtrue due --all` shows what comes later.")
        }
        None => session.say(
            "Nothing comes later either: there is no furnace in use, or its tasks are switched off. \
             `ringtrue rule show` tells the rules.",
        ),
    }
}

/// How what is due is drawn.
#[derive(Debug, Clone, Copy)]
struct View {
    now: Timestamp,
    columns: u16,
    colour: bool,
    /// Whether each task says its site.
    names_sites: bool,
    wants_cautions: bool,
}

fn drawn(tasks: &[DueTask], view: &View) -> String {
    let mut parts = Vec::new();
    let mut later = Vec::new();
    let mut minded: Vec<String> = Vec::new();
    for task in tasks {
        let today = today(task, view.now);
        if task.state() == DueState::Current && !waits(task) {
            later.push(vec![
                day::received(task.due_date.as_ref())
                    .map(|date| day::near(date, today))
                    .unwrap_or_default(),
                subject(task, view.names_sites),
                spoken(task.task()),
                last_done(task),
            ]);
            continue;
        }
        parts.push(one(task, today, view));
        for caution in &task.cautions {
            if !minded.contains(caution) {
                minded.push(caution.clone());
            }
        }
    }
    if !later.is_empty() {
        let headings = ["due", "of", "what", "last done"];
        let table = output::table(&headings, &later, view.columns);
        parts.push(format!(
            "{}\n{table}",
            ink("Later", Ink::Strong, view.colour)
        ));
    }
    let cautions = cautions::minded(&minded, view.wants_cautions, view.columns, view.colour);
    parts.extend(cautions);
    parts.join("\n\n")
}

/// Whether a step of the last calibration still waits.
fn waits(task: &DueTask) -> bool {
    task.steps
        .iter()
        .any(|step| matches!(step.state(), StepState::Open | StepState::Late))
}

/// One task: a line that can be seen from afar, the rest below it.
fn one(task: &DueTask, today: Date, view: &View) -> String {
    let colour = match task.state() {
        DueState::Overdue => Ink::Alarm,
        DueState::Due => Ink::Act,
        DueState::DueSoon | DueState::Current | DueState::Unspecified => Ink::Strong,
    };
    let head = format!("{}, {}", titled(task, view.names_sites), when(task, today));
    let mut inked = Vec::new();
    for line in output::paragraph(&head, view.columns).lines() {
        inked.push(ink(line, colour, view.colour));
    }
    let mut why = Vec::new();
    for reason in &task.reasons {
        why.push(reason.text.clone());
    }
    let lines = [
        ("  Do next", task.next_step.clone()),
        ("  Steps", steps(task, today)),
        ("  Why", why.join("\n")),
        ("  Grace", grace(task, today)),
        ("  Rule", rule(task)),
        ("  Last done", last_done(task)),
        ("  Record it", format!("ringtrue {}", recording(task))),
    ];
    format!(
        "{}\n{}",
        inked.join("\n"),
        output::card(&lines, view.columns)
    )
}

/// Gives the day on which the site of a task is now.
pub(crate) fn today(task: &DueTask, now: Timestamp) -> Date {
    day::of(now, &zone(task))
}

fn zone(task: &DueTask) -> TimeZone {
    TimeZone::get(&task.time_zone).unwrap_or(TimeZone::UTC)
}

/// Names a task: `K2: calibration`.
pub(crate) fn titled(task: &DueTask, names_site: bool) -> String {
    format!("{}: {}", subject(task, names_site), spoken(task.task()))
}

fn subject(task: &DueTask, names_site: bool) -> String {
    let called = match task.subject_display_name.as_str() {
        "" => names::id(&task.subject),
        called => called,
    };
    // People call a furnace K2, commands k2; both are told where they differ by more than that.
    let id = names::id(&task.subject);
    let called = if called.eq_ignore_ascii_case(id) {
        called.to_owned()
    } else {
        format!("{called} ({id})")
    };
    match (names_site, task.site_display_name.as_str()) {
        (false, _) => called,
        (true, "") => format!("{called} at {}", names::id(&task.site)),
        (true, site) => format!("{called} at {site}"),
    }
}

/// Says a task in words.
pub(crate) fn spoken(task: TaskKind) -> String {
    words::word(words::TASKS, task).replace('-', " ")
}

/// Says how near a due date is, in words that stand behind the task.
pub(crate) fn when(task: &DueTask, today: Date) -> String {
    let Some(date) = day::received(task.due_date.as_ref()) else {
        return words::word(words::DUE_STATES, task.state()).to_owned();
    };
    match task.state() {
        DueState::Overdue => {
            let days = day::between(date, today).max(1);
            let unit = if days == 1 { "day" } else { "days" };
            format!(
                "OVERDUE by {days} {unit}, since {}",
                day::shown(date, today)
            )
        }
        DueState::DueSoon => format!("due soon: {}", day::near(date, today)),
        DueState::Current if waits(task) => {
            format!(
                "NOT FINISHED; the next one is due {}",
                day::near(date, today)
            )
        }
        DueState::Due | DueState::Current | DueState::Unspecified => {
            format!("due {}", day::near(date, today))
        }
    }
}

fn steps(task: &DueTask, today: Date) -> String {
    let mut lines = Vec::new();
    for step in &task.steps {
        if step.state() == StepState::NotNeeded {
            continue;
        }
        let name = words::word(words::STEPS, step.kind());
        let state = words::word(words::STEP_STATES, step.state());
        let date = day::received(step.due_date.as_ref())
            .filter(|_| matches!(step.state(), StepState::Open | StepState::Late));
        let by = match (date, step.state()) {
            (Some(date), StepState::Late) => format!(", it was for {}", day::shown(date, today)),
            (Some(date), _) => format!(", by {}", day::near(date, today)),
            (None, _) => String::new(),
        };
        lines.push(format!("{name}: {state}{by}"));
    }
    lines.join("\n")
}

/// Says how long the furnace may still be used; only where that is close.
fn grace(task: &DueTask, today: Date) -> String {
    if task.state() != DueState::Overdue {
        return String::new();
    }
    let consequence = if task.task() == TaskKind::Calibration {
        "; after that not for patients' work until it is calibrated"
    } else {
        ""
    };
    match day::received(task.grace_end_date.as_ref()) {
        _ if task.lapsed && task.task() == TaskKind::Calibration => {
            "used up: not for patients' work until it is calibrated".to_owned()
        }
        _ if task.lapsed => "used up".to_owned(),
        Some(end) => format!("until {}{consequence}", day::near(end, today)),
        None => String::new(),
    }
}

fn rule(task: &DueTask) -> String {
    if task.rule_words.is_empty() {
        return String::new();
    }
    format!("{} ({})", task.rule_words, set_where(&task.rule))
}

/// Says where a rule was set, from its name.
pub(crate) fn set_where(rule: &str) -> &'static str {
    if rule.is_empty() {
        "built in"
    } else if rule.contains("/furnaces/") {
        "set for this furnace"
    } else if rule.starts_with("sites/") {
        "set for the site"
    } else {
        "set for the network"
    }
}

fn last_done(task: &DueTask) -> String {
    match moment::received(task.last_done_time.as_ref()) {
        Some(at) => moment::brief(at, &zone(task)),
        None => "never, as far as recorded".to_owned(),
    }
}

/// Gives the command that records the next step of a task.
fn recording(task: &DueTask) -> String {
    let id = names::id(&task.subject);
    let short = match names::site_of(&task.subject) {
        site if site.starts_with("sites/") => format!("{}/{id}", names::id(site)),
        _ => id.to_owned(),
    };
    match task.task() {
        TaskKind::Calibration => calibrating(task, &short),
        TaskKind::GaugeCheck => format!("gauge check {short}"),
        TaskKind::RingStock => format!("care rings {short} --left COUNT"),
        kind => format!("care done {} {short}", words::word(words::TASKS, kind)),
    }
}

fn calibrating(task: &DueTask, furnace: &str) -> String {
    let at_hand = task
        .steps
        .iter()
        .find(|step| matches!(step.state(), StepState::Open | StepState::Late));
    match at_hand.map(CalibrationStep::kind) {
        Some(StepKind::Fire) => format!("care ring-fired {furnace}"),
        Some(StepKind::EnterSetpoint) => format!("adjustment confirm {furnace}"),
        Some(StepKind::Verify) => format!("reading add {furnace} --purpose verification"),
        Some(StepKind::Measure | StepKind::Unspecified) | None => format!("reading add {furnace}"),
    }
}

#[cfg(test)]
mod tests;
