//! Reading without a transaction, from a connection of its own, never waiting for the writer.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;

use crate::database::{Connection, Shelf};
use crate::{Error, Store};

/// Reads what its scope reaches. Each table's reads stand in that table's file.
#[derive(Debug, Clone)]
pub struct Read {
    store: Store,
    pub(crate) scope: Scope,
    /// Where a connection lies from one read to the next; none when each read borrows one anew.
    shelf: Option<Shelf>,
}

impl Read {
    pub(crate) fn new(store: Store, scope: Scope) -> Self {
        Self {
            store,
            scope,
            shelf: None,
        }
    }

    /// Keeps the connection of the first read for those that follow, until this and its clones are dropped: for a call
    /// that reads several times in a row. On PostgreSQL, borrowing and giving back takes longer than most reads do; on
    /// SQLite it makes no difference.
    ///
    /// Not for what lives long, and not for a call that waits meanwhile for a transaction or for another read: it would
    /// wait for connections that calls like it keep.
    #[must_use]
    pub fn on_one_connection(self) -> Self {
        Self {
            shelf: Some(Shelf::default()),
            ..self
        }
    }

    pub(crate) fn store(&self) -> &Store {
        &self.store
    }

    pub(crate) async fn connection(&self) -> Result<Connection, Error> {
        self.store.reader(&self.scope, self.shelf.as_ref()).await
    }

    /// A connection whose statements all see one moment.
    pub(crate) async fn snapshot(&self) -> Result<Connection, Error> {
        self.store.snapshot(&self.scope, self.shelf.as_ref()).await
    }

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
