//! Sends changes to other programs: what is sent, how it is signed, where it may go, and one courier for all of it.

mod courier;
mod event;
mod sending;
mod signature;
mod target;

pub use courier::WEBHOOKS_WORK;
pub(crate) use courier::{Courier, Rounds};
pub(crate) use event::of_test;
pub use sending::{Came, Sender};
pub use signature::{WebhookSecret, sign};
pub use target::{Target, shown};
