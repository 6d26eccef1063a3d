//! Opening the database, migrating it, and the two ways in: reading and writing.
//!
//! SQLite with a write-ahead log and `synchronous=FULL`: what was committed is on the disk. One
//! connection writes; it is handed from transaction to transaction in order of arrival, so that no
//! writer ever meets "busy". Several connections read and never wait for the writer. Durable throughput
//! comes from groups: one transaction records many readings ([`Tx::insert_readings`]).
//!
//! The write-ahead log is folded back into the file by [`Store::fold_log`] on a connection of its own, so
//! that no caller's commit pays for it; a writer folds only when nobody did so for a long time.
//!
//! Refused: a pool of writers (SQLite has one writer, a queue in the pool costs about 60 µs a
//! statement more), `INSERT … RETURNING` through `fetch_one` (the driver resets the statement after the
//! first row and loses a failing commit), deferred transactions that read and then write (they fail at
//! once when another wrote in between).

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions as _, Connection as _};
use tokio::sync::Mutex;

use crate::cache::BatchCache;
use crate::{Error, Read, Tx};

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("migrations/sqlite");

/// How many connections read.
const READERS: u32 = 4;

/// Pages of the log at which a writer folds it itself: a safety net, far above what is usual.
const LOG_LIMIT: &str = "32000";

/// Pages of the log at which folding holds writers up for a moment, so that the log starts anew.
const LOG_START_ANEW: i64 = 8000;

/// The store of one network.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    write: Arc<Mutex<WriteLane>>,
    fold: Mutex<SqliteConnection>,
    read: SqlitePool,
    batches: BatchCache,
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
    async fn undo_abandoned(&mut self) {
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

/// Folds what can be folded without waiting; gives the pages in the log.
async fn folded(connection: &mut SqliteConnection) -> Result<i64, Error> {
    let (_busy, in_log, _folded): (i64, i64, i64) =
        sqlx::query_as("PRAGMA wal_checkpoint(PASSIVE)").fetch_one(connection).await?;
    Ok(in_log)
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
        let fold = Mutex::new(SqliteConnection::connect_with(&options(file)).await?);
        let write = Arc::new(Mutex::new(WriteLane { connection, open: false }));
        Ok(Self {
            inner: Arc::new(Inner {
                write,
                fold,
                read,
                batches: BatchCache::default(),
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
        sqlx::query("BEGIN IMMEDIATE")
            .execute(&mut lane.connection)
            .await?;
        lane.open = true;
        Ok(Tx::new(lane, scope.clone(), name, self.clone()))
    }

    /// Folds the write-ahead log back into the database file. Writers go on meanwhile; only when the log
    /// has grown long does one of them wait for a moment.
    pub async fn fold_log(&self) -> Result<(), Error> {
        let mut connection = self.inner.fold.lock().await;
        if folded(&mut connection).await? > LOG_START_ANEW {
            // Little is left after the fold above; with no writer in between, the next one finds the
            // whole log folded and begins it anew.
            let lane = self.inner.write.lock().await;
            folded(&mut connection).await?;
            drop(lane);
        }
        Ok(())
    }

    /// Reads what the scope reaches.
    pub fn read(&self, scope: &Scope) -> Read {
        Read::new(self.clone(), scope.clone())
    }

    pub(crate) fn readers(&self) -> &SqlitePool {
        &self.inner.read
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
