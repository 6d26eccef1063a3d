//! The file away from the database that holds every checkpoint, one JSON object a line.
//!
//! Each turn adds what the database has beyond the file's last line, whichever server made it: so nothing lacks after
//! the file could not be written to for a while, and each of several servers that begins a file keeps a whole one.
//! Servers may share one: what is added is looked at and written under a lock.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Checkpoint, Page, Store};

/// Checkpoints that are read and written at a time.
const AT_A_TIME: u32 = 200;

/// How much of the file's end is read at first, bytes; a longer line is read whole.
const END: u64 = 64 * 1024;

/// How long another server that shares the file is waited for; one that is gone may hold it on for ever.
const LOCK_WAIT: Duration = Duration::from_secs(5);

/// How often it is tried meanwhile.
const TRIED_EVERY: Duration = Duration::from_millis(50);

/// The file; clones are the same.
#[derive(Debug, Clone)]
pub(super) struct Witness(PathBuf);

/// Why the file does not hold all checkpoints.
#[derive(Debug, thiserror::Error)]
pub(super) enum WitnessFault {
    #[error("the witness file {} cannot be read or written to", file.display())]
    File {
        file: PathBuf,
        source: std::io::Error,
    },
    #[error("the last line of the witness file {} is no checkpoint; put the file aside and look who wrote it", file.display())]
    NoCheckpoint { file: PathBuf },
    #[error(
        "the database does not have checkpoint {number} as the witness file {} holds it: it was restored from a \
         backup, or altered. Keep the file; after a restore name another in audit.witness",
        file.display()
    )]
    Differs { file: PathBuf, number: i64 },
    #[error("the checkpoints cannot be read")]
    Store(#[from] ringtrue_store::Error),
    #[error("the work on the witness file ended early")]
    Ended(#[from] tokio::task::JoinError),
}

impl Witness {
    pub(super) fn at(file: PathBuf) -> Self {
        Self(file)
    }

    /// Adds every checkpoint that the file lacks, and waits for the disk; gives how many were added.
    pub(super) async fn brought_up(&self, store: &Store) -> Result<u64, WitnessFault> {
        let scope = Scope::for_work(crate::app::CHECKPOINT_WORK);
        let read = store.read(&scope);
        let mut added = 0;
        let mut last = self.blocking(|file| with_lock(file, last_of)).await?;
        loop {
            let known = last.as_ref().map_or(0, |last| last.number);
            // From the last one that the file has, to see that the database still has it.
            let page = Page {
                size: AT_A_TIME,
                after: Vec::new(),
            };
            let mut found = read
                .checkpoints((known - 1).max(0), &page)
                .await?
                .into_iter();
            if let Some(last) = &last
                && found.next().as_ref() != Some(last)
            {
                return Err(WitnessFault::Differs {
                    file: self.0.clone(),
                    number: known,
                });
            }
            let newer: Vec<Checkpoint> = found.collect();
            let Some(newest) = newer.last().cloned() else {
                return Ok(added);
            };
            added += self
                .blocking(move |file| with_lock(file, |file| append(file, &newer)))
                .await?;
            last = Some(newest);
        }
    }

    async fn blocking<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Path) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<T, WitnessFault> {
        let file = self.0.clone();
        tokio::task::spawn_blocking(move || work(&file).map_err(|trouble| trouble.with(file)))
            .await?
    }
}

/// What can be wrong with a file.
enum Trouble {
    Io(std::io::Error),
    NoCheckpoint,
}

impl From<std::io::Error> for Trouble {
    fn from(fault: std::io::Error) -> Self {
        Self::Io(fault)
    }
}

impl Trouble {
    fn with(self, file: PathBuf) -> WitnessFault {
        match self {
            Self::Io(source) => WitnessFault::File { file, source },
            Self::NoCheckpoint => WitnessFault::NoCheckpoint { file },
        }
    }
}

/// Works on the file while no other server does; makes it when there is none.
fn with_lock<T>(
    file: &Path,
    work: impl FnOnce(&mut File) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    let mut opened = OpenOptions::new()
        .read(true)
        .append(true)
        .create(true)
        .open(file)?;
    locked(&opened)?;
    // Closing it gives the lock back.
    work(&mut opened)
}

fn locked(file: &File) -> Result<(), Trouble> {
    let end = Instant::now() + LOCK_WAIT;
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(()),
            Err(TryLockError::WouldBlock) if Instant::now() < end => {
                std::thread::sleep(TRIED_EVERY);
            }
            Err(fault) => return Err(Trouble::Io(fault.into())),
        }
    }
}

/// The last whole line. What follows it is from a server that was killed while it wrote, and is passed over.
fn last_of(file: &mut File) -> Result<Option<Checkpoint>, Trouble> {
    Ok(end_of(file)?.1)
}

/// Where whole lines end, and the last of them.
fn end_of(file: &mut File) -> Result<(u64, Option<Checkpoint>), Trouble> {
    let length = file.metadata()?.len();
    let mut asked = END;
    loop {
        let from = length.saturating_sub(asked);
        file.seek(SeekFrom::Start(from))?;
        let mut tail = Vec::new();
        file.take(length - from).read_to_end(&mut tail)?;
        let newline = |bytes: &[u8]| bytes.iter().rposition(|byte| *byte == b'\n');
        let Some(end) = newline(&tail) else {
            if from > 0 {
                asked *= 4;
                continue;
            }
            return Ok((0, None));
        };
        let start = match newline(&tail[..end]) {
            Some(before) => before + 1,
            None if from == 0 => 0,
            None => {
                asked *= 4;
                continue;
            }
        };
        let last = serde_json::from_slice(&tail[start..end]).map_err(|_| Trouble::NoCheckpoint)?;
        return Ok((from + end as u64 + 1, Some(last)));
    }
}

/// Appends those that are newer than the file's last one.
fn append(file: &mut File, newer: &[Checkpoint]) -> Result<u64, Trouble> {
    let (end, last) = end_of(file)?;
    let known = last.map_or(0, |last| last.number);
    let mut lines = Vec::new();
    let mut added = 0;
    for checkpoint in newer {
        if checkpoint.number > known {
            serde_json::to_writer(&mut lines, checkpoint).map_err(std::io::Error::from)?;
            lines.push(b'\n');
            added += 1;
        }
    }
    if end < file.metadata()?.len() {
        file.set_len(end)?;
    }
    file.write_all(&lines)?;
    file.sync_data()?;
    Ok(added)
}
