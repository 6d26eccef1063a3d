//! Makes a secret address for a site's due dates.

use data_encoding::HEXLOWER;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::delivery::Feed;
use ringtrue_fleet::key::{FeedId, FeedKey, SiteId};
use ringtrue_store::Request;
use sha2::{Digest as _, Sha256};

use super::{App, Error, checked};

/// The SHA-256 of a feed's secret, hexadecimal: all that is kept of it.
pub fn secret_digest(secret: &str) -> String {
    HEXLOWER.encode(&Sha256::digest(secret.as_bytes()))
}

/// Makes a feed; gives it with its secret, which is known this once. A repeat gives it without.
pub async fn create_calendar_feed(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    display_name: String,
    request: &Request,
) -> Result<(Feed, Option<String>), Error> {
    let scope = caller.site(Right::Configure, site)?;
    checked(|violations| violations.text("feed.display_name", &display_name, 1, 120))?;
    let now = app.clock.now();
    let feed = Feed {
        key: FeedKey {
            site: site.clone(),
            feed: FeedId::from_uuid(app.ids.uuid(now)),
        },
        display_name,
        created_at: now,
    };
    let secret = app.ids.secret();
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_calendar_feed", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((earlier.feed()?, None));
        }
        if tx.site(&feed.key.site).await?.is_none() {
            return Err(Error::Missing {
                kind: "ringtrue.v1/Site",
                name: feed.key.site.name(),
            });
        }
        tx.insert_feed(&feed, &secret_digest(&secret), &request)
            .await
            .map_err(|fault| {
                Error::of_insert(fault, "ringtrue.v1/CalendarFeed", feed.key.name())
            })?;
        tx.commit().await?;
        Ok((feed, Some(secret)))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: FIPS 180-4 example, SHA-256 of "abc".
    #[test]
    fn a_secret_is_kept_as_its_digest() {
        assert_eq!(
            secret_digest("abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }
}
