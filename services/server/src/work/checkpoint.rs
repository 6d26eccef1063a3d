//! Makes checkpoints of the audit chains, and one more at an orderly end, so that nothing is left that could be cut off
//! unseen.

mod witness;

use std::time::Duration;

use ringtrue_store::Store;

use self::witness::Witness;
use super::told::{Told, causes};
use crate::app::{self, App, CHECKPOINT_WORK};
use crate::clock::Clock;
use crate::config::Settings;
use crate::lifecycle::Lifecycle;
use crate::seal::Seal;

/// What makes checkpoints; clones are the same.
#[derive(Debug, Clone)]
pub(crate) struct Checkpoints {
    store: Store,
    clock: Clock,
    every: Duration,
    owner: String,
    seal: Option<Seal>,
    /// The file away from the database that each is appended to.
    witness: Option<Witness>,
}

/// The piece of work that keeps the witness file, as people ask for it.
const WITNESS_WORK: &str = "witness";

/// What was noted of both pieces of work.
struct BothTold {
    checkpoint: Told,
    witness: Told,
}

impl BothTold {
    fn new() -> Self {
        Self {
            checkpoint: Told::of(CHECKPOINT_WORK),
            witness: Told::of(WITNESS_WORK),
        }
    }
}

impl Checkpoints {
    /// Gives what the settings ask for; none when they ask for no checkpoints.
    pub(crate) fn of(app: &App, settings: &Settings) -> Option<Self> {
        let every_s = settings.audit.checkpoint_every_s;
        (every_s > 0).then(|| Self {
            store: app.store.clone(),
            clock: app.clock.clone(),
            every: Duration::from_secs(every_s),
            owner: app.ids.uuid(app.clock.now()).to_string(),
            seal: app.seal.clone(),
            witness: settings
                .audit
                .witness
                .as_ref()
                .map(|file| Witness::at(file.into())),
        })
    }

    /// Starts the work; it ends when the life drains.
    pub(crate) fn start(&self, lifecycle: &Lifecycle) {
        let drain = lifecycle.drain.clone();
        let this = self.clone();
        lifecycle.spawn(CHECKPOINT_WORK, async move {
            let mut told = BothTold::new();
            loop {
                tokio::select! {
                    () = drain.cancelled() => return Ok(()),
                    () = tokio::time::sleep(this.every) => {}
                }
                this.turn(&mut told).await;
            }
        });
    }

    /// Covers what was recorded up to the very end; for when nothing is recorded any more.
    pub(crate) async fn last(&self) {
        self.turn(&mut BothTold::new()).await;
    }

    async fn turn(&self, told: &mut BothTold) {
        let began = Told::begins(&self.clock);
        let outcome =
            app::make_checkpoint(&self.store, &self.clock, &self.owner, self.seal.as_ref()).await;
        let idle = matches!(outcome, Ok(None));
        told.checkpoint
            .ended(&self.store, began, idle, outcome.as_ref().err())
            .await;
        match outcome {
            Ok(None) => {}
            Ok(Some(checkpoint)) => {
                tracing::debug!(number = checkpoint.number, "a checkpoint was made");
            }
            Err(fault) => {
                // The chains stay as they are; the next turn is the retry.
                tracing::warn!(cause = causes(&fault), "no checkpoint was made");
            }
        }
        if let Some(witness) = &self.witness {
            self.witness(witness, &mut told.witness).await;
        }
    }

    async fn witness(&self, witness: &Witness, told: &mut Told) {
        let began = Told::begins(&self.clock);
        let outcome = witness.brought_up(&self.store).await;
        let idle = matches!(outcome, Ok(0));
        told.ended(&self.store, began, idle, outcome.as_ref().err())
            .await;
        match outcome {
            Ok(0) => {}
            Ok(added) => tracing::debug!(added, "checkpoints were written to the witness file"),
            Err(fault) => {
                // The next turn adds whatever lacks.
                tracing::warn!(
                    cause = causes(&fault),
                    "checkpoints were not written to the witness file"
                );
            }
        }
    }
}
