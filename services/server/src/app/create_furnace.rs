//! Adds a furnace to a site.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::{Furnace, FurnaceDetails};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a furnace, with a new id when the caller gives none.
pub async fn create_furnace(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    details: FurnaceDetails,
    id: Option<FurnaceId>,
    request: &Request,
) -> Result<Furnace, Error> {
    let scope = caller.site(Right::Configure, site)?;
    checked(|violations| details.check("furnace", violations))?;
    let now = app.clock.now();
    let furnace = id.unwrap_or_else(|| FurnaceId::from_uuid(app.ids.uuid(now)));
    let key = FurnaceKey {
        site: site.clone(),
        furnace,
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_furnace", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.furnace()?);
        }
        if tx.site(&key.site).await?.is_none() {
            return Err(Error::Missing {
                kind: "ringtrue.v1/Site",
                name: key.site.name(),
            });
        }
        let furnace = Furnace::first(key, details, now);
        tx.insert_furnace(&furnace, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/Furnace", furnace.key.name()))?;
        tx.commit().await?;
        Ok(furnace)
    })
    .await
}

/// The furnace as [`create_furnace`] would store it, refused where that would be refused. Nothing is stored.
pub async fn try_furnace(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    details: FurnaceDetails,
    id: Option<FurnaceId>,
) -> Result<Furnace, Error> {
    let scope = caller.site(Right::Configure, site)?;
    checked(|violations| details.check("furnace", violations))?;
    let now = app.clock.now();
    let furnace = id.unwrap_or_else(|| FurnaceId::from_uuid(app.ids.uuid(now)));
    let key = FurnaceKey {
        site: site.clone(),
        furnace,
    };
    let read = app.store.read(&scope);
    if read.site(site).await?.is_none() {
        return Err(Error::Missing {
            kind: "ringtrue.v1/Site",
            name: site.name(),
        });
    }
    match read.furnace(&key).await? {
        Some(taken) => Err(Error::Exists {
            kind: "ringtrue.v1/Furnace",
            name: taken.key.name(),
        }),
        None => Ok(Furnace::first(key, details, now)),
    }
}
