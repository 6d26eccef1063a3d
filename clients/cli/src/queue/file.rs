//! The file in which a queue lies: every entry is on the disk before anybody is told that it waits, and none is ever
//! erased.
//!
//! It is a database of SQLite's of this program's own; the service's databases are no concern of a client.

mod faults;
mod opening;

use std::fs::{File, TryLockError};
use std::path::PathBuf;

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, TransactionBehavior, params};

use super::act::{Act, Answer};
use super::entry::{Entry, New, Obstacle, State};
use crate::failure::Stop;
use faults::{damaged, not_kept, refused, unusable};

/// Name of the file that whoever sends holds a lock on.
const LOCK: &str = "sending.lock";
const COLUMNS: &str = "number, kind, request, entered_by, entered_us, clock_ahead_s, believed_setpoint_c, \
    provisional_c, state, tried, obstacle, answer, ended_us, clock_ahead_sent_s, ended_why";

/// A queue.
#[derive(Debug)]
pub(crate) struct Queue {
    path: PathBuf,
    connection: Connection,
}

/// The right to send what waits; ends with the process, however that ends.
#[derive(Debug)]
pub(crate) struct SoleSender(#[expect(dead_code, reason = "held for its lock")] File);

/// What happened to an entry, for those who look back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Happening {
    /// When, by this computer's clock.
    pub(crate) at: Timestamp,
    /// Staff code.
    pub(crate) who: String,
    /// What.
    pub(crate) what: String,
}

/// How an entry was put in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Put {
    /// Under this number.
    As(i64),
    /// It is there already, under this number.
    Already(i64),
}

impl Queue {
    /// Takes the right to send; none while another process has it.
    pub(crate) fn sole_sender(&self) -> Result<Option<SoleSender>, Stop> {
        let path = self.path.with_file_name(LOCK);
        let opened = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path);
        let file = opened.map_err(|fault| unusable(&path, "written", &fault.to_string()))?;
        match file.try_lock() {
            Ok(()) => Ok(Some(SoleSender(file))),
            Err(TryLockError::WouldBlock) => Ok(None),
            Err(TryLockError::Error(fault)) => Err(unusable(&path, "locked", &fault.to_string())),
        }
    }

    /// Puts an entry at the end. When this returns it is on the disk.
    ///
    /// # Errors
    /// [`Stop::Refused`] when it could not be kept: nothing of it is there then.
    pub(crate) fn put(&mut self, new: &New) -> Result<Put, Stop> {
        let request_id = new.act.request_id();
        let held = self
            .connection
            .query_row(
                "SELECT number, request FROM entry WHERE request_id = ?1",
                [request_id],
                |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)),
            )
            .optional();
        if let Some((number, request)) = self.told(held)? {
            if request == new.act.bytes() {
                return Ok(Put::Already(number));
            }
            return Err(Stop::Refused(format!(
                "Entry {number} of the queue has this request id, with other values. Leave --request-id out, or look at \
                 it with `ringtrue queue show {number}`."
            )));
        }
        self.changed(|change| {
            change.execute(
                "INSERT INTO entry (request_id, kind, subject, request, entered_by, entered_us, clock_ahead_s,
                 believed_setpoint_c, provisional_c, state) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                params![
                    request_id,
                    new.act.kind(),
                    new.act.subject(),
                    new.act.bytes(),
                    new.entered_by,
                    new.entered_at.as_microsecond(),
                    new.clock_ahead_s,
                    new.believed_setpoint_c,
                    new.provisional_c,
                    State::Waiting.word(),
                ],
            )?;
            let number = change.last_insert_rowid();
            noted(change, number, new.entered_at, &new.entered_by, "entered")?;
            Ok(Put::As(number))
        })
        .map_err(|stop| not_kept(&stop))
    }

    /// Entries that are not on record yet, in order.
    pub(crate) fn pending(&self) -> Result<Vec<Entry>, Stop> {
        let (waiting, asking) = (State::Waiting.word(), State::NeedsYou.word());
        self.listed(
            &format!("SELECT {COLUMNS} FROM entry WHERE state IN (?1, ?2) ORDER BY number"),
            params![waiting, asking],
        )
    }

    /// How many they are.
    pub(crate) fn pending_count(&self) -> Result<usize, Stop> {
        let counted = self.connection.query_row(
            "SELECT count(*) FROM entry WHERE state IN (?1, ?2)",
            [State::Waiting.word(), State::NeedsYou.word()],
            |row| row.get::<_, i64>(0),
        );
        Ok(usize::try_from(self.told(counted)?).unwrap_or(0))
    }

    /// The next pending entry behind a number.
    pub(crate) fn next_behind(&self, number: i64) -> Result<Option<Entry>, Stop> {
        let (waiting, asking) = (State::Waiting.word(), State::NeedsYou.word());
        let found = self.listed(
            &format!("SELECT {COLUMNS} FROM entry WHERE state IN (?1, ?2) AND number > ?3 ORDER BY number LIMIT 1"),
            params![waiting, asking, number],
        )?;
        Ok(found.into_iter().next())
    }

    /// The first pending entry about something.
    pub(crate) fn first_of(&self, subject: &str) -> Result<Option<Entry>, Stop> {
        let (waiting, asking) = (State::Waiting.word(), State::NeedsYou.word());
        let found = self.listed(
            &format!("SELECT {COLUMNS} FROM entry WHERE state IN (?1, ?2) AND subject = ?3 ORDER BY number LIMIT 1"),
            params![waiting, asking, subject],
        )?;
        Ok(found.into_iter().next())
    }

    /// The latest entries of all, latest first.
    pub(crate) fn history(&self, limit: usize) -> Result<Vec<Entry>, Stop> {
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        self.listed(
            &format!("SELECT {COLUMNS} FROM entry ORDER BY number DESC LIMIT ?1"),
            [limit],
        )
    }

    /// One entry.
    ///
    /// # Errors
    /// [`Stop::Missing`] when there is none of this number.
    pub(crate) fn entry(&self, number: i64) -> Result<Entry, Stop> {
        let found = self.listed(
            &format!("SELECT {COLUMNS} FROM entry WHERE number = ?1"),
            [number],
        )?;
        found.into_iter().next().ok_or_else(|| {
            Stop::Missing(format!(
                "There is no entry {number} in the queue of this computer; `ringtrue queue list --all` shows those there \
                 are."
            ))
        })
    }

    /// What happened to an entry, in order.
    pub(crate) fn happenings(&self, number: i64) -> Result<Vec<Happening>, Stop> {
        let read = || {
            let mut statement = self.connection.prepare(
                "SELECT at_us, who, what FROM happening WHERE number = ?1 ORDER BY rowid",
            )?;
            let rows = statement.query_map([number], |row| {
                Ok(Happening {
                    at: moment(row.get(0)?),
                    who: row.get(1)?,
                    what: row.get(2)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        self.told(read())
    }

    /// Notes that an entry is on its way from now on: an answer may be lost.
    pub(crate) fn tried(&mut self, number: i64) -> Result<(), Stop> {
        self.changed(|change| {
            change
                .execute("UPDATE entry SET tried = 1 WHERE number = ?1", [number])
                .map(drop)
        })
    }

    /// Notes that an entry is on record.
    pub(crate) fn sent(
        &mut self,
        number: i64,
        answer: &Answer,
        at: Timestamp,
        ahead_s: Option<i64>,
    ) -> Result<(), Stop> {
        self.changed(|change| {
            change.execute(
                "UPDATE entry SET state = ?2, answer = ?3, ended_us = ?4, clock_ahead_sent_s = ?5, obstacle = NULL
                 WHERE number = ?1",
                params![number, State::Sent.word(), answer.bytes(), at.as_microsecond(), ahead_s],
            )?;
            noted(change, number, at, "", &format!("sent, recorded as {}", answer.name()))
        })
    }

    /// Notes what is in an entry's way; it stays.
    pub(crate) fn hindered(
        &mut self,
        number: i64,
        state: State,
        obstacle: &Obstacle,
        at: Timestamp,
    ) -> Result<(), Stop> {
        self.changed(|change| {
            change.execute(
                "UPDATE entry SET state = ?2, obstacle = ?3 WHERE number = ?1",
                params![number, state.word(), obstacle.text()],
            )?;
            noted(change, number, at, "", &obstacle.lines.join(" "))
        })
    }

    /// Puts an entry back among those that wait, perhaps with other content; who, how and when are kept.
    pub(crate) fn settled(
        &mut self,
        entry: &Entry,
        who: &str,
        how: &str,
        at: Timestamp,
    ) -> Result<(), Stop> {
        self.changed(|change| {
            change.execute(
                "UPDATE entry SET state = ?2, request = ?3, believed_setpoint_c = ?4, obstacle = NULL, clock_ahead_s = ?5
                 WHERE number = ?1",
                params![
                    entry.number,
                    State::Waiting.word(),
                    entry.new.act.bytes(),
                    entry.new.believed_setpoint_c,
                    entry.new.clock_ahead_s,
                ],
            )?;
            noted(change, entry.number, at, who, &format!("settled: {how}"))
        })
    }

    /// Drops an entry: it is kept, and not sent any more.
    pub(crate) fn dropped(
        &mut self,
        number: i64,
        who: &str,
        why: &str,
        at: Timestamp,
    ) -> Result<(), Stop> {
        self.changed(|change| {
            change.execute(
                "UPDATE entry SET state = ?2, ended_us = ?3, ended_why = ?4 WHERE number = ?1",
                params![number, State::Dropped.word(), at.as_microsecond(), why],
            )?;
            noted(change, number, at, who, &format!("dropped: {why}"))
        })
    }

    /// By how much this computer's clock was ahead of the server's when they last met, s.
    pub(crate) fn clock_ahead_s(&self) -> Result<Option<i64>, Stop> {
        let found = self
            .connection
            .query_row("SELECT clock_ahead_s FROM home", [], |row| {
                row.get::<_, Option<i64>>(0)
            })
            .optional();
        Ok(self.told(found)?.flatten())
    }

    /// Notes by how much it is; nothing is written where that is known already.
    pub(crate) fn note_clock(&mut self, ahead_s: i64, at: Timestamp) -> Result<(), Stop> {
        if self
            .clock_ahead_s()?
            .is_some_and(|known| known.abs_diff(ahead_s) < 2)
        {
            return Ok(());
        }
        self.changed(|change| {
            change
                .execute(
                    "UPDATE home SET clock_ahead_s = ?1, clock_seen_us = ?2",
                    params![ahead_s, at.as_microsecond()],
                )
                .map(drop)
        })
    }

    fn listed(&self, statement: &str, with: impl rusqlite::Params) -> Result<Vec<Entry>, Stop> {
        let read = || {
            let mut statement = self.connection.prepare(statement)?;
            let rows = statement.query_map(with, |row| Ok(entry(row)))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let mut entries = Vec::new();
        for entry in self.told(read())? {
            let entry = self.told(entry)?;
            entries.push(entry.ok_or_else(|| damaged(&self.path, "an entry cannot be read"))?);
        }
        Ok(entries)
    }

    fn changed<T>(
        &mut self,
        change: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, Stop> {
        let path = self.path.clone();
        let begun = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate);
        let done = begun.and_then(|transaction| {
            let given = change(&transaction)?;
            transaction.commit()?;
            Ok(given)
        });
        done.map_err(|fault| refused(&path, &fault))
    }

    fn told<T>(&self, answer: rusqlite::Result<T>) -> Result<T, Stop> {
        answer.map_err(|fault| refused(&self.path, &fault))
    }
}

fn noted(
    change: &Transaction<'_>,
    number: i64,
    at: Timestamp,
    who: &str,
    what: &str,
) -> rusqlite::Result<()> {
    change
        .execute(
            "INSERT INTO happening (number, at_us, who, what) VALUES (?1, ?2, ?3, ?4)",
            params![number, at.as_microsecond(), who, what],
        )
        .map(drop)
}

fn moment(microseconds: i64) -> Timestamp {
    Timestamp::from_microsecond(microseconds).unwrap_or_default()
}

/// One row; none when it is of a kind that is not known.
fn entry(row: &Row<'_>) -> rusqlite::Result<Option<Entry>> {
    let kind: String = row.get("kind")?;
    let request: Vec<u8> = row.get("request")?;
    let state: String = row.get("state")?;
    let (Some(act), Some(state)) = (Act::read(&kind, &request), State::read(&state)) else {
        return Ok(None);
    };
    let obstacle: Option<String> = row.get("obstacle")?;
    let answer: Option<Vec<u8>> = row.get("answer")?;
    let ended: Option<i64> = row.get("ended_us")?;
    Ok(Some(Entry {
        number: row.get("number")?,
        new: New {
            act,
            entered_by: row.get("entered_by")?,
            entered_at: moment(row.get("entered_us")?),
            clock_ahead_s: row.get("clock_ahead_s")?,
            believed_setpoint_c: row.get("believed_setpoint_c")?,
            provisional_c: row.get("provisional_c")?,
        },
        state,
        was_tried: row.get::<_, i64>("tried")? != 0,
        obstacle: obstacle.map(|text| Obstacle::read(&text)),
        answer: answer.and_then(|bytes| Answer::read(&kind, &bytes)),
        ended_at: ended.map(moment),
        clock_ahead_sent_s: row.get("clock_ahead_sent_s")?,
        ended_why: row.get("ended_why")?,
    }))
}
