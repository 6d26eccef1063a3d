//! Opening a queue: whose file it is, whether it is whole, and for which server.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension as _, TransactionBehavior};

use super::Queue;
use super::faults::{damaged, is_absence, not_kept, refused, unusable};
use crate::connection::same_server;
use crate::failure::Stop;
use crate::profile::kept;

/// Name of the file in its folder.
const NAME: &str = "queue.db";
/// What tells this file from other databases ("RTQU").
const APPLICATION: i64 = 0x5254_5155;
/// Version of what is below.
const VERSION: i64 = 1;
/// Longest wait for another process that writes.
const PATIENCE: Duration = Duration::from_secs(10);

/// The tables. Moments are microseconds since 1970 UTC by this computer's clock.
const SCHEMA: &str = "
CREATE TABLE home (server TEXT NOT NULL, clock_ahead_s INTEGER, clock_seen_us INTEGER) STRICT;
CREATE TABLE entry (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    request BLOB NOT NULL,
    entered_by TEXT NOT NULL,
    entered_us INTEGER NOT NULL,
    clock_ahead_s INTEGER,
    believed_setpoint_c REAL,
    provisional_c REAL,
    state TEXT NOT NULL,
    tried INTEGER NOT NULL DEFAULT 0,
    obstacle TEXT,
    answer BLOB,
    ended_us INTEGER,
    clock_ahead_sent_s INTEGER,
    ended_why TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX entry_by_state ON entry (state, number);
CREATE TABLE happening (
    number INTEGER NOT NULL REFERENCES entry (number),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL
) STRICT;
CREATE TRIGGER entries_stay BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'entries are never erased'); END;
CREATE TRIGGER happenings_stay BEFORE DELETE ON happening BEGIN SELECT RAISE(ABORT, 'history is never erased'); END;
";

impl Queue {
    /// Opens the queue of a folder; none when nothing was ever kept there.
    ///
    /// # Errors
    /// [`Stop::Refused`] when it is damaged, of another program, or cannot be read.
    pub(crate) fn found(folder: &Path) -> Result<Option<Self>, Stop> {
        let path = folder.join(NAME);
        match std::fs::symlink_metadata(&path) {
            Ok(_) => Self::opened(path).map(Some),
            Err(fault) if is_absence(&fault) => Ok(None),
            Err(fault) => Err(unusable(&path, "read", &fault.to_string())),
        }
    }

    /// Opens the queue of a folder, or makes it.
    ///
    /// # Errors
    /// [`Stop::Refused`] when it is damaged, of another program, or cannot be written.
    pub(crate) fn made(folder: &Path, server: &str) -> Result<Self, Stop> {
        kept::folder(folder).map_err(|stop| not_kept(&stop))?;
        let mut queue = Self::opened(folder.join(NAME)).map_err(|stop| not_kept(&stop))?;
        queue.bind(server).map_err(|stop| not_kept(&stop))?;
        Ok(queue)
    }

    fn opened(path: PathBuf) -> Result<Self, Stop> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NOFOLLOW;
        let opened = Connection::open_with_flags(&path, flags);
        let connection = opened.map_err(|fault| refused(&path, &fault))?;
        let mut queue = Queue { path, connection };
        queue
            .prepared()
            .map_err(|fault| refused(&queue.path, &fault))?;
        queue.recognised()?;
        Ok(queue)
    }

    /// Sets how it is written: whoever is told that something waits may pull the plug.
    fn prepared(&mut self) -> rusqlite::Result<()> {
        self.connection.busy_timeout(PATIENCE)?;
        self.connection
            .pragma_update(None, "journal_mode", "TRUNCATE")?;
        self.connection.pragma_update(None, "synchronous", "FULL")?;
        self.connection.pragma_update(None, "foreign_keys", "ON")
    }

    /// Makes the tables in an empty file; refuses every other that is not ours, or not whole.
    fn recognised(&mut self) -> Result<(), Stop> {
        let path = self.path.clone();
        let found = self.head();
        let (application, version, tables) = found.map_err(|fault| refused(&path, &fault))?;
        if application == APPLICATION && version > VERSION {
            return Err(Stop::Refused(format!(
                "The queue {} was written by a newer ringtrue (version {version}; this one knows {VERSION}). It is \
                 untouched. Use the newer program.",
                path.display()
            )));
        }
        if application == 0 && version == 0 && tables == 0 {
            return self.begin().map_err(|fault| refused(&path, &fault));
        }
        if application != APPLICATION || version < 1 {
            return Err(Stop::Refused(format!(
                "{} is no queue of this program, so it is not used and stays as it is. Move it away and run the command \
                 again; a new queue is then begun.",
                path.display()
            )));
        }
        let whole: String = self
            .connection
            .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
            .map_err(|fault| refused(&path, &fault))?;
        if whole == "ok" {
            return Ok(());
        }
        Err(damaged(&path, &whole))
    }

    fn begin(&mut self) -> rusqlite::Result<()> {
        let change = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Another process may have been faster.
        let tables: i64 =
            change.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        if tables == 0 {
            change.execute_batch(SCHEMA)?;
            change.pragma_update(None, "application_id", APPLICATION)?;
            change.pragma_update(None, "user_version", VERSION)?;
        }
        change.commit()
    }

    /// What tells whose file it is: application, version, count of tables. Read at one moment, since another process
    /// may be making them.
    fn head(&mut self) -> rusqlite::Result<(i64, i64, i64)> {
        let reading = self.connection.transaction()?;
        let number = |statement: &str| reading.query_row(statement, [], |row| row.get(0));
        Ok((
            number("PRAGMA application_id")?,
            number("PRAGMA user_version")?,
            number("SELECT count(*) FROM sqlite_schema")?,
        ))
    }

    /// Binds the queue to its server: what was entered for one server goes to no other.
    fn bind(&mut self, server: &str) -> Result<(), Stop> {
        self.changed(|change| {
            let rows: i64 = change.query_row("SELECT count(*) FROM home", [], |row| row.get(0))?;
            if rows == 0 {
                change.execute("INSERT INTO home (server) VALUES (?1)", [server])?;
            }
            Ok(())
        })?;
        if self.is_of(server)? {
            return Ok(());
        }
        if self.pending()?.is_empty() {
            return self.move_to(server);
        }
        Err(self.of_another(server)?)
    }

    /// Says whose server this queue is for.
    pub(crate) fn server(&self) -> Result<String, Stop> {
        let found = self
            .connection
            .query_row("SELECT server FROM home", [], |row| row.get(0))
            .optional();
        Ok(self.told(found)?.unwrap_or_default())
    }

    /// Whether the queue is for a server.
    pub(crate) fn is_of(&self, server: &str) -> Result<bool, Stop> {
        Ok(same_server(&self.server()?, server))
    }

    /// Why nothing goes to another server.
    pub(crate) fn of_another(&self, server: &str) -> Result<Stop, Stop> {
        Ok(Stop::Refused(format!(
            "What waits in {} was entered for {}, and goes to no other server, so not to {server}. If it is the same \
             server under a new address, run `ringtrue queue send --moved`.",
            self.path.display(),
            self.server()?
        )))
    }

    /// Gives the queue another address of its server.
    pub(crate) fn move_to(&mut self, server: &str) -> Result<(), Stop> {
        self.changed(|change| {
            change
                .execute("UPDATE home SET server = ?1", [server])
                .map(drop)
        })
    }
}
