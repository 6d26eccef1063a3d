//! A wire between client and server that breaks when told to.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

/// What is lost when the wire breaks under a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Lost {
    /// The request never reaches the server.
    Request,
    /// The server has done its work, and nobody hears of it.
    Answer,
}

/// The wire. It works in threads of its own, so it breaks also while the client's runtime stands still.
#[derive(Clone)]
pub(crate) struct Wire {
    /// Where the client connects to.
    pub(crate) address: SocketAddr,
    /// Words by which requests and answers are known.
    mark: &'static [u8],
    /// The client's connections, in order.
    connections: Arc<Mutex<Vec<TcpStream>>>,
    /// What will be lost next.
    planned: Arc<Mutex<Option<Lost>>>,
}

impl Wire {
    /// Lays a wire to a server; requests and answers hold the mark.
    pub(crate) fn to(server: SocketAddr, mark: &'static str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port on loopback");
        let wire = Wire {
            address: listener.local_addr().expect("a bound address"),
            mark: mark.as_bytes(),
            connections: Arc::default(),
            planned: Arc::default(),
        };
        let laid = wire.clone();
        thread::spawn(move || {
            for client in listener.incoming() {
                let client = client.expect("a connection");
                let server = TcpStream::connect(server).expect("the server listens");
                laid.carry(&client, &server);
            }
        });
        wire
    }

    /// How often the client connected.
    pub(crate) fn connections(&self) -> usize {
        self.connections.lock().expect("not poisoned").len()
    }

    /// Breaks the wire under the next call.
    pub(crate) fn lose(&self, what: Lost) {
        *self.planned.lock().expect("not poisoned") = Some(what);
    }

    /// Whether what was to be lost is lost.
    pub(crate) fn has_lost(&self) -> bool {
        self.planned.lock().expect("not poisoned").is_none()
    }

    /// Breaks all connections now.
    pub(crate) fn cut(&self) {
        for connection in self.connections.lock().expect("not poisoned").iter() {
            // One that is broken already cannot be broken again.
            drop(connection.shutdown(Shutdown::Both));
        }
    }

    fn carry(&self, client: &TcpStream, server: &TcpStream) {
        let again = |stream: &TcpStream| stream.try_clone().expect("a second handle");
        self.connections
            .lock()
            .expect("not poisoned")
            .push(again(client));
        for (from, to, lost) in [
            (client, server, Lost::Request),
            (server, client, Lost::Answer),
        ] {
            let (wire, from, to) = (self.clone(), again(from), again(to));
            thread::spawn(move || wire.pass_on(&from, &to, lost));
        }
    }

    fn pass_on(&self, mut from: &TcpStream, mut to: &TcpStream, lost: Lost) {
        let mut bytes = [0; 16 * 1024];
        while let Ok(count) = from.read(&mut bytes) {
            let passing = &bytes[..count];
            if count == 0 || self.loses(passing, lost) || to.write_all(passing).is_err() {
                break;
            }
        }
        for end in [from, to] {
            drop(end.shutdown(Shutdown::Both));
        }
    }

    fn loses(&self, passing: &[u8], lost: Lost) -> bool {
        let marked = passing.windows(self.mark.len()).any(|at| at == self.mark);
        let mut planned = self.planned.lock().expect("not poisoned");
        let loses = marked && *planned == Some(lost);
        if loses {
            *planned = None;
        }
        loses
    }
}
