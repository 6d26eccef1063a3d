//! What a credential is to be: the flags that `invite` and `add` share.

use clap::Args;
use ringtrue_proto::v1::{Credential, CredentialKind, Grant, Permission, Role};

use crate::failure::Stop;
use crate::session::Session;
use crate::{names, words};

/// A credential as it is wanted.
#[derive(Debug, Args)]
pub(crate) struct Wish {
    /// What it is for, for example "bench in the firing room". No person's name.
    #[arg(long, value_name = "TEXT")]
    name: String,
    /// What its holder is to the network; integration for --program when left out.
    #[arg(long, value_name = "ROLE", value_parser = words::one_of(words::ROLES),
          required_unless_present = "program")]
    role: Option<Role>,
    /// For the sites of a group, as they are at any time; may be given more than once.
    #[arg(long = "group", value_name = "GROUP", conflicts_with = "network")]
    groups: Vec<String>,
    /// For the whole network.
    #[arg(long)]
    network: bool,
    /// For one person, by their staff code; only people sign.
    #[arg(long, value_name = "CODE", conflicts_with_all = ["device", "program"])]
    person: Option<String>,
    /// For a device that several people may use; so when nothing else is said.
    #[arg(long, conflicts_with = "program")]
    device: bool,
    /// For a program.
    #[arg(long)]
    program: bool,
    /// What a program may do; may be given more than once.
    #[arg(long = "permit", value_name = "WHAT", value_parser = words::one_of(words::PERMISSIONS))]
    permits: Vec<Permission>,
    /// Days that it lasts from its making or its last rotation (1 to 730); 365 when left out.
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true)]
    days: Option<i32>,
}

impl Wish {
    /// The credential of the protocol. `sites` are those named with --site; the site meant where a role is for sites
    /// and none is named.
    pub(super) async fn credential(
        self,
        sites: &[String],
        session: &mut Session<'_, '_>,
    ) -> Result<Credential, Stop> {
        let role = self.role.unwrap_or(Role::Integration);
        let kind = if self.person.is_some() {
            CredentialKind::Person
        } else if self.program || role == Role::Integration {
            CredentialKind::Integration
        } else {
            CredentialKind::Device
        };
        let mut grant = Grant {
            whole_network: self.network || matches!(role, Role::Quality | Role::Administrator),
            ..Grant::default()
        };
        grant.set_role(role);
        for permission in self.permits {
            grant.permissions.push(permission.into());
        }
        if self.network && !sites.is_empty() {
            return Err(Stop::Usage(
                "Give either --site or --network; the whole network has every site.".to_owned(),
            ));
        }
        for site in sites {
            grant.sites.push(names::site(site).map_err(Stop::Usage)?);
        }
        for group in &self.groups {
            let group = names::site_group(group).map_err(Stop::Usage)?;
            grant.site_groups.push(group);
        }
        if !grant.whole_network && grant.sites.is_empty() && grant.site_groups.is_empty() {
            let site = session.site_name().await?;
            session.say(&format!("For site {}.", names::id(&site)))?;
            grant.sites.push(site);
        }
        let mut credential = Credential {
            display_name: self.name,
            person: self.person.unwrap_or_default(),
            grant: Some(grant),
            lifetime_days: self.days.unwrap_or_default(),
            ..Credential::default()
        };
        credential.set_kind(kind);
        Ok(credential)
    }
}
