//! The last word of a server, with what its clock said: so that a computer whose clock is wrong is noticed.

use std::sync::{Arc, Mutex, PoisonError};

use tokio::time::Instant;
use tonic::metadata::MetadataMap;

/// That a server answered, whatever it said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contact {
    /// When its answer came.
    pub at: Instant,
    /// The server's clock as it answered, to the second, as HTTP writes it (RFC 9110, section 5.6.7).
    pub date: String,
}

/// The last contact of a connection, shared by its clones.
#[derive(Debug, Clone, Default)]
pub(crate) struct LastContact(Arc<Mutex<Option<Contact>>>);

impl LastContact {
    /// Notes an answer. What this side of the connection made up has no date, and is none.
    pub(crate) fn note(&self, metadata: &MetadataMap) {
        let Some(date) = metadata.get("date").and_then(|date| date.to_str().ok()) else {
            return;
        };
        let contact = Contact {
            at: Instant::now(),
            date: date.to_owned(),
        };
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(contact);
    }

    /// Gives it.
    pub(crate) fn last(&self) -> Option<Contact> {
        let last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        last.clone()
    }
}
