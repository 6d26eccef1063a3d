//! The settings of what proves the audit chains.

use super::layers::Given;
use super::within;

/// What proves the audit chains.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Audit {
    /// How often it is looked whether chains grew and a checkpoint is to be made, in seconds; 0 never does.
    pub checkpoint_every_s: u64,
    /// The file with the key that signs checkpoints; none leaves them unsigned.
    pub key: Option<String>,
    /// The file to which every checkpoint is appended as well, away from the database; none for no such file.
    pub witness: Option<String>,
}

impl Default for Audit {
    fn default() -> Self {
        Self {
            checkpoint_every_s: 60,
            key: None,
            witness: None,
        }
    }
}

impl Audit {
    pub(super) fn given(given: &mut Given) -> Self {
        let default = Self::default();
        Self {
            checkpoint_every_s: given.whole("audit.checkpoint_every_s", default.checkpoint_every_s),
            key: given.optional_text("audit.key"),
            witness: given.optional_text("audit.witness"),
        }
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        within(
            "audit.checkpoint_every_s",
            self.checkpoint_every_s,
            0,
            86_400,
            "seconds",
            faults,
        );
    }

    pub(super) fn effective(&self) -> String {
        format!(
            "\n[audit]\ncheckpoint_every_s = {}\nkey = {:?}\nwitness = {:?}",
            self.checkpoint_every_s,
            self.key.as_deref().unwrap_or_default(),
            self.witness.as_deref().unwrap_or_default()
        )
    }
}
