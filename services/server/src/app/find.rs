//! Looks at all readings of late together, and keeps the register of findings.
//!
//! Sites are looked at one after the other, so that a large network needs little memory; what bounds the
//! share of false findings, and the batches that all sites share, are decided at the end over all of them.
//! One process does it at a time, under a lease.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::finding::{
    Candidate, FindingState, MOST_READINGS, Shown, SiteOfLate, Subject, Tested, WEEKS_LOOKED_AT,
    Watched, batch, discovered, merged,
};
use ringtrue_fleet::key::{BatchId, FindingId, ReadingKey};
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::known_bias::batch_known;
use ringtrue_fleet::rule::RuleBook;
use ringtrue_fleet::site::Site;
use ringtrue_store::{Page, Pending, Read, Store};

use super::Error;
use super::held::Held;
use crate::clock::Clock;
use crate::ids::Ids;
use crate::sites_in_turn::SitesInTurn;

/// The piece of work, as its lease names it.
const WORK: &str = "find";

/// A site's furnaces, programmes and gauges are read whole.
const WHOLE: Page = Page {
    size: u32::MAX,
    after: Vec::new(),
};

/// What a look found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Found {
    /// Sites looked at.
    pub sites: usize,
    /// Findings that opened.
    pub opened: usize,
    /// Findings that closed by themselves.
    pub closed: usize,
    /// Findings whose figures changed.
    pub refreshed: usize,
}

/// What a look would take in now: while it is the same, only time can change a finding.
pub async fn changes(store: &Store) -> Result<(Pending, i64), Error> {
    let read = store.read(&Scope::for_work(WORK));
    Ok((read.pending().await?, read.fit().await?.number))
}

/// Looks at the whole network, unless another process is at it.
pub async fn find(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    owner: &str,
) -> Result<Option<Found>, Error> {
    let Some(mut held) = Held::taken(store, clock, WORK, owner).await? else {
        return Ok(None);
    };
    let outcome = looked(store, clock, ids, &mut held).await;
    held.given_back().await?;
    outcome
}

async fn looked(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    held: &mut Held<'_>,
) -> Result<Option<Found>, Error> {
    let scope = Scope::for_work(WORK);
    let read = store.read(&scope);
    let now = clock.now();
    let fit = Arc::new(read.fit().await?);
    let mut network = Network::default();
    let mut sites_seen = 0;
    let mut sites = SitesInTurn::all(&read);
    while let Some(site) = sites.next().await? {
        if !held.goes_on().await? {
            return Ok(None);
        }
        network.add(shown_at(&read, site, &fit, now).await?);
        sites_seen += 1;
    }
    network.add_batches(&read, &fit).await?;
    let (candidates, watched) = network.decided();
    // In one transaction: what people say meanwhile is neither lost nor overwritten.
    let mut tx = store.begin(WORK, &scope).await?;
    if !tx.holds(held.lease()).await? {
        tracing::warn!("another process took over the look for findings; this one is dropped");
        tx.roll_back().await?;
        return Ok(None);
    }
    let standing = tx.standing_findings().await?;
    let written = merged(
        &standing,
        &candidates,
        |subject| watched.get(subject).copied(),
        || FindingId::from_uuid(ids.uuid(now)),
    );
    tx.put_findings(&written, now).await?;
    tx.commit().await?;
    let mut found = Found {
        sites: sites_seen,
        ..Found::default()
    };
    let known: BTreeSet<&FindingId> = standing.iter().map(|finding| &finding.id).collect();
    for finding in &written {
        if finding.state == FindingState::Resolved {
            found.closed += 1;
        } else if known.contains(&finding.id) {
            found.refreshed += 1;
        } else {
            found.opened += 1;
        }
    }
    Ok(Some(found))
}

/// What one site's records show.
async fn shown_at(read: &Read, site: Site, fit: &Arc<Fit>, now: Timestamp) -> Result<Shown, Error> {
    let since = now
        .checked_sub(SignedDuration::from_hours(WEEKS_LOOKED_AT * 7 * 24))
        .unwrap_or(Timestamp::MIN);
    let key = site.key.clone();
    let late = SiteOfLate {
        rules: RuleBook(read.rules_of(Some(&key)).await?),
        furnaces: read.furnaces(Some(&key), &WHOLE).await?,
        programmes: read.programmes(&key, None, &WHOLE).await?,
        gauges: read.gauges(&key, &WHOLE).await?,
        tracked: read.tracked_offsets(&key).await?,
        events: read.events_of_site(&key).await?,
        readings: read.readings_of_late(&key, since).await?,
        adjustments: read.adjustments_of_late(&key, since).await?,
        site,
    };
    let known = read.site_knowledge(&key, Arc::clone(fit)).await?;
    let mut histories = BTreeMap::new();
    for furnace in late.histories_wanted(&known.knowledge()) {
        let records = read.history(&furnace).await?;
        histories.insert(furnace, records);
    }
    // Probabilities of leaving tolerance take some time each: not on a thread that answers calls.
    tokio::task::spawn_blocking(move || late.shown(&histories, &known.knowledge(), now))
        .await
        .map_err(|_| Error::Broken)
}

/// What all sites show.
#[derive(Default)]
struct Network {
    drifting: Vec<Tested>,
    shifted: Vec<Tested>,
    operators: Vec<Tested>,
    candidates: Vec<Candidate>,
    watched: BTreeMap<Subject, Watched>,
    batches: BTreeMap<BatchId, Vec<(Timestamp, ReadingKey)>>,
}

impl Network {
    fn add(&mut self, shown: Shown) {
        self.drifting.extend(shown.drifting);
        self.shifted.extend(shown.shifted);
        self.operators.extend(shown.operators);
        self.candidates.extend(shown.candidates);
        self.watched.extend(shown.watched);
        for (batch, fired_at, reading) in shown.batches {
            let latest = self.batches.entry(batch).or_default();
            latest.push((fired_at, reading));
            if latest.len() > KEPT_AT_ONCE {
                keep_latest(latest);
            }
        }
    }

    async fn add_batches(&mut self, read: &Read, fit: &Fit) -> Result<(), Error> {
        for (id, latest) in &mut self.batches {
            keep_latest(latest);
            let (Some(found), Some((fired_at, _))) = (read.ring_batch(id).await?, latest.first())
            else {
                continue;
            };
            let mut known = batch_known(&found, fit);
            known.last_fired_at = Some(*fired_at);
            known.latest = latest.iter().map(|(_, reading)| reading.clone()).collect();
            self.watched
                .insert(Subject::Batch(id.clone()), Watched::LastFired(*fired_at));
            self.candidates.extend(batch(&known));
        }
        Ok(())
    }

    /// All candidates, and whether and when each subject was fired about.
    fn decided(self) -> (Vec<Candidate>, BTreeMap<Subject, Watched>) {
        let mut candidates = self.candidates;
        for tests in [self.drifting, self.shifted, self.operators] {
            candidates.extend(discovered(tests));
        }
        (candidates, self.watched)
    }
}

/// Readings of a batch held until the earlier ones are let go.
const KEPT_AT_ONCE: usize = 4 * MOST_READINGS;

/// Puts the latest readings first and lets go of what a finding does not name.
fn keep_latest(readings: &mut Vec<(Timestamp, ReadingKey)>) {
    readings.sort_by(|one, other| other.cmp(one));
    readings.truncate(MOST_READINGS);
}
