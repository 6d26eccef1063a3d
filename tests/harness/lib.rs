//! What the end-to-end tests stand on: a whole server in this process, and a laboratory to work in.

pub mod bench;
pub mod credentials;
pub mod databases;
pub mod laboratory;
pub mod network;
pub mod postgresql;
pub mod process;
pub mod proxy;
pub mod python;
pub mod wire;

pub use bench::Bench;
pub use network::Network;
