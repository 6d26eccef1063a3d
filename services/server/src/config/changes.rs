//! The settings of the change feed.

use super::layers::Given;
use super::within;

/// The change feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Changes {
    /// How long changes are kept, in days.
    pub keep_days: u64,
}

impl Default for Changes {
    fn default() -> Self {
        Self { keep_days: 90 }
    }
}

impl Changes {
    pub(super) fn given(given: &mut Given) -> Self {
        Self {
            keep_days: given.whole("changes.keep_days", Self::default().keep_days),
        }
    }

    pub(super) fn check(self, faults: &mut Vec<String>) {
        within(
            "changes.keep_days",
            self.keep_days,
            90,
            36_500,
            "days",
            faults,
        );
    }

    pub(super) fn effective(self) -> String {
        format!("\n[changes]\nkeep_days = {}", self.keep_days)
    }
}
