//! `ringtrue import`: checks a whole file, then sends it in parts, and goes on where it was after any break.

mod rejected;
mod told;

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use clap::Args;
use ringtrue_proto::v1::{Firing, Furnace, Gauge, Reading, RingBatch, Site};
use sha2::{Digest as _, Sha256};

use super::crew::{Back, Crew};
use super::fault::{Fault, Faults};
use super::journal::Journal;
use super::parts::{Part, Parts};
use super::progress::Progress;
use super::record::{Became, How, Record};
use super::rows::{Item, Rows};
use super::{Dialect, Form, Kind, unusable};
use crate::failure::Stop;
use crate::names;
use crate::profile::Home;
use crate::session::Session;
use rejected::Rejected;
use told::Tally;

/// Raised whenever parts of the same file are put together in another way.
const LAYOUT: &str = "1";

/// What to import, and how.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Kind of records.
    kind: Kind,
    /// File to read.
    file: PathBuf,
    #[command(flatten)]
    form: Form,
    /// Check every row, at the server too, and store nothing.
    #[arg(long)]
    dry_run: bool,
    /// Record the rows that are in order and leave the others out; without it one bad row keeps all out.
    #[arg(long)]
    keep_good: bool,
    /// Send at once: a part that is refused ends the import, what came before it stays.
    #[arg(long, conflicts_with_all = ["dry_run", "keep_good", "faults"])]
    skip_check: bool,
    /// File to write all faults into, as CSV; it must not be there yet.
    #[arg(long, value_name = "FILE")]
    faults: Option<PathBuf>,
    /// File to write the rows into that were left out, to mend and import; it must not be there yet.
    #[arg(
        long,
        value_name = "FILE",
        requires = "keep_good",
        conflicts_with = "dry_run"
    )]
    rejected: Option<PathBuf>,
}

/// Imports a file.
///
/// # Errors
/// [`Stop`] when the file cannot be used, rows are at fault, or the server does not answer.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask.kind {
        Kind::Sites => Box::pin(imported::<Site>(&ask, session)).await,
        Kind::Furnaces => Box::pin(imported::<Furnace>(&ask, session)).await,
        Kind::Batches => Box::pin(imported::<RingBatch>(&ask, session)).await,
        Kind::Gauges => Box::pin(imported::<Gauge>(&ask, session)).await,
        Kind::Readings => Box::pin(imported::<Reading>(&ask, session)).await,
        Kind::Firings => Box::pin(imported::<Firing>(&ask, session)).await,
    }
}

/// An import at work.
struct Import<'i> {
    ask: &'i Ask,
    dialect: Dialect,
    site: Option<String>,
    /// Size of the file, bytes.
    size: u64,
    journal: Journal,
    faults: Faults,
    tally: Tally,
}

async fn imported<T: Record>(ask: &Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let dialect = ask.form.settled(Some(&ask.file))?;
    let site = match &session.site {
        Some(site) => Some(names::site(site).map_err(Stop::Usage)?),
        None => None,
    };
    let (sha256, size) = digested(&ask.file)?;
    let home = Home::found(&session.world.environment);
    let folder = home.map(|home| home.path().join("imports"));
    let folder = folder.filter(|_| !ask.dry_run);
    let name = journal_name(ask, dialect, site.as_deref(), &sha256, session);
    let journal = Journal::opened(folder.as_deref(), &name)?;
    if !journal.is_kept() && !ask.dry_run {
        session.say("This computer keeps no files of this program, so a break means checking from the first row again.")?;
    }
    let import = Import {
        ask,
        dialect,
        site,
        size,
        journal,
        faults: Faults::begun(ask.faults.as_ref())?,
        tally: Tally::of(sha256),
    };
    import.carried_out::<T>(session).await
}

/// Digest (SHA-256, hexadecimal) and size of a file.
fn digested(path: &Path) -> Result<(String, u64), Stop> {
    let mut file = File::open(path).map_err(|fault| unusable(path, "read", &fault))?;
    let mut digest = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    let mut size: u64 = 0;
    loop {
        let count = file
            .read(&mut buffer)
            .map_err(|fault| unusable(path, "read", &fault))?;
        if count == 0 {
            return Ok((hexadecimal(&digest.finalize()), size));
        }
        digest.update(&buffer[..count]);
        size += u64::try_from(count).unwrap_or(0);
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    let digits = |byte: &u8| format!("{byte:02x}");
    bytes.iter().map(digits).collect()
}

/// The journal of this file, read in this way, for this server.
fn journal_name(
    ask: &Ask,
    dialect: Dialect,
    site: Option<&str>,
    sha256: &str,
    session: &Session<'_, '_>,
) -> String {
    let read_as = format!("{dialect:?} {} {}", ask.keep_good, ask.skip_check);
    let mut digest = Sha256::new();
    for part in [
        LAYOUT,
        &session.over.connection.endpoint,
        ask.kind.word(),
        sha256,
        site.unwrap_or_default(),
        &read_as,
    ] {
        digest.update(part);
        digest.update([0]);
    }
    hexadecimal(&digest.finalize()[..16])
}

impl Import<'_> {
    async fn carried_out<T: Record>(mut self, session: &mut Session<'_, '_>) -> Result<(), Stop> {
        if !self.ask.skip_check {
            if let Some(records) = self.journal.checked()? {
                self.tally.records = records;
                session.say("This file was checked before; the import goes on where it was.")?;
            } else {
                self.checked::<T>(session).await?;
            }
        }
        self.tally.left_out = self.journal.bad_count()?;
        let is_refused = self.tally.left_out > 0 && !self.ask.keep_good;
        if is_refused || self.ask.dry_run {
            self.journal.removed()?;
            let told = told::checked(self.ask, &mut self.faults, &self.tally, session);
            return told.and(match self.tally.left_out {
                0 => Ok(()),
                _ => Err(Stop::Answered(crate::failure::exit::REFUSED)),
            });
        }
        self.sent::<T>(session).await?;
        self.journal.removed()?;
        told::done(self.ask, &mut self.faults, &self.tally, session)
    }

    /// Checks every row of the file, by itself, beside the others and at the server.
    async fn checked<T: Record>(&mut self, session: &mut Session<'_, '_>) -> Result<(), Stop> {
        let mut rows = Rows::<T>::opened(&self.ask.file, self.dialect, self.site.clone(), false)?;
        let mut parts = Parts::none();
        let mut crew = Crew::new(session.remote.clone(), How::Tried);
        let mut progress = Progress::begun("checked", self.size, session);
        self.journal.begin_check()?;
        while let Some(item) = rows.next()? {
            self.tally.records += 1;
            if item.faults.is_empty() {
                let (_, identity) = item.record.identity();
                self.journal.saw(item.row, &identity, item.record.busy())?;
                for part in parts.taken(item) {
                    for back in crew.sent(part).await? {
                        self.looked_at(back)?;
                    }
                }
            } else {
                self.at_fault(item.row, item.faults)?;
            }
            progress.at(self.tally.records, rows.read_bytes(), session)?;
        }
        for part in parts.rest() {
            for back in crew.sent(part).await? {
                self.looked_at(back)?;
            }
        }
        while let Some(back) = crew.one_back().await? {
            self.looked_at(back)?;
        }
        self.compared::<T>()?;
        self.journal.end_check(self.tally.records)?;
        self.tally.checking = Some(progress.ended(session)?);
        Ok(())
    }

    /// Compares the rows of the file with each other.
    fn compared<T: Record>(&mut self) -> Result<(), Stop> {
        let column = T::default().identity().0;
        let Import {
            journal, faults, ..
        } = self;
        journal.doubles(|clash| {
            faults.note(Fault {
                row: clash.row,
                column: column.to_owned(),
                reason: "DUPLICATE".to_owned(),
                words: format!(
                    "the same record is in row {} already; remove one of them",
                    clash.with
                ),
            })?;
            journal.is_bad(clash.row)
        })?;
        journal.overlaps(|clash| {
            faults.note(Fault {
                row: clash.row,
                column: "start_time".to_owned(),
                reason: "OVERLAPS".to_owned(),
                words: format!(
                    "its furnace is still busy with the firing of row {}; a furnace fires one load at a time, so mend \
                     the times of one of them",
                    clash.with
                ),
            })?;
            journal.is_bad(clash.row)
        })
    }

    fn at_fault(&mut self, row: u64, faults: Vec<Fault>) -> Result<(), Stop> {
        for fault in faults {
            self.faults.note(fault)?;
        }
        self.journal.is_bad(row)
    }

    /// Notes what the server said of a part that it only looked at.
    fn looked_at<T: Record>(&mut self, (part, answer): Back<T>) -> Result<(), Stop> {
        let became = answer?;
        for (place, became) in became.iter().enumerate() {
            let (Became::Refused(_), Some(item)) = (became, part.items.get(place)) else {
                self.tally.known += u64::from(matches!(became, Became::Known));
                continue;
            };
            let mut faults = refused(&part, item, became);
            // Doubles are told once, by all rows of the file and with the row of the other one.
            faults.retain(|fault| fault.reason != "TWICE");
            if !faults.is_empty() {
                self.at_fault(item.row, faults)?;
            }
        }
        Ok(())
    }

    /// Sends the records that are in order.
    async fn sent<T: Record>(&mut self, session: &mut Session<'_, '_>) -> Result<(), Stop> {
        let keeps = self.ask.rejected.is_some();
        let mut rows = Rows::<T>::opened(&self.ask.file, self.dialect, self.site.clone(), keeps)?;
        let mut rejected = Rejected::begun(self.ask.rejected.as_ref(), self.dialect, &rows.header)?;
        let how = if self.ask.keep_good {
            How::KeepingGood
        } else {
            How::AllOrNone
        };
        let mut parts = Parts::none();
        let mut crew = Crew::new(session.remote.clone(), how);
        let mut progress = Progress::begun("sent", self.size, session);
        let any_bad = self.tally.left_out > 0;
        let known_when_checked = std::mem::take(&mut self.tally.known);
        let (mut sent, mut stopped) = (0, None);
        while stopped.is_none()
            && let Some(item) = rows.next()?
        {
            sent += 1;
            if any_bad && self.journal.has_bad(item.row)? {
                rejected.take(&item)?;
                continue;
            }
            if !item.faults.is_empty() {
                // Without a check before, this is where they show.
                self.at_fault(item.row, item.faults)?;
                stopped = Some(Stop::Answered(crate::failure::exit::REFUSED));
                continue;
            }
            for part in parts.taken(item) {
                stopped = stopped.or(self.part_sent(&mut crew, part, &mut rejected).await?);
            }
            progress.at(sent, rows.read_bytes(), session)?;
        }
        if stopped.is_none() {
            for part in parts.rest() {
                if stopped.is_none() {
                    stopped = self.part_sent(&mut crew, part, &mut rejected).await?;
                }
            }
        }
        // What is on its way is waited for whatever happened: its answer is worth keeping.
        while let Some(back) = crew.one_back().await? {
            let fault = self.acknowledged(back, &mut rejected)?;
            stopped = stopped.or(fault);
        }
        rejected.ended()?;
        if self.tally.before == 0 {
            // A repeat under the same request id is answered as it was the first time: recorded.
            let repeated = known_when_checked.saturating_sub(self.tally.known);
            let repeated = repeated.min(self.tally.recorded);
            self.tally.recorded -= repeated;
            self.tally.known += repeated;
        }
        self.tally.records = self.tally.records.max(sent);
        self.tally.sending = Some(progress.ended(session)?);
        match stopped {
            Some(stop) => {
                told::stopped(self.ask, &mut self.faults, &self.tally, &stop, session)?;
                Err(stop)
            }
            None => Ok(()),
        }
    }

    async fn part_sent<T: Record>(
        &mut self,
        crew: &mut Crew<T>,
        part: Part<T>,
        rejected: &mut Rejected,
    ) -> Result<Option<Stop>, Stop> {
        if let Some(recorded) = self.journal.acknowledged(part.number)? {
            self.tally.before += recorded;
            return Ok(None);
        }
        let mut stopped = None;
        for back in crew.sent(part).await? {
            let fault = self.acknowledged(back, rejected)?;
            stopped = stopped.or(fault);
        }
        Ok(stopped)
    }

    /// Notes what became of a part that was sent; gives why nothing more is to be sent.
    fn acknowledged<T: Record>(
        &mut self,
        (part, answer): Back<T>,
        rejected: &mut Rejected,
    ) -> Result<Option<Stop>, Stop> {
        let became = match answer {
            Ok(became) => became,
            Err(failure) => return Ok(Some(Stop::from(failure))),
        };
        let (mut recorded, mut known, mut is_refused) = (0, 0, false);
        for (item, became) in part.items.iter().zip(&became) {
            match became {
                Became::Recorded => recorded += 1,
                Became::Known => known += 1,
                Became::Refused(_) => {
                    is_refused = true;
                    for fault in refused(&part, item, became) {
                        self.faults.note(fault)?;
                    }
                    if self.ask.keep_good {
                        self.tally.left_out += 1;
                        rejected.take(item)?;
                    }
                }
            }
        }
        if is_refused && !self.ask.keep_good {
            // The server took nothing of this part.
            return Ok(Some(Stop::Answered(crate::failure::exit::REFUSED)));
        }
        self.tally.recorded += recorded;
        self.tally.known += known;
        self.journal.acknowledge(part.number, recorded + known)?;
        Ok(None)
    }
}

/// Why the server refused a record, with rows of the file in place of places in the part.
fn refused<T: Record>(part: &Part<T>, item: &Item<T>, became: &Became) -> Vec<Fault> {
    let Became::Refused(objections) = became else {
        return Vec::new();
    };
    let mut faults = Vec::with_capacity(objections.len());
    for objection in objections {
        faults.push(Fault {
            row: item.row + item.record.row_of(&objection.field),
            column: objection.field.clone(),
            reason: objection.reason.clone(),
            words: with_rows(&objection.words, part),
        });
    }
    faults
}

/// Says `row 14` where the server says `firings[12]`.
fn with_rows<T: Record>(words: &str, part: &Part<T>) -> String {
    let mut said = String::with_capacity(words.len());
    let mut rest = words;
    while let Some((before, after)) = rest.split_once("firings[") {
        said.push_str(before);
        let place = after.split_once(']').and_then(|(digits, behind)| {
            let item = part.items.get(digits.parse::<usize>().ok()?)?;
            Some((item.row, behind))
        });
        if let Some((row, behind)) = place {
            said.extend(["row ", &row.to_string()]);
            rest = behind;
        } else {
            said.push_str("firings[");
            rest = after;
        }
    }
    said.push_str(rest);
    said
}
