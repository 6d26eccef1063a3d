//! What bears on due dates, for many sites at once: statements over several tables.

use ringtrue_fleet::due::SiteRecords;
use ringtrue_fleet::key::SiteId;

use crate::{Error, Read};

impl Read {
    /// What bears on what is due at some sites, by id of the site. A site that does not exist is absent.
    pub async fn site_records(&self, _sites: &[SiteId]) -> Result<Vec<SiteRecords>, Error> {
        Err(Error::OutOfScope)
    }
}
