//! `ringtrue group`: sites that are granted together.

use clap::Subcommand;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    ListSiteGroupsRequest, RemoveSiteGroupRequest, SetSiteGroupRequest, SiteGroup,
};

use crate::command::Repeat;
use crate::credential::places;
use crate::failure::Stop;
use crate::session::Session;
use crate::site::shown_list;
use crate::{moment, names};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue group set north porto braga --name 'Northern laboratories'
  ringtrue group list
  ringtrue group remove north
Who is granted a group reaches the sites that belong to it at any time: setting a group
changes what others see at once. A removed group's id is not used again.";

/// Most sites that are named one by one.
const MOST_SITES: usize = 8;

/// What to do with groups of sites.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the groups with their sites.
    List,
    /// Makes a group, or sets which sites belong to it: exactly those named.
    Set {
        /// Group, for example north.
        group: String,
        /// Sites, for example porto braga; none empties the group.
        #[arg(value_name = "SITE")]
        members: Vec<String>,
        /// What people call it; stays as it is when left out.
        #[arg(long, value_name = "TEXT")]
        name: Option<String>,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Removes a group; who was granted it loses its sites.
    Remove {
        /// Group, for example north.
        group: String,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List => list(session).await,
        Ask::Set {
            group,
            members,
            name,
            repeat,
        } => set(&group, &members, name, &repeat, session).await,
        Ask::Remove { group, repeat } => {
            let name = names::site_group(&group).map_err(Stop::Usage)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = RemoveSiteGroupRequest {
                name,
                request_id: request_id.clone(),
            };
            let answer = session.remote.remove_site_group(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            if session.json {
                return session.show_json("RemoveSiteGroupResponse", &answer);
            }
            session.say("Removed. Who was granted it has lost its sites.")
        }
    }
}

async fn set(
    group: &str,
    members: &[String],
    name: Option<String>,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let mut wanted = SiteGroup {
        name: names::site_group(group).map_err(Stop::Usage)?,
        ..SiteGroup::default()
    };
    for site in members {
        wanted.sites.push(names::site(site).map_err(Stop::Usage)?);
    }
    wanted.display_name = match name {
        Some(name) => name,
        None => present_name(&wanted.name, session).await?,
    };
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = SetSiteGroupRequest {
        site_group: Some(wanted),
        request_id: request_id.clone(),
    };
    let answer = session.remote.set_site_group(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    let stored = answer.site_group.unwrap_or_default();
    if session.json {
        return session.show_json("SiteGroup", &stored);
    }
    shown(&[stored], session)
}

/// What people call a group now.
async fn present_name(group: &str, session: &Session<'_, '_>) -> Result<String, Stop> {
    let answer = session.remote.site_groups(ListSiteGroupsRequest {}).await?;
    let mut known = answer.site_groups.into_iter();
    let known = known.find(|known| known.name == group);
    known.map(|known| known.display_name).ok_or_else(|| {
        Stop::Usage(format!(
            "Group {} is new; say what people call it with --name.",
            names::id(group)
        ))
    })
}

async fn list(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let answer = session.remote.site_groups(ListSiteGroupsRequest {}).await?;
    if session.json {
        return session.show_json("ListSiteGroupsResponse", &answer);
    }
    shown(&answer.site_groups, session)
}

fn shown(groups: &[SiteGroup], session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let mut rows = Vec::new();
    for group in groups {
        let sites: Vec<&str> = group.sites.iter().map(|site| names::id(site)).collect();
        let changed = moment::received(group.update_time.as_ref());
        rows.push(vec![
            names::id(&group.name).to_owned(),
            group.display_name.clone(),
            sites.len().to_string(),
            places(&sites, MOST_SITES),
            changed
                .map(|at| moment::brief(at, &TimeZone::UTC))
                .unwrap_or_default(),
        ]);
    }
    let headings = ["group", "name", "count", "sites", "changed"];
    shown_list("groups", &headings, &rows, false, session)
}
