//! Many sites at once: the whole record of a network solved anew, on as many threads as there are.
//!
//! Sites are independent until their own effects are eliminated, so threads take sites; what leaves the
//! sites is added up by one thread in the order of the sites. The sums are therefore formed in one
//! order, and the result has the same bits on one thread and on many.

mod records;
mod walk;

pub use records::{Reading, SiteRecords};

use rayon::prelude::*;

use super::cholesky::NotPositiveDefinite;
use super::components::Components;
use super::network::{GlobalEffect, Network, Solution};
use super::offset_state::OffsetState;
use super::site::SiteBlock;
pub(crate) use walk::Walk;

/// So many sites are eliminated before their blocks are added up, which bounds the memory.
const SITES_AT_ONCE: usize = 1024;

/// A network solved from its whole record.
#[derive(Debug, Clone, PartialEq)]
pub struct Refit {
    /// The shared effects.
    pub solution: Solution,
    /// What every site contributed, in the order of the sites.
    pub blocks: Vec<SiteBlock>,
}

/// Solves a network from its whole record and keeps what every site contributed.
///
/// # Errors
/// [`NotPositiveDefinite`] when the readings hold numbers with which nothing can be calculated.
pub fn refit(
    sites: &[SiteRecords],
    globals: &[GlobalEffect],
    components: &Components,
) -> Result<Refit, NotPositiveDefinite> {
    let mut blocks = Vec::with_capacity(sites.len());
    let network = summed(sites, globals, components, |block| blocks.push(block));
    Ok(Refit {
        solution: network.solved()?,
        blocks,
    })
}

/// Adds up what all sites contribute, without keeping their blocks: the network's own solution and
/// likelihood need no more.
pub fn contributions(
    sites: &[SiteRecords],
    globals: &[GlobalEffect],
    components: &Components,
) -> Network {
    summed(sites, globals, components, drop)
}

/// Gives the present offset of every furnace, by site: the records are followed once more, which costs
/// less than keeping what was found on the way.
pub fn offsets(
    sites: &[SiteRecords],
    globals: &[GlobalEffect],
    components: &Components,
    refit: &Refit,
) -> Vec<Vec<OffsetState>> {
    sites
        .par_iter()
        .zip(refit.blocks.par_iter())
        .map_init(Walk::default, |walk, (site, block)| {
            walk.offsets(site, globals, components, block, &refit.solution)
        })
        .collect()
}

fn summed(
    sites: &[SiteRecords],
    globals: &[GlobalEffect],
    components: &Components,
    mut done_with: impl FnMut(SiteBlock),
) -> Network {
    let mut network = Network::new(globals, components);
    for some in sites.chunks(SITES_AT_ONCE) {
        let blocks: Vec<SiteBlock> = some
            .par_iter()
            .map_init(Walk::default, |walk, site| {
                walk.eliminated(site, globals, components)
            })
            .collect();
        for block in blocks {
            network.add(&block);
            done_with(block);
        }
    }
    network
}

#[cfg(test)]
pub(crate) mod invented_network;
#[cfg(test)]
mod tests;
