//! Fits the network anew: what all readings say about the errors that they share.
//!
//! One process does it at a time, under a lease; what was begun under a lease that was lost meanwhile is
//! not stored. The fit itself is made outside any transaction from each furnace's filter, which already
//! holds all that its readings say, so recordings go on meanwhile; the fit names the count of recordings
//! it began with, and the next one takes in the rest.

use ringtrue_calibration::inference::Components;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::fitting::{Counts, Fitting};
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_fleet::knowledge::{Fit, SiteFit};
use ringtrue_fleet::tracking::{TrackedOffset, replayed};
use ringtrue_store::{Over, Page, PagePart, Pending, Store};

use super::Error;
use super::held::Held;
use crate::clock::Clock;

/// The piece of work, as its lease names it.
const WORK: &str = "refit";

/// Furnaces read at once.
const PAGE: u32 = 500;

/// Furnaces whose filters are written in one transaction; small, so that recordings wait little.
const WRITTEN_AT_ONCE: usize = 50;

/// What a fit did.
#[derive(Debug, Clone, PartialEq)]
pub struct Refitted {
    /// The fit.
    pub fit: Fit,
    /// Sites in it.
    pub sites: usize,
    /// Furnaces in it.
    pub furnaces: usize,
    /// Furnaces whose filters were worked out again, because the variance components had changed.
    pub replayed: usize,
}

/// Whether a fit would take in something that the last one did not.
fn is_due(last: &Fit, pending: Pending, because: Because) -> bool {
    let same =
        last.changes == pending.changes && last.reference_version == pending.reference_version;
    // A network without a reading needs no fit.
    let has_readings = pending.changes > 0;
    match because {
        Because::Changes => has_readings && !same,
        Because::Started => has_readings,
        Because::Asked | Because::Learnt(_) => true,
    }
}

/// Why the network is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Because {
    /// Something may have changed since the last fit; when nothing has, nothing is done.
    Changes,
    /// A server began: the one before may have left filters that the last fit changed.
    Started,
    /// Somebody asked for it.
    Asked,
    /// These variance components take the place of those in use.
    Learnt(Components),
}

/// Fits the network, unless another process is at it.
pub async fn refit(
    store: &Store,
    clock: &Clock,
    owner: &str,
    because: Because,
) -> Result<Option<Refitted>, Error> {
    let scope = Scope::for_work(WORK);
    let read = store.read(&scope);
    let (last, pending) = (read.fit().await?, read.pending().await?);
    if !is_due(&last, pending, because) {
        return Ok(None);
    }
    let components = match because {
        Because::Learnt(components) => Some(components),
        Because::Changes | Because::Started | Because::Asked => None,
    };
    let Some(mut held) = Held::taken(store, clock, WORK, owner).await? else {
        return Ok(None);
    };
    let outcome = fitted(store, clock, &mut held, &scope, components).await;
    held.given_back().await?;
    outcome
}

/// Gives back every lease of an owner whose work was dropped before its end.
pub async fn give_back(store: &Store, owner: &str) -> Result<(), Error> {
    let mut tx = store
        .begin_over(WORK, &Scope::for_work(WORK), Over::Nothing)
        .await?;
    tx.release_leases_of(owner).await?;
    tx.commit().await?;
    Ok(())
}

async fn fitted(
    store: &Store,
    clock: &Clock,
    held: &mut Held<'_>,
    scope: &Scope,
    learnt: Option<Components>,
) -> Result<Option<Refitted>, Error> {
    let read = store.read(scope);
    // Read again under the lease: another process may have made a fit just before.
    let (last, pending) = (read.fit().await?, read.pending().await?);
    let now = clock.now();
    let counts = Counts {
        components_number: last.components_number + i64::from(learnt.is_some()),
        components_at: if learnt.is_some() {
            Some(now)
        } else {
            last.components_at
        },
        changes: pending.changes,
        reference_version: pending.reference_version,
    };
    let mut work = Work {
        fitting: Fitting::after(&last, learnt.unwrap_or(last.components)),
        components: learnt.unwrap_or(last.components),
        components_number: counts.components_number,
        sites: Vec::new(),
        furnaces: 0,
        outdated: Vec::new(),
    };
    if !work.collect(store, scope, held).await? {
        return Ok(None);
    }
    let (fitting, sites) = (work.fitting, work.sites.len());
    // The solution grows with the cube of the batches: not on a thread that answers calls.
    let fit = tokio::task::spawn_blocking(move || fitting.finished(&last, now, counts))
        .await
        .map_err(|_| Error::Broken)?
        .map_err(|_| Error::Broken)?;
    // Every recording waits for the transaction: it writes nothing that is there already.
    let changed = read.changed_site_fits(work.sites).await?;
    let mut tx = store.begin(WORK, scope).await?;
    if !tx.holds(held.lease()).await? {
        tracing::warn!("another process took over the fit; this one is dropped");
        tx.roll_back().await?;
        return Ok(None);
    }
    tx.put_fit(&fit, now, &changed).await?;
    tx.commit().await?;
    // Whoever records meanwhile sees that a filter is outdated and works it out again itself.
    let mut written = 0;
    for some in work.outdated.chunks(WRITTEN_AT_ONCE) {
        // The fit stands; without the lease, another process writes the rest after its own.
        if !held.goes_on().await? {
            break;
        }
        let sites: Vec<SiteId> = some.iter().map(|furnace| furnace.site.clone()).collect();
        let mut tx = store.begin_over(WORK, scope, Over::Sites(&sites)).await?;
        for furnace in some {
            let (points, events) = tx.history(furnace).await?;
            let again = replayed(&points, &events, &fit.components, fit.components_number);
            tx.put_tracked_offset(furnace, again.as_ref()).await?;
        }
        tx.commit().await?;
        written += some.len();
    }
    Ok(Some(Refitted {
        fit,
        sites,
        furnaces: work.furnaces,
        replayed: written,
    }))
}

/// A fit being made.
struct Work {
    fitting: Fitting,
    components: Components,
    components_number: i64,
    sites: Vec<(SiteId, SiteFit)>,
    furnaces: usize,
    outdated: Vec<FurnaceKey>,
}

impl Work {
    /// Takes in every furnace, site by site; gives whether the lease was held until the end.
    async fn collect(
        &mut self,
        store: &Store,
        scope: &Scope,
        held: &mut Held<'_>,
    ) -> Result<bool, Error> {
        let read = store.read(scope);
        let mut page = Page {
            size: PAGE,
            after: Vec::new(),
        };
        let mut site: Vec<(FurnaceKey, TrackedOffset)> = Vec::new();
        loop {
            let mut some = read.all_tracked_offsets(&page).await?;
            let is_last = some.len() <= PAGE as usize;
            some.truncate(PAGE as usize);
            if let Some((last, _)) = some.last() {
                page.after = vec![
                    PagePart::Text(last.site.to_string()),
                    PagePart::Text(last.furnace.to_string()),
                ];
            }
            for (key, tracked) in some {
                if site.last().is_some_and(|(other, _)| other.site != key.site) {
                    self.add(store, scope, std::mem::take(&mut site)).await?;
                }
                if !held.goes_on().await? {
                    return Ok(false);
                }
                let tracked = self.up_to_date(store, scope, &key, tracked).await?;
                site.push((key, tracked));
            }
            if is_last {
                self.add(store, scope, site).await?;
                return Ok(true);
            }
        }
    }

    /// The furnace's filter under the components of this fit.
    async fn up_to_date(
        &mut self,
        store: &Store,
        scope: &Scope,
        key: &FurnaceKey,
        tracked: TrackedOffset,
    ) -> Result<TrackedOffset, Error> {
        if tracked.components == self.components_number {
            return Ok(tracked);
        }
        self.outdated.push(key.clone());
        let (points, events) = store.read(scope).history(key).await?;
        let again = replayed(&points, &events, &self.components, self.components_number);
        Ok(again.unwrap_or(tracked))
    }

    async fn add(
        &mut self,
        store: &Store,
        scope: &Scope,
        furnaces: Vec<(FurnaceKey, TrackedOffset)>,
    ) -> Result<(), Error> {
        let Some((first, _)) = furnaces.first() else {
            return Ok(());
        };
        let site = first.site.clone();
        let checks = store.read(scope).site_checks(&site).await?;
        let tracked: Vec<TrackedOffset> =
            furnaces.into_iter().map(|(_, tracked)| tracked).collect();
        self.furnaces += tracked.len();
        let part = self.fitting.add_site(&tracked, &checks);
        self.sites.push((site, part));
        Ok(())
    }
}
