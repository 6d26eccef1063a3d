//! Reading without a transaction, from a connection of its own, never waiting for the writer.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;

use crate::database::Connection;
use crate::{Error, Store};

/// Reads what its scope reaches. Each table's reads stand in that table's file.
#[derive(Debug, Clone)]
pub struct Read {
    store: Store,
    pub(crate) scope: Scope,
}

impl Read {
    pub(crate) fn new(store: Store, scope: Scope) -> Self {
        Self { store, scope }
    }

    pub(crate) fn store(&self) -> &Store {
        &self.store
    }

    pub(crate) async fn connection(&self) -> Result<Connection, Error> {
        self.store.reader(&self.scope).await
    }

    /// A connection whose statements all see one moment.
    pub(crate) async fn snapshot(&self) -> Result<Connection, Error> {
        self.store.snapshot(&self.scope).await
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
