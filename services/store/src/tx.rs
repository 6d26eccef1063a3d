//! A write transaction: everything or nothing, durable once committed.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use tokio::runtime::Handle;
use tokio::sync::OwnedMutexGuard;

use crate::database::{Connection, WriteLane};
use crate::{Error, Store};

/// An open transaction. Dropping it without [`Tx::commit`] undoes everything. After an error of the database
/// it is only good for being dropped: PostgreSQL answers nothing more in it.
#[derive(Debug)]
pub struct Tx {
    /// The writing connection; none once the transaction has ended.
    lane: Option<Lane>,
    pub(crate) scope: Scope,
    name: &'static str,
    pub(crate) store: Store,
    /// Whether something was entered in an audit chain or in the log of alerts.
    pub(crate) has_entered: bool,
}

/// Where a transaction is open.
#[derive(Debug)]
pub(crate) enum Lane {
    /// On the one connection that writes.
    Sqlite(OwnedMutexGuard<WriteLane>),
    /// On a connection of its own.
    Postgres(Connection),
}

impl Tx {
    pub(crate) fn new(lane: Lane, scope: Scope, name: &'static str, store: Store) -> Self {
        Self {
            lane: Some(lane),
            scope,
            name,
            store,
            has_entered: false,
        }
    }

    /// Makes everything durable. An error means that nothing was kept, except where it says that the
    /// connection was lost: then nobody knows, and the same request is to be repeated.
    pub async fn commit(mut self) -> Result<(), Error> {
        // Dropping a lane of SQLite's undoes what could not be committed.
        if let Some(Lane::Sqlite(lane)) = &mut self.lane {
            lane.commit().await?;
        } else if let Some(Lane::Postgres(open)) = self.lane.take() {
            open.commit().await?;
        }
        tracing::trace!(tx = self.name, "committed");
        if self.has_entered {
            self.store.say_grown();
        }
        Ok(())
    }

    /// Undoes everything and waits for it.
    pub async fn roll_back(mut self) -> Result<(), Error> {
        if let Some(Lane::Sqlite(lane)) = &mut self.lane {
            lane.roll_back().await?;
        } else if let Some(Lane::Postgres(open)) = self.lane.take() {
            open.finish().await?;
        }
        Ok(())
    }

    pub(crate) fn connection(&mut self) -> &mut Connection {
        match self.lane.as_mut() {
            Some(Lane::Sqlite(lane)) => &mut lane.connection,
            Some(Lane::Postgres(open)) => open,
            None => unreachable!("only what ends a transaction takes the lane away"),
        }
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

    /// Fails unless the scope reaches the site, or every site where none is named: for what belongs to a site or to the
    /// whole network.
    pub(crate) fn at_place(&self, site: Option<&SiteId>) -> Result<(), Error> {
        match site {
            Some(site) => self.within(site),
            None => self.everywhere(),
        }
    }
}

impl Drop for Tx {
    /// Undoes what was not committed at once, so that SQLite's lock is not held against other processes
    /// until the next change. Outside a runtime the next transaction does it. PostgreSQL's driver does so
    /// by itself.
    fn drop(&mut self) {
        if let Some(Lane::Sqlite(mut lane)) = self.lane.take()
            && lane.is_open()
            && let Ok(runtime) = Handle::try_current()
        {
            runtime.spawn(async move { lane.undo_abandoned().await });
        }
    }
}
