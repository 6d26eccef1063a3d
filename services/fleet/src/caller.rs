//! Who asks, what they may do, and how far they can see.

use std::collections::BTreeSet;
use std::sync::Arc;

use crate::credential::{Credential, Holder};
use crate::grant::{Grant, Reach, Role};
use crate::key::{CredentialId, EnrolmentId, SiteId};

/// What a call needs permission for. One table in the server maps every RPC to one of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u16)]
pub enum Right {
    /// Nothing but being known: every caller with a credential.
    BeKnown = 1,
    /// Read records.
    Read = 1 << 1,
    /// Note on alerts and findings, and try a reading out without recording it.
    Note = 1 << 2,
    /// Record readings, events, checks and adjustments.
    Record = 1 << 3,
    /// Add and change sites, furnaces, programmes and gauges.
    Configure = 1 << 4,
    /// Add and release ring batches, which every site shares.
    KeepBatches = 1 << 5,
    /// Say who may do what.
    GrantAccess = 1 << 6,
    /// Read audit chains.
    Audit = 1 << 7,
    /// Sign records of others.
    Sign = 1 << 8,
}

impl Right {
    /// All of them, with the word for each.
    pub const ALL: [(Self, &'static str); 9] = [
        (Self::BeKnown, "be known"),
        (Self::Read, "read"),
        (Self::Note, "note on alerts and findings"),
        (Self::Record, "record"),
        (Self::Configure, "configure"),
        (Self::KeepBatches, "keep ring batches"),
        (Self::GrantAccess, "grant access"),
        (Self::Audit, "read audit chains"),
        (Self::Sign, "sign"),
    ];
}

/// A set of rights.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rights(u16);

impl Rights {
    /// Whether a right is among them.
    pub const fn contains(self, right: Right) -> bool {
        self.0 & right as u16 != 0
    }

    /// Whether all of these are among those of `other`.
    pub const fn within(self, other: Self) -> bool {
        self.0 & !other.0 == 0
    }

    /// Every right.
    pub fn all() -> Self {
        Right::ALL.into_iter().map(|(right, _)| right).collect()
    }

    /// What they are, in words; that somebody is known goes without saying.
    pub fn words(self) -> Vec<&'static str> {
        let held = Right::ALL.into_iter();
        let held = held.filter(|(one, _)| *one != Right::BeKnown && self.contains(*one));
        held.map(|(_, word)| word).collect()
    }
}

impl FromIterator<Right> for Rights {
    fn from_iter<I: IntoIterator<Item = Right>>(rights: I) -> Self {
        Self(rights.into_iter().fold(0, |all, one| all | one as u16))
    }
}

impl<const N: usize> From<[Right; N]> for Rights {
    fn from(rights: [Right; N]) -> Self {
        rights.into_iter().collect()
    }
}

/// A caller whose identity is established.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    actor: Arc<str>,
    origin: Arc<str>,
    operator: Option<Arc<str>>,
    signer: Option<Arc<str>>,
    credential: Option<Arc<Credential>>,
    role: Option<Role>,
    rights: Rights,
    reach: Within,
}

/// The caller may not do this.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("this caller may not do this here; ask the administrator of the network")]
pub struct Denied;

impl Caller {
    /// A person on the server's own machine, without a credential. `operator` is the staff code the client
    /// states, for the audit chain.
    pub fn local(operator: Option<&str>) -> Self {
        let operator = operator.filter(|operator| !operator.is_empty());
        let actor = match operator {
            Some(operator) => format!("local:{operator}"),
            None => "local".to_owned(),
        };
        Self {
            actor: actor.into(),
            origin: "".into(),
            operator: operator.map(Arc::from),
            signer: None,
            credential: None,
            role: None,
            rights: Rights::all(),
            reach: Within::Network,
        }
    }

    /// A caller who sees only some sites.
    pub fn of_sites(actor: String, rights: Rights, sites: BTreeSet<SiteId>) -> Self {
        Self {
            actor: actor.into(),
            origin: "".into(),
            operator: None,
            signer: None,
            credential: None,
            role: None,
            rights,
            reach: Within::Sites(Arc::new(sites)),
        }
    }

    /// The holder of a credential that was proved. `sites` are those that its grant reaches now, groups resolved;
    /// none for the whole network. `operator` is the staff code that the call states; a person's own goes before
    /// it.
    pub fn holding(
        credential: Arc<Credential>,
        sites: Option<Arc<BTreeSet<SiteId>>>,
        operator: Option<&str>,
    ) -> Self {
        let person = match &credential.holder {
            Holder::Person(person) => Some(Arc::<str>::from(person.as_str())),
            Holder::Device | Holder::Integration => None,
        };
        let stated = operator.filter(|operator| !operator.is_empty());
        let operator = person.clone().or_else(|| stated.map(Arc::from));
        let mut actor = credential.key.name();
        if let Some(operator) = &operator {
            actor.push(':');
            actor.push_str(operator);
        }
        Self {
            actor: actor.into(),
            origin: "".into(),
            operator,
            signer: person,
            role: Some(credential.grant.role),
            rights: credential.grant.rights(),
            credential: Some(credential),
            reach: sites.map_or(Within::Network, Within::Sites),
        }
    }

    /// The same caller, calling from this network address.
    #[must_use]
    pub fn from(self, origin: &str) -> Self {
        Self {
            origin: origin.into(),
            ..self
        }
    }

    /// The credential that was proved; none for a local caller.
    pub fn credential(&self) -> Option<&Arc<Credential>> {
        self.credential.as_ref()
    }

    /// The credential's id; none for a local caller.
    pub fn credential_id(&self) -> Option<&CredentialId> {
        self.credential.as_ref().map(|credential| &credential.key)
    }

    /// The staff code in force: a person's own, or the one that the call states.
    pub fn operator(&self) -> Option<&str> {
        self.operator.as_deref()
    }

    /// The staff code of the one person who can be behind this call; none for devices, programs and local callers.
    pub fn signer(&self) -> Option<&str> {
        self.signer.as_deref()
    }

    /// Network address that the call comes from; empty where it is not known.
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// What this caller may do.
    pub fn rights(&self) -> Rights {
        self.rights
    }

    /// Whether this caller may do so anywhere at all.
    pub fn may(&self, right: Right) -> bool {
        self.rights.contains(right)
    }

    /// The sites in reach; none for all of them.
    pub fn sites(&self) -> Option<Vec<SiteId>> {
        self.reach.sites()
    }

    /// Access to one site's records.
    pub fn site(&self, right: Right, site: &SiteId) -> Result<Scope, Denied> {
        if self.may(right) && self.reach.reaches(site) {
            Ok(self.scope(Within::Site(site.clone())))
        } else {
            Err(Denied)
        }
    }

    /// Access to what the whole network shares, and to every site the caller may see.
    pub fn network(&self, right: Right) -> Result<Scope, Denied> {
        if self.may(right) {
            Ok(self.scope(self.reach.clone()))
        } else {
            Err(Denied)
        }
    }

    /// Access to what belongs to a site, or to the whole network where none is named.
    pub fn site_or_network(&self, right: Right, site: Option<&SiteId>) -> Result<Scope, Denied> {
        match site {
            Some(site) => self.site(right, site),
            None => self.network(right),
        }
    }

    fn scope(&self, reach: Within) -> Scope {
        Scope {
            actor: Arc::clone(&self.actor),
            origin: Arc::clone(&self.origin),
            reach,
        }
    }

    /// Whether this caller may give somebody this grant: nobody gives what they do not have. Groups change, so only
    /// who keeps the whole network grants them.
    pub fn may_grant(&self, grant: &Grant) -> bool {
        self.may(Right::GrantAccess)
            && grant.rights().within(self.rights)
            && match (&grant.reach, &self.reach) {
                (_, Within::Network) => true,
                (Reach::Network, _) => false,
                (Reach::Sites { sites, groups }, own) => {
                    groups.is_empty()
                        && !sites.is_empty()
                        && sites.iter().all(|site| own.reaches(site))
                }
            }
    }

    /// Access to the caller's own credential, wherever it is kept, for renewing it; none for a local caller.
    pub fn own(&self) -> Option<(&Arc<Credential>, Scope)> {
        let own = self.credential.as_ref()?;
        let reach = match own.grant.only_site() {
            Some(site) => Within::Site(site.clone()),
            None => Within::Network,
        };
        Some((own, self.scope(reach)))
    }

    /// The scope in which a credential, its enrolment included, is kept: its own site's where it has just one.
    pub fn keeping(&self, grant: &Grant) -> Result<Scope, Denied> {
        if !self.may_grant(grant) {
            return Err(Denied);
        }
        match grant.only_site() {
            Some(site) => self.site(Right::GrantAccess, site),
            None => self.network(Right::GrantAccess),
        }
    }
}

/// Proof that somebody may touch some records; every query that touches site data takes one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scope {
    actor: Arc<str>,
    origin: Arc<str>,
    reach: Within,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Within {
    Network,
    Site(SiteId),
    Sites(Arc<BTreeSet<SiteId>>),
}

impl Within {
    fn reaches(&self, site: &SiteId) -> bool {
        match self {
            Self::Network => true,
            Self::Site(own) => own == site,
            Self::Sites(sites) => sites.contains(site),
        }
    }

    fn sites(&self) -> Option<Vec<SiteId>> {
        match self {
            Self::Network => None,
            Self::Site(site) => Some(vec![site.clone()]),
            Self::Sites(sites) => Some(sites.iter().cloned().collect()),
        }
    }
}

impl Scope {
    /// Access for the server's own work, named for the audit chain.
    pub fn for_work(name: &str) -> Self {
        Self {
            actor: format!("work:{name}").into(),
            origin: "".into(),
            reach: Within::Network,
        }
    }

    /// Access for whoever uses an enrolment's code, before they have a credential; `origin` is their network address.
    pub fn for_enrolment(enrolment: &EnrolmentId, origin: &str) -> Self {
        Self {
            actor: format!("enrolment:{enrolment}").into(),
            origin: origin.into(),
            reach: Within::Network,
        }
    }

    /// Who acts, for the audit chain.
    pub fn actor(&self) -> &str {
        &self.actor
    }

    /// Network address they act from, for the audit chain; empty for the server's own work.
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// Whether records of this site may be touched.
    pub fn reaches(&self, site: &SiteId) -> bool {
        self.reach.reaches(site)
    }

    /// The sites that may be touched; none for all of them.
    pub fn sites(&self) -> Option<Vec<SiteId>> {
        self.reach.sites()
    }
}

#[cfg(test)]
mod tests;
