//! A write transaction: everything or nothing, durable once committed.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use sqlx::sqlite::SqliteConnection;
use tokio::sync::OwnedMutexGuard;

use crate::database::WriteLane;
use crate::{Error, Store};

/// An open transaction. Dropping it without [`Tx::commit`] undoes everything.
#[derive(Debug)]
pub struct Tx {
    lane: OwnedMutexGuard<WriteLane>,
    pub(crate) scope: Scope,
    name: &'static str,
    pub(crate) store: Store,
}

impl Tx {
    pub(crate) fn new(
        lane: OwnedMutexGuard<WriteLane>,
        scope: Scope,
        name: &'static str,
        store: Store,
    ) -> Self {
        Self {
            lane,
            scope,
            name,
            store,
        }
    }

    /// Makes everything durable. An error means that nothing was kept.
    pub async fn commit(mut self) -> Result<(), Error> {
        match sqlx::query("COMMIT")
            .execute(&mut self.lane.connection)
            .await
        {
            Ok(_) => {
                self.lane.open = false;
                self.store.committed();
                tracing::trace!(tx = self.name, "committed");
                Ok(())
            }
            // The lane stays marked open, so the next transaction rolls this one back first.
            Err(fault) => Err(fault.into()),
        }
    }

    /// Undoes everything now rather than when the next transaction begins.
    pub async fn roll_back(mut self) -> Result<(), Error> {
        sqlx::query("ROLLBACK")
            .execute(&mut self.lane.connection)
            .await?;
        self.lane.open = false;
        Ok(())
    }

    pub(crate) fn connection(&mut self) -> &mut SqliteConnection {
        &mut self.lane.connection
    }

    /// Lets the following calls act within another scope: a group of readings comes from many callers.
    pub fn rescope(&mut self, scope: &Scope) {
        self.scope = scope.clone();
    }

    /// Fails unless the transaction's scope reaches the site.
    pub(crate) fn within(&self, site: &SiteId) -> Result<(), Error> {
        if self.scope.reaches(site) {
            Ok(())
        } else {
            Err(Error::OutOfScope)
        }
    }
}
