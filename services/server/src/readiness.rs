//! Whether the server can serve: its database answers. A balancer asks for it, and so does whoever watches the server.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether the database answered when it was asked last; clones are the same. True until somebody found otherwise: a
/// server that has opened its database is ready.
#[derive(Debug, Clone)]
pub struct Readiness(Arc<AtomicBool>);

impl Default for Readiness {
    fn default() -> Self {
        Self(Arc::new(AtomicBool::new(true)))
    }
}

impl Readiness {
    /// Whether the server can serve.
    pub fn is_ready(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// Notes it, and says whether it was otherwise before.
    pub(crate) fn note(&self, ready: bool) -> bool {
        self.0.swap(ready, Ordering::Relaxed) != ready
    }
}
