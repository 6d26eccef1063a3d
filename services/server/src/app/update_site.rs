//! Changes a laboratory's house rules.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::{Site, SiteDetails};
use ringtrue_store::Request;

use super::{App, Change, Error, checked, fresh};

/// Changes a site. Past evaluations keep the rules they were made under.
pub async fn update_site(
    app: &App,
    caller: &Caller,
    id: &SiteId,
    etag: Option<String>,
    change: Change<SiteDetails>,
    request: &Request,
) -> Result<Site, Error> {
    let scope = caller.site(Right::Configure, id)?;
    let now = app.clock.now();
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_site", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.site()?);
        }
        let site = tx.site(&id).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Site",
            name: id.name(),
        })?;
        fresh(etag.as_deref(), &site.etag(), || id.name())?;
        let details = change(&site.details)?;
        checked(|violations| details.check("site", violations))?;
        let site = site.revised(details, now);
        tx.update_site(&site, &request).await?;
        tx.commit().await?;
        Ok(site)
    })
    .await
}
