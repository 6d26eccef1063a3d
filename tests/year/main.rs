//! The year program: plays an invented year of many laboratories on a database file, with a clock of its own
//! and the server's real code, in steps that can be repeated.
//!
//! It may be killed at any moment and started again on the same file: it goes on where it was. Every number of a
//! step is printed to the standard output when the step is done. The test that kills it is beside it.
//!
//! `cargo run -p ringtrue-tests --bin year -- --database /tmp/year.db --export /tmp/year.json`

mod deed;
mod doing;
mod draw;
mod journal;
mod laboratory;
mod people;
mod record;
mod script;
mod steps;

use std::collections::HashMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::Parser;
use deed::{Deed, Doing};
use doing::Hands;
use jiff::Timestamp;
use journal::Journal;
use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_server::app::{self, App};
use ringtrue_server::clock::Clock;
use ringtrue_server::ids::Ids;
use ringtrue_server::lifecycle::Lifecycle;
use ringtrue_store::Store;
use serde_json::{Value, json};

/// Plays the year.
#[derive(Debug, Parser)]
struct Arguments {
    /// The database; the journal lies beside it.
    #[arg(long)]
    database: PathBuf,
    /// Where to write what was done and what was alerted, once the year is over.
    #[arg(long)]
    export: PathBuf,
    /// Where the dice start.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Laboratories.
    #[arg(long, default_value_t = 200)]
    sites: usize,
    /// Days of the year.
    #[arg(long, default_value_t = 364)]
    days: i64,
}

/// Whoever looks: after a kill the same again, as its lease is still held.
const OWNER: &str = "year";

/// Changes of alerts read at once.
const READ_AT_ONCE: u32 = 2000;

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?
        .block_on(play(&arguments))
}

async fn play(arguments: &Arguments) -> anyhow::Result<()> {
    let steps = steps::steps(arguments.days);
    let script = script::script(arguments.seed, arguments.sites, arguments.days, &steps);
    let mut journal = Journal::open(&arguments.database.with_extension("journal"))?;
    let lifecycle = Lifecycle::new();
    let store = Store::open(&arguments.database).await?;
    let clock = Clock::manual(steps::start());
    let app = App::start(store.clone(), clock, Ids::system(), &lifecycle);
    let mut hands = Hands {
        app,
        caller: Caller::local(Some("year")),
        seed: arguments.seed,
        readings: HashMap::new(),
    };
    for line in &journal.lines {
        hands.remember(line["records"].as_array().context("a line holds records")?)?;
    }
    let from = journal.lines.len();
    let mut out = std::io::stdout();
    for (number, (at, deeds)) in steps.iter().zip(&script).enumerate().skip(from) {
        let line = step(&mut hands, *at, deeds)
            .await
            .with_context(|| format!("in step {number}, {at}"))?;
        journal.add(line)?;
        writeln!(out, "{number}")?;
        out.flush()?;
        if is_week(*at) {
            hands.app.store.fold_log().await?;
            tell(number, *at)?;
        }
    }
    export(&hands, &steps, &journal, &arguments.export).await?;
    writeln!(out, "over")?;
    Ok(())
}

/// One moment: people do what they do, the server looks, somebody goes through the alerts.
async fn step(hands: &mut Hands, at: Timestamp, deeds: &[Deed]) -> anyhow::Result<Value> {
    hands.app.clock.set(at)?;
    let mut records = hands.all(deeds).await?;
    let app = &hands.app;
    let looked = app::look(&app.store, &app.clock, &app.ids, &app.alerts, OWNER).await?;
    let looked = looked.context("nobody else looks")?;
    for deed in deeds {
        if let Doing::Speak(site) = &deed.doing {
            records.extend(hands.speak(site, &deed.words).await?);
        }
    }
    Ok(json!({"records": records, "sites": looked.sites, "changes": looked.changes}))
}

const WEEK_S: i64 = 7 * 24 * 3600;

fn is_week(at: Timestamp) -> bool {
    at.duration_since(steps::start()).as_secs() % WEEK_S == 0
}

/// Says on the standard error how far it is.
fn tell(number: usize, at: Timestamp) -> anyhow::Result<()> {
    let week = at.duration_since(steps::start()).as_secs() / WEEK_S;
    writeln!(std::io::stderr(), "week {week} (step {number})")?;
    Ok(())
}

/// Writes everything that a second opinion needs.
async fn export(
    hands: &Hands,
    steps: &[Timestamp],
    journal: &Journal,
    path: &Path,
) -> anyhow::Result<()> {
    let store = &hands.app.store;
    let read = store.read(&Scope::for_work(OWNER));
    let mut changes = Vec::new();
    let mut after = 0;
    loop {
        let some = read.alert_changes(after, READ_AT_ONCE).await?;
        let Some(last) = some.last() else {
            break;
        };
        after = last.seq;
        changes.extend(some.iter().map(record::change));
    }
    let all = json!({
        "steps": steps.iter().map(|at| record::moment(*at)).collect::<Vec<_>>(),
        "journal": journal.lines,
        "changes": changes,
    });
    std::fs::write(path, serde_json::to_vec(&all)?)?;
    Ok(())
}
