//! Works everything derived out again from the records.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::tracking::replayed;
use ringtrue_store::{Error, Page, PagePart, Store};

/// What a rebuild did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rebuilt {
    /// Furnaces whose offset was worked out again.
    pub furnaces: u64,
    /// Of these, how many had another value before.
    pub differed: u64,
}

/// Works every furnace's offset out again. The records decide; what was kept is replaced.
pub async fn rebuild(store: &Store) -> Result<Rebuilt, Error> {
    let scope = Scope::for_work("rebuild");
    let mut rebuilt = Rebuilt::default();
    let mut page = Page {
        size: 200,
        after: Vec::new(),
    };
    loop {
        let furnaces = store.read(&scope).furnaces(None, &page).await?;
        let Some(last) = furnaces.last() else {
            return Ok(rebuilt);
        };
        page.after = vec![
            PagePart::Text(last.key.site.to_string()),
            PagePart::Text(last.key.furnace.to_string()),
        ];
        for furnace in furnaces {
            let mut tx = store.begin("rebuild", &scope).await?;
            let before = tx.tracked_offset(&furnace.key).await?;
            let (points, events) = tx.history(&furnace.key).await?;
            let again = replayed(&points, &events);
            rebuilt.furnaces += 1;
            if again != before {
                rebuilt.differed += 1;
                tx.put_tracked_offset(&furnace.key, again.as_ref()).await?;
            }
            tx.commit().await?;
        }
    }
}
