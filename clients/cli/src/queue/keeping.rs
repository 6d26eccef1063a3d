//! From a command to the queue: when an act waits, what is looked at before, and how that is told.

use clap::Args;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::{
    Furnace, FurnaceState, Gauge, GaugeState, Programme, RingBatch, RingBatchState,
};
use serde_json::json;

use super::act::{Act, Answer};
use super::bench::{Cut, age, clock_words};
use super::entry::{New, State};
use super::file::Put;
use super::known::{Knowable, Known};
use super::provisional::{self, Provisional};
use super::sending;
use crate::failure::{Stop, exit};
use crate::names;
use crate::session::Session;

/// What becomes of a command when no server answers.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Line {
    /// Asks no server: keeps it in the queue of this computer, to be sent later.
    #[arg(
        long,
        conflicts_with = "no_queue",
        help_heading = "When the line is down"
    )]
    offline: bool,
    /// Never keeps it in the queue: when no server answers, nothing is done.
    #[arg(long, help_heading = "When the line is down")]
    no_queue: bool,
    /// Keeps it although this computer cannot check furnace, batch, gauge or diameters.
    #[arg(
        long,
        conflicts_with = "no_queue",
        help_heading = "When the line is down"
    )]
    unchecked: bool,
}

/// Begins a command that may wait: what waits already is sent first.
///
/// # Errors
/// [`Stop`] when the queue is wanted and there is no place for it.
pub(crate) async fn first(line: &Line, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let has_place = session.bench.has_place();
    session.bench.may_wait = has_place && !line.no_queue;
    session.bench.unchecked = line.unchecked;
    if line.offline {
        if !has_place {
            return Err(crate::connection::no_home());
        }
        session.bench.cut = Some(Cut::Wanted);
        return Ok(());
    }
    let waiting = match session.bench.queue() {
        Ok(Some(queue)) => queue.pending_count(),
        Ok(None) => Ok(0),
        Err(stop) => Err(stop),
    };
    match waiting {
        Ok(0) => Ok(()),
        Ok(_) => Box::pin(sending::caught_up(session)).await,
        // A server that answers needs no queue.
        Err(stop) => {
            let words = stop.lines("").join("\n");
            session.say(&words)
        }
    }
}

/// Begins a command that only looks, and may do so without the server.
///
/// # Errors
/// [`Stop`] when it is to do so and there is no place to know anything from.
pub(crate) fn looking(line: &Line, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let has_place = session.bench.has_place();
    session.bench.may_wait = has_place && !line.no_queue;
    session.bench.unchecked = line.unchecked;
    if line.offline {
        if !has_place {
            return Err(crate::connection::no_home());
        }
        session.bench.cut = Some(Cut::Wanted);
    }
    Ok(())
}

/// Has an act recorded: by the server, or else by the queue, which ends the command.
///
/// # Errors
/// [`Stop::Answered`] with [`exit::QUEUED`] when it waits now; any other when it was refused.
pub(crate) async fn recorded(act: Act, session: &mut Session<'_, '_>) -> Result<Answer, Stop> {
    must_wait(act.subject(), session)?;
    if session.is_cut_off() {
        return Err(kept(act, None, session));
    }
    let request_id = act.request_id().to_owned();
    match act.clone().send(&session.remote).await {
        Ok(answer) => {
            said_clock(session)?;
            Ok(answer)
        }
        Err(failure) => {
            session.cut_off(Stop::of_change(failure, &request_id))?;
            Err(kept(act, None, session))
        }
    }
}

/// Looks whether something about the same thing waits: then whatever comes next waits behind it.
///
/// # Errors
/// [`Stop::Refused`] when it would have to wait and must not.
pub(crate) fn must_wait(subject: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.is_cut_off() {
        return Ok(());
    }
    // A queue that cannot be read was told of at the beginning.
    let Ok(Some(queue)) = session.bench.queue() else {
        return Ok(());
    };
    let Some(ahead) = queue.first_of(subject)? else {
        return Ok(());
    };
    let number = ahead.number;
    if !session.bench.may_wait {
        return Err(Stop::Refused(format!(
            "Entry {number} about {} waits in the queue and goes first. Settle it (`ringtrue queue show {number}`), or \
             leave --no-queue out.",
            names::with_site(subject)
        )));
    }
    session.bench.cut = Some(Cut::Behind(number));
    Ok(())
}

/// Says that this computer's clock is off, where the server has just shown its own.
pub(crate) fn said_clock(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if !session.bench.has_place() || session.json {
        return Ok(());
    }
    match clock_words(session.clock_ahead_s()) {
        Some(words) => session.say(&words),
        None => Ok(()),
    }
}

/// A provisional figure, or why there is none.
pub(crate) type Reckoned = Result<Provisional, String>;

/// Keeps an act in the queue and tells so; gives what ends the command.
pub(crate) fn kept(act: Act, figure: Option<&Reckoned>, session: &mut Session<'_, '_>) -> Stop {
    match put_and_told(act, figure, session) {
        Ok(()) => Stop::Answered(exit::QUEUED),
        Err(stop) => in_doubt(stop, session),
    }
}

/// Why an act is not kept, with the way to repeat it where a first try may have arrived all the same.
pub(crate) fn in_doubt(stop: Stop, session: &mut Session<'_, '_>) -> Stop {
    let Some((failure, request_id)) = session.bench.unsure.take() else {
        return stop;
    };
    match stop {
        Stop::Left => Stop::of_change(failure, &request_id),
        Stop::Refused(words) => Stop::Refused(format!(
            "{words} It is not certain whether a first try was recorded: repeat it with --request-id {request_id}."
        )),
        other => other,
    }
}

fn put_and_told(
    act: Act,
    figure: Option<&Reckoned>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let known = session.bench.known();
    if let Some(words) = unchecked(&act, known.as_ref(), session)? {
        session.say(&words)?;
    }
    let mut why = Some(why(session));
    if session.converses() && !matches!(session.bench.cut, Some(Cut::Wanted)) {
        session.say(&why.take().unwrap_or_default())?;
        if !session.agreed("Keep it in the queue of this computer, to be sent later?")? {
            return Err(Stop::Left);
        }
    }
    let kept = put(act, figure, session)?;
    if session.json {
        let object = json!({ "queued": {
            "number": kept.number,
            "what": kept.new.act.kind(),
            "subject": kept.new.act.subject(),
            "requestId": kept.new.act.request_id(),
            "enteredTime": kept.new.entered_at.to_string(),
            "enteredBy": kept.new.entered_by,
            "behind": kept.ahead,
            "clockAheadS": kept.new.clock_ahead_s,
            "provisionalSetpointC": kept.new.provisional_c,
            "noProvisionalBecause": figure.and_then(|figure| figure.as_ref().err()),
        }});
        return session.show(&object.to_string());
    }
    told(&kept, why.as_deref(), session)?;
    match figure {
        Some(Ok(figure)) => told_figure(figure, session),
        Some(Err(why)) => {
            session.show("")?;
            session.show_line(&format!("NO PROVISIONAL SETPOINT: {why}."))?;
            session.show_line("Leave the controller as it is until the server answers.")
        }
        None => Ok(()),
    }
}

/// An entry that is on the disk.
struct Kept {
    new: New,
    number: i64,
    /// The first entry about the same, when it is another.
    ahead: Option<i64>,
}

/// Puts an act into the queue with what is known as it is entered.
fn put(act: Act, figure: Option<&Reckoned>, session: &Session<'_, '_>) -> Result<Kept, Stop> {
    let mut queue = session.bench.queue_made()?;
    let figure = figure.and_then(|figure| figure.as_ref().ok());
    let believed_setpoint_c = match act.adjustment() {
        Some(adjustment) => believed(&adjustment.programme, session)?,
        None => figure.map(|figure| figure.set_c),
    };
    let entered_by = match act.who() {
        "" => session.operator.clone().unwrap_or_default(),
        who => who.to_owned(),
    };
    let clock_ahead_s = match session.clock_ahead_s() {
        Some(ahead_s) => Some(ahead_s),
        None => queue.clock_ahead_s()?,
    };
    let new = New {
        act,
        entered_by,
        entered_at: session.bench.now(session.world.now),
        clock_ahead_s,
        believed_setpoint_c,
        provisional_c: figure.map(|figure| figure.setpoint_c),
    };
    let number = match queue.put(&new)? {
        Put::As(number) => number,
        Put::Already(number) => {
            let state = queue.entry(number)?.state;
            if matches!(state, State::Sent | State::Dropped) {
                return Err(Stop::Refused(format!(
                    "Entry {number} of the queue has this request id, and waits no more: `ringtrue queue show {number}`."
                )));
            }
            number
        }
    };
    let first = queue.first_of(new.act.subject())?;
    let ahead = first
        .map(|entry| entry.number)
        .filter(|first| *first != number);
    Ok(Kept { new, number, ahead })
}

/// Tells that an act waits, where, why unless that was said, and until when.
fn told(kept: &Kept, why: Option<&str>, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let subject = kept.new.act.subject();
    let zone = session.zone_known(names::site_of(subject));
    let zone = zone.unwrap_or(TimeZone::UTC);
    session.show_line(&format!(
        "QUEUED as number {}. It is not recorded yet.",
        kept.number
    ))?;
    session.show_line(&format!(
        "  {}: {}",
        names::with_site(subject),
        kept.new.act.told(&zone)
    ))?;
    if let Some(why) = why {
        session.say(why)?;
    }
    if let Some(ahead) = kept.ahead {
        session.say(&format!(
            "It goes behind number {ahead}, which is about the same."
        ))?;
    }
    session.say(
        "It is sent by the next command that reaches the server, or by `ringtrue queue send`.",
    )?;
    match clock_words(kept.new.clock_ahead_s) {
        Some(words) => session.say(&words),
        None => Ok(()),
    }
}

/// Shows a provisional figure, and how old what it rests on is.
pub(crate) fn told_figure(figure: &Provisional, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let drawn = provisional::drawn(figure, session.world.columns, session.world.colour);
    session.show(&format!("\n{drawn}"))?;
    let old = age(figure.as_of, session.world.now);
    session.say(&format!(
        "Reckoned with what this computer saw {old} ago or later."
    ))
}

/// Why something waits, as a sentence.
fn why(session: &Session<'_, '_>) -> String {
    match &session.bench.cut {
        Some(Cut::Down(words)) => words.clone(),
        Some(Cut::Behind(number)) => {
            format!("Number {number} about the same waits and goes first.")
        }
        Some(Cut::Wanted) | None => "The server was not asked (--offline).".to_owned(),
    }
}

/// The setpoint that a programme is believed to have, °C: as queued last, else as seen last.
pub(crate) fn believed(programme: &str, session: &Session<'_, '_>) -> Result<Option<f64>, Stop> {
    let mut found = None;
    if let Some(queue) = session.bench.queue()? {
        for entry in queue.pending()? {
            if let Some(adjustment) = entry.new.act.adjustment()
                && adjustment.programme == programme
            {
                found = Some(adjustment.setpoint_c);
            }
        }
    }
    let known = session.bench.known();
    let seen = known.and_then(|known| known.one::<Programme>(programme));
    Ok(found.or_else(|| seen.map(|seen| seen.it.setpoint_c)))
}

/// Refuses what this computer knows to be wrong; says what it could not check.
fn unchecked(
    act: &Act,
    known: Option<&Known>,
    session: &Session<'_, '_>,
) -> Result<Option<String>, Stop> {
    let subject = act.subject();
    let site = format!("{}/", names::site_of(subject));
    let mut faults = Vec::new();
    let mut unseen = Vec::new();
    let mut look = |found: Looked, what: &str, name: &str| match found {
        Looked::Fits => {}
        Looked::Nothing => unseen.push(what.to_owned()),
        Looked::Missing => {
            faults.push(format!("this computer knows no {what} {}", names::id(name)));
        }
        Looked::Over(why) => faults.push(format!("{what} {} is {why}", names::id(name))),
    };
    if subject.contains("/furnaces/") {
        let found = looked::<Furnace>(known, &site, subject, |furnace| {
            (furnace.state() == FurnaceState::Retired).then_some("retired")
        });
        look(found, "furnace", subject);
    }
    if subject.contains("/gauges/") {
        look(
            looked::<Gauge>(known, &site, subject, withdrawn),
            "gauge",
            subject,
        );
    }
    let programme = match act {
        Act::Adjustment(ask) => ask.adjustment.as_ref().map(|it| it.programme.as_str()),
        Act::Reading(ask) => ask.reading.as_ref().map(|it| it.programme.as_str()),
        _ => None,
    };
    if let Some(programme) = programme {
        let beside = format!("{subject}/programmes/");
        look(
            looked::<Programme>(known, &beside, programme, |_| None),
            "programme",
            programme,
        );
    }
    if let Some(Method::Rings(measured)) = act.reading().and_then(|reading| reading.method.as_ref())
    {
        look(
            looked::<Gauge>(known, &site, &measured.gauge, withdrawn),
            "gauge",
            &measured.gauge,
        );
        let batch =
            looked::<RingBatch>(
                known,
                "ringBatches/",
                &measured.ring_batch,
                |batch| match batch.state() {
                    RingBatchState::Withdrawn => Some("withdrawn"),
                    RingBatchState::OnHold => Some("on hold"),
                    _ => None,
                },
            );
        look(batch, "batch", &measured.ring_batch);
    }
    if !faults.is_empty() && !session.bench.unchecked {
        return Err(Stop::Refused(format!(
            "Not queued: {}. Correct it, or add --unchecked to keep it for the server to decide.",
            faults.join("; ")
        )));
    }
    Ok((!unseen.is_empty()).then(|| {
        format!(
            "Not checked, since this computer has not seen any yet: {}. `ringtrue queue refresh` fetches them when the \
             line is up.",
            unseen.join(", ")
        )
    }))
}

fn withdrawn(gauge: &Gauge) -> Option<&'static str> {
    (gauge.state() == GaugeState::Withdrawn).then_some("withdrawn")
}

/// What a look at the known ones gave.
enum Looked {
    Fits,
    /// Nothing of the kind is known.
    Nothing,
    /// Others are known, but not this.
    Missing,
    /// It may not be used.
    Over(&'static str),
}

fn looked<T: Knowable>(
    known: Option<&Known>,
    below: &str,
    name: &str,
    over: impl Fn(&T) -> Option<&'static str>,
) -> Looked {
    let Some(known) = known else {
        return Looked::Nothing;
    };
    match known.one::<T>(name) {
        Some(seen) => over(&seen.it).map_or(Looked::Fits, Looked::Over),
        None if known.below::<T>(below).is_empty() => Looked::Nothing,
        None => Looked::Missing,
    }
}
