//! Adds a table for another hold to a ring batch.

use ringtrue_calibration::ring_table::RingTable;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::RingBatch;
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a table. The tables that a batch has are never changed.
pub async fn add_ring_table(
    app: &App,
    caller: &Caller,
    id: &BatchId,
    table: RingTable,
    request: &Request,
) -> Result<RingBatch, Error> {
    let scope = caller.network(Right::KeepBatches)?;
    let now = app.clock.now();
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("add_ring_table", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.ring_batch()?);
        }
        let batch = tx.ring_batch(&id).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/RingBatch",
            name: id.name(),
        })?;
        let mut details = batch.details.clone();
        details.tables.push(table.clone());
        checked(|violations| details.check("ring_batch", violations))?;
        details
            .tables
            .sort_by(|a, b| a.hold_min().total_cmp(&b.hold_min()));
        let batch = batch.revised(details, now);
        tx.update_ring_batch(&batch, Some(&table), &request).await?;
        tx.commit().await?;
        Ok(batch)
    })
    .await
}
