//! What is foreseen of those furnaces that are shown: it takes milliseconds each, so nobody works it out for others.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use ringtrue_store::Read;

use super::worked_out;
use super::{Seen, SiteGlances};
use crate::app::Error;
use crate::loaded_site::LoadedSite;

/// A furnace of a look, with the records of its site.
type Looked = (Arc<SiteGlances>, FurnaceId, Arc<LoadedSite>);

/// Works out what is foreseen of the furnaces that a call shows, where that is not known yet.
pub(crate) async fn foresee(
    read: &Read,
    seen: &Seen,
    shown: &[(Arc<SiteGlances>, FurnaceId)],
) -> Result<(), Error> {
    let mut unknown = Vec::new();
    let mut absent = Vec::new();
    for (look, furnace) in shown {
        let Some(glance) = look.glance(furnace) else {
            continue;
        };
        glance.note_shown();
        if glance.is_foreseen() {
            continue;
        }
        unknown.push((look, furnace));
        if !seen.loaded.contains_key(&look.site) {
            absent.push(look.site.clone());
        }
    }
    absent.sort_unstable();
    absent.dedup();
    let mut loaded: HashMap<SiteId, Arc<LoadedSite>> = HashMap::new();
    for site in LoadedSite::some(read, &absent).await? {
        loaded.insert(site.site().key.clone(), Arc::new(site));
    }
    let mut some = Vec::with_capacity(unknown.len());
    for (look, furnace) in unknown {
        let records = loaded
            .get(&look.site)
            .or_else(|| seen.loaded.get(&look.site));
        if let Some(records) = records {
            some.push((Arc::clone(look), furnace.clone(), Arc::clone(records)));
        }
    }
    foresee_some(read, some).await
}

/// Works out what is foreseen of some furnaces.
pub(super) async fn foresee_some(read: &Read, mut some: Vec<Looked>) -> Result<(), Error> {
    if some.is_empty() {
        return Ok(());
    }
    let mut keys = Vec::with_capacity(some.len());
    for (look, furnace, _) in &some {
        keys.push(FurnaceKey {
            site: look.site.clone(),
            furnace: furnace.clone(),
        });
    }
    let before: BTreeMap<FurnaceKey, Timestamp> =
        read.fired_before(&keys).await?.into_iter().collect();
    let before = Arc::new(before);
    // Two halves, side by side where there are two processors.
    let other = some.split_off(some.len() / 2);
    let half = |some: Vec<Looked>| {
        let before = Arc::clone(&before);
        worked_out(move || {
            for (look, furnace, loaded) in some {
                if let Some(glance) = look.glance(&furnace) {
                    look.foresee(glance, &loaded, before.get(&look.key(glance)).copied());
                }
            }
        })
    };
    tokio::try_join!(half(some), half(other))?;
    Ok(())
}
