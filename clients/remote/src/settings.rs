//! What a caller may choose about the connection.

use std::time::Duration;

use crate::Secret;

/// Where a server listens when nobody says otherwise.
pub const DEFAULT_ENDPOINT: &str = "http://127.0.0.1:7145";

/// Choices about the connection and every call made over it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Address of the server, for example `https://ringtrue.example.org:7145`; `http://` to this machine only.
    pub endpoint: String,
    /// The authority that the server's certificate must come from (PEM, one or several): no other is trusted then,
    /// and the address must begin with `https://`. Without it the authorities of this machine are trusted.
    pub authority: Option<Vec<u8>>,
    /// What proves who calls; sent as `authorization: Bearer ...`.
    pub token: Option<Secret>,
    /// The certificate that this client shows.
    pub identity: Option<Identity>,
    /// Staff code of whoever makes the calls, visible ASCII; sent as `ringtrue-operator`.
    pub operator: Option<String>,
    /// Longest time for one call, all its retries included.
    pub deadline: Duration,
    /// Longest time for opening the connection.
    pub connect_timeout: Duration,
    /// Program and version that make the calls; sent as `ringtrue-client`.
    pub client: String,
    /// Trace that the calls belong to, after W3C Trace Context; sent as `traceparent`.
    pub traceparent: Option<String>,
}

/// A certificate of a client with its private key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// The certificate, perhaps followed by those up to its authority (PEM).
    pub certificate: Vec<u8>,
    /// Its private key (PEM).
    pub key: Secret,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            endpoint: DEFAULT_ENDPOINT.to_owned(),
            authority: None,
            token: None,
            identity: None,
            operator: None,
            deadline: Duration::from_secs(10),
            connect_timeout: Duration::from_secs(5),
            client: concat!("ringtrue-cli/", env!("CARGO_PKG_VERSION")).to_owned(),
            traceparent: None,
        }
    }
}

/// Settings that no connection can be made with.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unusable {
    /// The address is not one.
    #[error(
        "`{endpoint}` is not an address of a server; write it like {DEFAULT_ENDPOINT} or \
         https://ringtrue.example.org:7145, with http:// or https:// and a port"
    )]
    Endpoint {
        /// The address as given.
        endpoint: String,
    },
    /// The address would send everything over the network as plain text.
    #[error(
        "`{endpoint}` would send everything unencrypted over the network; write https://, or http:// with an address \
         of this machine itself, such as 127.0.0.1"
    )]
    Plaintext {
        /// The address as given.
        endpoint: String,
    },
    /// An authority or a certificate is given, and the address does not encrypt.
    #[error(
        "`{endpoint}` does not encrypt, so the server could not be known by its certificate; write https://"
    )]
    NotEncrypted {
        /// The address as given.
        endpoint: String,
    },
    /// The authority cannot be read.
    #[error(
        "the authority of the server is no readable certificate; give it as PEM, which begins with \
         -----BEGIN CERTIFICATE-----"
    )]
    Authority,
    /// Encryption cannot be set up.
    #[error(
        "an encrypted connection cannot be prepared ({cause}); see that the client certificate and its key belong \
         together, and that this machine has certificates of authorities or one is pinned"
    )]
    Encryption {
        /// Why.
        cause: String,
    },
    /// The token cannot travel with a call; it is not shown.
    #[error("the token holds signs that cannot be sent; copy it again, or ask for a new one")]
    Token,
    /// A value cannot travel with a call.
    #[error(
        "`{value}` cannot be sent as the {what}; use plain letters, digits and signs without accents"
    )]
    Metadata {
        /// What the value is, in words.
        what: &'static str,
        /// The value as given.
        value: String,
    },
}
