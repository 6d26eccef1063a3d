//! Who may come in: the connection, the credential, and how often.

mod gate;
mod peer;

pub use gate::Gate;
pub use peer::Peer;
