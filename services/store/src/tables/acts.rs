//! Acts of care. Only ever added to.

use ringtrue_fleet::act::Act;
use ringtrue_fleet::key::{ActKey, SiteId};

use crate::{Error, Page, Read, Request, Tx};

impl Read {
    /// One act.
    pub async fn act(&self, _key: &ActKey) -> Result<Option<Act>, Error> {
        Err(Error::OutOfScope)
    }

    /// Acts at a site, of one subject where its resource name is given; latest first.
    pub async fn acts(
        &self,
        _site: &SiteId,
        _subject: Option<&str>,
        _page: &Page,
    ) -> Result<Vec<Act>, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// Stores an act.
    pub async fn insert_act(&mut self, _act: &Act, _request: &Request) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
