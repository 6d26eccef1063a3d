//! Connections with an end: slow or idle ones are closed, and only so many are open at once.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::serve::Listener;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

/// How long a connection is kept, whatever goes on in it; shorter than the usual wait for a stopping server.
const KEPT_FOR: Duration = Duration::from_secs(15);

/// Most connections at once; more wait in the operating system's queue.
const AT_ONCE: usize = 256;

/// How long to wait when no connection can be taken, for instance because too many files are open.
const AFTER_FAULT: Duration = Duration::from_millis(500);

/// Takes connections that end by themselves.
#[derive(Debug)]
pub(crate) struct Connections {
    listener: TcpListener,
    room: Arc<Semaphore>,
    kept_for: Duration,
}

/// A connection that fails once its time is over.
#[derive(Debug)]
pub(crate) struct Bounded {
    stream: TcpStream,
    end: Pin<Box<Sleep>>,
    _place: Option<OwnedSemaphorePermit>,
}

impl Connections {
    pub(crate) fn of(listener: TcpListener) -> Self {
        Self {
            listener,
            room: Arc::new(Semaphore::new(AT_ONCE)),
            kept_for: KEPT_FOR,
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
        let place = Arc::clone(&self.room).acquire_owned().await.ok();
        loop {
            match self.listener.accept().await {
                Ok((stream, address)) => {
                    let connection = Bounded {
                        stream,
                        end: Box::pin(tokio::time::sleep(self.kept_for)),
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
    fn in_time(&mut self, cx: &mut Context<'_>) -> io::Result<()> {
        match self.end.as_mut().poll(cx) {
            Poll::Ready(()) => Err(io::ErrorKind::TimedOut.into()),
            Poll::Pending => Ok(()),
        }
    }
}

impl AsyncRead for Bounded {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.in_time(cx)?;
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Bounded {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.in_time(cx)?;
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.in_time(cx)?;
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
