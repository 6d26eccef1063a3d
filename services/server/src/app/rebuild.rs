//! Works everything derived out again from the records.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::tracking::replayed;
use ringtrue_store::{Error, Over, Page, PagePart, Store};

/// What a rebuild did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rebuilt {
    /// Furnaces whose offset was worked out again.
    pub furnaces: u64,
    /// Of these, how many had another value before.
    pub differed: u64,
    /// Gauges whose pooled scatter was worked out again.
    pub gauges: u64,
}

/// Works every furnace's offset and every gauge's scatter out again. The records decide; what was kept
/// is replaced.
pub async fn rebuild(store: &Store) -> Result<Rebuilt, Error> {
    let scope = Scope::for_work("rebuild");
    let mut rebuilt = rebuilt_furnaces(store, &scope).await?;
    let mut page = Page {
        size: 200,
        after: Vec::new(),
    };
    loop {
        let sites = store.read(&scope).sites(&page).await?;
        let Some(last) = sites.last() else {
            return Ok(rebuilt);
        };
        page.after = vec![PagePart::Text(last.key.to_string())];
        for site in sites {
            rebuilt.gauges += rebuilt_gauges(store, &scope, &site.key).await?;
        }
    }
}

async fn rebuilt_gauges(store: &Store, scope: &Scope, site: &SiteId) -> Result<u64, Error> {
    let mut count = 0;
    let mut page = Page {
        size: 200,
        after: Vec::new(),
    };
    loop {
        let gauges = store.read(scope).gauges(site, &page).await?;
        let Some(last) = gauges.last() else {
            return Ok(count);
        };
        page.after = vec![PagePart::Text(last.key.gauge.to_string())];
        for gauge in gauges {
            let over = Over::Site(&gauge.key.site);
            let mut tx = store.begin_over("rebuild", scope, over).await?;
            tx.pool_gauge_again(&gauge.key).await?;
            tx.commit().await?;
            count += 1;
        }
    }
}

async fn rebuilt_furnaces(store: &Store, scope: &Scope) -> Result<Rebuilt, Error> {
    let mut rebuilt = Rebuilt::default();
    let mut page = Page {
        size: 200,
        after: Vec::new(),
    };
    loop {
        let furnaces = store.read(scope).furnaces(None, &page).await?;
        let Some(last) = furnaces.last() else {
            return Ok(rebuilt);
        };
        page.after = vec![
            PagePart::Text(last.key.site.to_string()),
            PagePart::Text(last.key.furnace.to_string()),
        ];
        for furnace in furnaces {
            let over = Over::Site(&furnace.key.site);
            let mut tx = store.begin_over("rebuild", scope, over).await?;
            let fit = tx.fit().await?;
            let mut before = tx.tracked_offset(&furnace.key).await?;
            // What the last evaluation found follows from its record and its fit, not from a replay.
            if let Some(kept) = &mut before {
                kept.evaluated = None;
            }
            let (points, events) = tx.history(&furnace.key).await?;
            let again = replayed(&points, &events, &fit.components, fit.components_number);
            rebuilt.furnaces += 1;
            if again != before {
                rebuilt.differed += 1;
            }
            tx.put_tracked_offset(&furnace.key, again.as_ref()).await?;
            tx.commit().await?;
        }
    }
}
