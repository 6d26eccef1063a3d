//! The other end of a connection, as the transport knows it.

use std::net::IpAddr;

/// Who is at the other end of a connection; a value of this type is among the extensions of every request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer {
    /// Network address.
    pub address: IpAddr,
    /// SHA-256 of the client certificate (DER) that was shown and proved; none without one.
    pub certificate: Option<[u8; 32]>,
    /// Whether the connection is encrypted.
    pub encrypted: bool,
}

impl Peer {
    /// Somebody on this machine, without encryption.
    pub fn is_local(&self) -> bool {
        !self.encrypted && self.address.to_canonical().is_loopback()
    }
}
