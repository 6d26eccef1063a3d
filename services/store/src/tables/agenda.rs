//! Which sites have something to look at: a record since the last look, or a moment that was foreseen.

use jiff::Timestamp;
use ringtrue_fleet::key::SiteId;

use crate::{Error, Read, Tx};

impl Read {
    /// Sites to look at now with the number of their changes, those waiting longest first; none stands for
    /// the network.
    pub async fn agenda(
        &self,
        _now: Timestamp,
        _most: u32,
    ) -> Result<Vec<(Option<SiteId>, i64)>, Error> {
        Err(Error::OutOfScope)
    }

    /// How many sites wait to be looked at, and since when the first does; none for when after a record.
    pub async fn agenda_waiting(&self, _now: Timestamp) -> Result<(i64, Option<Timestamp>), Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// A site was looked at when it had so many changes, and next is to be looked at that moment; a change
    /// made meanwhile is not lost.
    pub async fn looked(
        &mut self,
        site: Option<&SiteId>,
        changes_seen: i64,
        next_at: Option<Timestamp>,
    ) -> Result<(), Error> {
        self.looked_at(&[(site.cloned(), changes_seen, next_at)])
            .await
    }

    /// The same for many sites.
    pub async fn looked_at(
        &mut self,
        _looks: &[(Option<SiteId>, i64, Option<Timestamp>)],
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// Every site is to be looked at again.
    pub async fn look_everywhere(&mut self) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
