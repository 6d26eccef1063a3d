//! Requests as bytes.

use std::net::SocketAddr;
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

/// Longest that an answer is waited for.
const PATIENCE: Duration = Duration::from_secs(30);

/// An answer over HTTP/1.1.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    /// In lower case, one header on each line.
    pub(crate) headers: String,
    pub(crate) body: String,
}

impl Answer {
    fn of(bytes: &[u8]) -> Self {
        let text = String::from_utf8_lossy(bytes);
        let (head, body) = text.split_once("\r\n\r\n").expect("headers end");
        let (first, headers) = head.split_once("\r\n").expect("a status line");
        let status = first.split(' ').nth(1).expect("a status");
        Self {
            status: status.parse().expect("a number"),
            headers: headers.to_lowercase(),
            body: body.to_owned(),
        }
    }

    /// The value of a header.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.lines().find_map(|line| {
            let (found, value) = line.split_once(": ")?;
            (found == name).then_some(value)
        })
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|fault| panic!("{fault}: {self:?}"))
    }

    /// The reason of a problem; it has to be one.
    pub(crate) fn reason(&self) -> String {
        assert_eq!(
            self.header("content-type"),
            Some("application/problem+json"),
            "{self:?}"
        );
        let problem = self.json();
        assert_eq!(problem["status"], self.status, "{problem:#}");
        problem["reason"].as_str().expect("a reason").to_owned()
    }
}

/// Sends bytes and reads until the server closes the connection.
pub(crate) async fn asked(address: SocketAddr, request: &[u8]) -> Answer {
    let mut connection = TcpStream::connect(address).await.expect("it listens");
    connection.write_all(request).await.expect("it is sent");
    read(&mut connection).await
}

/// Reads an answer until the server closes the connection.
pub(crate) async fn read(connection: &mut TcpStream) -> Answer {
    let mut answer = Vec::new();
    let reading = async {
        let mut piece = [0_u8; 4096];
        loop {
            match connection.read(&mut piece).await {
                Ok(0) => break,
                Ok(some) => answer.extend_from_slice(&piece[..some]),
                // A server that answers early may close while more is on its way.
                Err(_) if !answer.is_empty() => break,
                Err(fault) => panic!("{fault}"),
            }
        }
    };
    tokio::time::timeout(PATIENCE, reading)
        .await
        .expect("it answers in time");
    Answer::of(&answer)
}
