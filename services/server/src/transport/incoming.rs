//! Connections as they come: accepted in one task, encrypted beside it, handed to the gRPC server.
//!
//! A handshake is a task of its own, so that a client that dawdles keeps nobody waiting; the accepting task owns
//! them all and takes them with it. Connections over the limits are closed at once: a client that waits in a queue
//! cannot tell a full server from a broken one. Nothing that a client or the system does to one connection ends
//! the accepting.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use futures::Stream;
use rustls::ServerConfig;
use sha2::{Digest as _, Sha256};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio::time::MissedTickBehavior;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;

use super::certificates::GRPC;
use super::connection::{Connection, PATIENCE};
use super::places::{Full, Place, Places};
use super::{Certificates, Transport};
use crate::access::Peer;
use crate::config::Limits;
use crate::lifecycle::Lifecycle;

/// Most handshakes at once; further connections wait in the operating system's queue.
const HANDSHAKES: usize = 2_048;

/// Connections that are ready and not yet taken.
const READY: usize = 128;

/// How long a client that was refused may take to hear why.
const LINGERING: Duration = Duration::from_secs(1);

/// Most bytes that are read from it meanwhile.
const LINGERING_BYTES: u64 = 64 * 1024;

/// How long to wait when no connection can be taken, for instance because too many files are open.
const AFTER_FAULT: Duration = Duration::from_millis(100);

/// How often it is said what was turned away.
const SAID_EVERY: Duration = Duration::from_mins(1);

/// Connections, ready for calls.
#[derive(Debug)]
pub(crate) struct Incoming {
    ready: mpsc::Receiver<Connection>,
}

impl Stream for Incoming {
    type Item = io::Result<Connection>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.ready
            .poll_recv(cx)
            .map(|connection| connection.map(Ok))
    }
}

impl Incoming {
    /// Takes connections in the background until the life drains.
    pub(crate) fn start(
        listener: TcpListener,
        transport: &Transport,
        limits: &Limits,
        lifecycle: &Lifecycle,
    ) -> Self {
        Self::with_patience(listener, transport, limits, lifecycle, PATIENCE)
    }

    /// The same with another patience.
    pub(super) fn with_patience(
        listener: TcpListener,
        transport: &Transport,
        limits: &Limits,
        lifecycle: &Lifecycle,
        patience: Duration,
    ) -> Self {
        let (sender, ready) = mpsc::channel(READY);
        let door = Door {
            listener,
            certificates: transport.certificates(),
            places: Places::new(limits.connections, limits.connections_per_address),
            patience,
            sender,
            turned_away: TurnedAway::default(),
        };
        lifecycle.spawn("connections", door.open(lifecycle.drain.clone()));
        Self { ready }
    }
}

/// Where connections come in.
struct Door {
    listener: TcpListener,
    certificates: Option<Arc<Certificates>>,
    places: Places,
    patience: Duration,
    sender: mpsc::Sender<Connection>,
    turned_away: TurnedAway,
}

/// How many connections were turned away since it was said last.
#[derive(Debug, Default, PartialEq, Eq)]
struct TurnedAway {
    full: usize,
    full_for_address: usize,
    handshakes: usize,
    faults: usize,
}

impl Door {
    async fn open(mut self, drain: CancellationToken) -> anyhow::Result<()> {
        let mut handshakes = JoinSet::new();
        let mut saying = tokio::time::interval(SAID_EVERY);
        saying.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            let has_room = handshakes.len() < HANDSHAKES;
            tokio::select! {
                () = drain.cancelled() => break,
                Some(ended) = handshakes.join_next() => {
                    if !matches!(ended, Ok(true)) {
                        self.turned_away.handshakes += 1;
                    }
                }
                _ = saying.tick() => self.turned_away.say(),
                accepted = self.listener.accept(), if has_room => match accepted {
                    Ok((stream, address)) => self.take(stream, address, &mut handshakes).await,
                    Err(fault) => self.not_taken(&fault, &drain).await,
                },
            }
        }
        self.turned_away.say();
        handshakes.abort_all();
        // New clients are told at once that nobody listens; those who are ready are served to the end. The
        // sender stays until the gRPC server has let go, which would end by itself otherwise.
        drop(self.listener);
        self.sender.closed().await;
        Ok(())
    }

    async fn take(
        &mut self,
        stream: TcpStream,
        address: SocketAddr,
        handshakes: &mut JoinSet<bool>,
    ) {
        let address = address.ip();
        let place = match self.places.take(address) {
            Ok(place) => place,
            Err(full) => {
                match full {
                    Full::Everywhere => self.turned_away.full += 1,
                    Full::ForAddress => self.turned_away.full_for_address += 1,
                }
                tracing::debug!(%address, ?full, "a connection was closed");
                return;
            }
        };
        if let Err(cause) = stream.set_nodelay(true) {
            tracing::debug!(%address, %cause, "a connection cannot be told not to wait");
        }
        let Some(certificates) = &self.certificates else {
            let peer = Peer {
                address,
                certificate: None,
                encrypted: false,
            };
            let connection = Connection::plain(stream, peer, place, self.patience);
            // Nobody takes it when the server stops.
            drop(self.sender.send(connection).await);
            return;
        };
        let handshake = Handshake {
            config: certificates.grpc(),
            address,
            patience: self.patience,
        };
        let sender = self.sender.clone();
        handshakes.spawn(async move {
            match handshake.with(stream, place).await {
                Ok(connection) => {
                    drop(sender.send(connection).await);
                    true
                }
                Err(cause) => {
                    tracing::debug!(%address, %cause, "a connection could not be encrypted");
                    false
                }
            }
        });
    }

    /// Rests a moment after a fault of the system, unless it was of that connection only.
    async fn not_taken(&mut self, fault: &io::Error, drain: &CancellationToken) {
        tracing::debug!(cause = %fault, "a connection was not taken");
        if matches!(
            fault.kind(),
            io::ErrorKind::ConnectionAborted | io::ErrorKind::ConnectionReset
        ) {
            return;
        }
        if self.turned_away.faults == 0 {
            tracing::error!(
                cause = %fault,
                "connections cannot be taken now; when too many files are open, raise the limit of the service \
                 (LimitNOFILE) or lower limits.connections"
            );
        }
        self.turned_away.faults += 1;
        tokio::select! {
            () = drain.cancelled() => {}
            () = tokio::time::sleep(AFTER_FAULT) => {}
        }
    }
}

impl TurnedAway {
    /// Says what was turned away, and begins anew.
    fn say(&mut self) {
        let was = std::mem::take(self);
        if was != Self::default() {
            tracing::warn!(
                full = was.full,
                full_for_address = was.full_for_address,
                handshakes = was.handshakes,
                faults = was.faults,
                "connections were turned away in the last minute: over limits.connections, over \
                 limits.connections_per_address, without a good handshake, by faults of the system"
            );
        }
    }
}

/// A handshake with one client.
struct Handshake {
    config: Arc<ServerConfig>,
    address: IpAddr,
    patience: Duration,
}

impl Handshake {
    async fn with(self, stream: TcpStream, place: Place) -> io::Result<Connection> {
        let accepting = TlsAcceptor::from(self.config)
            .accept(stream)
            .into_fallible();
        let shaken = tokio::time::timeout(self.patience, accepting)
            .await
            .map_err(|_| io::Error::from(io::ErrorKind::TimedOut))?;
        let stream = match shaken {
            Ok(stream) => stream,
            Err((fault, stream)) => {
                lingering(stream).await;
                return Err(fault);
            }
        };
        let (_, session) = stream.get_ref();
        if session.alpn_protocol() != Some(GRPC) {
            // A client that speaks something else might be made to say what it never meant to say here.
            return Err(io::Error::other(
                "the client did not ask for HTTP/2 (ALPN h2)",
            ));
        }
        let peer = Peer {
            address: self.address,
            certificate: shown(&stream),
            encrypted: true,
        };
        Ok(Connection::encrypted(stream, peer, place, self.patience))
    }
}

/// Lets the client read why it was refused. A connection that is closed while something of the client lies unread
/// is reset, and the reset overtakes the reason.
async fn lingering(mut stream: TcpStream) {
    let reading = async {
        stream.shutdown().await?;
        let mut rest = stream.take(LINGERING_BYTES);
        tokio::io::copy(&mut rest, &mut tokio::io::sink()).await
    };
    // How it ends makes no difference any more.
    drop(tokio::time::timeout(LINGERING, reading).await);
}

/// The fingerprint of the certificate that a client showed and proved.
pub(crate) fn shown(stream: &TlsStream<TcpStream>) -> Option<[u8; 32]> {
    let (_, session) = stream.get_ref();
    let leaf = session.peer_certificates()?.first()?;
    Some(Sha256::digest(leaf).into())
}
