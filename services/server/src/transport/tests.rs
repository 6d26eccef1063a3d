//! Connections through real sockets: who is known to be at the other end, and who is turned away.

mod files;
mod papers;
mod peers;
mod turned_away;

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use futures::StreamExt as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use super::connection::Connection;
use super::*;
use papers::Papers;

/// Longest a test waits; only a failing test waits so long.
const PATIENT: Duration = Duration::from_secs(30);

/// A door in this process.
struct Opened {
    address: SocketAddr,
    incoming: Incoming,
    transport: Transport,
    lifecycle: Lifecycle,
}

impl Drop for Opened {
    fn drop(&mut self) {
        self.lifecycle.stop.cancel();
    }
}

impl Opened {
    async fn with(settings: &Settings, patience: Duration) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
            .await
            .expect("a free port");
        let address = listener.local_addr().expect("a bound listener");
        let lifecycle = Lifecycle::new();
        let transport = Transport::of(settings).expect("good files");
        let incoming =
            Incoming::with_patience(listener, &transport, &settings.limits, &lifecycle, patience);
        Self {
            address,
            incoming,
            transport,
            lifecycle,
        }
    }

    async fn next(&mut self) -> Connection {
        let next = tokio::time::timeout(PATIENT, self.incoming.next());
        let next = next.await.expect("a connection comes in time");
        next.expect("the door is open").expect("a connection")
    }

    async fn plain(&self) -> TcpStream {
        TcpStream::connect(self.address).await.expect("it listens")
    }

    /// Shakes hands as a client that trusts the papers' authority and may show a certificate.
    async fn shaken(
        &self,
        papers: &Papers,
        shown: Option<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>)>,
    ) -> std::io::Result<TlsStream<TcpStream>> {
        let mut roots = RootCertStore::empty();
        roots.add(papers.authority()).expect("an authority");
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions")
            .with_root_certificates(roots);
        let mut config = match shown {
            Some((chain, key)) => config.with_client_auth_cert(chain, key).expect("a pair"),
            None => config.with_no_client_auth(),
        };
        config.alpn_protocols = vec![b"h2".to_vec()];
        let name = ServerName::try_from("localhost").expect("a name");
        TlsConnector::from(Arc::new(config))
            .connect(name, self.plain().await)
            .await
    }
}
