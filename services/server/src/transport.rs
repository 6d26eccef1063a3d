//! The transport: how connections are taken, encrypted, counted, and ended when they are no use.
//!
//! TLS by rustls, versions 1.3 and 1.2, from the files of `[tls]`. The files are looked at every second, and what
//! they hold is swapped in as one thing: a connection meets the old certificate with the old key or the new one
//! with the new key, never a mixture. Files that cannot be used change nothing. Refused: a certificate made at
//! start when none is set, since nobody could tell it from an attacker's.

mod certificate;
mod certificates;
mod connection;
mod incoming;
pub mod pin;
mod places;

use std::sync::Arc;

use rustls::ServerConfig;

pub use certificate::Particulars;
pub(crate) use certificates::Certificates;
pub use certificates::TlsFault;
pub(crate) use connection::PATIENCE;
pub(crate) use incoming::{Incoming, shown};
pub(crate) use places::{Place, Places};

use crate::clock::Clock;
use crate::config::Settings;
use crate::lifecycle::Lifecycle;

/// How connections of this server are encrypted; clones share the certificates.
#[derive(Debug, Clone)]
pub struct Transport {
    certificates: Option<Arc<Certificates>>,
    /// Whether pages and calendar feeds are encrypted too.
    is_http_encrypted: bool,
}

impl Transport {
    /// Reads the files that the settings name.
    ///
    /// # Errors
    /// [`TlsFault`] when they cannot be used, with what to do about it.
    pub fn of(settings: &Settings) -> Result<Self, TlsFault> {
        Ok(Self {
            certificates: Certificates::of(&settings.tls)?.map(Arc::new),
            is_http_encrypted: settings.http.is_encrypted(&settings.tls),
        })
    }

    /// Looks at the files in the background until the life drains, and takes what changed.
    pub(crate) fn follow(&self, clock: Clock, lifecycle: &Lifecycle) {
        if let Some(certificates) = &self.certificates {
            certificates.tell();
            let following = Arc::clone(certificates).follow(clock, lifecycle.drain.clone());
            lifecycle.spawn("certificates", following);
        }
    }

    pub(crate) fn certificates(&self) -> Option<Arc<Certificates>> {
        self.certificates.clone()
    }

    /// Gives what encrypts pages and calendar feeds, asked anew for each connection; none when nothing does.
    pub(crate) fn of_http(&self) -> Option<impl Fn() -> Arc<ServerConfig> + Send + use<>> {
        let certificates = self.certificates.clone().filter(|_| self.is_http_encrypted);
        certificates.map(|certificates| move || certificates.http())
    }
}

#[cfg(test)]
mod tests;
