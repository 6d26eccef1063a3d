//! One thread's way through sites: room for chains that is used again from site to site.

use crate::inference::chain::{Chain, Column, Scratch, Step};
use crate::inference::components::Components;
use crate::inference::network::{GlobalEffect, Solution};
use crate::inference::offset_state::OffsetState;
use crate::inference::site::{SiteBlock, eliminated};

use super::records::SiteRecords;

/// Room for the furnaces of one site.
#[derive(Debug, Default)]
pub(crate) struct Walk {
    furnaces: Vec<Walked>,
    /// For every effect list of the site: the furnace for which it was translated last, and where the
    /// translation stands.
    translated: Vec<(usize, usize, usize)>,
    /// Effects in the columns of the furnace at hand.
    effects: Vec<(usize, f64)>,
    scratch: Scratch,
}

/// A furnace that was followed.
#[derive(Debug, Default)]
pub(crate) struct Walked {
    pub(crate) chain: Chain,
    pub(crate) columns: Vec<Column>,
    pub(crate) prior_variances_c2: Vec<f64>,
}

impl Walk {
    /// Follows all furnaces of a site. `looked_at` sees what every reading did, in the
    /// order of the record.
    pub(crate) fn follow(
        &mut self,
        site: &SiteRecords,
        globals: &[GlobalEffect],
        components: &Components,
        mut looked_at: impl FnMut(&Step),
    ) {
        while self.furnaces.len() < site.furnaces() {
            self.furnaces.push(Walked::default());
        }
        self.translated.clear();
        self.translated.resize(site.lists(), (usize::MAX, 0, 0));
        for number in 0..site.furnaces() {
            let furnace = &mut self.furnaces[number];
            furnace.chain.clear();
            furnace.columns.clear();
            furnace.prior_variances_c2.clear();
            self.effects.clear();
            for reading in site.of_furnace(number) {
                let list = SiteRecords::list_place(reading);
                let (mut known_for, mut start, mut end) = self.translated[list];
                if known_for != number {
                    start = self.effects.len();
                    for (column, coefficient) in site.effects(reading) {
                        let Some(prior) = prior_c2(*column, site, globals, components) else {
                            continue;
                        };
                        let known = furnace.columns.iter().position(|known| known == column);
                        let index = known.unwrap_or(furnace.columns.len());
                        if known.is_none() {
                            furnace.columns.push(*column);
                            furnace.prior_variances_c2.push(prior);
                        }
                        self.effects.push((index, *coefficient));
                    }
                    end = self.effects.len();
                    known_for = number;
                    self.translated[list] = (known_for, start, end);
                }
                let firing = site.firing(reading, &self.effects[start..end]);
                let step = furnace.chain.follow(
                    &firing,
                    &furnace.prior_variances_c2,
                    components,
                    &mut self.scratch,
                );
                looked_at(&step);
            }
        }
    }

    /// Gives the furnaces of the site that was followed last.
    pub(crate) fn furnaces(&self, site: &SiteRecords) -> &[Walked] {
        self.furnaces.get(..site.furnaces()).unwrap_or_default()
    }

    /// Eliminates a site from its records.
    pub(crate) fn eliminated(
        &mut self,
        site: &SiteRecords,
        globals: &[GlobalEffect],
        components: &Components,
    ) -> SiteBlock {
        self.follow(site, globals, components, |_| ());
        let mut furnaces = Vec::with_capacity(site.furnaces());
        for furnace in self.furnaces(site) {
            furnaces.push((furnace.columns.as_slice(), &furnace.chain));
        }
        eliminated(&site.locals, &furnaces, components)
    }

    /// Gives the present offsets of a site's furnaces.
    pub(super) fn offsets(
        &mut self,
        site: &SiteRecords,
        globals: &[GlobalEffect],
        components: &Components,
        block: &SiteBlock,
        solution: &Solution,
    ) -> Vec<OffsetState> {
        self.follow(site, globals, components, |_| ());
        let mut offsets = Vec::with_capacity(site.furnaces());
        for furnace in self.furnaces(site) {
            let effects = block.joint(solution, &furnace.columns);
            offsets.push(furnace.chain.offset(&effects));
        }
        offsets
    }
}

/// Variance of an effect before anything is read; none for an effect that nobody knows, which is left
/// out.
fn prior_c2(
    column: Column,
    site: &SiteRecords,
    globals: &[GlobalEffect],
    components: &Components,
) -> Option<f64> {
    match column {
        Column::Local(index) => site
            .locals
            .get(index)
            .map(|local| components.local_prior_c2(local.prior_variance_c2, local.scaled)),
        Column::Global(index) => globals
            .get(index)
            .map(|global| components.global_prior_c2(global.prior_variance_c2, global.scaled)),
    }
}
