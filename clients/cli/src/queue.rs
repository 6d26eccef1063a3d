//! `ringtrue queue`: what was done at the bench while the line was down, kept on this computer until it is on record.

mod act;
mod bench;
mod doubts;
mod entry;
mod file;
mod keeping;
mod known;
mod provisional;
mod sending;
mod settling;
mod shown;

use clap::Subcommand;
use ringtrue_proto::v1::{
    Furnace, Gauge, GetRingBatchRequest, GetSiteRequest, Programme, RingBatch, RingBatchState,
};
use serde_json::{Value, json};

use crate::command::Limit;
use crate::failure::{Stop, exit};
use crate::session::Session;
use crate::{batch, furnace, gauge, names, programme};

pub(crate) use act::{Act, Answer};
pub(crate) use bench::{Bench, Cut, age, down, waiting_of};
pub(crate) use doubts::about as doubts_about;
pub(crate) use keeping::{
    Line, believed, first, in_doubt, kept, looking, must_wait, recorded, said_clock, told_figure,
};
pub(crate) use known::Knowable;
pub(crate) use provisional::worked_out as provisional_setpoint;

use sending::{Ended, Tally};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue queue list                    what waits, and what needs you
  ringtrue queue send                    sends it, oldest first
  ringtrue queue show 7                  one entry, what is in its way, its history
  ringtrue queue settle 7 --answer SAME_FIRING
  ringtrue queue drop 7 --reason 'typed twice'
  ringtrue queue refresh                 sees furnaces, programmes, batches, gauges
When no server answers, `reading add`, `adjustment confirm`, `care`, `furnace event`
and `gauge check` are kept in the queue and end with exit code 11. Each is recorded
once, however often it is sent. Whatever reaches the server says what still waits.";

/// Most things fetched at once.
const MOST: usize = 100_000;

/// What to do with the queue.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists what waits, oldest first.
    List {
        /// Also what is on record or was dropped, latest first.
        #[arg(long)]
        all: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Sends what waits: in order for each furnace, others go on when one is stuck.
    Send {
        /// The server has moved: what waits is for it under its new address.
        #[arg(long)]
        moved: bool,
    },
    /// Shows one entry: values, what is in its way, the ways out, its history.
    Show {
        /// Entry, by its number.
        number: i64,
    },
    /// Settles an entry that needs you, and sends it.
    Settle(settling::Settlement),
    /// Drops an entry that is not wanted; it stays readable.
    Drop {
        /// Entry, by its number.
        number: i64,
        /// Why. No person's name.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// Sees the site's furnaces, programmes and gauges and all batches, for when the line is down.
    Refresh,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List { all, limit } => list(all, limit.limit, session),
        Ask::Send { moved } => {
            if moved {
                let endpoint = session.over.connection.endpoint.clone();
                if let Some(mut queue) = session.bench.queue()? {
                    queue.move_to(&endpoint)?;
                }
            }
            send(session).await
        }
        Ask::Show { number } => {
            let Some(queue) = session.bench.queue()? else {
                return Err(Stop::Missing(
                    "Nothing was ever queued on this computer.".to_owned(),
                ));
            };
            let entry = queue.entry(number)?;
            let history = queue.happenings(number)?;
            let pending = queue.pending()?;
            shown::show(&entry, &pending, &history, session)
        }
        Ask::Settle(settlement) => {
            settling::settle(settlement, session).await?;
            send(session).await
        }
        Ask::Drop { number, reason } => settling::dropped(number, &reason, session),
        Ask::Refresh => refresh(session).await,
    }
}

fn list(all: bool, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let entries = match session.bench.queue()? {
        Some(queue) if all => queue.history(limit)?,
        Some(queue) => {
            let mut entries = queue.pending()?;
            entries.truncate(limit);
            entries
        }
        None => Vec::new(),
    };
    shown::list(&entries, session)?;
    let needing = entries
        .iter()
        .filter(|entry| entry.state == entry::State::NeedsYou)
        .count();
    if session.json || entries.is_empty() {
        return Ok(());
    }
    if needing > 0 {
        session.say("`ringtrue queue show NO` tells what it needs.")?;
    }
    Ok(())
}

async fn send(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let tally = Box::pin(sending::all(session)).await?;
    if session.json {
        session.show(&as_json(&tally).to_string())?;
    } else {
        shown::sent_briefly(&tally.sent, session)?;
        for entry in &tally.stuck {
            shown::needs(entry, session)?;
        }
        told(&tally, session)?;
    }
    match tally.ended {
        Some(Ended::Down(failure) | Ended::NotKnown(failure)) => Err(Stop::from(failure)),
        Some(Ended::Busy) => Err(Stop::Answered(exit::QUEUED)),
        None if tally.left > 0 => Err(Stop::Answered(exit::QUEUED)),
        None => Ok(()),
    }
}

fn told(tally: &Tally, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if matches!(tally.ended, Some(Ended::Busy)) {
        return session.say("Another ringtrue on this computer is sending the queue.");
    }
    match (tally.sent.len(), tally.left) {
        (0, 0) => session.say("Nothing waits in the queue of this computer."),
        (0, left) => session.say(&format!(
            "Nothing was sent; {left} still in the queue: `ringtrue queue list`."
        )),
        (sent, 0) => session.say(&format!(
            "{} on record now; nothing waits any more.",
            entries(sent)
        )),
        (sent, left) => session.say(&format!(
            "{} on record now; {left} still in the queue: `ringtrue queue list`.",
            entries(sent)
        )),
    }
}

fn entries(count: usize) -> String {
    if count == 1 {
        "1 entry".to_owned()
    } else {
        format!("{count} entries")
    }
}

fn as_json(tally: &Tally) -> Value {
    let mut sent = Vec::new();
    for (entry, answer) in &tally.sent {
        let mut object = shown::as_json(entry);
        object["state"] = "sent".into();
        object["name"] = answer.name().into();
        if let Answer::Reading(answer) = answer
            && let Some(evaluation) = answer
                .reading
                .as_ref()
                .and_then(|it| it.evaluation.as_ref())
        {
            object["advice"] = evaluation.advice().as_str_name().into();
            object["advisedSetpointC"] = evaluation.advised_setpoint_c.into();
        }
        sent.push(object);
    }
    let needing: Vec<Value> = tally.stuck.iter().map(shown::as_json).collect();
    json!({ "sent": sent, "needYou": needing, "left": tally.left })
}

/// Says after a command that reached the server how much still waits.
pub(crate) fn reminded(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json || session.remote.last_contact().is_none() {
        return Ok(());
    }
    // A queue that cannot be read is told of by the commands that need it.
    let Ok(Some(queue)) = session.bench.queue() else {
        return Ok(());
    };
    let pending = queue.pending()?;
    let needing = pending
        .iter()
        .filter(|entry| entry.state == entry::State::NeedsYou)
        .count();
    if pending.is_empty() {
        return Ok(());
    }
    let verb = if pending.len() == 1 { "waits" } else { "wait" };
    let rest = match needing {
        0 => String::new(),
        _ => format!(", {needing} of them for you"),
    };
    session.say(&format!(
        "{} {verb} in the queue of this computer{rest}: `ringtrue queue list`.",
        entries(pending.len())
    ))
}

/// Sees everything that a bench may need.
async fn refresh(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if !session.bench.has_place() {
        return Err(crate::connection::no_home());
    }
    let site = session.site_name().await?;
    let answer = session
        .remote
        .site(GetSiteRequest { name: site.clone() })
        .await?;
    let now = session.world.now;
    session
        .bench
        .learn(&[answer.site.unwrap_or_default()], None, now);
    let (furnaces, _) = furnace::of_site(&site, MOST, session).await?;
    let below = format!("{site}/");
    session.bench.learn::<Furnace>(&furnaces, Some(&below), now);
    let (programmes, _) =
        programme::of_furnace(&format!("{site}/furnaces/-"), MOST, session).await?;
    session
        .bench
        .learn::<Programme>(&programmes, Some(&below), now);
    let (gauges, _) = gauge::of_site(&site, MOST, session).await?;
    session.bench.learn::<Gauge>(&gauges, Some(&below), now);
    let (batches, _) = batch::all(MOST, session).await?;
    let mut whole = Vec::new();
    for batch in batches {
        if batch.state() == RingBatchState::Withdrawn {
            whole.push(batch);
            continue;
        }
        let name = batch.name.clone();
        let answer = session
            .remote
            .ring_batch(GetRingBatchRequest { name })
            .await?;
        whole.extend(answer.ring_batch);
    }
    session
        .bench
        .learn::<RingBatch>(&whole, Some("ringBatches/"), now);
    let counts = [
        (furnaces.len(), "furnace", "furnaces"),
        (programmes.len(), "programme", "programmes"),
        (gauges.len(), "gauge", "gauges"),
        (whole.len(), "batch", "batches"),
    ];
    if session.json {
        let object = json!({ "seen": {
            "site": site, "furnaces": counts[0].0, "programmes": counts[1].0, "gauges": counts[2].0,
            "ringBatches": counts[3].0,
        }});
        return session.show(&object.to_string());
    }
    let mut said = Vec::new();
    for (count, one, many) in counts {
        said.push(format!("{count} {}", if count == 1 { one } else { many }));
    }
    session.say(&format!(
        "Seen for {}: {}. This computer can now do without the server for a while.",
        names::id(&site),
        said.join(", ")
    ))
}
