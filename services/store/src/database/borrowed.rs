//! A connection that a pool has lent, and how it is given back.
//!
//! The driver gives a connection back by asking it whether it is well, and waits for the answer without an end. A
//! connection to a machine that is gone would keep its place in the pool until TCP notices, and a few of them all places.
//! So connections are given back here, within the patience for a statement. For the same reason transactions are not the
//! driver's: what it undoes it undoes on that way.

use std::sync::{Arc, Mutex, PoisonError};

use sqlx::pool::PoolConnection;
use sqlx::postgres::{PgConnection, PgPool};
use sqlx::{Postgres, SqlSafeStr};
use tokio::runtime::Handle;

use super::patience::Patience;

const INVARIANT: &str = "it is taken away on drop only";

/// A connection of a pool, in a transaction or not. Dropping it undoes what was not committed.
#[derive(Debug)]
pub(crate) struct Borrowed {
    pooled: Option<PoolConnection<Postgres>>,
    /// Whether a transaction was begun and has not ended.
    is_open: bool,
    patience: Patience,
    /// Where it goes instead of to its pool; never set while it lies there.
    shelf: Option<Shelf>,
}

/// A place where one connection waits for the next read of the same call. What lies there goes back to its pool with the
/// last clone.
#[derive(Debug, Clone, Default)]
pub(crate) struct Shelf(Arc<Mutex<Option<Borrowed>>>);

impl Shelf {
    /// Takes what lies there, to come back when it is dropped.
    pub(super) fn take(&self) -> Option<Borrowed> {
        let mut place = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut borrowed = place.take()?;
        drop(place);
        borrowed.shelf = Some(self.clone());
        Some(borrowed)
    }

    /// Puts a connection there; one that was put there meanwhile goes back to its pool.
    fn put(&self, borrowed: Borrowed) {
        let mut place = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let other = place.replace(borrowed);
        drop(place);
        drop(other);
    }
}

impl Borrowed {
    /// Borrows a connection; waits for one.
    pub(super) async fn of(pool: &PgPool, patience: &Patience) -> Result<Self, sqlx::Error> {
        let mut pooled = pool.acquire().await?;
        // Whatever ends what is done on drop: it is not left to the driver, which would wait.
        pooled.close_on_drop();
        Ok(Self {
            pooled: Some(pooled),
            is_open: false,
            patience: patience.clone(),
            shelf: None,
        })
    }

    /// Has it go to a shelf instead of to its pool.
    pub(super) fn goes_to(&mut self, shelf: Option<&Shelf>) {
        self.shelf = shelf.cloned();
    }

    /// Begins a transaction by a statement.
    pub(super) async fn begin(&mut self, statement: impl SqlSafeStr) -> Result<(), sqlx::Error> {
        // Marked before it is: a caller that gives up in between leaves something to undo.
        self.is_open = true;
        self.run(statement).await
    }

    /// Makes everything durable.
    pub(super) async fn commit(mut self) -> Result<(), sqlx::Error> {
        self.run("COMMIT").await?;
        self.is_open = false;
        Ok(())
    }

    /// Undoes everything and waits for it.
    pub(super) async fn roll_back(mut self) -> Result<(), sqlx::Error> {
        self.run("ROLLBACK").await?;
        self.is_open = false;
        Ok(())
    }

    pub(super) fn is_in_transaction(&self) -> bool {
        self.is_open
    }

    /// The driver's connection, and how long it may be waited for.
    pub(super) fn driver(&mut self) -> (&mut PgConnection, Patience) {
        (
            self.pooled.as_mut().expect(INVARIANT),
            self.patience.clone(),
        )
    }

    async fn run(&mut self, statement: impl SqlSafeStr) -> Result<(), sqlx::Error> {
        let (driver, patience) = self.driver();
        let statement = sqlx::raw_sql(statement).execute(driver);
        patience.wait(statement).await?;
        Ok(())
    }
}

impl Drop for Borrowed {
    fn drop(&mut self) {
        let Some(mut pooled) = self.pooled.take() else {
            return;
        };
        if let Some(shelf) = self.shelf.take()
            && !self.is_open
        {
            shelf.put(Self {
                pooled: Some(pooled),
                is_open: false,
                patience: self.patience.clone(),
                shelf: None,
            });
            return;
        }
        let Ok(runtime) = Handle::try_current() else {
            // Nobody is there to give it back: it is closed, and its transaction ends with it.
            drop(pooled.detach());
            return;
        };
        let (is_open, patience) = (self.is_open, self.patience.clone());
        runtime.spawn(async move {
            let given_back = async {
                if is_open {
                    sqlx::raw_sql("ROLLBACK").execute(&mut *pooled).await?;
                }
                pooled.return_to_pool().await;
                Ok(())
            };
            if let Err(cause) = patience.wait(given_back).await {
                tracing::debug!(%cause, "a connection was closed and not given back");
            }
        });
    }
}
