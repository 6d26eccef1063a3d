//! Settles what needs somebody, and drops what is not wanted; both say who, how and when, and erase nothing.

use clap::Args;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::Reading;
use ringtrue_proto::v1::reading::Method;

use super::act::Act;
use super::entry::{Entry, State};
use super::file::Queue;
use super::sending;
use crate::failure::Stop;
use crate::quantity::{self, brief};
use crate::session::Session;
use crate::{moment, names, reading};

/// How an entry is settled.
#[derive(Debug, Args)]
pub(crate) struct Settlement {
    /// Entry, by its number.
    pub(super) number: i64,
    /// Confirms the values that the server asked about, by the question's code; may be repeated.
    #[arg(long, value_name = "CODE")]
    answer: Vec<String>,
    /// Tries it again as it is: what stood in its way was mended.
    #[arg(long)]
    again: bool,
    /// It is right as entered, whatever was changed or whichever clock was wrong meanwhile.
    #[arg(long)]
    as_given: bool,
    /// Takes the error of this computer's clock off its times.
    #[arg(long, conflicts_with_all = ["as_given", "fired", "measured", "at"])]
    clock: bool,
    /// Corrected diameters of a reading's only ring, mm.
    #[arg(long, value_name = "MM", num_args = 1.., value_parser = quantity::number, allow_negative_numbers = true)]
    diameters: Vec<f64>,
    /// Corrected setpoint, °C: of the firing, or as the panel shows it.
    #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
    setpoint: Option<f64>,
    /// Corrected end of the firing, in the site's zone.
    #[arg(long, value_name = "MOMENT")]
    fired: Option<String>,
    /// Corrected time of measuring.
    #[arg(long, value_name = "MOMENT")]
    measured: Option<String>,
    /// Corrected time of an adjustment, act, event or check.
    #[arg(long, value_name = "MOMENT")]
    at: Option<String>,
    /// Why a setpoint differs from the advised one.
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
}

/// Settles an entry; it waits again afterwards.
pub(super) async fn settle(ask: Settlement, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let number = ask.number;
    let mut queue = present(session)?;
    let _sole = sole(&queue)?;
    let mut entry = queue.entry(number)?;
    match entry.state {
        State::NeedsYou => {}
        State::Waiting => {
            return Err(Stop::Refused(format!(
                "Number {number} waits to be sent and needs nothing: `ringtrue queue send`."
            )));
        }
        State::Sent | State::Dropped => return Err(over(&entry)),
    }
    let who = session.operator.clone().unwrap_or_default();
    let now = session.bench.now(session.world.now);
    let how = changed(&mut entry, ask, session).await?;
    queue.settled(&entry, &who, &how.join("; "), now)?;
    session.say(&format!("Number {number} is settled: {}.", how.join("; ")))
}

fn over(entry: &Entry) -> Stop {
    let said = if entry.state == State::Sent {
        "on record"
    } else {
        "dropped"
    };
    Stop::Refused(format!(
        "Number {} is {said} already: `ringtrue queue show {}`.",
        entry.number, entry.number
    ))
}

fn present(session: &Session<'_, '_>) -> Result<Queue, Stop> {
    let queue = session.bench.queue()?;
    queue.ok_or_else(|| Stop::Missing("Nothing was ever queued on this computer.".to_owned()))
}

fn sole(queue: &Queue) -> Result<super::file::SoleSender, Stop> {
    let sole = queue.sole_sender()?;
    sole.ok_or_else(|| {
        Stop::Refused(
            "Another ringtrue on this computer is sending the queue. Wait for it, then try again."
                .to_owned(),
        )
    })
}

/// Changes an entry as asked; gives what was done in words.
async fn changed(
    entry: &mut Entry,
    mut ask: Settlement,
    session: &mut Session<'_, '_>,
) -> Result<Vec<String>, Stop> {
    let mut how = Vec::new();
    if ask.says_nothing() {
        how.extend(asked(entry, &mut ask, session)?);
    }
    let site = names::site_of(entry.new.act.subject()).to_owned();
    let now = session.world.now;
    for code in &ask.answer {
        let is_open = entry.obstacle.as_ref().is_some_and(|obstacle| {
            obstacle
                .questions
                .iter()
                .any(|question| question.code == *code)
        });
        if !is_open {
            return Err(Stop::Usage(format!(
                "Number {} has no open question {code}; `ringtrue queue show {}` lists them.",
                entry.number, entry.number
            )));
        }
    }
    let ahead_s = entry.new.clock_ahead_s;
    if ask.clock {
        let ahead_s = match ahead_s {
            Some(ahead_s) => ahead_s,
            None => present(session)?.clock_ahead_s()?.unwrap_or_default(),
        };
        sending::set_back(&mut entry.new.act, ahead_s);
        let zone = session.zone(&site).await?;
        how.push(format!(
            "the clock's error taken off: {}",
            sending::moments_said(&entry.new.act, &zone)
        ));
    }
    let moments = [
        (ask.fired.take(), "fired", Which::Fired),
        (ask.measured.take(), "measured", Which::Measured),
        (ask.at.take(), "at", Which::Act),
    ];
    for (text, word, which) in moments {
        let Some(text) = text else { continue };
        let at = session.moment(&text, &site, now).await?;
        put_moment(&mut entry.new.act, which, at)?;
        let zone = session.zone_known(&site).unwrap_or(TimeZone::UTC);
        how.push(format!("{word} {}", moment::brief(at, &zone)));
    }
    if ask.clock
        || ask.as_given
        || how
            .iter()
            .any(|it| it.starts_with("fired") || it.starts_with("at"))
    {
        // The times are a person's word by now.
        entry.new.clock_ahead_s = Some(0);
    }
    if ask.as_given {
        entry.new.believed_setpoint_c = entry
            .new
            .believed_setpoint_c
            .filter(|_| entry.new.act.adjustment().is_none());
        how.push("right as entered".to_owned());
    }
    if let Act::Reading(wanted) = &mut entry.new.act {
        let reading = wanted.reading.get_or_insert_default();
        values(reading, &mut ask, &mut how)?;
    } else if !ask.diameters.is_empty() || !ask.answer.is_empty() {
        return Err(Stop::Usage(
            "--diameters and --answer belong to readings.".to_owned(),
        ));
    }
    if let Act::Adjustment(wanted) = &mut entry.new.act {
        let adjustment = wanted.adjustment.get_or_insert_default();
        if let Some(setpoint) = ask.setpoint {
            adjustment.setpoint_c = setpoint;
            entry.new.believed_setpoint_c = None;
            how.push(format!("the panel shows {} °C", brief(setpoint, 2)));
        }
        if let Some(why) = ask.why.take() {
            how.push(format!("why it differs: {why}"));
            adjustment.override_reason = why;
        }
    }
    if ask.again {
        how.push("tried again".to_owned());
    }
    if how.is_empty() {
        return Err(Stop::Usage(format!(
            "Say how number {} is settled; `ringtrue queue show {}` names the ways.",
            entry.number, entry.number
        )));
    }
    Ok(how)
}

impl Settlement {
    fn says_nothing(&self) -> bool {
        self.answer.is_empty()
            && self.diameters.is_empty()
            && !(self.again || self.as_given || self.clock)
            && self.setpoint.is_none()
            && [&self.fired, &self.measured, &self.at, &self.why]
                .iter()
                .all(|text| text.is_none())
    }
}

/// Asks the person at the terminal about a reading's open questions.
fn asked(
    entry: &mut Entry,
    ask: &mut Settlement,
    session: &mut Session<'_, '_>,
) -> Result<Vec<String>, Stop> {
    let questions = entry
        .obstacle
        .as_ref()
        .map(|it| it.questions.clone())
        .unwrap_or_default();
    if !session.converses() || questions.is_empty() {
        return Ok(Vec::new());
    }
    let Act::Reading(wanted) = &mut entry.new.act else {
        return Ok(Vec::new());
    };
    let reading = wanted.reading.get_or_insert_default();
    let before = reading.clone();
    reading::questions::settle(reading, &questions, session)?;
    ask.again = *reading == before;
    Ok(vec!["questions answered at the terminal".to_owned()])
}

fn values(reading: &mut Reading, ask: &mut Settlement, how: &mut Vec<String>) -> Result<(), Stop> {
    for code in std::mem::take(&mut ask.answer) {
        how.push(format!("{code} confirmed"));
        reading.answered_questions.push(code);
    }
    if let Some(setpoint) = ask.setpoint {
        how.push(format!("set to {} °C", brief(setpoint, 2)));
        reading.setpoint_c = Some(setpoint);
    }
    if ask.diameters.is_empty() {
        return Ok(());
    }
    match &mut reading.method {
        Some(Method::Rings(measured)) if measured.rings.len() == 1 => {
            let mut said = Vec::new();
            for diameter in &ask.diameters {
                said.push(brief(*diameter, 4));
            }
            how.push(format!("diameters {} mm", said.join(" ")));
            measured.rings[0].diameters_mm = std::mem::take(&mut ask.diameters);
            Ok(())
        }
        _ => Err(Stop::Usage(
            "--diameters corrects a reading of one ring. Drop this entry with a reason and add the reading anew.".to_owned(),
        )),
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Which {
    Fired,
    Measured,
    Act,
}

fn put_moment(act: &mut Act, which: Which, at: jiff::Timestamp) -> Result<(), Stop> {
    let place = match (which, act) {
        (Which::Fired, Act::Reading(ask)) => &mut ask.reading.get_or_insert_default().fire_time,
        (Which::Measured, Act::Reading(ask)) => {
            &mut ask.reading.get_or_insert_default().measure_time
        }
        (Which::Act, Act::Adjustment(ask)) => {
            &mut ask.adjustment.get_or_insert_default().adjust_time
        }
        (Which::Act, Act::Care(ask)) => &mut ask.act.get_or_insert_default().act_time,
        (Which::Act, Act::Event(ask)) => &mut ask.event.get_or_insert_default().event_time,
        (Which::Act, Act::GaugeCheck(ask)) => &mut ask.check.get_or_insert_default().check_time,
        _ => {
            return Err(Stop::Usage(
                "--fired and --measured belong to readings, --at to everything else.".to_owned(),
            ));
        }
    };
    *place = Some(moment::sent(at));
    Ok(())
}

/// Drops an entry with a reason.
pub(super) fn dropped(
    number: i64,
    reason: &str,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let reason = reason.trim();
    if reason.is_empty() {
        return Err(Stop::Usage(
            "--reason is empty: say why it is dropped.".to_owned(),
        ));
    }
    let mut queue = present(session)?;
    let _sole = sole(&queue)?;
    let entry = queue.entry(number)?;
    if matches!(entry.state, State::Sent | State::Dropped) {
        return Err(over(&entry));
    }
    let who = session.operator.clone().unwrap_or_default();
    let now = session.bench.now(session.world.now);
    queue.dropped(number, &who, reason, now)?;
    if session.json {
        return session.show(&super::shown::as_json(&queue.entry(number)?).to_string());
    }
    session.say(&format!(
        "Number {number} is dropped and will not be sent. It stays readable: `ringtrue queue show {number}`."
    ))?;
    if entry.was_tried && entry.state == State::Waiting {
        session.say(&format!(
            "It was on its way once, so it may be on record all the same. Look when the server answers; its request id is \
             {}.",
            entry.new.act.request_id()
        ))?;
    }
    Ok(())
}
