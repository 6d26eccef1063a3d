//! Who asks, what they may do, and how far they can see.

use std::collections::BTreeSet;

use crate::key::SiteId;

/// What a call needs permission for. One table in the server maps every RPC to one of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Right {
    /// Read records.
    Read,
    /// Record readings, events, checks and adjustments.
    Record,
    /// Add and change sites, furnaces, programmes and gauges.
    Configure,
    /// Add and release ring batches, which every site shares.
    KeepBatches,
}

/// A caller whose identity is established.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    actor: String,
    rights: BTreeSet<Right>,
    reach: Reach,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Reach {
    Network,
    Sites(BTreeSet<SiteId>),
}

/// The caller may not do this.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("this caller may not do this here; ask the administrator of the network")]
pub struct Denied;

impl Caller {
    /// A person on the server's own machine: the only kind of caller while the server listens on
    /// loopback alone. `operator` is the staff code the client states, for the audit chain.
    pub fn local(operator: Option<&str>) -> Self {
        let actor = match operator {
            Some(operator) if !operator.is_empty() => format!("local:{operator}"),
            _ => "local".to_owned(),
        };
        let rights = BTreeSet::from([
            Right::Read,
            Right::Record,
            Right::Configure,
            Right::KeepBatches,
        ]);
        Self {
            actor,
            rights,
            reach: Reach::Network,
        }
    }

    /// A caller who sees only some sites.
    pub fn of_sites(actor: String, rights: BTreeSet<Right>, sites: BTreeSet<SiteId>) -> Self {
        Self {
            actor,
            rights,
            reach: Reach::Sites(sites),
        }
    }

    /// Access to one site's records.
    pub fn site(&self, right: Right, site: &SiteId) -> Result<Scope, Denied> {
        let within = match &self.reach {
            Reach::Network => true,
            Reach::Sites(sites) => sites.contains(site),
        };
        if within && self.rights.contains(&right) {
            Ok(Scope {
                actor: self.actor.clone(),
                reach: Within::Site(site.clone()),
            })
        } else {
            Err(Denied)
        }
    }

    /// Access to what the whole network shares, and to every site the caller may see.
    pub fn network(&self, right: Right) -> Result<Scope, Denied> {
        if !self.rights.contains(&right) {
            return Err(Denied);
        }
        let reach = match &self.reach {
            Reach::Network => Within::Network,
            Reach::Sites(sites) => Within::Sites(sites.clone()),
        };
        Ok(Scope {
            actor: self.actor.clone(),
            reach,
        })
    }
}

/// Proof that somebody may touch some records; every query that touches site data takes one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scope {
    actor: String,
    reach: Within,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Within {
    Network,
    Site(SiteId),
    Sites(BTreeSet<SiteId>),
}

impl Scope {
    /// Access for the server's own work, named for the audit chain.
    pub fn for_work(name: &str) -> Self {
        Self {
            actor: format!("work:{name}"),
            reach: Within::Network,
        }
    }

    /// Who acts, for the audit chain.
    pub fn actor(&self) -> &str {
        &self.actor
    }

    /// Whether records of this site may be touched.
    pub fn reaches(&self, site: &SiteId) -> bool {
        match &self.reach {
            Within::Network => true,
            Within::Site(own) => own == site,
            Within::Sites(sites) => sites.contains(site),
        }
    }

    /// The sites that may be touched; none for all of them.
    pub fn sites(&self) -> Option<Vec<SiteId>> {
        match &self.reach {
            Within::Network => None,
            Within::Site(site) => Some(vec![site.clone()]),
            Within::Sites(sites) => Some(sites.iter().cloned().collect()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caller_of_one_site_reaches_no_other() {
        let own = SiteId::new("porto").expect("an id");
        let other = SiteId::new("bogota").expect("an id");
        let caller = Caller::of_sites(
            "key:7".to_owned(),
            BTreeSet::from([Right::Read]),
            BTreeSet::from([own.clone()]),
        );
        assert!(caller.site(Right::Read, &own).is_ok());
        assert_eq!(caller.site(Right::Read, &other), Err(Denied));
        assert_eq!(caller.site(Right::Record, &own), Err(Denied));
        let scope = caller.network(Right::Read).expect("may read");
        assert!(scope.reaches(&own) && !scope.reaches(&other));
    }
}
