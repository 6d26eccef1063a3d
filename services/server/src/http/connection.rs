//! Connections with an end: slow or idle ones are closed, and only so many are open at once. Encrypted ones shake
//! hands when they are first read from, so that nobody waits for a client that does not.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::serve::Listener;
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;
use tokio_rustls::server::TlsStream;
use tokio_rustls::{Accept, TlsAcceptor};

use crate::transport::{PATIENCE, Place, Places};

/// How long a connection is kept, whatever goes on in it.
const KEPT_FOR: Duration = Duration::from_secs(30);

/// Most connections at once; more wait in the operating system's queue.
const AT_ONCE: usize = 256;

/// How long to wait when no connection can be taken, for instance because too many files are open.
const AFTER_FAULT: Duration = Duration::from_millis(500);

/// Most of them from one address beyond this machine; behind a proxy on this machine all come from one.
const AT_ONCE_FROM_ONE: usize = 32;

/// Takes connections that end by themselves.
pub(crate) struct Connections {
    listener: TcpListener,
    room: Arc<Semaphore>,
    places: Places,
    kept_for: Duration,
    encrypting: Option<Box<dyn Fn() -> Arc<ServerConfig> + Send>>,
}

/// A connection that fails once its time is over.
pub(crate) struct Bounded {
    stream: Stream,
    end: Pin<Box<Sleep>>,
    _room: Option<OwnedSemaphorePermit>,
    _place: Place,
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
                        end: Box::pin(tokio::time::sleep(self.kept_for)),
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
        if self.end.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        if let Stream::Shaking(handshake, end) = &mut self.stream {
            if end.as_mut().poll(cx).is_ready() {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
            let stream = ready!(Pin::new(handshake.as_mut()).poll(cx))?;
            self.stream = Stream::Encrypted(Box::new(stream));
        }
        Poll::Ready(Ok(()))
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
        match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_write(cx, buf),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_write(cx, buf),
            Stream::Shaking(..) => Poll::Pending,
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.ready(cx))?;
        match &mut self.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_flush(cx),
            Stream::Shaking(..) => Poll::Pending,
        }
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
