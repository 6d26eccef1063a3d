//! Makes checkpoints of the audit chains, and one more at an orderly end, so that nothing is left that could be cut off
//! unseen.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use ringtrue_store::{Checkpoint, Store};

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
    witness: Option<PathBuf>,
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
            witness: settings.audit.witness.as_ref().map(PathBuf::from),
        })
    }

    /// Starts the work; it ends when the life drains.
    pub(crate) fn start(&self, lifecycle: &Lifecycle) {
        let drain = lifecycle.drain.clone();
        let this = self.clone();
        lifecycle.spawn(CHECKPOINT_WORK, async move {
            let mut told = Told::of(CHECKPOINT_WORK);
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
        self.turn(&mut Told::of(CHECKPOINT_WORK)).await;
    }

    async fn turn(&self, told: &mut Told) {
        let began = Told::begins(&self.clock);
        let outcome =
            app::make_checkpoint(&self.store, &self.clock, &self.owner, self.seal.as_ref()).await;
        let idle = matches!(outcome, Ok(None));
        told.ended(&self.store, began, idle, outcome.as_ref().err())
            .await;
        match outcome {
            Ok(None) => {}
            Ok(Some(checkpoint)) => {
                tracing::debug!(number = checkpoint.number, "a checkpoint was made");
                if let Some(witness) = &self.witness
                    && let Err(fault) = appended(witness, &checkpoint)
                {
                    let cause = format!("{fault:#}");
                    tracing::warn!(
                        cause,
                        number = checkpoint.number,
                        "a checkpoint was not written to the witness file; see that it can be written to"
                    );
                }
            }
            Err(fault) => {
                // The chains stay as they are; the next turn is the retry.
                tracing::warn!(cause = causes(&fault), "no checkpoint was made");
            }
        }
    }
}

/// Appends a checkpoint as one line of JSON, and waits for the disk.
fn appended(witness: &Path, checkpoint: &Checkpoint) -> anyhow::Result<()> {
    let mut line = serde_json::to_string(checkpoint)?;
    line.push('\n');
    let mut file = std::fs::OpenOptions::new()
        .append(true)
        .create(true)
        .open(witness)
        .with_context(|| format!("opening the witness file {}", witness.display()))?;
    file.write_all(line.as_bytes())?;
    file.sync_data()?;
    Ok(())
}
