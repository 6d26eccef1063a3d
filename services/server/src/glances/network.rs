//! Where all furnaces of a network stood at a moment.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;

use super::site::SiteGlances;

/// All sites as of one moment, but for those whose own records have changed since: these are as of later.
///
/// The numbers of changes in it are those of one moment of the database, so that a sum that agrees with the
/// database's means that each of them does.
#[derive(Debug, Clone)]
pub(crate) struct NetworkGlances {
    /// The moment for which all was worked out.
    pub(crate) at: Timestamp,
    /// By id.
    sites: Vec<Arc<SiteGlances>>,
}

impl NetworkGlances {
    /// Puts sites together.
    pub(crate) fn new(at: Timestamp, mut sites: Vec<Arc<SiteGlances>>) -> Self {
        sites.sort_unstable_by(|one, other| one.site.cmp(&other.site));
        Self { at, sites }
    }

    /// All sites, by id.
    pub(crate) fn sites(&self) -> &[Arc<SiteGlances>] {
        &self.sites
    }

    /// The sites that a scope reaches, by id.
    pub(crate) fn within(&self, scope: &Scope) -> Vec<Arc<SiteGlances>> {
        match scope.sites() {
            None => self.sites.clone(),
            Some(sites) => {
                let own = sites.iter().filter_map(|site| self.site(site));
                own.cloned().collect()
            }
        }
    }

    /// One site.
    pub(crate) fn site(&self, site: &SiteId) -> Option<&Arc<SiteGlances>> {
        let at = self.sites.binary_search_by(|known| known.site.cmp(site));
        self.sites.get(at.ok()?)
    }

    /// Those of some sites that have had more changes than are known here.
    pub(crate) fn lacking(&self, changes: Vec<(SiteId, i64)>) -> Vec<(SiteId, i64)> {
        let mut lacking = changes;
        lacking
            .retain(|(site, changes)| self.site(site).is_none_or(|known| known.changes < *changes));
        lacking
    }

    /// The same with newer looks at some sites.
    pub(crate) fn with(&self, newer: &[Arc<SiteGlances>]) -> Self {
        let mut found: BTreeMap<&SiteId, &Arc<SiteGlances>> = BTreeMap::new();
        for one in newer {
            found.insert(&one.site, one);
        }
        let mut sites = Vec::with_capacity(self.sites.len());
        for known in &self.sites {
            let one = match found.remove(&known.site) {
                Some(one) if one.changes >= known.changes => one,
                _ => known,
            };
            sites.push(Arc::clone(one));
        }
        sites.extend(found.into_values().cloned());
        Self::new(self.at, sites)
    }

    /// The same with those sites of an earlier look that knew of more changes.
    pub(crate) fn beside(self, earlier: &Self) -> Self {
        let mut ahead = Vec::new();
        for one in &earlier.sites {
            if self
                .site(&one.site)
                .is_none_or(|known| known.changes < one.changes)
            {
                ahead.push(Arc::clone(one));
            }
        }
        if ahead.is_empty() {
            self
        } else {
            self.with(&ahead)
        }
    }
}

/// How many sites there are, and how many changes they had in all.
pub(crate) fn in_all(sites: &[Arc<SiteGlances>]) -> (i64, i64) {
    let count = i64::try_from(sites.len()).unwrap_or(i64::MAX);
    (count, sites.iter().map(|site| site.changes).sum())
}
