//! A fleet taken up again from its whole record: chains are followed on all processors and the effects
//! solved once, instead of reading by reading.

use rayon::prelude::*;

use super::{Furnace, Online, Site};
use crate::inference::bulk::{SiteRecords, Walk};
use crate::inference::cholesky::NotPositiveDefinite;
use crate::inference::components::Components;
use crate::inference::network::{GlobalEffect, Network};
use crate::inference::site::SiteBlock;

/// So many sites are followed before they are put together, which bounds what is held twice.
const SITES_AT_ONCE: usize = 1024;

impl Online {
    /// Takes a fleet up from its record. Sites and shared effects keep their numbers; furnaces are
    /// numbered through all sites in their order.
    ///
    /// # Errors
    /// [`NotPositiveDefinite`] when the readings hold numbers with which nothing can be calculated.
    pub fn restored(
        sites: &[SiteRecords],
        globals: &[GlobalEffect],
        components: &Components,
    ) -> Result<Self, NotPositiveDefinite> {
        let mut online = Online::new(*components);
        online.network = Network::new(globals, components);
        for some in sites.chunks(SITES_AT_ONCE) {
            let followed: Vec<(SiteBlock, Vec<Furnace>)> = some
                .par_iter()
                .map_init(Walk::default, |walk, records| {
                    let block = walk.eliminated(records, globals, components);
                    let mut furnaces = Vec::with_capacity(records.furnaces());
                    for walked in walk.furnaces(records) {
                        furnaces.push(Furnace {
                            site: 0,
                            columns: walked.columns.clone(),
                            prior_variances_c2: walked.prior_variances_c2.clone(),
                            chain: walked.chain.clone(),
                        });
                    }
                    (block, furnaces)
                })
                .collect();
            for ((block, furnaces), records) in followed.into_iter().zip(some) {
                online.network.add(&block);
                let mut site = Site {
                    locals: records.locals.clone(),
                    ..Site::default()
                };
                site.settle(block);
                for mut furnace in furnaces {
                    site.furnaces.push(online.furnaces.len());
                    furnace.site = online.sites.len();
                    online.furnaces.push(furnace);
                }
                online.sites.push(site);
            }
        }
        online.solution = online.network.solved()?;
        Ok(online)
    }
}
