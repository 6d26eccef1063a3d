//! `ringtrue care`: what was done about tasks, left out or put off, and what was counted.

use clap::{Args, Subcommand};
use jiff::civil::Date;
use ringtrue_proto::v1::{
    CareAct, CareActKind, DueState, ListCareActsRequest, ListCareActsResponse, ListDueTasksRequest,
    RecordCareActRequest, RecordCareActResponse, TaskKind,
};

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::FURNACE;
use crate::quantity::{self, brief};
use crate::queue::{self, Act};
use crate::session::{Repeatable, Session, gathered};
use crate::site::shown_list;
use crate::{cautions, day, due, moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue care ring-fired k2                  a ring is in; measure it when cold
  ringtrue care done purge-firing k2 --chamber-empty
  ringtrue care defer bead-replacement k2 --until friday --why 'beads are ordered'
  ringtrue care skip tray-replacement k2 --why 'the tray is new'
  ringtrue care use k2 --from monday --until today --firings 9 --hours 31,5
  ringtrue care rings x7 --left 12
Calibrations are recorded with `ringtrue reading add`, gauge checks with
`ringtrue gauge check`.";

/// What to do with care.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Records that a care task was done.
    Done {
        #[command(flatten)]
        what: What,
        /// When, in the site's zone, for example "friday 14:00"; now when left out.
        #[arg(long, value_name = "MOMENT")]
        at: Option<String>,
        /// Says that the chamber was empty the whole time; needed for purge and regeneration firings.
        #[arg(long)]
        chamber_empty: bool,
        #[command(flatten)]
        by: Who,
    },
    /// Leaves a care task out this time.
    Skip {
        #[command(flatten)]
        what: What,
        /// Why. No person's name.
        #[arg(long, value_name = "TEXT")]
        why: String,
        #[command(flatten)]
        by: Who,
    },
    /// Puts a care task off until a day, at most 31 days ahead.
    Defer {
        #[command(flatten)]
        what: What,
        /// Day until which it waits: 2026-12-04, tomorrow or the next friday.
        #[arg(long, value_name = "DAY")]
        until: String,
        /// Why. No person's name.
        #[arg(long, value_name = "TEXT")]
        why: String,
        #[command(flatten)]
        by: Who,
    },
    /// Records that a test ring was put in; its measurement is still to come.
    RingFired {
        /// Furnace, for example k2.
        furnace: String,
        /// End of its firing as far as known, in the site's zone; now when left out.
        #[arg(long, value_name = "MOMENT")]
        at: Option<String>,
        #[command(flatten)]
        by: Who,
    },
    /// Records firings and hours at sintering temperature that were counted for some days.
    Use {
        /// Furnace, for example k2.
        furnace: String,
        /// First day counted: 2026-11-23, yesterday or the latest monday.
        #[arg(long, value_name = "DAY")]
        from: String,
        /// Last day counted; the first when left out.
        #[arg(long, value_name = "DAY")]
        until: Option<String>,
        /// Firings on those days.
        #[arg(long, value_name = "COUNT", allow_negative_numbers = true)]
        firings: Option<i32>,
        /// Hours at sintering temperature on those days.
        #[arg(long, value_name = "HOURS", value_parser = quantity::number, allow_hyphen_values = true)]
        hours: Option<f64>,
        #[command(flatten)]
        by: Who,
    },
    /// Records how many rings of a batch are left at the site.
    Rings {
        /// Batch, for example x7.
        batch: String,
        /// Rings left.
        #[arg(long, value_name = "COUNT", allow_negative_numbers = true)]
        left: i32,
        #[command(flatten)]
        by: Who,
    },
    /// Lists what was recorded at the site, latest first.
    List {
        /// Only about this furnace.
        #[arg(long, value_name = "FURNACE", conflicts_with = "batch")]
        furnace: Option<String>,
        /// Only about this batch of rings.
        #[arg(long, value_name = "BATCH")]
        batch: Option<String>,
        #[command(flatten)]
        limit: Limit,
    },
}

/// A task and its furnace.
#[derive(Debug, Args)]
pub(crate) struct What {
    /// Task.
    #[arg(value_parser = words::one_of(words::CARE_TASKS))]
    task: TaskKind,
    /// Furnace, for example k2.
    furnace: String,
}

/// Who, and whether it is a repeat.
#[derive(Debug, Args)]
pub(crate) struct Who {
    /// Initials or staff code of who did it; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    #[command(flatten)]
    repeat: Repeat,
    #[command(flatten)]
    line: queue::Line,
}

impl Ask {
    /// What becomes of it when no server answers; none of what only looks.
    fn line(&self) -> Option<&queue::Line> {
        match self {
            Ask::Done { by, .. }
            | Ask::Skip { by, .. }
            | Ask::Defer { by, .. }
            | Ask::RingFired { by, .. }
            | Ask::Use { by, .. }
            | Ask::Rings { by, .. } => Some(&by.line),
            Ask::List { .. } => None,
        }
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if let Some(line) = ask.line() {
        queue::first(line, session).await?;
    }
    match ask {
        Ask::Done {
            what,
            at,
            chamber_empty,
            by,
        } => done(what, at.as_deref(), chamber_empty, by, session).await,
        Ask::Skip { what, why, by } => {
            let act = CareAct {
                kind: CareActKind::Skipped.into(),
                task: what.task.into(),
                subject: session.named(&what.furnace, FURNACE).await?,
                reason: why,
                ..CareAct::default()
            };
            recorded(act, None, by, session).await
        }
        Ask::Defer {
            what,
            until,
            why,
            by,
        } => {
            let subject = session.named(&what.furnace, FURNACE).await?;
            let repeatable = session.repeatable(by.repeat.request_id.as_deref())?;
            let today = today(&subject, &repeatable, session).await?;
            let until = day::coming(&until, today).map_err(Stop::Usage)?;
            let act = CareAct {
                kind: CareActKind::Deferred.into(),
                task: what.task.into(),
                subject,
                deferred_until_date: Some(day::sent(until)),
                reason: why,
                ..CareAct::default()
            };
            kept(act, None, by.by, repeatable, session).await
        }
        Ask::RingFired { furnace, at, by } => {
            let act = CareAct {
                kind: CareActKind::RingFired.into(),
                task: TaskKind::Calibration.into(),
                subject: session.named(&furnace, FURNACE).await?,
                ..CareAct::default()
            };
            recorded(act, at.as_deref(), by, session).await
        }
        Ask::Use {
            furnace,
            from,
            until,
            firings,
            hours,
            by,
        } => {
            if firings.is_none() && hours.is_none() {
                return Err(Stop::Usage(
                    "Give --firings, --hours or both: what was counted on those days.".to_owned(),
                ));
            }
            let subject = session.named(&furnace, FURNACE).await?;
            let repeatable = session.repeatable(by.repeat.request_id.as_deref())?;
            let today = today(&subject, &repeatable, session).await?;
            let from = day::past(&from, today).map_err(Stop::Usage)?;
            let until = match until {
                Some(text) => day::past(&text, today).map_err(Stop::Usage)?,
                None => from,
            };
            let act = CareAct {
                kind: CareActKind::UseCounted.into(),
                subject,
                from_date: Some(day::sent(from)),
                until_date: Some(day::sent(until)),
                firings: firings.unwrap_or_default(),
                hours_hot: hours.unwrap_or_default(),
                ..CareAct::default()
            };
            kept(act, None, by.by, repeatable, session).await
        }
        Ask::Rings { batch, left, by } => {
            let act = CareAct {
                kind: CareActKind::RingsCounted.into(),
                task: TaskKind::RingStock.into(),
                subject: names::batch(&batch).map_err(Stop::Usage)?,
                rings_left: left,
                ..CareAct::default()
            };
            recorded(act, None, by, session).await
        }
        Ask::List {
            furnace,
            batch,
            limit,
        } => list(furnace, batch, limit.limit, session).await,
    }
}

/// The day at the site of something, at the moment that a request stands for.
async fn today(
    subject: &str,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<Date, Stop> {
    let zone = session.zone(names::site_of(subject)).await?;
    Ok(day::of(repeatable.now, &zone))
}

/// Records a task as done, its cautions told before.
async fn done(
    what: What,
    at: Option<&str>,
    chamber_empty: bool,
    by: Who,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let subject = session.named(&what.furnace, FURNACE).await?;
    if !session.json {
        mind(&subject, what.task, session).await?;
    }
    let wants_empty = matches!(
        what.task,
        TaskKind::PurgeFiring | TaskKind::ElementRegeneration
    );
    if wants_empty && !chamber_empty {
        if !session.converses() {
            return Err(crate::session::lacking("--chamber-empty"));
        }
        let question = "Was the chamber empty the whole time: no restorations, no test rings?";
        if !session.agreed(question)? {
            return Err(Stop::Refused(format!(
                "Nothing was recorded. A {} counts as done only with the chamber empty. Do not \
                 use work that was inside; fire again with the chamber empty, then record it.",
                due::spoken(what.task)
            )));
        }
    }
    let act = CareAct {
        kind: CareActKind::Done.into(),
        task: what.task.into(),
        subject,
        chamber_was_empty: wants_empty,
        ..CareAct::default()
    };
    recorded(act, at, by, session).await
}

/// Says the cautions for a task beside the result.
async fn mind(subject: &str, task: TaskKind, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListDueTasksRequest {
        parent: names::site_of(subject).to_owned(),
        page_size: 1,
        tasks: vec![task.into()],
        all: true,
        subject: subject.to_owned(),
        ..ListDueTasksRequest::default()
    };
    let mut given = Vec::new();
    if !session.is_cut_off() {
        match session.remote.due_tasks(ask).await {
            Ok(answer) => {
                let task = answer.tasks.into_iter().next();
                given = task.unwrap_or_default().cautions;
            }
            Err(failure) => session.cut_off(Stop::from(failure))?,
        }
    }
    let columns = session.world.columns;
    match cautions::minded(&given, true, columns, session.world.colour) {
        Some(text) => session.say(&format!("{text}\n")),
        None => session.say("`ringtrue cautions` tells what to mind."),
    }
}

async fn recorded(
    act: CareAct,
    at: Option<&str>,
    by: Who,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let repeatable = session.repeatable(by.repeat.request_id.as_deref())?;
    kept(act, at, by.by, repeatable, session).await
}

async fn kept(
    act: CareAct,
    at: Option<&str>,
    by: Option<String>,
    repeatable: Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let site = if act.subject.starts_with("sites/") {
        names::site_of(&act.subject).to_owned()
    } else {
        session.site_name().await?
    };
    let at = match at {
        Some(text) => session.moment(text, &site, repeatable.now).await?,
        None => repeatable.now,
    };
    let ask = RecordCareActRequest {
        parent: site.clone(),
        act: Some(CareAct {
            act_time: Some(moment::sent(at)),
            performed_by: session.who(by),
            ..act
        }),
        request_id: repeatable.request_id.clone(),
    };
    let answer = queue::recorded(Act::Care(ask), session).await?;
    told(&answer.care(), &site, session).await
}

/// Shows what was recorded, and what is due next.
async fn told(
    answer: &RecordCareActResponse,
    site: &str,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        return session.show_json("RecordCareActResponse", answer);
    }
    let zone = session.zone(site).await?;
    let today = day::of(session.world.now, &zone);
    let act = answer.act.clone().unwrap_or_default();
    let when = moment::received(act.act_time.as_ref());
    let lines = [
        ("Recorded", act.name.clone()),
        (
            "What",
            words::word(words::CARE_ACTS, act.kind()).replace('-', " "),
        ),
        ("Task", task(&act)),
        ("Of", act.subject.clone()),
        (
            "When",
            when.map(|at| moment::shown(at, &zone)).unwrap_or_default(),
        ),
        ("Figures", figures(&act, today)),
        ("Why", act.reason.clone()),
        ("By", act.performed_by.clone()),
    ];
    session.show(&output::card(&lines, session.world.columns))?;
    session.say(&follows(answer, today))
}

/// Says what is due next.
fn follows(answer: &RecordCareActResponse, today: Date) -> String {
    match &answer.next {
        Some(next) => {
            let what = due::titled(next, false);
            let when = due::when(next, today);
            // What is not due yet needs nobody now.
            let todo = match next.next_step.as_str() {
                step if !step.is_empty() && next.state() != DueState::Current => format!(" {step}"),
                _ => String::new(),
            };
            format!("Recorded. Next comes {what}, {when}.{todo}")
        }
        None => "Recorded. Nothing more is due of this; `ringtrue due` shows the rest.".to_owned(),
    }
}

/// The task in words; nothing where an act has none.
fn task(act: &CareAct) -> String {
    match act.task() {
        TaskKind::Unspecified => String::new(),
        kind => due::spoken(kind),
    }
}

/// What was counted, or until when something waits, with units.
fn figures(act: &CareAct, today: Date) -> String {
    let shown = |date: Option<&ringtrue_proto::Date>| {
        let date = day::received(date);
        date.map(|date| day::shown(date, today)).unwrap_or_default()
    };
    match act.kind() {
        CareActKind::Deferred => {
            format!("waits until {}", shown(act.deferred_until_date.as_ref()))
        }
        CareActKind::UseCounted => {
            let (from, until) = (
                shown(act.from_date.as_ref()),
                shown(act.until_date.as_ref()),
            );
            let days = if from == until || until.is_empty() {
                from
            } else {
                format!("{from} to {until}")
            };
            let unit = if act.firings == 1 {
                "firing"
            } else {
                "firings"
            };
            format!(
                "{days}: {} {unit}, {} h hot",
                act.firings,
                brief(act.hours_hot, 1)
            )
        }
        CareActKind::RingsCounted => format!("{} left", act.rings_left),
        CareActKind::Done if act.chamber_was_empty => "chamber empty".to_owned(),
        CareActKind::Done
        | CareActKind::Skipped
        | CareActKind::RingFired
        | CareActKind::Unspecified => String::new(),
    }
}

async fn list(
    furnace: Option<String>,
    batch: Option<String>,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let subject = match (furnace, batch) {
        (Some(furnace), _) => session.named(&furnace, FURNACE).await?,
        (None, Some(batch)) => names::batch(&batch).map_err(Stop::Usage)?,
        (None, None) => String::new(),
    };
    let parent = if subject.starts_with("sites/") {
        names::site_of(&subject).to_owned()
    } else {
        session.site_name().await?
    };
    let remote = session.remote.clone();
    let (acts, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListCareActsRequest {
            parent: parent.clone(),
            page_size,
            page_token,
            subject: subject.clone(),
        };
        let page = remote.care_acts(ask).await?;
        Ok((page.acts, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListCareActsResponse {
            acts,
            next_page_token,
        };
        return session.show_json("ListCareActsResponse", &whole);
    }
    let zone = session.zone(&parent).await?;
    let today = day::of(session.world.now, &zone);
    let mut rows = Vec::new();
    for act in &acts {
        let when = moment::received(act.act_time.as_ref());
        let what = words::word(words::CARE_ACTS, act.kind()).replace('-', " ");
        let task = match act.kind() {
            CareActKind::Done | CareActKind::Skipped | CareActKind::Deferred => {
                format!("{}: {what}", task(act))
            }
            _ => what,
        };
        let mut notes = figures(act, today);
        if !act.reason.is_empty() {
            let gap = if notes.is_empty() { "" } else { "; " };
            notes = format!("{notes}{gap}{}", act.reason);
        }
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            names::id(&act.subject).to_owned(),
            task,
            act.performed_by.clone(),
            notes,
        ]);
    }
    let headings = ["when", "of", "what", "by", "note"];
    shown_list("records of care", &headings, &rows, more, session)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::DueTask;

    fn date(text: &str) -> ringtrue_proto::Date {
        day::sent(text.parse().expect("a day"))
    }

    #[test]
    fn figures_carry_their_units_and_days() {
        let today: Date = "2026-11-27".parse().expect("a day");
        let counted = CareAct {
            kind: CareActKind::UseCounted.into(),
            from_date: Some(date("2026-11-23")),
            until_date: Some(date("2026-11-27")),
            firings: 9,
            hours_hot: 31.5,
            ..CareAct::default()
        };
        assert_eq!(
            figures(&counted, today),
            "Mon 23 Nov to Fri 27 Nov: 9 firings, 31.5 h hot"
        );
        let one = CareAct {
            firings: 1,
            until_date: counted.from_date,
            ..counted
        };
        assert_eq!(figures(&one, today), "Mon 23 Nov: 1 firing, 31.5 h hot");
        let deferred = CareAct {
            kind: CareActKind::Deferred.into(),
            deferred_until_date: Some(date("2027-01-04")),
            ..CareAct::default()
        };
        assert_eq!(figures(&deferred, today), "waits until Mon 4 Jan 2027");
        let rings = CareAct {
            kind: CareActKind::RingsCounted.into(),
            rings_left: 12,
            ..CareAct::default()
        };
        assert_eq!(figures(&rings, today), "12 left");
    }

    #[test]
    fn what_is_due_next_is_said_after_recording() {
        let today: Date = "2026-11-27".parse().expect("a day");
        let answer = RecordCareActResponse {
            act: None,
            next: Some(DueTask {
                task: TaskKind::PurgeFiring.into(),
                subject: "sites/porto/furnaces/k2".to_owned(),
                subject_display_name: "K2".to_owned(),
                due_date: Some(date("2026-12-25")),
                state: DueState::Current.into(),
                ..DueTask::default()
            }),
        };
        assert_eq!(
            follows(&answer, today),
            "Recorded. Next comes K2: purge firing, due Fri 25 Dec (in 28 days)."
        );
        let nothing = RecordCareActResponse::default();
        assert!(follows(&nothing, today).contains("`ringtrue due`"));
    }
}
