//! Where every furnace stands, kept in memory for calls about very many of them.
//!
//! A call about few sites works everything out on the spot. For more, each server keeps a look at the whole network
//! as of one moment, in some 300 bytes a furnace, once somebody has asked for it, until nobody has for an hour. Each
//! call asks the database how many changes there were (`site_agenda`, which every audit entry raises, whichever
//! server makes it): sites with changes of their own are looked at anew before it is answered, so an answer never
//! lacks what a caller has written. What changes by time alone, or with the network's fit, is as of the look's
//! moment, which the answer says; `Glances::turn` looks anew every few minutes. The first look is made there too,
//! by one task for all who wait, and goes on when they give up.

mod foresight;
mod making;
mod network;
mod site;

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Read, Store};
use tokio::sync::{Mutex as Turn, Notify, watch};

use crate::app::Error;
use crate::clock::Clock;
use crate::loaded_site::LoadedSite;

pub(crate) use foresight::foresee;
use making::{Making, looked_at};
pub(crate) use making::{SITES_AT_LEISURE, Turned};
use network::{NetworkGlances, in_all};
pub(crate) use site::{Glance, SiteGlances};

/// How old a look at the network may be when it is answered from.
const MOST_OLD: SignedDuration = SignedDuration::from_mins(5);

/// How old a look may get before the next one is begun.
const NEXT_AFTER: SignedDuration = SignedDuration::from_mins(2);

/// Nobody has asked for so long: the look is forgotten.
const FORGOTTEN_AFTER: SignedDuration = SignedDuration::from_hours(1);

/// When a look is worked out on the spot, and how long callers wait for one.
#[derive(Debug, Clone, Copy)]
pub struct GlanceLimits {
    /// Most sites that are worked out on the spot, for the very moment of the call.
    pub on_the_spot_sites: i64,
    /// How long a call waits for a look that is being made, before it is told how far that is.
    pub patience: Duration,
}

impl Default for GlanceLimits {
    fn default() -> Self {
        Self {
            on_the_spot_sites: 100,
            patience: Duration::from_secs(2),
        }
    }
}

/// Most sites that a call looks at by itself because they have changed; more are left to the task.
const MOST_BY_A_CALL: usize = 250;

/// The memory; clones share it.
#[derive(Debug, Clone)]
pub struct Glances(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    limits: Mutex<GlanceLimits>,
    known: Mutex<Known>,
    /// Held by whoever looks at what has changed, so that nobody else does the same.
    changes: Turn<()>,
    /// The look that is being made.
    making: Turn<Option<Making>>,
    /// Rung when somebody waits for a look.
    wanted: Notify,
    /// Told whenever work gets on.
    progress: watch::Sender<Progress>,
}

/// How far work is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Progress {
    /// Sites that were looked at.
    pub(crate) done: usize,
    /// Sites to look at in all.
    pub(crate) of: usize,
}

/// What is in memory.
#[derive(Debug, Default)]
struct Known {
    /// When somebody last asked; never since it was forgotten.
    asked: Option<Timestamp>,
    now: Option<Arc<NetworkGlances>>,
    /// The look before, kept up to date as well, so that pages of a list that began with it go on with it.
    before: Option<Arc<NetworkGlances>>,
}

impl Default for Glances {
    fn default() -> Self {
        Self(Arc::new(Inner {
            limits: Mutex::default(),
            known: Mutex::default(),
            changes: Turn::new(()),
            making: Turn::new(None),
            wanted: Notify::new(),
            progress: watch::Sender::default(),
        }))
    }
}

/// What one call looks at.
pub(crate) struct Seen {
    /// The moment for which nothing in it is older.
    pub(crate) at: Timestamp,
    /// The sites that the call may see and asked for, by id.
    pub(crate) sites: Vec<Arc<SiteGlances>>,
    /// The records behind them, where they are at hand.
    pub(crate) loaded: HashMap<SiteId, Arc<LoadedSite>>,
}

impl Glances {
    /// Sets other limits than the usual ones.
    pub fn limit(&self, limits: GlanceLimits) {
        let mut own = self.0.limits.lock().unwrap_or_else(PoisonError::into_inner);
        *own = limits;
    }

    fn limits(&self) -> GlanceLimits {
        *self.0.limits.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn known(&self) -> std::sync::MutexGuard<'_, Known> {
        self.0.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Looks at one site, or at all that a scope reaches; a site that was asked for must exist. A moment is that of
    /// an earlier page, which is then continued.
    pub(crate) async fn seen(
        &self,
        store: &Store,
        clock: &Clock,
        scope: &Scope,
        site: Option<&SiteId>,
        moment: Option<Timestamp>,
    ) -> Result<Seen, Error> {
        let read = store.read(scope);
        let at = moment.unwrap_or_else(|| clock.now());
        if let Some(site) = site {
            let seen = on_the_spot(&read, std::slice::from_ref(site), at).await?;
            if seen.sites.is_empty() {
                return Err(Error::Missing {
                    kind: "ringtrue.v1/Site",
                    name: site.name(),
                });
            }
            return Ok(seen);
        }
        let counted = read.changes_in_all().await?;
        if counted.0 <= self.limits().on_the_spot_sites {
            let sites = read.changes_of_sites().await?;
            let sites: Vec<SiteId> = sites.into_iter().map(|(site, _)| site).collect();
            return on_the_spot(&read, &sites, at).await;
        }
        let patience = self.limits().patience;
        let network = self.up_to_date(store, clock, scope, counted);
        let Ok(network) = tokio::time::timeout(patience, network).await else {
            let Progress { done, of } = *self.0.progress.borrow();
            return Err(Error::BeingPrepared { done, of });
        };
        let network = network?;
        let before = self.known().before.clone();
        let network = match (moment, before) {
            // A page goes on with the look that the first one was taken from.
            (Some(moment), Some(before)) if before.at == moment => before,
            _ => network,
        };
        Ok(Seen {
            at: network.at,
            sites: network.within(scope),
            loaded: HashMap::new(),
        })
    }

    /// The network with all changes that the database knew of when they were counted in the scope; waits until there
    /// is one.
    async fn up_to_date(
        &self,
        store: &Store,
        clock: &Clock,
        scope: &Scope,
        counted: (i64, i64),
    ) -> Result<Arc<NetworkGlances>, Error> {
        self.known().asked = Some(clock.now());
        let mut progress = self.0.progress.subscribe();
        loop {
            if let Some(network) = self.usable(clock.now()) {
                if in_all(&network.within(scope)) == counted {
                    return Ok(network);
                }
                let turn = self.0.changes.lock().await;
                let caught_up = self.caught_up(store, clock, MOST_BY_A_CALL).await?;
                drop(turn);
                if let Some(network) = caught_up {
                    return Ok(network);
                }
            }
            self.0.wanted.notify_one();
            // The memory holds the other end, so there is always more to come.
            if progress.changed().await.is_err() {
                return Err(Error::Busy);
            }
        }
    }

    /// The look at the network, unless there is none or it is too old.
    fn usable(&self, now: Timestamp) -> Option<Arc<NetworkGlances>> {
        let network = self.known().now.clone()?;
        let age = now.duration_since(network.at).abs();
        (age <= MOST_OLD).then_some(network)
    }

    /// Looks anew at sites that have changed, and gives the network with all changes that the database knows of; none
    /// when more than so many have changed, or when there is nothing yet. For whoever holds the turn of changes.
    async fn caught_up(
        &self,
        store: &Store,
        clock: &Clock,
        most: usize,
    ) -> Result<Option<Arc<NetworkGlances>>, Error> {
        let read = store.read(&work_scope());
        let Some(network) = self.known().now.clone() else {
            return Ok(None);
        };
        let lacking = network.lacking(read.changes_of_sites().await?);
        if lacking.len() > most {
            return Ok(None);
        }
        if lacking.is_empty() {
            return Ok(self.known().now.clone());
        }
        let mut newer = Vec::with_capacity(lacking.len());
        let of = lacking.len();
        for some in lacking.chunks(making::SITES_IN_HASTE) {
            newer.append(&mut looked_at(&read, some, clock.now(), None).await?);
            let done = newer.len();
            if of > MOST_BY_A_CALL {
                self.0.progress.send_replace(Progress { done, of });
            }
        }
        let mut known = self.known();
        let with = |network: Arc<NetworkGlances>| Arc::new(network.with(&newer));
        known.now = known.now.take().map(with);
        known.before = known.before.take().map(with);
        Ok(known.now.clone())
    }
}

/// Works everything out for a moment.
async fn on_the_spot(read: &Read, sites: &[SiteId], at: Timestamp) -> Result<Seen, Error> {
    let mut seen = Seen {
        at,
        sites: Vec::with_capacity(sites.len()),
        loaded: HashMap::new(),
    };
    let loaded = LoadedSite::some(read, sites).await?;
    let looks = worked_out(move || {
        let mut looks = Vec::with_capacity(loaded.len());
        for site in loaded {
            looks.push((Arc::new(SiteGlances::of(&site, 0, at)), Arc::new(site)));
        }
        looks
    })
    .await?;
    for (glances, loaded) in looks {
        seen.loaded.insert(glances.site.clone(), loaded);
        seen.sites.push(glances);
    }
    Ok(seen)
}

/// The memory holds what every caller may see some of: what a caller gets of it is cut to their scope.
fn work_scope() -> Scope {
    Scope::for_work("glances")
}

/// Works something out where it holds up no other call; it is worked out to its end even when the caller
/// hangs up.
pub(crate) async fn worked_out<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Error> {
    match tokio::task::spawn_blocking(work).await {
        Ok(outcome) => Ok(outcome),
        Err(fault) => {
            // The stack answers INTERNAL to a panic.
            if fault.is_panic() {
                std::panic::resume_unwind(fault.into_panic());
            }
            Err(Error::Busy)
        }
    }
}
