//! What recordings refer to and people seldom change: sites, furnaces with their events, programmes,
//! gauges with their checks, released batches, rules of scheduling. Kept in memory between recordings.
//!
//! Every change of such a record raises one number in the database, in the same transaction. A recording
//! reads the number first: when it is the one that the memory was filled under, the memory is right,
//! whichever process made the change; otherwise it starts anew. So nothing here has to be told, and
//! several servers on one database agree.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::gauge::{Gauge, GaugeCheck};
use ringtrue_fleet::key::{BatchId, FurnaceKey, GaugeId, GaugeKey, ProgrammeKey, SiteId};
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::reading::{Method, Report};
use ringtrue_fleet::ring_batch::RingBatch;
use ringtrue_fleet::rule::RuleBook;
use ringtrue_fleet::site::Site;

use crate::Error;
use crate::cache::BatchCache;
use crate::columns::json;
use crate::database::{Connection, query, query_as};
use crate::tables::{events, furnaces, gauges, programmes, ring_batches, rules, sites};

/// Records as of one number of [`version`].
#[derive(Debug, Clone, Default)]
pub(crate) struct Reference {
    version: i64,
    /// The checks of all gauges of a site.
    pub(crate) checks: HashMap<SiteId, Arc<SiteChecks>>,
    pub(crate) sites: HashMap<SiteId, Arc<Site>>,
    /// The network's rules, a site's and its furnaces'.
    pub(crate) rules: HashMap<SiteId, Arc<RuleBook>>,
    pub(crate) furnaces: HashMap<FurnaceKey, Arc<(Furnace, Vec<FurnaceEvent>)>>,
    pub(crate) programmes: HashMap<ProgrammeKey, Arc<Programme>>,
    /// Checks with the latest first.
    pub(crate) gauges: HashMap<GaugeKey, Arc<(Gauge, Vec<GaugeCheck>)>>,
    pub(crate) batches: HashMap<BatchId, Arc<RingBatch>>,
    /// The released batches added last.
    pub(crate) released: Vec<Arc<RingBatch>>,
}

/// A site's gauges with their checks.
pub(crate) type SiteChecks = Vec<(GaugeId, Vec<GaugeCheck>)>;

/// Most records kept; beyond that the memory starts anew.
const MOST: usize = 50_000;

/// The memory, shared by every recording.
#[derive(Debug, Default)]
pub(crate) struct ReferenceMemory {
    now: Mutex<Arc<Reference>>,
}

/// Which records some reports need and the memory lacks.
#[derive(Default)]
struct Lacking<'r> {
    checks: Vec<&'r SiteId>,
    sites: Vec<&'r str>,
    furnaces: Vec<(&'r str, &'r str)>,
    programmes: Vec<(&'r str, &'r str, &'r str)>,
    gauges: Vec<(&'r str, &'r str)>,
    batches: Vec<&'r str>,
}

impl<'r> Lacking<'r> {
    fn of(reference: &Reference, reports: &[&'r Report]) -> Self {
        let mut lacking = Self::default();
        for report in reports {
            let furnace = &report.programme.furnace;
            let (site, id) = (furnace.site.as_str(), furnace.furnace.as_str());
            if !reference.checks.contains_key(&furnace.site) {
                lacking.checks.push(&furnace.site);
            }
            if !reference.sites.contains_key(&furnace.site) {
                lacking.sites.push(site);
            }
            if !reference.furnaces.contains_key(furnace) {
                lacking.furnaces.push((site, id));
            }
            if !reference.programmes.contains_key(&report.programme) {
                lacking
                    .programmes
                    .push((site, id, report.programme.programme.as_str()));
            }
            if let Method::Rings(measured) = &report.method {
                if !reference.gauges.contains_key(&measured.gauge) {
                    lacking
                        .gauges
                        .push((measured.gauge.site.as_str(), measured.gauge.gauge.as_str()));
                }
                if !reference.batches.contains_key(&measured.batch) {
                    lacking.batches.push(measured.batch.as_str());
                }
            }
        }
        lacking.checks = once(lacking.checks);
        lacking.sites = once(lacking.sites);
        lacking.furnaces = once(lacking.furnaces);
        lacking.programmes = once(lacking.programmes);
        lacking.gauges = once(lacking.gauges);
        lacking.batches = once(lacking.batches);
        lacking
    }

    fn is_empty(&self) -> bool {
        self.sites.is_empty()
            && self.checks.is_empty()
            && self.furnaces.is_empty()
            && self.programmes.is_empty()
            && self.gauges.is_empty()
            && self.batches.is_empty()
    }
}

fn once<T: Ord>(mut all: Vec<T>) -> Vec<T> {
    all.sort_unstable();
    all.dedup();
    all
}

impl ReferenceMemory {
    /// The records that some reports refer to, as of the number that was just read on this connection.
    /// What does not exist is absent.
    pub(crate) async fn reference(
        &self,
        connection: &mut Connection,
        version: i64,
        cache: &BatchCache,
        reports: &[&Report],
    ) -> Result<Arc<Reference>, Error> {
        let mut known = Arc::clone(&self.now.lock().unwrap_or_else(PoisonError::into_inner));
        if known.version != version || known.len() > MOST {
            let released = ring_batches::released(connection, cache).await?;
            known = Arc::new(Reference {
                version,
                released,
                ..Reference::default()
            });
        }
        let lacking = Lacking::of(&known, reports);
        if !lacking.is_empty() {
            let mut more = Reference::clone(&known);
            more.load(connection, cache, &lacking).await?;
            known = Arc::new(more);
        }
        *self.now.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&known);
        Ok(known)
    }
}

impl Reference {
    fn len(&self) -> usize {
        self.sites.len() + self.furnaces.len() + self.programmes.len() + self.gauges.len()
    }

    async fn load(
        &mut self,
        connection: &mut Connection,
        cache: &BatchCache,
        lacking: &Lacking<'_>,
    ) -> Result<(), Error> {
        for site in &lacking.checks {
            let checks = gauges::checks_of_site(connection, site).await?;
            self.checks.insert((*site).clone(), Arc::new(checks));
        }
        for site in sites::sites_of(connection, &json(&lacking.sites)).await? {
            self.sites.insert(site.key.clone(), Arc::new(site));
        }
        if !lacking.sites.is_empty() {
            let all = rules::rules_of_sites(connection, &json(&lacking.sites)).await?;
            for site in self.sites.keys() {
                if self.rules.contains_key(site) {
                    continue;
                }
                let bearing = all
                    .iter()
                    .filter(|rule| rule.key.place.site().is_none_or(|of| of == site))
                    .cloned()
                    .collect();
                self.rules.insert(site.clone(), Arc::new(RuleBook(bearing)));
            }
        }
        let keys = json(&lacking.furnaces);
        let mut happened = events::events_of(connection, &keys).await?;
        for furnace in furnaces::furnaces_of(connection, &keys).await? {
            let own = happened
                .extract_if(.., |event| event.key.furnace == furnace.key)
                .collect();
            self.furnaces
                .insert(furnace.key.clone(), Arc::new((furnace, own)));
        }
        for programme in programmes::programmes_of(connection, &json(&lacking.programmes)).await? {
            self.programmes
                .insert(programme.key.clone(), Arc::new(programme));
        }
        let keys = json(&lacking.gauges);
        let mut checks = gauges::checks_of(connection, &keys).await?;
        for gauge in gauges::gauges_of(connection, &keys).await? {
            let own = checks
                .extract_if(.., |check| check.key.gauge == gauge.key)
                .collect();
            self.gauges
                .insert(gauge.key.clone(), Arc::new((gauge, own)));
        }
        for batch in ring_batches::batches_of(connection, cache, &json(&lacking.batches)).await? {
            self.batches.insert(batch.key.clone(), batch);
        }
        Ok(())
    }
}

/// The number that every change of a reference record raises, and the number of the last fit.
pub(crate) async fn versions(connection: &mut Connection) -> Result<(i64, i64), Error> {
    const SQL: &str = "SELECT version, COALESCE((SELECT number FROM fleet_fit WHERE id = 1), 0)
        FROM reference_version WHERE id = 1";
    let rows: Vec<(i64, i64)> = query_as(SQL).fetch_all(connection).await?;
    Ok(rows.into_iter().next().unwrap_or_default())
}

/// Raises the number, in the transaction that changes a reference record.
pub(crate) async fn raise_version(connection: &mut Connection) -> Result<(), Error> {
    const SQL: &str = "UPDATE reference_version SET version = version + 1 WHERE id = 1";
    query(SQL).execute(connection).await?;
    Ok(())
}
