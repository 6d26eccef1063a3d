//! Opening the database, migrating it, and the two ways in: reading and writing.
//!
//! SQLite with a write-ahead log and `synchronous=FULL`: what was committed is on the disk. One
//! connection writes; it is handed from transaction to transaction in order of arrival, so that no
//! writer ever meets "busy". Several connections read and never wait for the writer. Durable throughput
//! comes from groups: one transaction records many readings ([`Tx::insert_readings`]).
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

/// The store of one network.
#[derive(Debug, Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    write: Arc<Mutex<WriteLane>>,
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

fn options(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(Duration::from_secs(5))
        .statement_cache_capacity(256)
        .pragma("temp_store", "memory")
        .disable_statement_logging()
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
        let write = Arc::new(Mutex::new(WriteLane {
            connection,
            open: false,
        }));
        Ok(Self {
            inner: Arc::new(Inner {
                write,
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
        if lane.open {
            // The transaction before was dropped half-way, for example by a panic.
            sqlx::query("ROLLBACK")
                .execute(&mut lane.connection)
                .await?;
            lane.open = false;
        }
        sqlx::query("BEGIN IMMEDIATE")
            .execute(&mut lane.connection)
            .await?;
        lane.open = true;
        Ok(Tx::new(lane, scope.clone(), name, self.clone()))
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
        // Folds the write-ahead log back into the file, so that a copy of the file is whole.
        sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
            .execute(&mut lane.connection)
            .await?;
        Ok(())
    }
}
