//! Learns the network's own variance components, and fits the network with them.

use ringtrue_calibration::inference::Learnt;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_fleet::learning::{Learning, stride};
use ringtrue_store::Store;

use super::Error;
use super::refit::{Because, Refitted, refit};
use crate::clock::Clock;
use crate::sites_in_turn::SitesInTurn;

/// Learns from every site, or from every n-th when there are very many readings, and fits the network
/// with what was learnt. Nothing is changed when the readings tell nothing, or when another process is
/// fitting.
pub async fn learn(
    store: &Store,
    clock: &Clock,
    owner: &str,
) -> Result<Option<(Learnt, Refitted)>, Error> {
    let scope = Scope::for_work("learn");
    let read = store.read(&scope);
    let stride = stride(&read.fit().await?);
    let mut learning = Learning::default();
    let mut seen = 0;
    let mut sites = SitesInTurn::all(&read);
    while let Some(site) = sites.next().await? {
        if seen % stride == 0 {
            add_site(store, &scope, &site.key, &mut learning).await?;
        }
        seen += 1;
    }
    // Some seconds of computing for a large network: not on a thread that answers calls.
    let learnt = tokio::task::spawn_blocking(move || learning.finished())
        .await
        .map_err(|_| Error::Broken)?;
    let Ok(learnt) = learnt else {
        return Ok(None);
    };
    if !learnt.converged {
        return Ok(None);
    }
    let refitted = refit(store, clock, owner, Because::Learnt(learnt.components)).await?;
    Ok(refitted.map(|refitted| (learnt, refitted)))
}

async fn add_site(
    store: &Store,
    scope: &Scope,
    site: &SiteId,
    learning: &mut Learning,
) -> Result<(), Error> {
    let read = store.read(scope);
    let mut furnaces = Vec::new();
    for (furnace, _) in read.tracked_offsets(site).await? {
        let key = FurnaceKey {
            site: site.clone(),
            furnace,
        };
        furnaces.push(read.history(&key).await?);
    }
    let checks = read.site_checks(site).await?;
    learning.add_site(&furnaces, &checks);
    Ok(())
}
