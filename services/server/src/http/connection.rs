//! Connections with an end: idle ones and those that stand still are closed, and only so many are open at once.
//! Encrypted ones shake hands when they are first read from, so that nobody waits for a client that does not.
//!
//! A connection has some time to bring its next request, whole headers, from when it was opened or its last answer was
//! taken. While a request goes on it is kept, however long that takes: a stream of alerts goes on for days. It ends
//! then when its client reads nothing for that time although something is to be read; a body that does not arrive is
//! given up by whoever reads it.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, OnceLock};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;
use tokio_rustls::server::TlsStream;
use tokio_rustls::{Accept, TlsAcceptor};
use tokio_util::sync::CancellationToken;

use crate::access::Peer;
use crate::transport::{PATIENCE, Place, Places, shown};

/// How long a connection is kept without a request, or with a client that does not read.
const KEPT_FOR: Duration = Duration::from_secs(30);

/// Most connections at once; more wait in the operating system's queue.
const AT_ONCE: usize = 1_024;

/// How long to wait when no connection can be taken, for instance because too many files are open.
const AFTER_FAULT: Duration = Duration::from_millis(500);

/// Most of them from one address beyond this machine; behind a proxy on this machine all come from one.
const AT_ONCE_FROM_ONE: usize = 64;

/// Takes connections that end by themselves.
pub(crate) struct Connections {
    listener: TcpListener,
    room: Arc<Semaphore>,
    places: Places,
    kept_for: Duration,
    drain: CancellationToken,
    kept_draining: Duration,
    encrypting: Option<Box<dyn Fn() -> Arc<ServerConfig> + Send>>,
}

/// A connection that fails once its time is over.
pub(crate) struct Bounded {
    stream: Stream,
    far: Far,
    kept_for: Duration,
    /// Cancelled when the server stops, and how long it is kept then.
    drain: (CancellationToken, Duration),
    is_draining: bool,
    /// When it ends unless a request has come.
    end: Pin<Box<Sleep>>,
    /// How many requests had ended when that was set.
    counted: u64,
    /// When it ends unless something was read from it; none while nothing waits to be.
    stuck: Option<Pin<Box<Sleep>>>,
    _room: Option<OwnedSemaphorePermit>,
    _place: Place,
}

/// The far end of a connection, as its requests know it; clones are the same.
#[derive(Debug, Clone)]
pub(crate) struct Far(Arc<FarEnd>);

#[derive(Debug)]
struct FarEnd {
    address: IpAddr,
    encrypted: bool,
    /// The client certificate, known once hands are shaken.
    certificate: OnceLock<Option<[u8; 32]>>,
    /// Requests that go on.
    open: AtomicUsize,
    /// Requests that have ended.
    ended: AtomicU64,
}

impl Far {
    fn of(address: IpAddr, encrypted: bool) -> Self {
        Self(Arc::new(FarEnd {
            address,
            encrypted,
            certificate: OnceLock::new(),
            open: AtomicUsize::new(0),
            ended: AtomicU64::new(0),
        }))
    }

    /// Who is there.
    pub(crate) fn peer(&self) -> Peer {
        Peer {
            address: self.0.address,
            certificate: self.0.certificate.get().copied().flatten(),
            encrypted: self.0.encrypted,
        }
    }

    /// A request has begun; it ends when what this gives is dropped.
    pub(crate) fn begun(&self) -> Busy {
        self.0.open.fetch_add(1, Ordering::SeqCst);
        Busy(self.clone())
    }
}

/// A request that goes on.
#[derive(Debug)]
pub(crate) struct Busy(Far);

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.0.ended.fetch_add(1, Ordering::SeqCst);
        self.0.0.open.fetch_sub(1, Ordering::SeqCst);
    }
}

impl Connected<IncomingStream<'_, Connections>> for Far {
    fn connect_info(stream: IncomingStream<'_, Connections>) -> Self {
        stream.io().far.clone()
    }
}

enum Stream {
    Plain(TcpStream),
    /// The handshake, and the end of patience with it.
    Shaking(Box<Accept<TcpStream>>, Pin<Box<Sleep>>),
    Encrypted(Box<TlsStream<TcpStream>>),
}

impl Connections {
    pub(crate) fn of(listener: TcpListener) -> Self {
        let is_local = listener
            .local_addr()
            .is_ok_and(|address| address.ip().to_canonical().is_loopback());
        let of_one = if is_local { AT_ONCE } else { AT_ONCE_FROM_ONE };
        Self {
            listener,
            room: Arc::new(Semaphore::new(AT_ONCE)),
            places: Places::new(AT_ONCE, of_one),
            kept_for: KEPT_FOR,
            drain: CancellationToken::new(),
            kept_draining: KEPT_FOR,
            encrypting: None,
        }
    }

    /// The same connections, encrypted with what is in force when each begins.
    pub(crate) fn encrypted(self, with: impl Fn() -> Arc<ServerConfig> + Send + 'static) -> Self {
        Self {
            encrypting: Some(Box::new(with)),
            ..self
        }
    }

    /// The same connections, of which those without a request are kept no longer than so once the server stops.
    pub(crate) fn until(self, drain: CancellationToken, kept_draining: Duration) -> Self {
        Self {
            drain,
            kept_draining,
            ..self
        }
    }

    #[cfg(test)]
    pub(crate) fn kept_for(self, kept_for: Duration) -> Self {
        Self { kept_for, ..self }
    }
}

impl Listener for Connections {
    type Io = Bounded;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Bounded, SocketAddr) {
        // Nobody closes the semaphore, so a place always comes.
        let room = Arc::clone(&self.room).acquire_owned().await.ok();
        loop {
            match self.listener.accept().await {
                Ok((stream, address)) => {
                    let Ok(place) = self.places.take(address.ip()) else {
                        tracing::debug!(%address, "a connection over HTTP was closed: its address has too many");
                        continue;
                    };
                    let stream = match &self.encrypting {
                        None => Stream::Plain(stream),
                        Some(config) => Stream::Shaking(
                            Box::new(TlsAcceptor::from(config()).accept(stream)),
                            Box::pin(tokio::time::sleep(PATIENCE)),
                        ),
                    };
                    let connection = Bounded {
                        stream,
                        far: Far::of(address.ip(), self.encrypting.is_some()),
                        kept_for: self.kept_for,
                        drain: (self.drain.clone(), self.kept_draining),
                        is_draining: false,
                        end: Box::pin(tokio::time::sleep(self.kept_for)),
                        counted: 0,
                        stuck: None,
                        _room: room,
                        _place: place,
                    };
                    return (connection, address);
                }
                Err(fault) => {
                    tracing::debug!(cause = %fault, "a connection over HTTP was not taken");
                    tokio::time::sleep(AFTER_FAULT).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

impl Bounded {
    /// Whether it may go on: its time is not over, and its handshake, if any, is done.
    fn ready(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        if self.far.0.open.load(Ordering::SeqCst) == 0 {
            let ended = self.far.0.ended.load(Ordering::SeqCst);
            if ended != self.counted && !self.is_draining {
                self.counted = ended;
                self.end = Box::pin(tokio::time::sleep(self.kept_for));
            }
            // The transport looks at its connections when the server stops, so this is seen then.
            if !self.is_draining && self.drain.0.is_cancelled() {
                self.is_draining = true;
                self.end = Box::pin(tokio::time::sleep(self.drain.1));
            }
            if self.end.as_mut().poll(cx).is_ready() {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
        }
        if let Stream::Shaking(handshake, end) = &mut self.stream {
            if end.as_mut().poll(cx).is_ready() {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
            let stream = ready!(Pin::new(handshake.as_mut()).poll(cx))?;
            // Nobody else sets it, and it is set once.
            let _set = self.far.0.certificate.set(shown(&stream));
            self.stream = Stream::Encrypted(Box::new(stream));
        }
        Poll::Ready(Ok(()))
    }

    /// Passes on what became of writing, and ends a connection whose client has not read for too long.
    fn unless_stuck<T>(
        &mut self,
        cx: &mut Context<'_>,
        wrote: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.stuck = None;
            return wrote;
        }
        let kept_for = self.kept_for;
        let stuck = self
            .stuck
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(kept_for)));
        if stuck.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Poll::Pending
    }
}

impl AsyncRead for Bounded {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        ready!(self.ready(cx))?;
        match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_read(cx, buf),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_read(cx, buf),
            Stream::Shaking(..) => Poll::Pending,
        }
    }
}

impl AsyncWrite for Bounded {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        ready!(self.ready(cx))?;
        let wrote = match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_write(cx, buf),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_write(cx, buf),
            Stream::Shaking(..) => Poll::Pending,
        };
        self.unless_stuck(cx, wrote)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.ready(cx))?;
        let wrote = match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_flush(cx),
            Stream::Shaking(..) => Poll::Pending,
        };
        self.unless_stuck(cx, wrote)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_shutdown(cx),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_shutdown(cx),
            // Nothing was said yet that could be ended in order.
            Stream::Shaking(..) => Poll::Ready(Ok(())),
        }
    }
}
