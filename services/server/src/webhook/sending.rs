//! One POST to one address that was checked: no proxy, no redirect, no second connection, a bounded answer.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use http::header::{CONTENT_TYPE, HOST, USER_AGENT};
use http_body_util::{BodyExt as _, Full, Limited};
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use ringtrue_fleet::webhook::Webhook;
use ringtrue_fleet::webhook::address::Network;
use ringtrue_fleet::webhook::attempt::{Meaning, meaning};
use rustls::pki_types::ServerName;
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

use super::event::Event;
use super::signature::{WebhookSecret, sign};
use super::target::Target;
use crate::seal::Seal;

/// How long the whole of it may take.
const LONGEST: Duration = Duration::from_secs(10);

/// How long connecting to one of several addresses may take.
const LONGEST_CONNECTING: Duration = Duration::from_secs(4);

/// Most bytes of an answer that are read.
const MOST_ANSWERED: usize = 4 * 1024;

/// Most addresses of a host that are tried.
const MOST_ADDRESSES: usize = 4;

/// Sends events.
#[derive(Debug, Clone)]
pub struct Sender {
    tls: Arc<ClientConfig>,
    allowed: Arc<[Network]>,
    seal: Option<Seal>,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Came {
    /// HTTP status; none when there was no answer.
    pub status: Option<u16>,
    /// What that means.
    pub meaning: Meaning,
    /// What went wrong, in words; empty when it arrived.
    pub failure: String,
    /// How long it took.
    pub took: Duration,
}

impl Came {
    fn failed(failure: impl Into<String>) -> Self {
        Self {
            status: None,
            meaning: Meaning::Failed,
            failure: failure.into(),
            took: Duration::ZERO,
        }
    }
}

impl Sender {
    /// Sends to public addresses and to these networks; trusts the authorities that this machine trusts.
    ///
    /// Fails when encryption cannot be had.
    pub fn new(allowed: Vec<Network>, seal: Option<Seal>) -> anyhow::Result<Self> {
        let mut roots = RootCertStore::empty();
        let found = rustls_native_certs::load_native_certs();
        roots.add_parsable_certificates(found.certs);
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let tls = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Self {
            tls: Arc::new(tls),
            allowed: allowed.into(),
            seal,
        })
    }

    /// The networks that may be sent to although they are inside.
    pub fn allowed(&self) -> &[Network] {
        &self.allowed
    }

    /// Sends an event, signed at a moment.
    pub(crate) async fn send(
        &self,
        webhook: &Webhook,
        event: &Event,
        now: jiff::Timestamp,
    ) -> Came {
        let Some(seal) = &self.seal else {
            return Came::failed("the server has no key to sign with (audit.key)");
        };
        if seal.key_id() != webhook.key_id {
            return Came::failed(
                "the key that the secret follows from was replaced (audit.key); rotate the secret",
            );
        }
        let timestamp_s = now.as_second();
        let signatures: Vec<String> = webhook
            .generations(now)
            .into_iter()
            .map(|generation| {
                let secret = WebhookSecret::of(seal, &webhook.key.webhook, generation);
                sign(
                    secret.bytes(),
                    &event.id,
                    timestamp_s,
                    event.body.as_bytes(),
                )
            })
            .collect();
        let target = match Target::read(&webhook.details.url, &self.allowed) {
            Ok(target) => target,
            Err(wrong) => return Came::failed(format!("the address {wrong}")),
        };
        let request = http::Request::post(target.path.as_str())
            .header(HOST, target.authority.as_str())
            .header(CONTENT_TYPE, "application/cloudevents+json; charset=utf-8")
            .header(USER_AGENT, concat!("ringtrue/", env!("CARGO_PKG_VERSION")))
            .header("webhook-id", event.id.as_str())
            .header("webhook-timestamp", timestamp_s)
            .header("webhook-signature", signatures.join(" "))
            .body(Full::new(Bytes::from(event.body.clone())));
        let request = match request {
            Ok(request) => request,
            Err(fault) => return Came::failed(format!("the request cannot be written: {fault}")),
        };
        let began = Instant::now();
        let came = match tokio::time::timeout(LONGEST, self.exchanged(&target, request)).await {
            Ok(Ok(status)) => answered(status),
            Ok(Err(failure)) => Came::failed(failure),
            Err(_) => Came::failed(format!("no answer within {} s", LONGEST.as_secs())),
        };
        Came {
            took: began.elapsed(),
            ..came
        }
    }

    async fn exchanged(
        &self,
        target: &Target,
        request: http::Request<Full<Bytes>>,
    ) -> Result<u16, String> {
        let connection = self.connected(target).await?;
        if !target.is_encrypted {
            return exchanged(connection, request).await;
        }
        let name = ServerName::try_from(target.host.clone())
            .map_err(|_| "the address names no host that a certificate could be for".to_owned())?;
        let encrypted = TlsConnector::from(Arc::clone(&self.tls))
            .connect(name, connection)
            .await
            .map_err(|fault| format!("no encrypted connection: {fault}"))?;
        exchanged(encrypted, request).await
    }

    /// Connects to an address that was checked, and to no other.
    async fn connected(&self, target: &Target) -> Result<TcpStream, String> {
        let found = tokio::net::lookup_host((target.host.as_str(), target.port))
            .await
            .map_err(|fault| format!("the host is not found: {fault}"))?;
        let mut failure = "the host has no address".to_owned();
        let mut tried = 0;
        for address in found {
            if let Err(wrong) = target.check(address.ip(), &self.allowed) {
                failure = format!("the address {wrong}");
                continue;
            }
            tried += 1;
            if tried > MOST_ADDRESSES {
                break;
            }
            match connect(address).await {
                Ok(connection) => return Ok(connection),
                Err(fault) => failure = fault,
            }
        }
        Err(failure)
    }
}

async fn connect(address: SocketAddr) -> Result<TcpStream, String> {
    match tokio::time::timeout(LONGEST_CONNECTING, TcpStream::connect(address)).await {
        Ok(Ok(connection)) => Ok(connection),
        Ok(Err(fault)) => Err(format!("no connection: {fault}")),
        Err(_) => Err(format!(
            "no connection within {} s",
            LONGEST_CONNECTING.as_secs()
        )),
    }
}

async fn exchanged(
    connection: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    request: http::Request<Full<Bytes>>,
) -> Result<u16, String> {
    let broken = |fault: hyper::Error| format!("the connection broke: {fault}");
    let (mut sender, driver) = hyper::client::conn::http1::handshake(TokioIo::new(connection))
        .await
        .map_err(broken)?;
    let asked = async {
        let answer = sender.send_request(request).await.map_err(broken)?;
        let status = answer.status().as_u16();
        // Read so that the receiver sees it taken; what it says is of no use.
        drop(
            Limited::new(answer.into_body(), MOST_ANSWERED)
                .collect()
                .await,
        );
        Ok(status)
    };
    // Both in this task: whoever stops waiting for the answer ends the connection too.
    let mut asked = std::pin::pin!(asked);
    let ended = tokio::select! {
        outcome = &mut asked => return outcome,
        ended = driver => ended,
    };
    // A receiver that closes behind its answer has answered.
    asked.await.map_err(|_| match ended {
        Ok(()) => "the receiver closed the connection without an answer".to_owned(),
        Err(fault) => broken(fault),
    })
}

fn answered(status: u16) -> Came {
    let meaning = meaning(status);
    Came {
        status: Some(status),
        meaning,
        failure: match (meaning, status) {
            (Meaning::Arrived, _) => String::new(),
            (_, 300..=399) => {
                format!("the receiver answered {status}, a redirect, which is not followed")
            }
            _ => format!("the receiver answered {status}"),
        },
        took: Duration::ZERO,
    }
}
