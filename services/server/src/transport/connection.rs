//! A connection as the gRPC server takes it: plain or encrypted, with who is at its other end, and closed when
//! its client does not begin.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::Sleep;
use tokio_rustls::server::TlsStream;
use tonic::transport::server::Connected;

use super::Place;
use crate::access::Peer;

/// How long a client may take for a handshake, and then again to begin.
pub(crate) const PATIENCE: Duration = Duration::from_secs(10);

/// Bytes of what begins every HTTP/2 connection (RFC 9113, 3.4).
const PREFACE: usize = 24;

/// A connection from which calls come.
#[derive(Debug)]
pub(crate) struct Connection {
    stream: Stream,
    peer: Peer,
    beginning: Option<Beginning>,
    _place: Place,
}

#[derive(Debug)]
enum Stream {
    Plain(TcpStream),
    Encrypted(Box<TlsStream<TcpStream>>),
}

/// What is waited for from a client that has not begun.
#[derive(Debug)]
struct Beginning {
    missing: usize,
    end: Pin<Box<Sleep>>,
}

impl Connection {
    pub(crate) fn plain(stream: TcpStream, peer: Peer, place: Place, patience: Duration) -> Self {
        Self::new(Stream::Plain(stream), peer, place, patience)
    }

    pub(crate) fn encrypted(
        stream: TlsStream<TcpStream>,
        peer: Peer,
        place: Place,
        patience: Duration,
    ) -> Self {
        Self::new(Stream::Encrypted(Box::new(stream)), peer, place, patience)
    }

    fn new(stream: Stream, peer: Peer, place: Place, patience: Duration) -> Self {
        Self {
            stream,
            peer,
            beginning: Some(Beginning {
                missing: PREFACE,
                end: Box::pin(tokio::time::sleep(patience)),
            }),
            _place: place,
        }
    }
}

impl Connected for Connection {
    type ConnectInfo = Peer;

    fn connect_info(&self) -> Peer {
        self.peer
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let this = self.get_mut();
        if let Some(beginning) = &mut this.beginning
            && beginning.end.as_mut().poll(cx).is_ready()
        {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        let before = buf.filled().len();
        let read = match &mut this.stream {
            Stream::Plain(stream) => Pin::new(stream).poll_read(cx, buf),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_read(cx, buf),
        };
        if let Some(beginning) = &mut this.beginning {
            let came = buf.filled().len() - before;
            beginning.missing = beginning.missing.saturating_sub(came);
            if beginning.missing == 0 {
                this.beginning = None;
            }
        }
        read
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        match &mut self.get_mut().stream {
            Stream::Plain(stream) => Pin::new(stream).poll_write(cx, buf),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_write(cx, buf),
        }
    }

    fn poll_write_vectored(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        match &mut self.get_mut().stream {
            Stream::Plain(stream) => Pin::new(stream).poll_write_vectored(cx, bufs),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_write_vectored(cx, bufs),
        }
    }

    fn is_write_vectored(&self) -> bool {
        match &self.stream {
            Stream::Plain(stream) => stream.is_write_vectored(),
            Stream::Encrypted(stream) => stream.is_write_vectored(),
        }
    }

    fn poll_flush(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.get_mut().stream {
            Stream::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_flush(cx),
        }
    }

    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.get_mut().stream {
            Stream::Plain(stream) => Pin::new(stream).poll_shutdown(cx),
            Stream::Encrypted(stream) => Pin::new(stream.as_mut()).poll_shutdown(cx),
        }
    }
}
