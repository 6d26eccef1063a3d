//! The typed client of Ringtrue: one channel, a deadline, retries that cannot record twice, and
//! failures taken apart for people and programs.
//!
//! [`Remote`] has one method per call of the protocol. Every call carries the operator's staff code
//! and a deadline; a call that changes something carries a request id, so that a repeat after a
//! lost answer gives the first answer again. [`Remote::watch_alerts`] and [`Remote::watch_changes`] give
//! streams instead, which mend themselves.

mod access;
mod adjustments;
mod alerts;
mod audit;
mod call;
mod care;
mod certificate;
mod changes;
mod contact;
mod deliveries;
mod endpoint;
mod exposures;
mod failure;
mod firings;
mod fleet;
mod furnaces;
mod gauges;
mod mending;
mod operations;
mod pin;
pub mod plain;
mod presented;
mod programmes;
mod readings;
mod ring_batches;
mod schedules;
mod secret;
mod settings;
mod sign_offs;
mod sites;
mod token;
mod trust;
mod watch;
mod webhooks;

pub use audit::{Sealed, key_id, sealed};
pub use call::{Outcome, Remote};
pub use certificate::{certificate_sha256, hex};
pub use changes::{ChangeStream, Followed};
pub use contact::Contact;
pub use failure::{Failure, Precondition, Violation};
pub use mending::{Lost, Pace};
pub use pin::{BadPin, Pin};
pub use presented::{Presented, presented_authority};
pub use secret::Secret;
pub use settings::{DEFAULT_ENDPOINT, Identity, Settings, Unusable};
pub use token::{BadToken, NoChance, Token, TokenSecret, sha256};
pub use tonic::Code;
pub use watch::{AlertStream, Told};
