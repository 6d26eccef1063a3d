//! What the standings of many sites' furnaces follow from: one statement for each kind of record, however many
//! sites there are, all of one moment.

use std::collections::HashMap;
use std::sync::Arc;

use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::gauge::GaugeCheck;
use ringtrue_fleet::key::{FurnaceKey, GaugeId, SiteId};
use ringtrue_fleet::knowledge::{Fit, SiteFit};
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::rule::{Rule, RuleBook};
use ringtrue_fleet::site::Site;
use ringtrue_fleet::tracking::TrackedOffset;

use super::{events, findings, fits, furnaces, gauges, programmes, rules, sites, tracked};
use crate::columns::json;
use crate::database::Connection;
use crate::{Error, Read, SiteKnowledge, reference};

/// A site with all that the standings of its furnaces follow from.
#[derive(Debug, Clone)]
pub struct StandingRecords {
    /// The site.
    pub site: Site,
    /// The rules by which calibrations are due: the network's, its own and its furnaces'.
    pub rules: RuleBook,
    /// What bears on its furnaces.
    pub knowledge: SiteKnowledge,
    /// Its furnaces, by id.
    pub furnaces: Vec<FurnaceStandingRecords>,
}

/// A furnace with all that its standing follows from.
#[derive(Debug, Clone)]
pub struct FurnaceStandingRecords {
    /// The furnace.
    pub furnace: Furnace,
    /// Its programmes, by id.
    pub programmes: Vec<Programme>,
    /// What is known of its offset; none before its first evaluated reading.
    pub tracked: Option<TrackedOffset>,
    /// What happened to it since its last firing that counts, in order.
    pub events: Vec<FurnaceEvent>,
    /// Findings about it that are not resolved.
    pub open_findings: u32,
}

/// What was found of all sites, before it is told apart.
struct Found {
    fit: Arc<Fit>,
    rules: Vec<Rule>,
    site_fits: HashMap<SiteId, SiteFit>,
    checks: HashMap<SiteId, Vec<(GaugeId, Vec<GaugeCheck>)>>,
    furnaces: HashMap<SiteId, Vec<FurnaceStandingRecords>>,
}

impl Found {
    /// The records of one site, which are taken out.
    fn of(&mut self, site: Site) -> StandingRecords {
        let bearing = self.rules.iter().filter(|rule| {
            let of = rule.key.place.site();
            of.is_none_or(|of| *of == site.key)
        });
        StandingRecords {
            rules: RuleBook(bearing.cloned().collect()),
            knowledge: SiteKnowledge {
                site: site.key.clone(),
                fit: Arc::clone(&self.fit),
                site_fit: self.site_fits.remove(&site.key),
                checks: self.checks.remove(&site.key).unwrap_or_default(),
            },
            furnaces: self.furnaces.remove(&site.key).unwrap_or_default(),
            site,
        }
    }
}

async fn furnaces_of(
    connection: &mut Connection,
    wanted: &str,
) -> Result<HashMap<SiteId, Vec<FurnaceStandingRecords>>, Error> {
    let mut tracked = HashMap::new();
    for (furnace, offset) in tracked::tracked_of_sites(&mut *connection, wanted).await? {
        tracked.insert(furnace, offset);
    }
    let mut programmes: HashMap<FurnaceKey, Vec<Programme>> = HashMap::new();
    for programme in programmes::programmes_of_sites(&mut *connection, wanted).await? {
        let own = programmes.entry(programme.key.furnace.clone()).or_default();
        own.push(programme);
    }
    let mut events: HashMap<FurnaceKey, Vec<FurnaceEvent>> = HashMap::new();
    for event in events::since_last_firings(&mut *connection, wanted).await? {
        let own = events.entry(event.key.furnace.clone()).or_default();
        own.push(event);
    }
    let mut findings = HashMap::new();
    for (subject, count) in findings::open_of_sites(&mut *connection, wanted).await? {
        findings.insert(subject, count);
    }
    let mut furnaces: HashMap<SiteId, Vec<FurnaceStandingRecords>> = HashMap::new();
    for furnace in furnaces::furnaces_of_sites(&mut *connection, wanted).await? {
        let own = furnaces.entry(furnace.key.site.clone()).or_default();
        own.push(FurnaceStandingRecords {
            programmes: programmes.remove(&furnace.key).unwrap_or_default(),
            tracked: tracked.remove(&furnace.key),
            events: events.remove(&furnace.key).unwrap_or_default(),
            open_findings: findings.remove(&furnace.key.name()).unwrap_or(0),
            furnace,
        });
    }
    Ok(furnaces)
}

async fn load(
    read: &Read,
    connection: &mut Connection,
    wanted: &[SiteId],
) -> Result<Vec<StandingRecords>, Error> {
    let ids: Vec<&str> = wanted.iter().map(SiteId::as_str).collect();
    let wanted = json(&ids);
    let mut sites = sites::sites_of(&mut *connection, &wanted).await?;
    sites.sort_unstable_by(|one, other| one.key.cmp(&other.key));
    let mut found = Found {
        fit: last_fit(read, &mut *connection).await?,
        rules: rules::rules_of_sites(&mut *connection, &wanted).await?,
        site_fits: fits::site_fits(&mut *connection, &wanted).await?,
        checks: gauges::checks_of_sites(&mut *connection, &wanted).await?,
        furnaces: furnaces_of(&mut *connection, &wanted).await?,
    };
    Ok(sites.into_iter().map(|site| found.of(site)).collect())
}

/// The last fit, from memory while its number stands.
async fn last_fit(read: &Read, connection: &mut Connection) -> Result<Arc<Fit>, Error> {
    let (_, number) = reference::versions(&mut *connection).await?;
    let memory = read.store().fitted();
    Ok(memory.fitted(connection, number, &[]).await?.fit)
}

impl Read {
    /// What the standings of some sites' furnaces follow from, as of one moment, by id of the site. A site that does
    /// not exist is absent. At most some hundreds at a time, so that memory stays small.
    pub async fn standing_records(&self, sites: &[SiteId]) -> Result<Vec<StandingRecords>, Error> {
        for site in sites {
            self.within(site)?;
        }
        if sites.is_empty() {
            return Ok(Vec::new());
        }
        let mut tx = self.snapshot().await?;
        let records = load(self, &mut tx, sites).await?;
        tx.finish().await?;
        Ok(records)
    }

    /// The last fit, which is read anew only when there is another one than last time.
    pub async fn last_fit(&self) -> Result<Arc<Fit>, Error> {
        last_fit(self, &mut self.connection().await?).await
    }
}
