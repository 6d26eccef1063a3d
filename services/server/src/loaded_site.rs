//! A site with all that the standings of its furnaces follow from. Some sites are loaded at a time, so many furnaces
//! are looked at without being held in memory together.

use jiff::Timestamp;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeKey, SiteId};
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::site::Site;
use ringtrue_fleet::standing::{Conformity, Standing, StandingInput, glance, standing};
use ringtrue_store::{FurnaceStandingRecords, Read, StandingRecords};

use crate::app::Error;

/// A site with all that the standings of its furnaces follow from.
#[derive(Debug)]
pub(crate) struct LoadedSite(StandingRecords);

impl LoadedSite {
    /// Reads some sites, by id; one that does not exist is absent.
    pub(crate) async fn some(read: &Read, sites: &[SiteId]) -> Result<Vec<Self>, Error> {
        let records = read.standing_records(sites).await?;
        Ok(records.into_iter().map(Self).collect())
    }

    /// Reads one site; none when it does not exist.
    pub(crate) async fn one(read: &Read, site: &SiteId) -> Result<Option<Self>, Error> {
        Ok(Self::some(read, std::slice::from_ref(site)).await?.pop())
    }

    /// The site.
    pub(crate) fn site(&self) -> &Site {
        &self.0.site
    }

    /// Where the furnaces stand, in order of their ids, without what is foreseen.
    pub(crate) fn glances(&self, now: Timestamp) -> Vec<Standing> {
        let knowledge = self.0.knowledge.knowledge();
        let mut standings = Vec::with_capacity(self.0.furnaces.len());
        for loaded in &self.0.furnaces {
            standings.push(glance(&self.input(loaded, None), &knowledge, now));
        }
        standings
    }

    /// Where one furnace stands, with what is foreseen; none when it is not of this site.
    pub(crate) fn standing(
        &self,
        furnace: &FurnaceId,
        fired_before_at: Option<Timestamp>,
        now: Timestamp,
    ) -> Option<Standing> {
        let input = self.input(self.furnace(furnace)?, fired_before_at);
        Some(standing(&input, &self.0.knowledge.knowledge(), now))
    }

    /// Whether a furnace conforms: for one programme, or for the one that is farthest off.
    pub(crate) fn conformity(
        &self,
        furnace: &FurnaceKey,
        programme: Option<&ProgrammeKey>,
        now: Timestamp,
    ) -> Option<Conformity> {
        let loaded = self.furnace(&furnace.furnace)?;
        let own: Vec<Programme>;
        let mut input = self.input(loaded, None);
        if let Some(programme) = programme {
            own = loaded
                .programmes
                .iter()
                .filter(|one| one.key == *programme)
                .cloned()
                .collect();
            input.programmes = &own;
        }
        Some(glance(&input, &self.0.knowledge.knowledge(), now).conformity)
    }

    fn furnace(&self, furnace: &FurnaceId) -> Option<&FurnaceStandingRecords> {
        let mut all = self.0.furnaces.iter();
        all.find(|one| one.furnace.key.furnace == *furnace)
    }

    fn input<'a>(
        &'a self,
        loaded: &'a FurnaceStandingRecords,
        fired_before_at: Option<Timestamp>,
    ) -> StandingInput<'a> {
        StandingInput {
            furnace: &loaded.furnace,
            site: &self.0.site,
            rules: &self.0.rules,
            programmes: &loaded.programmes,
            tracked: loaded.tracked.as_ref(),
            events: &loaded.events,
            fired_before_at,
            open_findings: loaded.open_findings,
        }
    }
}
