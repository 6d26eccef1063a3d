//! Whose subscriptions or webhooks are listed: a site's, those of all sites that the caller may see, or the network's.

use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{Read, SubscriptionsOf};

use super::caller::Asking;
use super::fields::{found, settled, site_or_all};
use super::sites;
use crate::app::{App, Error};

/// A parent that was read, and access to what belongs to it.
pub(super) struct Listing {
    /// What may be read there.
    pub(super) read: Read,
    site: Option<SiteId>,
    is_of_network: bool,
}

impl Listing {
    /// Reads a parent: `sites/{site}`, `sites/-`, or empty for the network. Fails when it is none of these, not there, or
    /// not the caller's.
    pub(super) async fn read(app: &App, asking: &Asking, parent: &str) -> Result<Self, Error> {
        let is_of_network = parent.is_empty();
        let mut violations = Violations::default();
        let site = if is_of_network {
            None
        } else {
            site_or_all(parent, &mut violations)
        };
        let site = settled(Some(site), violations)?;
        let read = app.store.read(&asking.site_or_network(site.as_ref())?);
        if let Some(site) = &site {
            found(read.site(site).await?, sites::KIND, site.name())?;
        }
        Ok(Self {
            read,
            site,
            is_of_network,
        })
    }

    /// The same as the store asks for it.
    pub(super) fn of(&self) -> SubscriptionsOf<'_> {
        match &self.site {
            Some(site) => SubscriptionsOf::Site(site),
            None if self.is_of_network => SubscriptionsOf::Network,
            None => SubscriptionsOf::All,
        }
    }
}
