//! What is said at the end of an import: what became of the file, and what to do next.

use std::time::Duration;

use serde_json::{Value, json};

use super::Ask;
use crate::bulk::fault::Faults;
use crate::failure::Stop;
use crate::session::Session;

/// What became of the records of a file.
#[derive(Debug, Default)]
pub(super) struct Tally {
    sha256: String,
    /// Records in the file.
    pub(super) records: u64,
    /// Recorded by this run.
    pub(super) recorded: u64,
    /// On record already, the same.
    pub(super) known: u64,
    /// Recorded by earlier runs of the same import.
    pub(super) before: u64,
    /// Left out, since something is wrong with them.
    pub(super) left_out: u64,
    /// How long checking took.
    pub(super) checking: Option<Duration>,
    /// How long sending took.
    pub(super) sending: Option<Duration>,
}

impl Tally {
    /// Nothing became of anything yet.
    pub(super) fn of(sha256: String) -> Self {
        Tally {
            sha256,
            ..Tally::default()
        }
    }

    fn json(&self, ask: &Ask, state: &str, faults: &Faults) -> Value {
        let first: Vec<Value> = faults
            .first()
            .iter()
            .map(super::super::fault::Fault::json)
            .collect();
        let seconds = |took: Option<Duration>| took.map(|took| took.as_secs_f64());
        json!({
            "kind": ask.kind.word(),
            "file": ask.file.display().to_string(),
            "sha256": self.sha256,
            "state": state,
            "records": self.records,
            "recorded": self.recorded,
            "recordedBefore": self.before,
            "known": self.known,
            "leftOut": self.left_out,
            "faultCount": faults.count,
            "faults": first,
            "checkingS": seconds(self.checking),
            "sendingS": seconds(self.sending),
        })
    }
}

/// Shows the first faults, and where the others are.
fn show_faults(faults: &mut Faults, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    for fault in faults.first() {
        let line = fault.line();
        session.say(&line)?;
    }
    let further = faults.further();
    match faults.ended()? {
        Some(path) => session.say(&format!("All faults are in {}.", path.display())),
        None if further > 0 => session.say(&format!(
            "and {further} more; --faults FILE writes all of them into a file."
        )),
        None => Ok(()),
    }
}

/// Says what a check found, when nothing more is done.
pub(super) fn checked(
    ask: &Ask,
    faults: &mut Faults,
    tally: &Tally,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        drop(faults.ended()?);
        let state = if tally.left_out > 0 {
            "refused"
        } else {
            "checked"
        };
        let told = tally.json(ask, state, faults);
        return session.show(&told.to_string());
    }
    show_faults(faults, session)?;
    let good = tally.records.saturating_sub(tally.left_out);
    let what = ask.kind.word();
    if tally.left_out == 0 {
        return session.show_line(&format!(
            "All in order: {} {what}, {} of them on record already. Nothing was stored. The same command without \
             --dry-run imports them.",
            tally.records, tally.known
        ));
    }
    session.show_line(&format!(
        "At fault: {} of {} {what}; {good} in order. Nothing was stored. Mend the file and give the same \
         command; --keep-good records those that are in order{}.",
        tally.left_out,
        tally.records,
        if ask.dry_run { "" } else { " and leaves the others out" }
    ))
}

/// Says that all was done.
pub(super) fn done(
    ask: &Ask,
    faults: &mut Faults,
    tally: &Tally,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if session.json {
        drop(faults.ended()?);
        let told = tally.json(ask, "done", faults);
        return session.show(&told.to_string());
    }
    show_faults(faults, session)?;
    let what = ask.kind.word();
    let before = match tally.before {
        0 => String::new(),
        count => format!(" ({count} of them before the break)"),
    };
    let mut words = format!(
        "Recorded: {} {what}{before}; on record already: {}.",
        tally.recorded + tally.before,
        tally.known
    );
    if tally.left_out > 0 {
        let mend = match &ask.rejected {
            Some(path) => format!("They are in {}: mend it and import it.", path.display()),
            None => "Mend them in the file and import it again: the others are known.".to_owned(),
        };
        words = format!("{words} Left out: {}. {mend}", tally.left_out);
    }
    session.show_line(&words)
}

/// Says that sending ended early, and how to go on.
pub(super) fn stopped(
    ask: &Ask,
    faults: &mut Faults,
    tally: &Tally,
    stop: &Stop,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let is_of_the_line = stop.failure().is_some();
    if session.json {
        drop(faults.ended()?);
        let state = if is_of_the_line {
            "interrupted"
        } else {
            "refused"
        };
        let told = tally.json(ask, state, faults);
        return session.show(&told.to_string());
    }
    show_faults(faults, session)?;
    let what = ask.kind.word();
    let recorded = tally.recorded + tally.before + tally.known;
    if is_of_the_line {
        return session.say(&format!(
            "Stopped with {recorded} {what} on record. The same command goes on from there; nothing is recorded twice."
        ));
    }
    session.say(&format!(
        "Stopped with {recorded} {what} on record: the server refused what stands above when it was to be stored. Mend \
         the file and import it again; what is on record is known and stays."
    ))
}
