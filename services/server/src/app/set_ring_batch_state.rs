//! Holds, releases or withdraws a ring batch.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::{BatchState, RingBatch};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Changes a batch's state. A withdrawn batch stays withdrawn.
pub async fn set_ring_batch_state(
    app: &App,
    caller: &Caller,
    id: &BatchId,
    state: BatchState,
    reason: String,
    request: &Request,
) -> Result<RingBatch, Error> {
    let scope = caller.network(Right::KeepBatches)?;
    checked(|violations| {
        let least = usize::from(state != BatchState::Released);
        violations.text("reason", &reason, least, 500);
    })?;
    let now = app.clock.now();
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("set_ring_batch_state", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.ring_batch()?);
        }
        let batch = tx.ring_batch(&id).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/RingBatch",
            name: id.name(),
        })?;
        batch.details.check_state_change(&id, state)?;
        let mut details = batch.details.clone();
        details.state = state;
        details.state_reason = reason;
        let batch = batch.revised(details, now);
        tx.update_ring_batch(&batch, None, &request).await?;
        tx.commit().await?;
        Ok(batch)
    })
    .await
}
