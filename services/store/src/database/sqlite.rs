//! SQLite: one file, one writer, several readers.
//!
//! A write-ahead log and `synchronous=FULL`: what was committed is on the disk. One connection writes; it is
//! handed from transaction to transaction in order of arrival, so that no writer ever meets "busy". Several
//! connections read and never wait for the writer. Durable throughput comes from groups: one transaction
//! records many readings ([`crate::Tx::insert_readings`]).
//!
//! The write-ahead log is folded back into the file by [`File::fold_log`] on a connection of its own, so that
//! no caller's commit pays for it.
//!
//! Refused: a pool of writers (SQLite has one writer, a queue in the pool costs about 60 µs a statement
//! more), `INSERT … RETURNING` through `fetch_one` (the driver resets the statement after the first row and
//! loses a failing commit), deferred transactions that read and then write (they fail at once when another
//! wrote in between).

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions as _, Connection as _};
use tokio::sync::{Mutex, OwnedMutexGuard};

use super::connection::{Connection, query};
use crate::Error;

pub(crate) static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("migrations/sqlite");

/// How many connections read.
const READERS: u32 = 4;

/// Pages of the log at which a writer folds it itself: a safety net, far above what is usual.
const LOG_LIMIT: &str = "64000";

/// Size of the log at which it is folded however busy the store is, bytes.
const LONG_LOG_BYTES: u64 = 128 * 1024 * 1024;

/// An open database file.
#[derive(Debug)]
pub(crate) struct File {
    write: Arc<Mutex<WriteLane>>,
    fold: Mutex<FoldLane>,
    /// Counts transactions that were committed.
    commits: Arc<AtomicU64>,
    log: PathBuf,
    read: SqlitePool,
}

/// The one connection that folds the log.
#[derive(Debug)]
struct FoldLane {
    connection: SqliteConnection,
    /// Commits at the turn before.
    seen: u64,
    /// Commits when the whole log was folded last.
    folded: u64,
}

/// The one connection that writes.
#[derive(Debug)]
pub(crate) struct WriteLane {
    pub(crate) connection: Connection,
    /// Set while a transaction is open; still set at the next begin when one was abandoned.
    open: bool,
    commits: Arc<AtomicU64>,
}

impl WriteLane {
    /// Makes everything durable.
    pub(crate) async fn commit(&mut self) -> Result<(), sqlx::Error> {
        // A failure leaves the lane marked open: it is undone when the transaction is dropped.
        query("COMMIT").execute(&mut self.connection).await?;
        self.open = false;
        // So that the log is known to have grown.
        self.commits.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    /// Undoes everything and waits for it.
    pub(crate) async fn roll_back(&mut self) -> Result<(), sqlx::Error> {
        query("ROLLBACK").execute(&mut self.connection).await?;
        self.open = false;
        Ok(())
    }

    /// Whether a transaction is open, or was abandoned.
    pub(crate) fn is_open(&self) -> bool {
        self.open
    }

    /// Undoes the transaction before when it was dropped half-way: a refusal or a panic ended it.
    ///
    /// After some failures, a full disk among them, SQLite has undone the transaction by itself and
    /// refuses to do it again. So a refusal is no fault: whatever is truly still open makes the next
    /// statement fail, and is undone before the one after that.
    pub(crate) async fn undo_abandoned(&mut self) {
        if self.open
            && let Err(fault) = self.roll_back().await
        {
            tracing::debug!(%fault, "nothing is left to undo");
        }
    }
}

fn options(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(Duration::from_secs(5))
        .statement_cache_capacity(256)
        // Rows cross from the driver's thread in one go; the default of 50 makes both sides wait for
        // each other.
        .row_buffer_size(1024)
        .pragma("temp_store", "memory")
        .pragma("wal_autocheckpoint", LOG_LIMIT)
        .disable_statement_logging()
}

/// Folds what can be folded without waiting.
async fn fold(connection: &mut SqliteConnection) -> Result<(), Error> {
    sqlx::query("PRAGMA wal_checkpoint(PASSIVE)")
        .fetch_all(connection)
        .await?;
    Ok(())
}

impl File {
    /// Opens the database file, making and migrating it as needed.
    pub(crate) async fn open(file: &Path) -> Result<Self, Error> {
        let mut connection = SqliteConnection::connect_with(&options(file)).await?;
        MIGRATIONS.run(&mut connection).await?;
        let read = SqlitePoolOptions::new()
            .max_connections(READERS)
            .min_connections(1)
            .connect_with(options(file).read_only(true).create_if_missing(false))
            .await?;
        let fold = Mutex::new(FoldLane {
            connection: SqliteConnection::connect_with(&options(file)).await?,
            seen: 0,
            folded: 0,
        });
        let mut log = file.as_os_str().to_owned();
        log.push("-wal");
        let commits = Arc::new(AtomicU64::new(0));
        let write = Arc::new(Mutex::new(WriteLane {
            connection: Connection::Sqlite(Box::new(connection)),
            open: false,
            commits: Arc::clone(&commits),
        }));
        Ok(Self {
            write,
            fold,
            commits,
            log: log.into(),
            read,
        })
    }

    /// Opens a transaction. Waits for the transaction before it.
    pub(crate) async fn begin(&self) -> Result<OwnedMutexGuard<WriteLane>, Error> {
        let mut lane = Arc::clone(&self.write).lock_owned().await;
        lane.undo_abandoned().await;
        // Marked before it is open: a caller that gives up in between leaves something to undo.
        lane.open = true;
        query("BEGIN IMMEDIATE")
            .execute(&mut lane.connection)
            .await?;
        Ok(lane)
    }

    /// A connection that reads.
    pub(crate) async fn reader(&self) -> Result<Connection, Error> {
        Ok(Connection::SqliteReader(self.read.acquire().await?))
    }

    /// A connection that reads as of one moment.
    pub(crate) async fn snapshot(&self) -> Result<Connection, Error> {
        Ok(Connection::SqliteSnapshot(self.read.begin().await?))
    }

    /// Folds the write-ahead log back into the database file when nothing was written since the turn
    /// before, or when the log has grown long.
    ///
    /// Folding competes with commits for the disk, so a busy store leaves it for a quiet moment. Only a
    /// long log is folded in spite of that; then one writer waits for a moment, so that the log starts
    /// anew.
    pub(crate) async fn fold_log(&self) -> Result<(), Error> {
        let mut lane = self.fold.lock().await;
        let commits = self.commits.load(Ordering::Relaxed);
        let quiet = commits == lane.seen;
        lane.seen = commits;
        if commits == lane.folded {
            return Ok(());
        }
        let long = std::fs::metadata(&self.log).is_ok_and(|log| log.len() > LONG_LOG_BYTES);
        if quiet || long {
            fold(&mut lane.connection).await?;
            if long {
                // Little is left after the fold above; with no writer in between, the next one finds
                // the whole log folded and begins it anew.
                let writer = self.write.lock().await;
                fold(&mut lane.connection).await?;
                drop(writer);
            }
            lane.folded = commits;
        }
        Ok(())
    }

    /// Closes every connection; later calls fail.
    pub(crate) async fn close(&self) -> Result<(), Error> {
        self.read.close().await;
        let mut lane = self.write.lock().await;
        lane.undo_abandoned().await;
        // Folds the write-ahead log back into the file, so that a copy of the file is whole.
        query("PRAGMA wal_checkpoint(TRUNCATE)")
            .execute(&mut lane.connection)
            .await?;
        Ok(())
    }
}
