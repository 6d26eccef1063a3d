//! A write transaction: everything or nothing, durable once committed.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use sqlx::sqlite::SqliteConnection;
use tokio::runtime::Handle;
use tokio::sync::OwnedMutexGuard;

use crate::database::WriteLane;
use crate::{Error, Store};

/// An open transaction. Dropping it without [`Tx::commit`] undoes everything.
#[derive(Debug)]
pub struct Tx {
    /// The writing connection; none once the transaction has ended.
    lane: Option<OwnedMutexGuard<WriteLane>>,
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
            lane: Some(lane),
            scope,
            name,
            store,
        }
    }

    /// Makes everything durable. An error means that nothing was kept.
    pub async fn commit(mut self) -> Result<(), Error> {
        // A failure leaves the lane marked open: it is undone when this is dropped.
        sqlx::query("COMMIT").execute(self.connection()).await?;
        self.lane().open = false;
        self.store.committed();
        tracing::trace!(tx = self.name, "committed");
        Ok(())
    }

    /// Undoes everything and waits for it.
    pub async fn roll_back(mut self) -> Result<(), Error> {
        sqlx::query("ROLLBACK").execute(self.connection()).await?;
        self.lane().open = false;
        Ok(())
    }

    fn lane(&mut self) -> &mut WriteLane {
        self.lane
            .as_deref_mut()
            .expect("only dropping takes the lane away")
    }

    pub(crate) fn connection(&mut self) -> &mut SqliteConnection {
        &mut self.lane().connection
    }

    /// Fails unless the transaction's scope reaches the site.
    pub(crate) fn within(&self, site: &SiteId) -> Result<(), Error> {
        if self.scope.reaches(site) {
            Ok(())
        } else {
            Err(Error::OutOfScope)
        }
    }

    /// Fails unless the scope reaches every site: for work on the whole network.
    pub(crate) fn everywhere(&self) -> Result<(), Error> {
        if self.scope.sites().is_none() {
            Ok(())
        } else {
            Err(Error::OutOfScope)
        }
    }
}

impl Drop for Tx {
    /// Undoes what was not committed at once, so that SQLite's lock is not held against other processes
    /// until the next change. Outside a runtime the next transaction does it.
    fn drop(&mut self) {
        if let Some(mut lane) = self.lane.take()
            && lane.open
            && let Ok(runtime) = Handle::try_current()
        {
            runtime.spawn(async move { lane.undo_abandoned().await });
        }
    }
}
