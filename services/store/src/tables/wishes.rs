//! What a credential is to be: the columns that credentials and enrolments share, and who may see them.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Right, Scope};
use ringtrue_fleet::credential::{CredentialWish, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use serde::{Deserialize, Serialize};

use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json, written};
use crate::database::{Connection, Word, query, say};
use crate::{Error, Request, Tx};

const PERMISSIONS: &[(Right, &str)] = &[
    (Right::Read, "read"),
    (Right::Record, "record"),
    (Right::Note, "note"),
];

/// The shared columns.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct WishColumns {
    pub(super) site_id: String,
    pub(super) display_name: String,
    pub(super) kind: String,
    pub(super) person: String,
    pub(super) role: String,
    pub(super) permissions: String,
    pub(super) whole_network: bool,
    pub(super) sites: String,
    pub(super) site_groups: String,
    pub(super) lifetime_days: i64,
}

impl WishColumns {
    pub(super) fn of(
        display_name: &str,
        holder: &Holder,
        grant: &Grant,
        lifetime_days: u16,
    ) -> Self {
        let (kind, person) = match holder {
            Holder::Device => ("device", ""),
            Holder::Person(person) => ("person", person.as_str()),
            Holder::Integration => ("integration", ""),
        };
        let (whole_network, sites, groups): (bool, Vec<&str>, Vec<&str>) = match &grant.reach {
            Reach::Network => (true, Vec::new(), Vec::new()),
            Reach::Sites { sites, groups } => (
                false,
                sites.iter().map(SiteId::as_str).collect(),
                groups.iter().map(SiteGroupId::as_str).collect(),
            ),
        };
        let permissions: Vec<String> = grant
            .permissions
            .iter()
            .map(|right| written(right, PERMISSIONS))
            .collect();
        Self {
            site_id: grant
                .only_site()
                .map_or_else(String::new, ToString::to_string),
            display_name: display_name.to_owned(),
            kind: kind.to_owned(),
            person: person.to_owned(),
            role: grant.role.word().to_owned(),
            permissions: json(&permissions),
            whole_network,
            sites: json(&sites),
            site_groups: json(&groups),
            lifetime_days: i64::from(lifetime_days),
        }
    }

    pub(super) fn wish(
        self,
        place: Place<'_>,
        certificate: Option<[u8; 32]>,
    ) -> Result<CredentialWish, Error> {
        let holder = match self.kind.as_str() {
            "device" => Holder::Device,
            "person" => Holder::Person(self.person),
            "integration" => Holder::Integration,
            _ => return Err(place.corrupt("kind")),
        };
        let words: Vec<String> = place.json("permissions", &self.permissions)?;
        let mut permissions = BTreeSet::new();
        for word in words {
            permissions.insert(place.word("permissions", &word, PERMISSIONS)?);
        }
        let reach = if self.whole_network {
            Reach::Network
        } else {
            let texts: Vec<String> = place.json("site_groups", &self.site_groups)?;
            let mut groups = BTreeSet::new();
            for text in texts {
                groups.insert(place.id("site_groups", SiteGroupId::new(&text))?);
            }
            Reach::Sites {
                sites: site_ids(place, "sites", &self.sites)?,
                groups,
            }
        };
        Ok(CredentialWish {
            holder,
            grant: Grant {
                role: Role::parse(&self.role).ok_or_else(|| place.corrupt("role"))?,
                permissions,
                reach,
            },
            certificate,
            lifetime_days: u16::try_from(self.lifetime_days)
                .map_err(|_| place.corrupt("lifetime_days"))?,
            display_name: self.display_name,
        })
    }
}

/// Reads a JSON list of site ids.
pub(super) fn site_ids(
    place: Place<'_>,
    column: &'static str,
    text: &str,
) -> Result<BTreeSet<SiteId>, Error> {
    let texts: Vec<String> = place.json(column, text)?;
    let mut sites = BTreeSet::new();
    for text in texts {
        sites.insert(place.id(column, SiteId::new(&text))?);
    }
    Ok(sites)
}

/// Whether a scope covers all that a grant is for; a group may get further sites, so it takes the whole network.
pub(super) fn covers(scope: &Scope, grant: &Grant) -> bool {
    match &grant.reach {
        Reach::Sites { sites, groups } if groups.is_empty() && !sites.is_empty() => {
            sites.iter().all(|site| scope.reaches(site))
        }
        Reach::Sites { .. } | Reach::Network => scope.sites().is_none(),
    }
}

/// Raises the number under which credentials and groups are remembered, in the transaction that changes one.
pub(super) async fn raise_access_version(connection: &mut Connection) -> Result<(), Error> {
    const SQL: &str = "UPDATE access_version SET version = version + 1 WHERE id = 1";
    query(SQL).execute(&mut *connection).await?;
    say(connection, Word::Access).await
}

impl Tx {
    /// Fails unless the scope covers all that a grant is for.
    pub(super) fn covers(&self, grant: &Grant) -> Result<(), Error> {
        if covers(&self.scope, grant) {
            Ok(())
        } else {
            Err(Error::OutOfScope)
        }
    }

    /// Writes one entry about who may do what; `site` is the chain's, empty for the network.
    pub(super) async fn access_changed<D: Serialize>(
        &mut self,
        site: &str,
        action: &'static str,
        subject: String,
        record: &D,
        request: &Request,
        at: jiff::Timestamp,
    ) -> Result<(), Error> {
        let document = json(record);
        let happening = Happening {
            chain: site.to_owned(),
            at,
            by: By::of(&self.scope),
            action,
            subject,
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        self.append(vec![happening]).await
    }
}
