//! `ringtrue use`: whether a furnace may be used, from its records.

use clap::Args;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{CheckUseRequest, CheckUseResponse, DueState, DueTask, UseState};

use crate::failure::{Stop, exit};
use crate::names::{FURNACE, PROGRAMME};
use crate::quantity::brief;
use crate::session::Session;
use crate::term::{Ink, ink};
use crate::{due, moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue use k2                        may K2 be used now?
  ringtrue use k2 --programme standard   and what must be on the controller?
  ringtrue use k2 --json || echo 'ask first'

Exit codes of this command:
   0  fit for use; reasons may still warn
   9  restricted: only for work that the reasons do not exclude
  10  not for patients' work until the reasons are mended
Every other code says that there is no answer (see `ringtrue --help`); do not take
it for yes.

The answer comes from records. It cannot see the furnace and cannot stop it.";

/// What is asked.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Furnace, for example k2, porto/k2 or sites/porto/furnaces/k2.
    furnace: String,
    /// Programme that is to be fired, for example standard; any when left out.
    #[arg(long, value_name = "PROGRAMME")]
    programme: Option<String>,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let furnace = session.named(&ask.furnace, FURNACE).await?;
    let programme = match ask.programme {
        None => String::new(),
        Some(text) => match names::spelled_out(&text, PROGRAMME) {
            Some(name) => name,
            None => names::below(&furnace, "programmes", names::id(&text)).map_err(Stop::Usage)?,
        },
    };
    let answer = session.remote.check_use(CheckUseRequest {
        furnace: furnace.clone(),
        programme: programme.clone(),
    });
    let answer = answer.await?;
    if session.json {
        session.show_json("CheckUseResponse", &answer)?;
    } else {
        let zone = session.zone(names::site_of(&furnace)).await?;
        let view = View {
            zone: &zone,
            now: session.world.now,
            programme: names::id(&programme),
            columns: session.world.columns,
            colour: session.world.colour,
        };
        session.show(&drawn(&answer, &view))?;
    }
    match answer.state() {
        UseState::Fit => Ok(()),
        UseState::Restricted => Err(Stop::Answered(exit::RESTRICTED)),
        UseState::Unfit => Err(Stop::Answered(exit::UNFIT)),
        UseState::Unspecified => Err(Stop::Broken(
            "The server gave no answer that this program knows; a newer one may.".to_owned(),
        )),
    }
}

/// How the answer is drawn.
struct View<'z> {
    zone: &'z TimeZone,
    now: Timestamp,
    programme: &'z str,
    columns: u16,
    colour: bool,
}

fn drawn(answer: &CheckUseResponse, view: &View<'_>) -> String {
    let colour = match answer.state() {
        UseState::Fit => Ink::Calm,
        UseState::Restricted => Ink::Act,
        UseState::Unfit | UseState::Unspecified => Ink::Alarm,
    };
    let state = words::word(words::USE_STATES, answer.state());
    let head = format!("{}: {state}", names::id(&answer.furnace));
    let mut parts = vec![ink(&head, colour, view.colour)];
    let mut why = Vec::new();
    for reason in &answer.reasons {
        why.push(reason.text.clone());
    }
    if !why.is_empty() {
        parts.push(output::marked("-", &why, view.columns));
    }
    let at = |stamp: Option<&prost_types::Timestamp>| {
        moment::received(stamp).map(|at| moment::shown(at, view.zone))
    };
    let setpoint = match (answer.setpoint_c, view.programme) {
        (Some(setpoint), programme) => {
            format!(
                "{} °C on the controller for programme {programme}",
                brief(setpoint, 2)
            )
        }
        (None, "") => "name the --programme to see it".to_owned(),
        (None, programme) => format!("not known for programme {programme}"),
    };
    let until = match at(answer.valid_until_time.as_ref()) {
        Some(until) => format!("{until}, if nothing is recorded meanwhile"),
        None => "no end is foreseen".to_owned(),
    };
    let calibration = answer.calibration.as_ref();
    let lines = [
        ("Do next", next_step(calibration)),
        ("Setpoint", setpoint),
        ("Holds until", until),
        (
            "Calibration",
            calibration
                .map(|task| due(task, view.now))
                .unwrap_or_default(),
        ),
        ("As of", at(answer.as_of_time.as_ref()).unwrap_or_default()),
    ];
    parts.push(output::card(&lines, view.columns));
    if !answer.caution.is_empty() {
        parts.push(output::marked(
            "!",
            std::slice::from_ref(&answer.caution),
            view.columns,
        ));
    }
    parts.join("\n\n")
}

/// What to do about the calibration; nothing while it is not due.
fn next_step(calibration: Option<&DueTask>) -> String {
    match calibration {
        Some(task) if task.state() != DueState::Current => task.next_step.clone(),
        _ => String::new(),
    }
}

fn due(task: &DueTask, now: Timestamp) -> String {
    due::when(task, due::today(task, now))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::Reason;

    fn restricted() -> CheckUseResponse {
        let stamp = |seconds| Some(prost_types::Timestamp { seconds, nanos: 0 });
        CheckUseResponse {
            furnace: "sites/porto/furnaces/k2".to_owned(),
            state: UseState::Restricted.into(),
            reasons: vec![Reason {
                code: "UNDECIDED".to_owned(),
                text: "Whether it is in tolerance is undecided; fire a second ring.".to_owned(),
            }],
            setpoint_c: Some(1481.0),
            valid_until_time: stamp(1_795_795_200),
            as_of_time: stamp(1_795_421_520),
            calibration: Some(DueTask {
                due_date: Some(ringtrue_proto::Date {
                    year: 2026,
                    month: 11,
                    day: 27,
                }),
                state: DueState::DueSoon.into(),
                next_step: "Fire a ring on Friday.".to_owned(),
                time_zone: "Europe/Lisbon".to_owned(),
                ..DueTask::default()
            }),
            caution: "It cannot see the furnace; the maker's instructions decide.".to_owned(),
        }
    }

    #[test]
    fn the_answer_comes_first_then_why_the_setpoint_and_how_long_it_holds() {
        let view = View {
            zone: &TimeZone::get("Europe/Lisbon").expect("a zone of the tz database"),
            now: "2026-11-23T08:12:00Z".parse().expect("a moment"),
            programme: "standard",
            columns: 100,
            colour: false,
        };
        let expected = "\
k2: RESTRICTED

-  Whether it is in tolerance is undecided; fire a second ring.

Do next      Fire a ring on Friday.
Setpoint     1481 °C on the controller for programme standard
Holds until  Friday 27 November 2026 16:00 WET, if nothing is recorded meanwhile
Calibration  due soon: Fri 27 Nov (in 4 days)
As of        Monday 23 November 2026 08:12 WET

!  It cannot see the furnace; the maker's instructions decide.";
        assert_eq!(drawn(&restricted(), &view), expected);
        let narrow = View {
            columns: 44,
            ..view
        };
        for line in drawn(&restricted(), &narrow).lines() {
            assert!(line.chars().count() <= 44, "{line}");
        }
    }
}
