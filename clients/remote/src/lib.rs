//! The typed client of Ringtrue: one channel, a deadline, retries that cannot record twice, and
//! failures taken apart for people and programs.
//!
//! [`Remote`] has one method per call of the protocol. Every call carries the operator's staff code
//! and a deadline; a call that changes something carries a request id, so that a repeat after a
//! lost answer gives the first answer again.

mod adjustments;
mod call;
mod failure;
mod fleet;
mod furnaces;
mod gauges;
mod programmes;
mod readings;
mod ring_batches;
mod settings;
mod sites;

pub use call::{Outcome, Remote};
pub use failure::{Failure, Precondition, Violation};
pub use settings::{DEFAULT_ENDPOINT, Settings, Unusable};
pub use tonic::Code;
