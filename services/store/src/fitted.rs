//! The last fit in memory, with the parts of those sites that recordings asked for. A recording reads the
//! fit's number first; another number than the memory's empties it.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::knowledge::{Fit, SiteFit};

use crate::Error;
use crate::database::Connection;
use crate::tables::fits;

/// A fit with the parts of some sites; none for a site that had no reading then.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fitted {
    pub(crate) fit: Arc<Fit>,
    pub(crate) sites: HashMap<SiteId, Option<Arc<SiteFit>>>,
}

/// The memory, shared by every recording.
#[derive(Debug, Default)]
pub(crate) struct FittedMemory {
    now: Mutex<Fitted>,
}

impl FittedMemory {
    /// The fit of a number, with the parts of the given sites.
    pub(crate) async fn fitted(
        &self,
        connection: &mut Connection,
        number: i64,
        sites: &[&SiteId],
    ) -> Result<Fitted, Error> {
        let mut wanted = self.remembered(number, sites);
        let mut is_new = wanted.fit.number != number;
        if is_new {
            wanted.fit = Arc::new(fits::fit(&mut *connection).await?);
            wanted.sites.clear();
        }
        for site in sites {
            if !wanted.sites.contains_key(*site) {
                let part = fits::site_fit(&mut *connection, site).await?;
                wanted.sites.insert((*site).clone(), part.map(Arc::new));
                is_new = true;
            }
        }
        if is_new {
            self.remember(&wanted);
        }
        Ok(wanted)
    }

    fn remembered(&self, number: i64, sites: &[&SiteId]) -> Fitted {
        let now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
        let mut found = Fitted {
            fit: Arc::clone(&now.fit),
            sites: HashMap::new(),
        };
        if now.fit.number == number {
            for site in sites {
                if let Some(part) = now.sites.get(*site) {
                    found.sites.insert((*site).clone(), part.clone());
                }
            }
        }
        found
    }

    fn remember(&self, fitted: &Fitted) {
        let mut now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
        if now.fit.number > fitted.fit.number {
            return;
        }
        if now.fit.number < fitted.fit.number {
            now.fit = Arc::clone(&fitted.fit);
            now.sites.clear();
        }
        for (site, part) in &fitted.sites {
            now.sites.insert(site.clone(), part.clone());
        }
    }
}
