//! A resource that people may change: its content, and which version of it this is.

use jiff::Timestamp;

/// A resource with its version.
#[derive(Debug, Clone, PartialEq)]
pub struct Versioned<K, D> {
    /// What tells it apart.
    pub key: K,
    /// What callers may give and change.
    pub details: D,
    /// Counts versions from 1; its text is the etag.
    pub revision: i64,
    /// When it was added.
    pub created_at: Timestamp,
    /// When it last changed.
    pub updated_at: Timestamp,
}

impl<K, D> Versioned<K, D> {
    /// The first version.
    pub fn first(key: K, details: D, now: Timestamp) -> Self {
        Self {
            key,
            details,
            revision: 1,
            created_at: now,
            updated_at: now,
        }
    }

    /// The next version with other content.
    pub fn revised(self, details: D, now: Timestamp) -> Self {
        Self {
            details,
            revision: self.revision + 1,
            updated_at: now,
            ..self
        }
    }

    /// The version as callers see it.
    pub fn etag(&self) -> String {
        format!("\"{}\"", self.revision)
    }
}
