//! Ring batches in memory: their tables are long and never change, so a version is parsed once.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use jiff::Timestamp;
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::RingBatch;

/// Most versions kept; a network has a few dozen batches alive at once.
const MOST: usize = 512;

/// Which version: the revision alone would not do, since one that was rolled back may be taken again.
type Version = (BatchId, i64, Timestamp);

/// Parsed versions of ring batches.
#[derive(Debug, Default)]
pub(crate) struct BatchCache {
    versions: Mutex<HashMap<Version, Arc<RingBatch>>>,
}

impl BatchCache {
    pub(crate) fn version(
        &self,
        batch: &BatchId,
        revision: i64,
        updated_at: Timestamp,
    ) -> Option<Arc<RingBatch>> {
        let versions = self.versions.lock().unwrap_or_else(PoisonError::into_inner);
        versions
            .get(&(batch.clone(), revision, updated_at))
            .cloned()
    }

    pub(crate) fn keep(&self, batch: &Arc<RingBatch>) {
        let mut versions = self.versions.lock().unwrap_or_else(PoisonError::into_inner);
        if versions.len() >= MOST {
            versions.clear();
        }
        versions.insert(
            (batch.key.clone(), batch.revision, batch.updated_at),
            Arc::clone(batch),
        );
    }
}
