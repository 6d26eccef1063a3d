//! A lease that work holds for as long as it goes on.
//!
//! It is taken for a time, so that another process goes on when this one is gone, and renewed site by site long before
//! that time is over: however many sites a network has, whoever began to look at them may end it.

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Lease, Over, Store};

use super::Error;
use crate::clock::Clock;

/// How long a process that is gone keeps others from its work.
const HELD_FOR: SignedDuration = SignedDuration::from_mins(15);

/// A lease is renewed when so much of its time is over.
const RENEWED_AFTER: SignedDuration = SignedDuration::from_mins(5);

/// The lease of a piece of work that takes its time.
#[derive(Debug)]
pub(super) struct Held<'w> {
    store: &'w Store,
    clock: &'w Clock,
    scope: Scope,
    lease: Lease,
    renewed_at: Timestamp,
}

impl<'w> Held<'w> {
    /// Takes the lease, unless another process holds it.
    pub(super) async fn taken(
        store: &'w Store,
        clock: &'w Clock,
        work: &'static str,
        owner: &str,
    ) -> Result<Option<Self>, Error> {
        let scope = Scope::for_work(work);
        let renewed_at = clock.now();
        let mut tx = store.begin_over(work, &scope, Over::Nothing).await?;
        let lease = tx.take_lease(work, owner, renewed_at, HELD_FOR).await?;
        tx.commit().await?;
        Ok(lease.map(|lease| Self {
            store,
            clock,
            scope,
            lease,
            renewed_at,
        }))
    }

    /// What a transaction asks whether it is held still.
    pub(super) fn lease(&self) -> &Lease {
        &self.lease
    }

    /// Renews it where it is time; gives whether it is held still. Nothing that was begun under one that is not can be
    /// stored, so the work may as well end.
    pub(super) async fn goes_on(&mut self) -> Result<bool, Error> {
        let now = self.clock.now();
        if now.duration_since(self.renewed_at) < RENEWED_AFTER {
            return Ok(true);
        }
        let mut tx = self
            .store
            .begin_over(self.lease.name, &self.scope, Over::Nothing)
            .await?;
        let is_held = tx.renew_lease(&self.lease, now, HELD_FOR).await?;
        tx.commit().await?;
        self.renewed_at = now;
        if !is_held {
            tracing::warn!(
                work = self.lease.name,
                "another process took this work over; what was done of it here is dropped"
            );
        }
        Ok(is_held)
    }

    /// Gives it back, so that the next process need not wait.
    pub(super) async fn given_back(self) -> Result<(), Error> {
        let mut tx = self
            .store
            .begin_over(self.lease.name, &self.scope, Over::Nothing)
            .await?;
        tx.release_lease(&self.lease).await?;
        tx.commit().await?;
        Ok(())
    }
}
