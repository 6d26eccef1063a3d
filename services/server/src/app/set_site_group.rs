//! Makes a group of sites, or changes which sites belong to it.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;

use super::granted::no_site;
use super::{App, Error, checked};

/// Most groups of a network.
const MOST_GROUPS: i64 = 1000;

/// What a group is to be.
#[derive(Debug, Clone)]
pub struct GroupWish {
    /// Its id.
    pub key: SiteGroupId,
    /// What people call it.
    pub display_name: String,
    /// The sites that belong to it.
    pub sites: BTreeSet<SiteId>,
}

/// Sets a group in place of the one before. Whoever was granted it reaches its sites at once.
pub async fn set_site_group(
    app: &App,
    caller: &Caller,
    wish: GroupWish,
    request: &Request,
) -> Result<SiteGroup, Error> {
    let scope = caller.network(Right::GrantAccess)?;
    let mut group = SiteGroup {
        key: wish.key,
        display_name: wish.display_name,
        sites: wish.sites,
        revision: 1,
        updated_at: app.clock.now(),
    };
    checked(|violations| group.check("site_group", violations))?;
    let (store, request) = (app.store.clone(), request.clone());
    let bell = app.access.clone();
    app.whole(async move {
        let mut tx = store.begin("set_site_group", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.site_group()?);
        }
        if let Some(before) = tx.site_group(&group.key).await? {
            group.revision = before.revision + 1;
        } else if tx.site_group_was_removed(&group.key).await? {
            return Err(Refusal::SiteGroupRemoved { group: group.key }.into());
        } else if tx.site_group_count().await? >= MOST_GROUPS {
            let mut violations = Violations::default();
            violations.add(
                "site_group",
                "TOO_MANY",
                format!("would be one more than {MOST_GROUPS}; remove a group that nobody needs"),
            );
            return Err(violations.into());
        }
        if let Some(site) = tx.missing_site(&group.sites).await? {
            return Err(no_site(&site));
        }
        tx.put_site_group(&group, &request).await?;
        tx.commit().await?;
        bell.ring();
        Ok(group)
    })
    .await
}
