//! Calendar feeds. The secret in a feed's address is kept nowhere, only its digest.

use jiff::Timestamp;
use ringtrue_fleet::delivery::Feed;
use ringtrue_fleet::key::{FeedKey, SiteId};

use crate::{Error, Read, Request, Tx};

impl Read {
    /// A site's feeds that were not revoked, by id.
    pub async fn feeds(&self, _site: &SiteId) -> Result<Vec<Feed>, Error> {
        Err(Error::OutOfScope)
    }

    /// The feed of a secret by the secret's SHA-256, hexadecimal; none when it was revoked. For work on the
    /// whole network: whoever knows the secret may read the feed.
    pub async fn feed_of_secret(&self, _digest: &str) -> Result<Option<Feed>, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// Stores a new feed. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_feed(
        &mut self,
        _feed: &Feed,
        _secret_digest: &str,
        _request: &Request,
    ) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// Revokes a feed; gives whether there was one.
    pub async fn revoke_feed(
        &mut self,
        _key: &FeedKey,
        _now: Timestamp,
        _request: &Request,
    ) -> Result<bool, Error> {
        Err(Error::OutOfScope)
    }
}
