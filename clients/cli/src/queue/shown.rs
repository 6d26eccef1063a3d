//! How the queue is shown: what waits, what became of it, and the server's advice beside the provisional figure.

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{Advice, Evaluation};
use serde_json::{Value, json};

use super::act::{Act, Answer};
use super::bench::{age, clock_words};
use super::entry::{CLOCK_AHEAD, Entry, SETPOINT_CHANGED, State};
use super::file::Happening;
use crate::failure::Stop;
use crate::quantity::{brief, fixed, signed};
use crate::session::Session;
use crate::{moment, names, output};

/// Headings of the list.
const HEADINGS: [&str; 5] = ["no", "of", "what", "age", "state"];
/// Figures shown to a decimal are the same below this, °C.
const SAME_C: f64 = 0.05;

/// Lists entries.
pub(super) fn list(entries: &[Entry], session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        let listed: Vec<Value> = entries.iter().map(as_json).collect();
        return session.show(&json!({ "entries": listed }).to_string());
    }
    if entries.is_empty() {
        return session.say("Nothing waits in the queue of this computer.");
    }
    let now = session.bench.now(session.world.now);
    let mut rows = Vec::new();
    for entry in entries {
        rows.push(vec![
            entry.number.to_string(),
            names::with_site(entry.new.act.subject()),
            entry.new.act.words(),
            age(entry.new.entered_at, now),
            state(entry, entries),
        ]);
    }
    let drawn = output::table(&HEADINGS, &rows, session.world.columns);
    session.show(&drawn)
}

/// Where an entry stands, in a few words.
fn state(entry: &Entry, all: &[Entry]) -> String {
    match entry.state {
        State::Waiting => {
            let subject = entry.new.act.subject();
            let pending = |other: &&Entry| matches!(other.state, State::Waiting | State::NeedsYou);
            let ahead = all
                .iter()
                .filter(pending)
                .find(|other| other.number < entry.number && other.new.act.subject() == subject);
            match ahead {
                Some(ahead) => format!("waits behind {}", ahead.number),
                None => "waits".to_owned(),
            }
        }
        State::NeedsYou => "NEEDS YOU".to_owned(),
        State::Sent => "on record".to_owned(),
        State::Dropped => "dropped".to_owned(),
    }
}

/// Shows one entry whole.
pub(super) fn show(
    entry: &Entry,
    pending: &[Entry],
    history: &[Happening],
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        let mut object = as_json(entry);
        let mut told = Vec::new();
        for it in history {
            told.push(json!({ "time": it.at.to_string(), "who": it.who, "what": it.what }));
        }
        object["history"] = told.into();
        return session.show(&object.to_string());
    }
    let subject = entry.new.act.subject().to_owned();
    let zone = session
        .zone_known(names::site_of(&subject))
        .unwrap_or(TimeZone::UTC);
    let ended = match (entry.state, entry.ended_at) {
        (State::Sent, Some(at)) => format!("sent {}", moment::brief(at, &zone)),
        (State::Dropped, Some(at)) => {
            format!("dropped {}: {}", moment::brief(at, &zone), entry.ended_why)
        }
        _ => state(entry, pending),
    };
    let lines = [
        ("Number", entry.number.to_string()),
        ("Of", names::with_site(&subject)),
        ("What", entry.new.act.told(&zone)),
        ("Values", values(&entry.new.act)),
        ("Entered", moment::shown(entry.new.entered_at, &zone)),
        ("By", entry.new.entered_by.clone()),
        ("State", ended),
        (
            "Recorded as",
            entry
                .answer
                .as_ref()
                .map(|answer| answer.name().to_owned())
                .unwrap_or_default(),
        ),
        ("Request id", entry.new.act.request_id().to_owned()),
    ];
    let drawn = output::card(&lines, session.world.columns);
    session.show(&drawn)?;
    if let Some(words) = clock_words(entry.new.clock_ahead_s) {
        session.say(&format!("As it was entered: {words}"))?;
    }
    needs(entry, session)?;
    if let Some(Answer::Reading(answer)) = &entry.answer
        && let Some(evaluation) = answer
            .reading
            .as_ref()
            .and_then(|reading| reading.evaluation.as_ref())
    {
        let words = beside(entry, evaluation);
        let words = output::marked("-", &words, session.world.columns);
        session.show(&format!("\n{words}"))?;
    }
    session.show("\nHistory")?;
    let mut rows = Vec::new();
    for it in history {
        let who = if it.who.is_empty() { "-" } else { &it.who };
        rows.push(vec![
            moment::brief(it.at, &zone),
            who.to_owned(),
            it.what.clone(),
        ]);
    }
    let drawn = output::table(&["when", "who", "what"], &rows, session.world.columns);
    session.show(&drawn)
}

/// Says what is in an entry's way, and the ways out.
pub(super) fn needs(entry: &Entry, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let Some(obstacle) = &entry.obstacle else {
        return Ok(());
    };
    if entry.state == State::Waiting {
        session.say("The last try was not taken; the next sending tries again:")?;
        for line in &obstacle.lines {
            session.say(&format!("  {line}"))?;
        }
        return Ok(());
    }
    if entry.state != State::NeedsYou {
        return Ok(());
    }
    session.say("")?;
    session.say(&format!(
        "Number {} NEEDS YOU; it is not on record: {}, {}.",
        entry.number,
        names::with_site(entry.new.act.subject()),
        entry.new.act.words()
    ))?;
    for line in &obstacle.lines {
        session.say(&format!("  {line}"))?;
    }
    session.say("Ways out:")?;
    for (when, command) in ways(entry) {
        session.say(&format!("  {when}:"))?;
        // On one line whatever the width, to be copied.
        writeln!(session.world.err, "    ringtrue queue {command}")?;
    }
    Ok(())
}

/// The commands that end an obstacle, each with when it is the right one.
fn ways(entry: &Entry) -> Vec<(&'static str, String)> {
    let number = entry.number;
    let Some(obstacle) = &entry.obstacle else {
        return Vec::new();
    };
    let is_reading = entry.new.act.reading().is_some();
    let mut ways = Vec::new();
    match obstacle.reason.as_str() {
        _ if !obstacle.questions.is_empty() => {
            for question in &obstacle.questions {
                let code = &question.code;
                ways.push(("Right as typed", format!("settle {number} --answer {code}")));
            }
            let corrected = format!("settle {number} --diameters MM MM MM");
            ways.push(("Mistyped (or --setpoint, --fired)", corrected));
        }
        SETPOINT_CHANGED => {
            let shows = format!("settle {number} --setpoint C --at now");
            ways.push(("The panel shows this now", shows));
            let given = format!("settle {number} --as-given");
            ways.push(("The panel shows what was entered", given));
        }
        CLOCK_AHEAD => {
            ways.push((
                "The times came from that clock",
                format!("settle {number} --clock"),
            ));
            ways.push(("The times are right", format!("settle {number} --as-given")));
            let flag = if is_reading { "--fired" } else { "--at" };
            ways.push((
                "It was another time",
                format!("settle {number} {flag} MOMENT"),
            ));
        }
        _ if obstacle.by_itself => ways.push(("When that is mended", "send".to_owned())),
        _ => {
            ways.push(("When that is mended", format!("settle {number} --again")));
            let what = if is_reading {
                "Corrected (or --setpoint, --fired, --measured)"
            } else {
                "Corrected (or --setpoint)"
            };
            let flag = if is_reading {
                "--diameters MM MM MM"
            } else {
                "--at MOMENT"
            };
            ways.push((what, format!("settle {number} {flag}")));
        }
    }
    ways.push(("It is not wanted", format!("drop {number} --reason TEXT")));
    ways
}

/// What was typed, in a line.
pub(super) fn values(act: &Act) -> String {
    use ringtrue_proto::v1::reading::Method;
    match act {
        Act::Reading(ask) => {
            let Some(reading) = &ask.reading else {
                return String::new();
            };
            let mut said = vec![format!("programme {}", names::id(&reading.programme))];
            match &reading.method {
                Some(Method::Rings(measured)) => {
                    said.push(format!("batch {}", names::id(&measured.ring_batch)));
                    for ring in &measured.rings {
                        let mut diameters = Vec::new();
                        for diameter in &ring.diameters_mm {
                            diameters.push(brief(*diameter, 4));
                        }
                        said.push(
                            format!("{} {} mm", ring.position, diameters.join(" "))
                                .trim()
                                .to_owned(),
                        );
                    }
                }
                Some(Method::Thermocouple(_)) => said.push("thermocouple".to_owned()),
                None => {}
            }
            if let Some(setpoint) = reading.setpoint_c {
                said.push(format!("set to {} °C", brief(setpoint, 2)));
            }
            said.extend(Some(reading.note.clone()).filter(|note| !note.is_empty()));
            said.join(", ")
        }
        Act::Adjustment(ask) => {
            let adjustment = ask.adjustment.clone().unwrap_or_default();
            adjustment.override_reason
        }
        Act::Care(ask) => ask.act.clone().unwrap_or_default().reason,
        Act::Event(ask) => ask.event.clone().unwrap_or_default().note,
        Act::GaugeCheck(ask) => {
            let check = ask.check.clone().unwrap_or_default();
            let mut shown = Vec::new();
            for value in &check.measured_mm {
                shown.push(brief(*value, 4));
            }
            format!(
                "block {} mm, showed {} mm",
                brief(check.nominal_mm, 4),
                shown.join(" ")
            )
        }
    }
}

/// Says of readings that were sent what the server advises, beside what was shown here.
pub(super) fn sent_briefly(
    sent: &[(Entry, Answer)],
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    for (entry, answer) in sent {
        let Answer::Reading(answer) = answer else {
            continue;
        };
        let reading = answer.reading.clone().unwrap_or_default();
        let Some(evaluation) = &reading.evaluation else {
            continue;
        };
        session.say(&format!(
            "Number {}, reading of {}:",
            entry.number,
            names::with_site(entry.new.act.subject())
        ))?;
        for line in beside(entry, evaluation) {
            session.say(&format!("  {line}"))?;
        }
        // On one line whatever the width, to be copied.
        let id = names::id(&reading.name);
        let furnace = names::with_site(entry.new.act.subject());
        session.say("  The rest of it:")?;
        writeln!(session.world.err, "  ringtrue reading show {furnace}/{id}")?;
    }
    Ok(())
}

/// The server's advice, and how it relates to the provisional figure.
fn beside(entry: &Entry, evaluation: &Evaluation) -> Vec<String> {
    let mut lines = vec![format!("The server advises: {}", advice(evaluation))];
    let Some(provisional_c) = entry.new.provisional_c else {
        return lines;
    };
    lines.push(format!(
        "It replaces the PROVISIONAL {} °C shown here.",
        brief(provisional_c, 1)
    ));
    let plain_c = evaluation.plain_setpoint_c;
    // The figure shown here was rounded to a tenth.
    if evaluation.evaluable && (plain_c - provisional_c).abs() > 2.0 * SAME_C {
        let believed = entry.new.believed_setpoint_c;
        let reason = match believed {
            Some(believed_c) if (evaluation.present_setpoint_c - believed_c).abs() >= SAME_C => {
                format!(
                    "the controller is on record at {} °C, not at {} °C",
                    brief(evaluation.present_setpoint_c, 2),
                    brief(believed_c, 2)
                )
            }
            _ => "programme, gauge or batch have changed since this computer saw them".to_owned(),
        };
        lines.push(format!(
            "From this reading alone the server reckons {} °C: {reason}.",
            fixed(plain_c, 1)
        ));
    }
    if evaluation.evaluable && (evaluation.advised_setpoint_c - provisional_c).abs() >= SAME_C {
        lines.push(format!(
            "This reading alone makes the furnace {} °C off; all its readings together {} ± {} °C. The server weighs both, \
             and advises in the furnace's steps.",
            signed(evaluation.observed_offset_c, 1),
            signed(evaluation.offset_c, 1),
            fixed(2.0 * evaluation.offset_standard_uncertainty_c, 1)
        ));
    }
    lines.extend(evaluation.reasons.first().map(|reason| reason.text.clone()));
    lines
}

fn advice(evaluation: &Evaluation) -> String {
    let present = brief(evaluation.present_setpoint_c, 2);
    match evaluation.advice() {
        Advice::Adjust => format!("ENTER {} °C.", brief(evaluation.advised_setpoint_c, 2)),
        Advice::Leave => format!("LEAVE AT {present} °C."),
        Advice::FireAgain => format!("FIRE AGAIN, the controller left at {present} °C."),
        Advice::Service => "CALL SERVICE. No setpoint mends this.".to_owned(),
        Advice::Unspecified => "nothing; the reading is kept, not evaluated.".to_owned(),
    }
}

/// An entry for programs.
pub(super) fn as_json(entry: &Entry) -> Value {
    let mut object = json!({
        "number": entry.number,
        "what": entry.new.act.kind(),
        "subject": entry.new.act.subject(),
        "requestId": entry.new.act.request_id(),
        "state": entry.state.word(),
        "enteredTime": entry.new.entered_at.to_string(),
        "enteredBy": entry.new.entered_by,
        "clockAheadS": entry.new.clock_ahead_s,
        "provisionalSetpointC": entry.new.provisional_c,
    });
    if let Some(obstacle) = &entry.obstacle {
        let questions: Vec<&str> = obstacle
            .questions
            .iter()
            .map(|question| question.code.as_str())
            .collect();
        object["obstacle"] = json!({
            "reason": obstacle.reason,
            "message": obstacle.lines.join("\n"),
            "questions": questions,
        });
    }
    if let Some(answer) = &entry.answer {
        object["name"] = answer.name().into();
        object["clockAheadSentS"] = entry.clock_ahead_sent_s.into();
        if let Answer::Reading(answer) = answer
            && let Some(evaluation) = answer
                .reading
                .as_ref()
                .and_then(|reading| reading.evaluation.as_ref())
        {
            object["advice"] = evaluation.advice().as_str_name().into();
            object["advisedSetpointC"] = evaluation.advised_setpoint_c.into();
        }
    }
    if entry.state == State::Dropped {
        object["droppedBecause"] = entry.ended_why.clone().into();
    }
    object
}
