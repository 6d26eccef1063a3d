//! What a caller may choose about the connection.

use std::time::Duration;

/// Where a server listens when nobody says otherwise.
pub const DEFAULT_ENDPOINT: &str = "http://127.0.0.1:7145";

/// Choices about the connection and every call made over it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Address of the server, for example `http://127.0.0.1:7145`.
    pub endpoint: String,
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

impl Default for Settings {
    fn default() -> Self {
        Settings {
            endpoint: DEFAULT_ENDPOINT.to_owned(),
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
        "`{endpoint}` is not an address of a server; write it like {DEFAULT_ENDPOINT}, with http:// and a port"
    )]
    Endpoint {
        /// The address as given.
        endpoint: String,
    },
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
