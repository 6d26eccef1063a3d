//! Adds a ring batch with its tables.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::{BatchDetails, RingBatch};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a batch, with a new id when the caller gives none. With `validate_only` nothing is stored.
pub async fn create_ring_batch(
    app: &App,
    caller: &Caller,
    mut details: BatchDetails,
    id: Option<BatchId>,
    validate_only: bool,
    request: &Request,
) -> Result<RingBatch, Error> {
    let scope = caller.network(Right::KeepBatches)?;
    checked(|violations| details.check("ring_batch", violations))?;
    details
        .tables
        .sort_by(|a, b| a.hold_min().total_cmp(&b.hold_min()));
    let now = app.clock.now();
    let id = id.unwrap_or_else(|| BatchId::from_uuid(app.ids.uuid(now)));
    let batch = RingBatch::first(id, details, now);
    if validate_only {
        return match app.store.read(&scope).ring_batch(&batch.key).await? {
            Some(taken) => Err(Error::Exists {
                kind: "ringtrue.v1/RingBatch",
                name: taken.key.name(),
            }),
            None => Ok(batch),
        };
    }
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_ring_batch", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.ring_batch()?);
        }
        tx.insert_ring_batch(&batch, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/RingBatch", batch.key.name()))?;
        tx.commit().await?;
        Ok(batch)
    })
    .await
}
