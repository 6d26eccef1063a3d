//! Removes a group of sites.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::SiteGroupId;
use ringtrue_store::Request;

use super::{App, Error};

/// Removes a group: whoever was granted it loses its sites at once. Its id is not used again.
pub async fn remove_site_group(
    app: &App,
    caller: &Caller,
    id: &SiteGroupId,
    request: &Request,
) -> Result<(), Error> {
    let scope = caller.network(Right::GrantAccess)?;
    let now = app.clock.now();
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    let bell = app.access.clone();
    app.whole(async move {
        let mut tx = store.begin("remove_site_group", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(());
        }
        let Some(before) = tx.site_group(&id).await? else {
            return Err(Error::Missing {
                kind: "ringtrue.v1/SiteGroup",
                name: id.name(),
            });
        };
        let removed = SiteGroup {
            revision: before.revision + 1,
            updated_at: now,
            ..before
        };
        tx.remove_site_group(&removed, &request).await?;
        tx.commit().await?;
        bell.ring();
        Ok(())
    })
    .await
}
