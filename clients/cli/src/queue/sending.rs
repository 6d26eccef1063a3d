//! Sends what waits: in order for each furnace, others going on when one is stuck. Nothing is sent twice, since each
//! entry keeps the request id that it was given when it was entered.

use std::collections::BTreeSet;
use std::time::Duration;

use ringtrue_proto::v1::{GetProgrammeRequest, WhoAmIRequest};
use ringtrue_remote::{Code, Failure};

use super::act::{Act, Answer};
use super::bench::{Cut, OFF_S, clock_words, down, span};
use super::entry::{CLOCK_AHEAD, Entry, Obstacle, SETPOINT_CHANGED, State};
use super::file::Queue;
use super::shown;
use crate::failure::Stop;
use crate::quantity::brief;
use crate::session::Session;
use crate::{moment, names};

/// How often a server that asks for patience is waited for, for one entry.
const PATIENT_TIMES: u32 = 20;
/// Longest and usual wait for it.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
const USUAL_PAUSE: Duration = Duration::from_millis(500);
/// How often a process that sends is waited for before a command goes behind what waits.
const LOOKS: u32 = 10;
const BETWEEN_LOOKS: Duration = Duration::from_millis(100);

/// What came of a sending.
#[derive(Debug, Default)]
pub(super) struct Tally {
    /// What is on record now, with the server's answers.
    pub(super) sent: Vec<(Entry, Answer)>,
    /// What needs somebody.
    pub(super) stuck: Vec<Entry>,
    /// What is still pending, the stuck ones included.
    pub(super) left: usize,
    /// Why it ended early.
    pub(super) ended: Option<Ended>,
}

/// Why a sending ended before everything was tried.
#[derive(Debug)]
pub(super) enum Ended {
    /// The line is down; the words say how.
    Down(Box<Failure>),
    /// The server does not know who asks, or is not trusted.
    NotKnown(Box<Failure>),
    /// Another process sends.
    Busy,
}

/// Sends what waits before a command that may wait itself. When the line is down the command waits, too; what is stuck
/// stops only what is about the same thing.
pub(super) async fn caught_up(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let mut looks = 0;
    let tally = loop {
        let tally = Box::pin(all(session)).await?;
        if !matches!(tally.ended, Some(Ended::Busy)) || looks >= LOOKS {
            break tally;
        }
        looks += 1;
        tokio::time::sleep(BETWEEN_LOOKS).await;
    };
    if !tally.sent.is_empty() && !session.json {
        shown::sent_briefly(&tally.sent, session)?;
    }
    for entry in &tally.stuck {
        if !session.json {
            session.say(&format!(
                "Number {} about {} needs you: `ringtrue queue show {}`.",
                entry.number,
                names::with_site(entry.new.act.subject()),
                entry.number
            ))?;
        }
    }
    match tally.ended {
        Some(Ended::Down(failure)) => {
            let words = down(&failure, &session.over.connection.endpoint);
            if session.bench.may_wait {
                session.bench.cut = Some(Cut::Down(words));
                Ok(())
            } else {
                Err(Stop::from(failure))
            }
        }
        Some(Ended::NotKnown(failure)) => Err(Stop::from(failure)),
        // What is about the same thing then goes behind what waits.
        Some(Ended::Busy) | None => Ok(()),
    }
}

/// Sends everything that waits.
pub(super) async fn all(session: &mut Session<'_, '_>) -> Result<Tally, Stop> {
    let mut tally = Tally::default();
    let Some(mut queue) = session.bench.queue()? else {
        return Ok(tally);
    };
    tally.left = queue.pending_count()?;
    if tally.left == 0 {
        return Ok(tally);
    }
    let endpoint = session.over.connection.endpoint.clone();
    if !queue.is_of(&endpoint)? {
        return Err(queue.of_another(&endpoint)?);
    }
    let Some(_sole) = queue.sole_sender()? else {
        tally.ended = Some(Ended::Busy);
        return Ok(tally);
    };
    tally.ended = knocked(&mut queue, session).await?;
    if tally.ended.is_some() {
        return Ok(tally);
    }
    let mut behind = 0;
    let mut stuck = BTreeSet::new();
    while let Some(entry) = queue.next_behind(behind)? {
        behind = entry.number;
        let subject = entry.new.act.subject().to_owned();
        let rests = entry.state == State::NeedsYou
            && !entry.obstacle.as_ref().is_some_and(|it| it.by_itself);
        if rests || stuck.contains(&subject) {
            if rests {
                tally.stuck.push(entry);
            }
            stuck.insert(subject);
            continue;
        }
        match one(&entry, &mut queue, session).await? {
            Came::Recorded(answer) => {
                tally.left = tally.left.saturating_sub(1);
                if !session.json {
                    session.say(&format!(
                        "Sent number {}: {}, {}. {} left.",
                        entry.number,
                        names::with_site(&subject),
                        entry.new.act.words(),
                        tally.left
                    ))?;
                }
                tally.sent.push((entry, answer));
            }
            Came::Stuck => {
                tally.stuck.push(queue.entry(entry.number)?);
                stuck.insert(subject);
            }
            Came::Later => {
                stuck.insert(subject);
            }
            Came::Ended(ended) => {
                tally.ended = Some(ended);
                break;
            }
        }
    }
    tally.left = queue.pending_count()?;
    Ok(tally)
}

/// Asks the server something small first: whether it answers and knows who asks, and what its clock says.
async fn knocked(queue: &mut Queue, session: &mut Session<'_, '_>) -> Result<Option<Ended>, Stop> {
    let now = session.bench.now(session.world.now);
    if let Err(failure) = session.remote.who_am_i(WhoAmIRequest::default()).await {
        if failure.is_of_the_line() {
            return Ok(Some(Ended::Down(failure)));
        }
        if failure.is_about_trust() {
            return Ok(Some(Ended::NotKnown(failure)));
        }
        // Whatever else it says of that question, an entry is another.
        if failure.code == Code::Unauthenticated {
            if let Some(first) = queue.next_behind(0)? {
                barred(&first, &failure, queue, session)?;
            }
            return Ok(Some(Ended::NotKnown(failure)));
        }
    }
    let ahead_s = session.clock_ahead_s();
    if let Some(ahead_s) = ahead_s {
        queue.note_clock(ahead_s, now)?;
    }
    if let Some(words) = clock_words(ahead_s).filter(|_| !session.json) {
        session.say(&words)?;
    }
    Ok(None)
}

/// What came of one entry.
enum Came {
    Recorded(Answer),
    /// It needs somebody.
    Stuck,
    /// It may do another time.
    Later,
    Ended(Ended),
}

async fn one(
    entry: &Entry,
    queue: &mut Queue,
    session: &mut Session<'_, '_>,
) -> Result<Came, Stop> {
    if let Some(obstacle) =
        ahead_of_time(entry, session).or(changed_meanwhile(entry, session).await)
    {
        let now = session.bench.now(session.world.now);
        queue.hindered(entry.number, State::NeedsYou, &obstacle, now)?;
        return Ok(Came::Stuck);
    }
    if !entry.was_tried {
        queue.tried(entry.number)?;
    }
    let mut patience = PATIENT_TIMES;
    let failure = loop {
        match entry.new.act.clone().send(&session.remote).await {
            Ok(answer) => {
                let now = session.bench.now(session.world.now);
                queue.sent(entry.number, &answer, now, session.clock_ahead_s())?;
                return Ok(Came::Recorded(answer));
            }
            Err(failure) if failure.code == Code::ResourceExhausted && patience > 0 => {
                patience -= 1;
                let pause = failure.retry_after.unwrap_or(USUAL_PAUSE);
                tokio::time::sleep(pause.min(LONGEST_PAUSE)).await;
            }
            Err(failure) => break failure,
        }
    };
    if failure.is_of_the_line() || failure.code == Code::ResourceExhausted {
        return Ok(Came::Ended(Ended::Down(failure)));
    }
    if failure.is_about_trust() {
        return Ok(Came::Ended(Ended::NotKnown(failure)));
    }
    match failure.code {
        Code::Unauthenticated => {
            barred(entry, &failure, queue, session)?;
            Ok(Came::Ended(Ended::NotKnown(failure)))
        }
        Code::PermissionDenied => {
            barred(entry, &failure, queue, session)?;
            Ok(Came::Stuck)
        }
        Code::Unknown | Code::Internal | Code::DataLoss | Code::Aborted => {
            let now = session.bench.now(session.world.now);
            let obstacle = Obstacle::of(&failure, &session.over.connection.endpoint);
            queue.hindered(entry.number, State::Waiting, &obstacle, now)?;
            Ok(Came::Later)
        }
        _ => {
            let now = session.bench.now(session.world.now);
            let obstacle = Obstacle::of(&failure, &session.over.connection.endpoint);
            queue.hindered(entry.number, State::NeedsYou, &obstacle, now)?;
            Ok(Came::Stuck)
        }
    }
}

/// Notes that the server does not let this computer; the next sending tries again by itself.
fn barred(
    entry: &Entry,
    failure: &Failure,
    queue: &mut Queue,
    session: &Session<'_, '_>,
) -> Result<(), Stop> {
    let connection = &session.over.connection;
    let mut obstacle = Obstacle::of(failure, &connection.endpoint);
    obstacle.lines.extend(connection.advice(failure));
    obstacle.by_itself = true;
    let now = session.bench.now(session.world.now);
    queue.hindered(entry.number, State::NeedsYou, &obstacle, now)
}

/// A moment that lay in the future when it was entered, by the server's clock: the computer's was ahead, and nobody but
/// the person knows which of the two is meant.
fn ahead_of_time(entry: &Entry, session: &Session<'_, '_>) -> Option<Obstacle> {
    let ahead_s = entry.new.clock_ahead_s.or(session.clock_ahead_s());
    let ahead_s = ahead_s.filter(|ahead_s| *ahead_s > OFF_S)?;
    let entered = entry.new.entered_at.as_second() - ahead_s;
    let mut act = entry.new.act.clone();
    let latest = act
        .moments()
        .into_iter()
        .map(|moment| moment.seconds)
        .max()?;
    if latest <= entered + OFF_S {
        return None;
    }
    Some(Obstacle::here(
        CLOCK_AHEAD,
        format!(
            "When this was entered, this computer's clock was {} ahead of the server's. By the server's clock a time in \
             it lay in the future then.",
            span(ahead_s.unsigned_abs())
        ),
    ))
}

/// A setpoint that somebody else changed since: what was entered may not be what the panel shows.
async fn changed_meanwhile(entry: &Entry, session: &Session<'_, '_>) -> Option<Obstacle> {
    let Act::Adjustment(ask) = &entry.new.act else {
        return None;
    };
    let adjustment = ask.adjustment.as_ref()?;
    let believed_c = entry.new.believed_setpoint_c?;
    let name = adjustment.programme.clone();
    // Whatever is wrong with the programme, the server says it of the adjustment.
    let answer = session
        .remote
        .programme(GetProgrammeRequest { name })
        .await
        .ok()?;
    let now_c = answer.programme?.setpoint_c;
    // As it was, or as this very entry set it: its answer may have been lost.
    let is_expected = |expected_c: f64| (now_c - expected_c).abs() < 0.005;
    if is_expected(believed_c) || is_expected(adjustment.setpoint_c) {
        return None;
    }
    Some(Obstacle::here(
        SETPOINT_CHANGED,
        format!(
            "Programme {} is on record at {} °C by now; when {} °C was entered here it was at {} °C. Read the panel: what \
             does it show?",
            names::id(&adjustment.programme),
            brief(now_c, 2),
            brief(adjustment.setpoint_c, 2),
            brief(believed_c, 2)
        ),
    ))
}

/// Takes the error of a clock off all moments of an act.
pub(super) fn set_back(act: &mut Act, ahead_s: i64) {
    for moment in act.moments() {
        moment.seconds -= ahead_s;
    }
}

/// The words for the moments of an act, before and after a correction.
pub(super) fn moments_said(act: &Act, zone: &jiff::tz::TimeZone) -> String {
    let mut act = act.clone();
    let mut said = Vec::new();
    for stamp in act.moments() {
        if let Some(at) = moment::received(Some(stamp)) {
            said.push(moment::brief(at, zone));
        }
    }
    said.join(", ")
}
