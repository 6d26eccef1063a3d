//! Looks at what is due, and keeps the register of alerts.
//!
//! Only sites are looked at where something was recorded since the last look, or where a moment has come that
//! the last look foresaw: so the work follows what changes, not the size of the network. Some sites at a time
//! are read, decided on and written in one transaction; a record that came in between makes its site come
//! again. One process does it at a time, under a lease with a fence.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::alert::{
    Alert, AlertChange, NetworkRecords, REMEMBERED_DAYS, Registered, Undelivered, Wanted,
    of_credentials, of_network, of_site, registered,
};
use ringtrue_fleet::calendar::Calendar;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::credential::Credential;
use ringtrue_fleet::due::{Planner, SiteRecords};
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_store::{Lease, Over, Read, Store};

use super::Error;
use crate::clock::Clock;
use crate::ids::Ids;
use crate::live_feed::AlertFeed;

/// The piece of work, as its lease names it.
pub const ALERTS_WORK: &str = "alerts";

/// How long a look may take before another process may begin one.
const HELD_FOR: SignedDuration = SignedDuration::from_mins(2);

/// Sites that are written in one transaction; few, so that recordings wait little.
const SITES_AT_ONCE: usize = 100;

/// What a look did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Looked {
    /// Sites looked at.
    pub sites: usize,
    /// Changes of alerts.
    pub changes: usize,
}

/// Looks at every place where something waits, unless another process is at it.
pub async fn look(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    feed: &AlertFeed,
    owner: &str,
) -> Result<Option<Looked>, Error> {
    let scope = Scope::for_work(ALERTS_WORK);
    let read = store.read(&scope);
    if read.agenda(clock.now(), 1).await?.is_empty() {
        return Ok(Some(Looked::default()));
    }
    let mut tx = store.begin_over(ALERTS_WORK, &scope, Over::Nothing).await?;
    let lease = tx
        .take_lease(ALERTS_WORK, owner, clock.now(), HELD_FOR)
        .await?;
    tx.commit().await?;
    let Some(lease) = lease else {
        return Ok(None);
    };
    let outcome = looked(store, clock, ids, feed, &scope, &lease).await;
    let mut tx = store.begin_over(ALERTS_WORK, &scope, Over::Nothing).await?;
    tx.release_lease(&lease).await?;
    tx.commit().await?;
    outcome.map(Some)
}

async fn looked(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    feed: &AlertFeed,
    scope: &Scope,
    lease: &Lease,
) -> Result<Looked, Error> {
    let read = store.read(scope);
    let mut planner = Planner::default();
    let mut done = Looked::default();
    // One moment for the whole look.
    let now = clock.now();
    // The agenda is taken once: a site where records keep coming in waits for the next look, or this one
    // would never end.
    let agenda = read.agenda(now, u32::MAX).await?;
    for places in agenda.chunks(SITES_AT_ONCE) {
        let undelivered = undelivered(store, scope).await?;
        let sites: Vec<SiteId> = places.iter().filter_map(|(site, _)| site.clone()).collect();
        let mut found = Vec::with_capacity(places.len());
        for records in read.site_records(&sites).await? {
            found.push(Found::at_site(&records, &undelivered, &mut planner, now));
        }
        if places.iter().any(|(site, _)| site.is_none()) {
            let findings = read.network_findings().await?;
            found.push(Found::in_network(findings, &undelivered));
        }
        let mut ending = ending(&read, places, now).await?;
        for place in &mut found {
            let own = ending.remove(&place.site).unwrap_or_default();
            place.add_credentials(&own, now);
        }
        let changes = store_found(store, scope, lease, ids, places, &found, now).await?;
        let Some(changes) = changes else {
            return Ok(done);
        };
        done.sites += places.len();
        done.changes += changes;
        if changes > 0 {
            feed.ring();
        }
    }
    Ok(done)
}

async fn undelivered(store: &Store, scope: &Scope) -> Result<Vec<Undelivered>, Error> {
    let read = store.read(scope);
    let mut all = Vec::new();
    for (subscription, since, failure) in read.failing_subscriptions().await? {
        all.push(Undelivered {
            recipient: subscription.name(),
            site: subscription.site,
            is_webhook: false,
            since,
            failure,
        });
    }
    for (webhook, since, failure) in read.failing_webhooks().await? {
        all.push(Undelivered {
            recipient: webhook.name(),
            site: webhook.site,
            is_webhook: true,
            since,
            failure,
        });
    }
    Ok(all)
}

/// The credentials of each place that may be about to end, or ended of late.
async fn ending(
    read: &Read,
    places: &[(Option<SiteId>, i64)],
    now: Timestamp,
) -> Result<BTreeMap<Option<SiteId>, Vec<Credential>>, Error> {
    let places: Vec<Option<SiteId>> = places.iter().map(|(site, _)| site.clone()).collect();
    let remembered = SignedDuration::from_hours(24 * REMEMBERED_DAYS);
    let after = now.checked_sub(remembered).unwrap_or(Timestamp::MIN);
    let mut of: BTreeMap<Option<SiteId>, Vec<Credential>> = BTreeMap::new();
    for credential in read.credentials_ending(&places, after).await? {
        let place = credential.grant.only_site().cloned();
        of.entry(place).or_default().push(credential);
    }
    Ok(of)
}

/// What asks for alerts at one place.
struct Found {
    site: Option<SiteId>,
    calendar: Calendar,
    wanted: Vec<Wanted>,
    /// The next moment at which time alone may change what asks for alerts, beside their own moments.
    turns_at: Option<Timestamp>,
}

impl Found {
    fn at_site(
        records: &SiteRecords,
        undelivered: &[Undelivered],
        planner: &mut Planner,
        now: Timestamp,
    ) -> Self {
        let own: Vec<Undelivered> = undelivered
            .iter()
            .filter(|failing| failing.site.as_ref() == Some(&records.site.key))
            .cloned()
            .collect();
        let dues = planner.due_tasks(records, now);
        let calendar = Calendar::of(&records.site.details);
        let today = calendar.day_of(now);
        let next_day = records
            .changes_with_the_day(today)
            .then(|| calendar.end_of(today));
        Self {
            site: Some(records.site.key.clone()),
            wanted: of_site(records, &dues, &own),
            calendar,
            turns_at: next_day,
        }
    }

    /// Adds the credentials of the place that end soon or ended of late.
    fn add_credentials(&mut self, credentials: &[Credential], now: Timestamp) {
        let (wanted, forgotten_at) =
            of_credentials(credentials, self.site.as_ref(), &self.calendar, now);
        self.wanted.extend(wanted);
        self.turns_at = [self.turns_at, forgotten_at].into_iter().flatten().min();
    }

    fn in_network(
        findings: Vec<ringtrue_fleet::due::OpenFinding>,
        undelivered: &[Undelivered],
    ) -> Self {
        let own = undelivered
            .iter()
            .filter(|failing| failing.site.is_none())
            .cloned()
            .collect();
        Self {
            site: None,
            calendar: Calendar::of_network(),
            wanted: of_network(&NetworkRecords {
                findings,
                undelivered: own,
            }),
            turns_at: None,
        }
    }
}

/// Brings the register up to date with what was found; gives how many changes that were. None when another
/// process took over.
async fn store_found(
    store: &Store,
    scope: &Scope,
    lease: &Lease,
    ids: &Ids,
    places: &[(Option<SiteId>, i64)],
    found: &[Found],
    now: Timestamp,
) -> Result<Option<usize>, Error> {
    let sites: Vec<SiteId> = places.iter().filter_map(|(site, _)| site.clone()).collect();
    let over = if sites.len() == places.len() {
        Over::Sites(&sites)
    } else {
        Over::Scope
    };
    let mut tx = store.begin_over(ALERTS_WORK, scope, over).await?;
    if !tx.holds(lease).await? {
        tracing::warn!("another process took over the look for alerts; this one is dropped");
        tx.roll_back().await?;
        return Ok(None);
    }
    let at: Vec<Option<&SiteId>> = places.iter().map(|(site, _)| site.as_ref()).collect();
    let mut standing: BTreeMap<Option<SiteId>, Vec<Alert>> = BTreeMap::new();
    for alert in tx.standing_alerts(&at).await? {
        standing.entry(alert.site.clone()).or_default().push(alert);
    }
    let unknown: Vec<String> = found
        .iter()
        .flat_map(|place| {
            let known = standing.get(&place.site);
            place.wanted.iter().filter_map(move |wanted| {
                let has_come = wanted.stages.first().is_some_and(|(_, from)| *from <= now);
                let is_known = known
                    .is_some_and(|alerts| alerts.iter().any(|alert| alert.cause == wanted.cause));
                (has_come && !is_known).then(|| wanted.cause.clone())
            })
        })
        .collect();
    for alert in tx.alerts_of_causes(&unknown).await? {
        standing.entry(alert.site.clone()).or_default().push(alert);
    }
    let mut changes: Vec<AlertChange> = Vec::new();
    let mut next: BTreeMap<Option<SiteId>, Option<Timestamp>> = BTreeMap::new();
    for place in found {
        let on_record = standing.get(&place.site).map_or(&[][..], Vec::as_slice);
        let Registered {
            changes: own,
            next_at,
        } = registered(on_record, &place.wanted, &place.calendar, now, || {
            AlertId::from_uuid(ids.uuid(now))
        });
        changes.extend(own);
        let soonest = [next_at, place.turns_at].into_iter().flatten().min();
        next.insert(place.site.clone(), soonest);
    }
    if !changes.is_empty() {
        tx.put_alerts(&changes, now).await?;
    }
    let looked: Vec<(Option<SiteId>, i64, Option<Timestamp>)> = places
        .iter()
        .map(|(site, seen)| (site.clone(), *seen, next.get(site).copied().flatten()))
        .collect();
    tx.looked_at(&looked).await?;
    tx.commit().await?;
    Ok(Some(changes.len()))
}
