//! Changes a furnace's description or limits.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::{Furnace, FurnaceDetails};
use ringtrue_fleet::key::FurnaceKey;
use ringtrue_store::Request;

use super::{App, Change, Error, checked, fresh};

/// Changes a furnace.
pub async fn update_furnace(
    app: &App,
    caller: &Caller,
    key: &FurnaceKey,
    etag: Option<String>,
    change: Change<FurnaceDetails>,
    request: &Request,
) -> Result<Furnace, Error> {
    let scope = caller.site(Right::Configure, &key.site)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_furnace", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.furnace()?);
        }
        let furnace = tx.furnace(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Furnace",
            name: key.name(),
        })?;
        fresh(etag.as_deref(), &furnace.etag(), || key.name())?;
        let details = change(&furnace.details)?;
        checked(|violations| details.check("furnace", violations))?;
        let furnace = furnace.revised(details, now);
        tx.update_furnace(&furnace, &request).await?;
        tx.commit().await?;
        Ok(furnace)
    })
    .await
}
