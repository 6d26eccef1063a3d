//! What a credential allows, and where: roles, their rights, and the sites they are for.

use std::collections::BTreeSet;

use crate::caller::{Right, Rights};
use crate::key::{SiteGroupId, SiteId};
use crate::violation::Violations;

/// What somebody is to the network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Fires, measures and records at some sites.
    Technician,
    /// Also configures these sites, reads their audit chain, and lets people and devices in there.
    SiteManager,
    /// Reads at some sites, tries readings out, and notes on alerts and findings.
    Support,
    /// Quality control of the whole network: everything but who may do what.
    Quality,
    /// A program that may do what its credential names.
    Integration,
    /// Reads records and audit chains.
    Auditor,
    /// Everything, in the whole network.
    Administrator,
}

impl Role {
    /// All of them, with the word for each.
    pub const ALL: [(Self, &'static str); 7] = [
        (Self::Technician, "technician"),
        (Self::SiteManager, "site_manager"),
        (Self::Support, "support"),
        (Self::Quality, "quality"),
        (Self::Integration, "integration"),
        (Self::Auditor, "auditor"),
        (Self::Administrator, "administrator"),
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        let known = Self::ALL.iter().find(|(role, _)| *role == self);
        known.map_or("", |(_, word)| word)
    }

    /// Reads the word for it.
    pub fn parse(word: &str) -> Option<Self> {
        let known = Self::ALL.iter().find(|(_, known)| *known == word);
        known.map(|(role, _)| *role)
    }

    /// The most that this role may do; a program may do less.
    pub fn rights(self) -> Rights {
        use Right::{
            Audit, BeKnown, Configure, GrantAccess, KeepBatches, Note, Read, Record, Sign,
        };
        match self {
            Self::Technician => [BeKnown, Read, Note, Record, Sign].into(),
            Self::SiteManager => [
                BeKnown,
                Read,
                Note,
                Record,
                Sign,
                Configure,
                GrantAccess,
                Audit,
            ]
            .into(),
            Self::Support => [BeKnown, Read, Note].into(),
            Self::Quality => [
                BeKnown,
                Read,
                Note,
                Record,
                Sign,
                Configure,
                KeepBatches,
                Audit,
            ]
            .into(),
            Self::Integration => [BeKnown, Read, Note, Record].into(),
            Self::Auditor => [BeKnown, Read, Audit].into(),
            Self::Administrator => Rights::all(),
        }
    }

    /// Whether this role is for the whole network: always, never, or as granted.
    pub fn wants_network(self) -> Option<bool> {
        match self {
            Self::Quality | Self::Administrator => Some(true),
            Self::Technician | Self::SiteManager => Some(false),
            Self::Support | Self::Integration | Self::Auditor => None,
        }
    }
}

/// Where a grant holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reach {
    /// Every site, and what all share.
    Network,
    /// Some sites, and those that belong to some groups at any time.
    Sites {
        /// The sites.
        sites: BTreeSet<SiteId>,
        /// The groups.
        groups: BTreeSet<SiteGroupId>,
    },
}

/// What a credential allows, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    /// The role.
    pub role: Role,
    /// What a program may do; empty for every other role.
    pub permissions: BTreeSet<Right>,
    /// Where.
    pub reach: Reach,
}

/// Most sites or groups of one grant.
const MOST_PLACES: usize = 1000;

impl Grant {
    /// What it allows.
    pub fn rights(&self) -> Rights {
        match self.role {
            Role::Integration => {
                let named = self.permissions.iter().copied().chain([Right::BeKnown]);
                named
                    .filter(|one| self.role.rights().contains(*one))
                    .collect()
            }
            role => role.rights(),
        }
    }

    /// The one site that it is for; none for several, a group or the network.
    pub fn only_site(&self) -> Option<&SiteId> {
        match &self.reach {
            Reach::Sites { sites, groups } if groups.is_empty() && sites.len() == 1 => {
                sites.first()
            }
            _ => None,
        }
    }

    /// Checks what does not fit together; `field` is the grant's.
    pub fn check(&self, field: &str, violations: &mut Violations) {
        match (&self.reach, self.role.wants_network()) {
            (Reach::Network, Some(false)) => violations.add(
                format!("{field}.whole_network"),
                "ROLE_IS_FOR_SITES",
                format!(
                    "does not fit the role {}, which is for named sites; name them",
                    self.role.word()
                ),
            ),
            (Reach::Sites { .. }, Some(true)) => violations.add(
                format!("{field}.whole_network"),
                "ROLE_IS_FOR_NETWORK",
                format!(
                    "must be set for the role {}, which always is for the whole network",
                    self.role.word()
                ),
            ),
            (Reach::Sites { sites, groups }, _) if sites.is_empty() && groups.is_empty() => {
                violations.add(
                    format!("{field}.sites"),
                    "NO_SITE",
                    "is empty; name at least one site or group".to_owned(),
                );
            }
            (Reach::Sites { sites, groups }, _)
                if sites.len() > MOST_PLACES || groups.len() > MOST_PLACES =>
            {
                violations.add(
                    format!("{field}.sites"),
                    "TOO_MANY",
                    format!("names more than {MOST_PLACES}; make a group of them"),
                );
            }
            _ => {}
        }
        if (self.role == Role::Integration) == self.permissions.is_empty() {
            violations.add(
                format!("{field}.permissions"),
                "PERMISSIONS",
                "are for programs: name at least one for an integration, and none for any other role"
                    .to_owned(),
            );
        }
    }
}

/// Sites that are granted together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SiteGroup {
    /// Its id.
    pub key: SiteGroupId,
    /// What people call it.
    pub display_name: String,
    /// The sites that belong to it.
    pub sites: BTreeSet<SiteId>,
    /// Counts versions from 1.
    pub revision: i64,
    /// When it last changed.
    pub updated_at: jiff::Timestamp,
}

impl SiteGroup {
    /// Checks its words and size; `field` is the group's.
    pub fn check(&self, field: &str, violations: &mut Violations) {
        violations.text(&format!("{field}.display_name"), &self.display_name, 1, 120);
        if self.sites.len() > MOST_PLACES {
            violations.add(
                format!("{field}.sites"),
                "TOO_MANY",
                format!("names more than {MOST_PLACES}; make several groups"),
            );
        }
    }
}

#[cfg(test)]
mod tests;
