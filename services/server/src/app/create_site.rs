//! Adds a laboratory.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::{Site, SiteDetails};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a site, with a new id when the caller gives none.
pub async fn create_site(
    app: &App,
    caller: &Caller,
    details: SiteDetails,
    id: Option<SiteId>,
    request: &Request,
) -> Result<Site, Error> {
    checked(|violations| details.check("site", violations))?;
    let now = app.clock.now();
    let id = id.unwrap_or_else(|| SiteId::from_uuid(app.ids.uuid(now)));
    let scope = caller.site(Right::Configure, &id)?;
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_site", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.site()?);
        }
        let site = Site::first(id, details, now);
        tx.insert_site(&site, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/Site", site.key.name()))?;
        tx.commit().await?;
        Ok(site)
    })
    .await
}

/// The site as [`create_site`] would store it, refused where that would be refused. Nothing is stored.
pub async fn try_site(
    app: &App,
    caller: &Caller,
    details: SiteDetails,
    id: Option<SiteId>,
) -> Result<Site, Error> {
    checked(|violations| details.check("site", violations))?;
    let now = app.clock.now();
    let id = id.unwrap_or_else(|| SiteId::from_uuid(app.ids.uuid(now)));
    let scope = caller.site(Right::Configure, &id)?;
    match app.store.read(&scope).site(&id).await? {
        Some(taken) => Err(Error::Exists {
            kind: "ringtrue.v1/Site",
            name: taken.key.name(),
        }),
        None => Ok(Site::first(id, details, now)),
    }
}
