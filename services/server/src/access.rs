//! Who may come in: the connection, the credential, and how often.

mod gate;
mod pace;
mod peer;
mod proof;

pub(crate) use gate::{Ended, OPERATOR};
pub use gate::{AccessBell, Admitted, Gate};
pub use peer::Peer;
