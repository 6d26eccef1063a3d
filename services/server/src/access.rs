//! Who may come in: the connection, the credential, and how often.

mod gate;
mod pace;
mod peer;
mod proof;

pub use gate::{AccessBell, Admitted, Gate};
pub(crate) use gate::{Ended, OPERATOR};
pub use peer::Peer;
