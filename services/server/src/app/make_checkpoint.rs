//! Makes a checkpoint over the audit chains that grew.

use jiff::SignedDuration;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Checkpoint, Over, Store};

use super::Error;
use crate::clock::Clock;
use crate::seal::Seal;

/// The piece of work, as its lease names it.
pub const CHECKPOINT_WORK: &str = "checkpoint";

/// How long one may take before another process may begin one.
const HELD_FOR: SignedDuration = SignedDuration::from_mins(5);

/// Makes a checkpoint, signed where there is a key; none when no chain grew, or when another process is at it.
pub async fn make_checkpoint(
    store: &Store,
    clock: &Clock,
    owner: &str,
    seal: Option<&Seal>,
) -> Result<Option<Checkpoint>, Error> {
    let scope = Scope::for_work(CHECKPOINT_WORK);
    // Outside the transaction: chains only grow, and what they grow by meanwhile is the next one's.
    if store.read(&scope).grown_chains().await?.is_empty() {
        return Ok(None);
    }
    let mut tx = store
        .begin_over(CHECKPOINT_WORK, &scope, Over::Nothing)
        .await?;
    let lease = tx
        .take_lease(CHECKPOINT_WORK, owner, clock.now(), HELD_FOR)
        .await?;
    tx.commit().await?;
    let Some(lease) = lease else {
        return Ok(None);
    };
    // Read again under the lease: another process may have covered them since.
    let heads = store.read(&scope).grown_chains().await?;
    let mut tx = store
        .begin_over(CHECKPOINT_WORK, &scope, Over::Nothing)
        .await?;
    let made = if heads.is_empty() || !tx.holds(&lease).await? {
        None
    } else {
        let sign = |text: &str| seal.map(|seal| seal.sign(text));
        Some(tx.put_checkpoint(heads, clock.now(), sign).await?)
    };
    tx.release_lease(&lease).await?;
    tx.commit().await?;
    Ok(made)
}
