//! The body of a request as it arrives: at once or line by line, never more of it than may be, and not at a crawl.

use std::future::poll_fn;
use std::pin::Pin;
use std::time::Duration;

use axum::body::Body;
use bytes::{Bytes, BytesMut};
use http_body::Body as _;
use tonic::{Code, Status};

use super::fault::{reason, status_of, too_large};

/// How long nothing may arrive of a body that has not ended.
const STALLED: Duration = Duration::from_secs(30);

/// Gives the next bytes; none at the end.
async fn next(body: &mut Body, patience: Duration) -> Result<Option<Bytes>, Status> {
    loop {
        let frame = poll_fn(|cx| Pin::new(&mut *body).poll_frame(cx));
        let Ok(frame) = tokio::time::timeout(patience, frame).await else {
            return Err(status_of(
                Code::DeadlineExceeded,
                reason::TOO_SLOW,
                format!(
                    "nothing arrived for {} s although the body had not ended; send it again",
                    patience.as_secs()
                ),
            ));
        };
        match frame {
            None => return Ok(None),
            Some(Ok(frame)) => match frame.into_data() {
                Ok(data) if data.is_empty() => {}
                Ok(data) => return Ok(Some(data)),
                // Trailers say nothing here.
                Err(_) => {}
            },
            Some(Err(_)) => return Err(Status::cancelled("the caller went away")),
        }
    }
}

/// Reads all of it.
pub(super) async fn whole(body: Body, most_bytes: usize) -> Result<Bytes, Status> {
    whole_within(body, most_bytes, STALLED).await
}

async fn whole_within(
    mut body: Body,
    most_bytes: usize,
    patience: Duration,
) -> Result<Bytes, Status> {
    let mut read = BytesMut::new();
    while let Some(data) = next(&mut body, patience).await? {
        if read.len() + data.len() > most_bytes {
            return Err(too_large(most_bytes, "the body"));
        }
        // Most bodies are one piece, and are not copied.
        if read.is_empty() && body.is_end_stream() {
            return Ok(data);
        }
        read.extend_from_slice(&data);
    }
    Ok(read.freeze())
}

/// Its lines, one after the other; blank ones are left out.
#[derive(Debug)]
pub(super) struct Lines {
    body: Body,
    read: BytesMut,
    /// Bytes in `read` that are known to hold no end of a line.
    scanned: usize,
    most_bytes: usize,
    over: bool,
    /// The number of the line that was given last, from 1.
    pub(super) number: u64,
}

impl Lines {
    pub(super) fn of(body: Body, most_bytes: usize) -> Self {
        Self {
            body,
            read: BytesMut::new(),
            scanned: 0,
            most_bytes,
            over: false,
            number: 0,
        }
    }

    /// Gives the next line without its end; none after the last. No more is kept than one line and what arrived
    /// together with its end.
    pub(super) async fn next(&mut self) -> Result<Option<Bytes>, Status> {
        loop {
            let end = self.read[self.scanned..]
                .iter()
                .position(|byte| *byte == b'\n');
            let line = match end {
                Some(end) => {
                    let line = self.read.split_to(self.scanned + end + 1);
                    self.scanned = 0;
                    line
                }
                None if self.over => {
                    self.scanned = 0;
                    if self.read.is_empty() {
                        return Ok(None);
                    }
                    self.read.split()
                }
                None => {
                    self.scanned = self.read.len();
                    if self.scanned > self.most_bytes {
                        return Err(too_large(self.most_bytes, "a line"));
                    }
                    match next(&mut self.body, STALLED).await? {
                        Some(data) => self.read.extend_from_slice(&data),
                        None => self.over = true,
                    }
                    continue;
                }
            };
            self.number += 1;
            let text = line.trim_ascii();
            if text.len() > self.most_bytes {
                return Err(too_large(self.most_bytes, "a line"));
            }
            if !text.is_empty() {
                return Ok(Some(Bytes::copy_from_slice(text)));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn body(pieces: &[&'static str]) -> Body {
        let pieces: Vec<Result<Bytes, std::convert::Infallible>> = pieces
            .iter()
            .map(|piece| Ok(Bytes::from_static(piece.as_bytes())))
            .collect();
        Body::from_stream(futures::stream::iter(pieces))
    }

    async fn lines(pieces: &[&'static str]) -> Vec<String> {
        let mut lines = Lines::of(body(pieces), 16);
        let mut read = Vec::new();
        loop {
            match lines.next().await {
                Ok(Some(line)) => read.push(String::from_utf8(line.to_vec()).expect("text")),
                Ok(None) => return read,
                Err(status) => {
                    read.push(format!("{:?}", status.code()));
                    return read;
                }
            }
        }
    }

    #[tokio::test]
    async fn lines_are_told_apart_however_they_arrive() {
        assert_eq!(
            lines(&["{\"a\"", ":1}\n{\"b\":2}\r\n\n", "  \n{\"c\"", ":3}"]).await,
            ["{\"a\":1}", "{\"b\":2}", "{\"c\":3}"]
        );
        assert_eq!(lines(&[]).await, Vec::<String>::new());
        assert_eq!(lines(&["\n", "\n"]).await, Vec::<String>::new());
    }

    #[tokio::test]
    async fn a_line_that_does_not_end_is_not_kept() {
        assert_eq!(
            lines(&["{}\n", "0123456789", "0123456789", "0123456789"]).await,
            ["{}", "InvalidArgument"]
        );
    }

    #[tokio::test]
    async fn a_body_is_read_up_to_its_limit() {
        let read = whole(body(&["01234567", "01234567"]), 16).await;
        assert_eq!(read.expect("it fits").len(), 16);
        assert!(whole(body(&["01234567", "012345678"]), 16).await.is_err());
    }

    #[tokio::test]
    async fn a_body_that_stalls_is_given_up() {
        let stalled = futures::stream::pending::<Result<Bytes, std::convert::Infallible>>();
        let patience = Duration::from_millis(10);
        let fault = whole_within(Body::from_stream(stalled), 16, patience)
            .await
            .expect_err("given up");
        assert_eq!(fault.code(), Code::DeadlineExceeded);
    }
}
