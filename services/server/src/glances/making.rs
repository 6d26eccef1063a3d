//! Looks at a whole network in portions: in haste while callers wait, else leaving the machine to others.

use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Read, Store};

use super::foresight::foresee_some;
use super::network::{NetworkGlances, in_all};
use super::site::SiteGlances;
use super::{
    FORGOTTEN_AFTER, Glances, Known, MOST_OLD, NEXT_AFTER, Progress, work_scope, worked_out,
};
use crate::app::Error;
use crate::clock::Clock;
use crate::loaded_site::LoadedSite;

/// Sites in a portion while callers wait.
pub(super) const SITES_IN_HASTE: usize = 200;

/// Sites in a portion otherwise: some 20 ms of work.
pub(crate) const SITES_AT_LEISURE: usize = 25;

/// Most furnaces of a look of which is worked out beforehand what is foreseen, because they were shown.
const MOST_FORESEEN: usize = 2_000;

/// What a turn has done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turned {
    /// Nothing: nobody asks.
    Unasked,
    /// What changed is looked at, and the last look is young enough.
    UpToDate,
    /// A portion of a look at so many sites; others may go first.
    AtLeisure(usize),
    /// A portion of a look that callers wait for.
    InHaste,
}

/// A look that is being made.
#[derive(Debug)]
pub(super) struct Making {
    at: Timestamp,
    /// Sites to look at, with the number of changes that they had; the next one last.
    left: Vec<(SiteId, i64)>,
    done: Vec<Arc<SiteGlances>>,
    foreseen: usize,
}

impl Glances {
    /// Is rung when a caller waits.
    pub(crate) async fn wanted(&self) {
        self.0.wanted.notified().await;
    }

    /// Does what is to be done now: looks at what has changed, makes a portion of the next look, or forgets what
    /// nobody asks for.
    pub(crate) async fn turn(&self, store: &Store, clock: &Clock) -> Result<Turned, Error> {
        if !self.is_asked_for(clock.now()) {
            *self.0.making.lock().await = None;
            return Ok(Turned::Unasked);
        }
        let usable = self.usable(clock.now());
        if let Some(network) = &usable {
            let counted = store.read(&work_scope()).changes_in_all().await?;
            if in_all(network.sites()) != counted {
                let turn = self.0.changes.lock().await;
                self.caught_up(store, clock, usize::MAX).await?;
                drop(turn);
                self.0.progress.send_modify(|_| {});
            }
        }
        let in_haste = usable.is_none();
        let made = self.made_a_portion(store, clock, in_haste).await?;
        Ok(match made {
            None => Turned::UpToDate,
            Some(_) if in_haste => Turned::InHaste,
            Some(sites) => Turned::AtLeisure(sites),
        })
    }

    /// Makes a portion of the next look, and gives how many sites that has; none when no look is needed yet.
    async fn made_a_portion(
        &self,
        store: &Store,
        clock: &Clock,
        in_haste: bool,
    ) -> Result<Option<usize>, Error> {
        let mut making = self.0.making.lock().await;
        let read = store.read(&work_scope());
        let now = clock.now();
        // One that was begun long ago, before the clock was moved, would be too old when it is done.
        if making
            .as_ref()
            .is_some_and(|one| now.duration_since(one.at).abs() > MOST_OLD)
        {
            *making = None;
        }
        let begun = match making.take() {
            Some(begun) => begun,
            None if self.is_next_due(now) => {
                let mut left = read.changes_of_sites().await?;
                left.reverse();
                if in_haste {
                    let of = left.len();
                    self.0.progress.send_replace(Progress { done: 0, of });
                }
                Making {
                    at: now,
                    left,
                    done: Vec::new(),
                    foreseen: 0,
                }
            }
            None => return Ok(None),
        };
        let begun = making.insert(begun);
        self.portion(&read, begun, in_haste).await?;
        let of = begun.done.len() + begun.left.len();
        let progress = Progress {
            done: begun.done.len(),
            of,
        };
        if let Some(made) = making.take_if(|made| made.left.is_empty()) {
            // Whoever looks at changes meanwhile would lose what it found.
            let turn = self.0.changes.lock().await;
            self.keep(NetworkGlances::new(made.at, made.done));
            drop(turn);
            tracing::debug!(sites = of, in_haste, "looked at every furnace");
        }
        if in_haste || progress.done == of {
            self.0.progress.send_replace(progress);
        }
        Ok(Some(of))
    }

    async fn portion(&self, read: &Read, making: &mut Making, in_haste: bool) -> Result<(), Error> {
        let most = if in_haste {
            SITES_IN_HASTE
        } else {
            SITES_AT_LEISURE
        };
        let kept = making.left.len().saturating_sub(most);
        let some: Vec<(SiteId, i64)> = making.left.get(kept..).unwrap_or_default().to_vec();
        let known = self.known().now.clone();
        let earlier = known.filter(|_| making.foreseen < MOST_FORESEEN);
        let mut looks = looked_at(read, &some, making.at, earlier.as_deref()).await?;
        for look in &looks {
            let foreseen = look.furnaces.iter().filter(|glance| glance.is_foreseen());
            making.foreseen += foreseen.count();
        }
        // Only now: what failed is done again.
        making.left.truncate(kept);
        making.done.append(&mut looks);
        Ok(())
    }

    /// Takes a look as the present one.
    fn keep(&self, made: NetworkGlances) {
        let mut known = self.known();
        let earlier = known.now.take();
        // Changes were looked at while this was made.
        let made = match &earlier {
            Some(earlier) => made.beside(earlier),
            None => made,
        };
        known.before = earlier;
        known.now = Some(Arc::new(made));
    }

    fn is_next_due(&self, now: Timestamp) -> bool {
        let known = self.known();
        let last = known.now.as_ref();
        last.is_none_or(|last| now.duration_since(last.at).abs() > NEXT_AFTER)
    }

    /// Whether somebody asked of late; else all is forgotten.
    fn is_asked_for(&self, now: Timestamp) -> bool {
        let mut known = self.known();
        let asked = known.asked;
        let of_late = asked.is_some_and(|asked| now.duration_since(asked).abs() < FORGOTTEN_AFTER);
        if !of_late {
            *known = Known::default();
        }
        of_late
    }
}

/// Looks at some sites of which the number of changes was read before. Of those furnaces that were shown in an
/// earlier look also what is foreseen.
pub(super) async fn looked_at(
    read: &Read,
    some: &[(SiteId, i64)],
    at: Timestamp,
    earlier: Option<&NetworkGlances>,
) -> Result<Vec<Arc<SiteGlances>>, Error> {
    let ids: Vec<SiteId> = some.iter().map(|(site, _)| site.clone()).collect();
    let mut changes: std::collections::BTreeMap<SiteId, i64> = some.iter().cloned().collect();
    let mut work = Vec::with_capacity(some.len());
    for loaded in LoadedSite::some(read, &ids).await? {
        let own = changes.remove(&loaded.site().key).unwrap_or_default();
        work.push((loaded, own));
    }
    // Two halves, side by side where there are two processors.
    let other = work.split_off(work.len() / 2);
    let look = |work: Vec<(LoadedSite, i64)>| {
        worked_out(move || {
            let mut looks = Vec::with_capacity(work.len());
            for (loaded, changes) in work {
                let look = Arc::new(SiteGlances::of(&loaded, changes, at));
                looks.push((look, Arc::new(loaded)));
            }
            looks
        })
    };
    let (mut looks, mut others) = tokio::try_join!(look(work), look(other))?;
    looks.append(&mut others);
    if let Some(earlier) = earlier {
        let mut shown = Vec::new();
        for (look, loaded) in &looks {
            let before = earlier.site(&look.site);
            for glance in before.iter().flat_map(|before| before.furnaces.iter()) {
                if glance.was_shown() && look.glance(&glance.furnace).is_some() {
                    shown.push((Arc::clone(look), glance.furnace.clone(), Arc::clone(loaded)));
                }
            }
        }
        foresee_some(read, shown).await?;
    }
    let mut done: Vec<Arc<SiteGlances>> = looks.into_iter().map(|(look, _)| look).collect();
    // A site that is on the agenda and nowhere else has nothing to show, and is not looked for again.
    for (site, changes) in changes {
        done.push(Arc::new(SiteGlances::empty(site, changes, at)));
    }
    Ok(done)
}

#[cfg(test)]
mod tests {
    use ringtrue_fleet::caller::Scope;

    use super::*;

    fn glances() -> Glances {
        let glances = Glances::default();
        let look = |site: &str, changes| {
            let site = SiteId::new(site).expect("an id");
            Arc::new(SiteGlances::empty(site, changes, Timestamp::UNIX_EPOCH))
        };
        let sites = vec![look("north", 3), look("east", 1)];
        glances.keep(NetworkGlances::new(Timestamp::UNIX_EPOCH, sites));
        glances
    }

    #[test]
    fn what_nobody_asked_for_in_an_hour_is_forgotten() {
        let glances = glances();
        let now = Timestamp::UNIX_EPOCH;
        glances.known().asked = Some(now);
        assert!(glances.is_asked_for(now + FORGOTTEN_AFTER / 2));
        assert!(glances.usable(Timestamp::UNIX_EPOCH).is_some());
        assert!(!glances.is_asked_for(now + FORGOTTEN_AFTER));
        assert!(glances.usable(Timestamp::UNIX_EPOCH).is_none());
        assert!(!glances.is_asked_for(now), "never since");
    }

    #[test]
    fn a_look_is_used_for_some_minutes_and_renewed_before() {
        let glances = glances();
        let at = |s: i64| Timestamp::from_second(s).expect("a moment");
        assert!(glances.usable(at(300)).is_some() && glances.usable(at(-300)).is_some());
        assert!(glances.usable(at(301)).is_none() && glances.usable(at(-301)).is_none());
        assert!(!glances.is_next_due(at(120)) && glances.is_next_due(at(121)));
    }

    #[test]
    fn a_new_look_keeps_what_was_seen_of_changes_while_it_was_made() {
        let glances = glances();
        let site = |id: &str| SiteId::new(id).expect("an id");
        let look = |id: &str, changes| {
            Arc::new(SiteGlances::empty(site(id), changes, Timestamp::UNIX_EPOCH))
        };
        let later = Timestamp::from_second(200).expect("a moment");
        // North was looked at again meanwhile, west is new.
        let ahead = [look("north", 5), look("west", 1)];
        {
            let mut known = glances.known();
            let now = known.now.take().expect("a look");
            known.now = Some(Arc::new(now.with(&ahead)));
        }
        glances.keep(NetworkGlances::new(
            later,
            vec![look("north", 4), look("east", 1)],
        ));
        let known = glances.known().now.clone().expect("a look");
        assert_eq!(known.at, later);
        let seen = |scope: &Scope| -> Vec<(String, i64)> {
            let sites = known.within(scope);
            let seen = sites
                .iter()
                .map(|site| (site.site.to_string(), site.changes));
            seen.collect()
        };
        let all = [("east", 1), ("north", 5), ("west", 1)];
        assert_eq!(
            seen(&work_scope()),
            all.map(|(site, changes)| (site.to_owned(), changes))
        );
        assert_eq!(in_all(known.sites()), (3, 7));
        let lacking = known.lacking(vec![
            (site("north"), 5),
            (site("west"), 2),
            (site("far"), 1),
        ]);
        assert_eq!(lacking, [(site("west"), 2), (site("far"), 1)]);
    }
}
