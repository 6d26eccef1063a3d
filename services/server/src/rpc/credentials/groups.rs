//! Calls about groups of sites.

use std::collections::BTreeSet;

use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{name, settled, timestamp};
use super::super::request::repeatable;
use crate::app::{self, App, Error, GroupWish};

const SET: Method = method("/ringtrue.v1.AccessService/SetSiteGroup");
const LIST: Method = method("/ringtrue.v1.AccessService/ListSiteGroups");
const REMOVE: Method = method("/ringtrue.v1.AccessService/RemoveSiteGroup");

pub(super) async fn set(
    app: &App,
    request: Request<v1::SetSiteGroupRequest>,
) -> Result<v1::SetSiteGroupResponse, Error> {
    let asking = Asking::of(SET, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(SET, &request_id, &asked, &mut violations);
    let given = asked.site_group.unwrap_or_default();
    let key = name(
        "site_group.name",
        &given.name,
        SiteGroupId::parse,
        &mut violations,
    );
    let mut sites = BTreeSet::new();
    for (at, text) in given.sites.iter().enumerate() {
        let field = format!("site_group.sites[{at}]");
        sites.extend(name(&field, text, SiteId::parse, &mut violations));
    }
    let key = settled(key, violations)?;
    let wish = GroupWish {
        key,
        display_name: given.display_name,
        sites,
    };
    let set = app::set_site_group(app, &asking.caller, wish, &repeat).await?;
    Ok(v1::SetSiteGroupResponse {
        site_group: Some(group_message(&set)),
    })
}

pub(super) async fn list(
    app: &App,
    request: &Request<v1::ListSiteGroupsRequest>,
) -> Result<v1::ListSiteGroupsResponse, Error> {
    let asking = Asking::of(LIST, request)?;
    let groups = app.store.read(&asking.network()?).site_groups().await?;
    Ok(v1::ListSiteGroupsResponse {
        site_groups: groups.iter().map(group_message).collect(),
    })
}

pub(super) async fn remove(
    app: &App,
    request: Request<v1::RemoveSiteGroupRequest>,
) -> Result<v1::RemoveSiteGroupResponse, Error> {
    let asking = Asking::of(REMOVE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(REMOVE, &request_id, &asked, &mut violations);
    let id = name("name", &asked.name, SiteGroupId::parse, &mut violations);
    let id = settled(id, violations)?;
    app::remove_site_group(app, &asking.caller, &id, &repeat).await?;
    Ok(v1::RemoveSiteGroupResponse {})
}

fn group_message(group: &SiteGroup) -> v1::SiteGroup {
    v1::SiteGroup {
        name: group.key.name(),
        display_name: group.display_name.clone(),
        sites: group.sites.iter().map(SiteId::name).collect(),
        update_time: Some(timestamp(group.updated_at)),
    }
}
