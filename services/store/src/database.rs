//! Opening the database, migrating it, and the two ways in: reading and writing.
//!
//! SQLite with a write-ahead log and `synchronous=FULL`: what was committed is on the disk. One
//! connection writes; it is handed from transaction to transaction in order of arrival, so that no
//! writer ever meets "busy". Several connections read and never wait for the writer. Durable throughput
//! comes from groups: one transaction records many readings ([`Tx::insert_readings`]).
//!
//! The write-ahead log is folded back into the file by [`Store::fold_log`] on a connection of its own, so
//! that no caller's commit pays for it.
//!
//! Refused: a pool of writers (SQLite has one writer, a queue in the pool costs about 60 µs a
//! statement more), `INSERT … RETURNING` through `fetch_one` (the driver resets the statement after the
//! first row and loses a failing commit), deferred transactions that read and then write (they fail at
//! once when another wrote in between).

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions as _, Connection as _};
use tokio::sync::Mutex;

use crate::cache::BatchCache;
use crate::fitted::FittedMemory;
use crate::reference::ReferenceMemory;
use crate::{Error, Read, Tx};

pub(crate) static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("migrations/sqlite");

/// How many connections read.
const READERS: u32 = 4;

/// Pages of the log at which a writer folds it itself: a safety net, far above what is usual.
const LOG_LIMIT: &str = "64000";

/// Size of the log at which it is folded however busy the store is, bytes.
const LONG_LOG_BYTES: u64 = 128 * 1024 * 1024;

/// The store of one network.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    write: Arc<Mutex<WriteLane>>,
    fold: Mutex<FoldLane>,
    /// Counts transactions that were committed.
    commits: AtomicU64,
    log_file: PathBuf,
    read: SqlitePool,
    batches: BatchCache,
    reference: ReferenceMemory,
    fitted: FittedMemory,
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
    pub(crate) connection: SqliteConnection,
    /// Set while a transaction is open; still set at the next begin when one was abandoned.
    pub(crate) open: bool,
}

impl WriteLane {
    /// Undoes the transaction before when it was dropped half-way: a refusal or a panic ended it.
    ///
    /// After some failures, a full disk among them, SQLite has undone the transaction by itself and
    /// refuses to do it again. So a refusal is no fault: whatever is truly still open makes the next
    /// statement fail, and is undone before the one after that.
    pub(crate) async fn undo_abandoned(&mut self) {
        if self.open {
            match sqlx::query("ROLLBACK").execute(&mut self.connection).await {
                Ok(_) => self.open = false,
                Err(fault) => tracing::debug!(%fault, "nothing is left to undo"),
            }
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

impl Store {
    /// Opens the database file, making and migrating it as needed.
    pub async fn open(file: &Path) -> Result<Self, Error> {
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
        let mut log_file = file.as_os_str().to_owned();
        log_file.push("-wal");
        let write = Arc::new(Mutex::new(WriteLane {
            connection,
            open: false,
        }));
        Ok(Self {
            inner: Arc::new(Inner {
                write,
                fold,
                commits: AtomicU64::new(0),
                log_file: log_file.into(),
                read,
                batches: BatchCache::default(),
                reference: ReferenceMemory::default(),
                fitted: FittedMemory::default(),
            }),
        })
    }

    /// Makes or migrates the database file and closes it again.
    pub async fn migrate(file: &Path) -> Result<(), Error> {
        Self::open(file).await?.close().await
    }

    /// Opens a transaction; `name` says which in traces. Waits for the transaction before it.
    pub async fn begin(&self, name: &'static str, scope: &Scope) -> Result<Tx, Error> {
        let mut lane = Arc::clone(&self.inner.write).lock_owned().await;
        lane.undo_abandoned().await;
        // Marked before it is open: a caller that gives up in between leaves something to undo.
        lane.open = true;
        sqlx::query("BEGIN IMMEDIATE")
            .execute(&mut lane.connection)
            .await?;
        Ok(Tx::new(lane, scope.clone(), name, self.clone()))
    }

    /// Folds the write-ahead log back into the database file when nothing was written since the turn
    /// before, or when the log has grown long. To be called again and again.
    ///
    /// Folding competes with commits for the disk, so a busy store leaves it for a quiet moment. Only a
    /// long log is folded in spite of that; then one writer waits for a moment, so that the log starts
    /// anew.
    pub async fn fold_log(&self) -> Result<(), Error> {
        let mut lane = self.inner.fold.lock().await;
        let commits = self.inner.commits.load(Ordering::Relaxed);
        let quiet = commits == lane.seen;
        lane.seen = commits;
        if commits == lane.folded {
            return Ok(());
        }
        let long =
            std::fs::metadata(&self.inner.log_file).is_ok_and(|log| log.len() > LONG_LOG_BYTES);
        if quiet || long {
            fold(&mut lane.connection).await?;
            if long {
                // Little is left after the fold above; with no writer in between, the next one finds
                // the whole log folded and begins it anew.
                let writer = self.inner.write.lock().await;
                fold(&mut lane.connection).await?;
                drop(writer);
            }
            lane.folded = commits;
        }
        Ok(())
    }

    /// Counts a commit, so that the log is known to have grown.
    pub(crate) fn committed(&self) {
        self.inner.commits.fetch_add(1, Ordering::Relaxed);
    }

    /// Reads what the scope reaches.
    pub fn read(&self, scope: &Scope) -> Read {
        Read::new(self.clone(), scope.clone())
    }

    pub(crate) fn readers(&self) -> &SqlitePool {
        &self.inner.read
    }

    pub(crate) fn reference(&self) -> &ReferenceMemory {
        &self.inner.reference
    }

    pub(crate) fn fitted(&self) -> &FittedMemory {
        &self.inner.fitted
    }

    pub(crate) fn batches(&self) -> &BatchCache {
        &self.inner.batches
    }

    /// Closes every connection; later calls fail.
    pub async fn close(self) -> Result<(), Error> {
        self.inner.read.close().await;
        let mut lane = self.inner.write.lock().await;
        lane.undo_abandoned().await;
        // Folds the write-ahead log back into the file, so that a copy of the file is whole.
        sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
            .execute(&mut lane.connection)
            .await?;
        Ok(())
    }
}
