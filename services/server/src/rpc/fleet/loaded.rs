//! A site with all that the standings of its furnaces follow from. Sites are loaded in turn, so many furnaces are
//! looked at without being held in memory together.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeKey, SiteId};
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::rule::RuleBook;
use ringtrue_fleet::site::Site;
use ringtrue_fleet::standing::{Conformity, Standing, StandingInput, glance};
use ringtrue_fleet::tracking::TrackedOffset;
use ringtrue_store::{Page, PagePart, Read, SiteKnowledge};

use crate::app::Error;

/// Records read at once.
const READ_AT_ONCE: u32 = 500;

/// Whether the store gave one more than was asked for, which is taken off.
fn has_more<T>(rows: &mut Vec<T>) -> bool {
    let most = READ_AT_ONCE as usize;
    let more = rows.len() > most;
    rows.truncate(most);
    more
}

/// A site with all that the standings of its furnaces follow from.
pub(in crate::rpc) struct LoadedSite {
    site: Site,
    rules: RuleBook,
    knowledge: SiteKnowledge,
    furnaces: Vec<LoadedFurnace>,
}

struct LoadedFurnace {
    furnace: Furnace,
    programmes: Vec<Programme>,
    tracked: Option<TrackedOffset>,
    events: Vec<FurnaceEvent>,
    open_findings: u32,
}

impl LoadedSite {
    /// Reads a site's furnaces, as of one fit.
    pub(in crate::rpc) async fn of(read: &Read, site: Site, fit: &Arc<Fit>) -> Result<Self, Error> {
        let knowledge = read.site_knowledge(&site.key, Arc::clone(fit)).await?;
        let mut tracked = BTreeMap::new();
        for (furnace, offset) in read.tracked_offsets(&site.key).await? {
            tracked.insert(furnace, offset);
        }
        let mut programmes = programmes(read, &site.key).await?;
        let mut events: BTreeMap<FurnaceKey, Vec<FurnaceEvent>> = BTreeMap::new();
        for event in read.events_since_last_firings(&site.key).await? {
            let own = events.entry(event.key.furnace.clone()).or_default();
            own.push(event);
        }
        let mut findings = BTreeMap::new();
        for (subject, count) in read.open_findings(&site.key).await? {
            findings.insert(subject, count);
        }
        let mut loaded = Vec::new();
        for furnace in read.furnaces_of_site(&site.key).await? {
            loaded.push(LoadedFurnace {
                programmes: programmes.remove(&furnace.key).unwrap_or_default(),
                tracked: tracked.remove(&furnace.key.furnace),
                events: events.remove(&furnace.key).unwrap_or_default(),
                open_findings: findings.remove(&furnace.key.name()).unwrap_or(0),
                furnace,
            });
        }
        let rules = RuleBook(read.rules_of(Some(&site.key)).await?);
        Ok(Self {
            site,
            rules,
            knowledge,
            furnaces: loaded,
        })
    }

    /// Where the furnaces stand, in order of their ids, without what is foreseen.
    pub(super) fn glances(&self, now: Timestamp) -> Vec<Standing> {
        let mut standings = Vec::with_capacity(self.furnaces.len());
        for furnace in &self.furnaces {
            let input = self.input(furnace, None);
            standings.push(glance(&input, &self.knowledge.knowledge(), now));
        }
        standings
    }

    /// Where one furnace stands, by its place among them.
    pub(super) fn standing(
        &self,
        at: usize,
        fired_before_at: Option<Timestamp>,
        now: Timestamp,
    ) -> Option<Standing> {
        let input = self.input(self.furnaces.get(at)?, fired_before_at);
        let knowledge = self.knowledge.knowledge();
        Some(ringtrue_fleet::standing::standing(&input, &knowledge, now))
    }

    /// Whether a furnace conforms: for one programme, or for the one that is farthest off.
    pub(in crate::rpc) fn conformity(
        &self,
        furnace: &FurnaceKey,
        programme: Option<&ProgrammeKey>,
        now: Timestamp,
    ) -> Option<Conformity> {
        let loaded = self
            .furnaces
            .iter()
            .find(|one| one.furnace.key == *furnace)?;
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
        Some(glance(&input, &self.knowledge.knowledge(), now).conformity)
    }

    fn input<'a>(
        &'a self,
        loaded: &'a LoadedFurnace,
        fired_before_at: Option<Timestamp>,
    ) -> StandingInput<'a> {
        StandingInput {
            furnace: &loaded.furnace,
            site: &self.site,
            rules: &self.rules,
            programmes: &loaded.programmes,
            tracked: loaded.tracked.as_ref(),
            events: &loaded.events,
            fired_before_at,
            open_findings: loaded.open_findings,
        }
    }
}

async fn programmes(
    read: &Read,
    site: &SiteId,
) -> Result<BTreeMap<FurnaceKey, Vec<Programme>>, Error> {
    let mut all: BTreeMap<FurnaceKey, Vec<Programme>> = BTreeMap::new();
    let mut page = Page {
        size: READ_AT_ONCE,
        after: Vec::new(),
    };
    loop {
        let mut some = read.programmes(site, None, &page).await?;
        let more = has_more(&mut some);
        if let Some(last) = some.last() {
            page.after = vec![
                PagePart::Text(last.key.furnace.furnace.to_string()),
                PagePart::Text(last.key.programme.to_string()),
            ];
        }
        for programme in some {
            let own = all.entry(programme.key.furnace.clone()).or_default();
            own.push(programme);
        }
        if !more {
            return Ok(all);
        }
    }
}
