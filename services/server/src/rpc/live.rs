//! A stream over a log: what was before, then live, with a heartbeat.
//!
//! Listening begins before the replay, so that nothing falls between them; what both bring is sent once. A
//! stream holds no buffer of its own: it is polled when the transport has room, and one that is polled too
//! seldom falls off the shared ring and is ended with an error that says how to go on.

use std::collections::VecDeque;
use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use futures::Stream;
use futures::stream::unfold;
use tokio::sync::broadcast::error::RecvError;
use tonic::Status;

use super::status::{fell_behind, status};
use crate::app::Error;
use crate::live_feed::Listening;

/// How often a quiet stream says that it is alive; the protocol promises 30 s.
const HEARTBEAT: Duration = Duration::from_secs(20);

/// What a streaming call gives.
pub(super) type Answers<R> = Pin<Box<dyn Stream<Item = Result<R, Status>> + Send>>;

/// What one stream wants of a log, and how far it has come.
pub(super) trait Followed: Send + 'static {
    /// A change in the log.
    type Change: Send + Sync + 'static;
    /// A message.
    type Response: Send + 'static;

    /// Reads on towards the log's present end and passes on what is wanted; gives whether it was reached.
    fn replayed(
        &mut self,
        waiting: &mut VecDeque<Self::Response>,
    ) -> impl Future<Output = Result<bool, Error>> + Send;

    /// Takes a change from the live end; gives a message when it is new and wanted.
    fn heard(&mut self, change: &Self::Change) -> Option<Self::Response>;

    /// Where to go on.
    fn cursor(&self) -> String;

    /// Nothing changed, and the server is there.
    fn heartbeat(&self) -> Self::Response;
}

/// Begins a stream; `waiting` is sent before everything else.
pub(super) fn stream<F: Followed>(
    followed: F,
    listening: Listening<F::Change>,
    waiting: VecDeque<F::Response>,
) -> Answers<F::Response> {
    let watching = Watching {
        followed,
        listening,
        waiting,
        has_replayed: false,
        has_ended: false,
    };
    Box::pin(unfold(watching, |mut watching| async move {
        let next = watching.next().await?;
        Some((next, watching))
    }))
}

struct Watching<F: Followed> {
    followed: F,
    listening: Listening<F::Change>,
    waiting: VecDeque<F::Response>,
    has_replayed: bool,
    has_ended: bool,
}

impl<F: Followed> Watching<F> {
    async fn next(&mut self) -> Option<Result<F::Response, Status>> {
        loop {
            if let Some(response) = self.waiting.pop_front() {
                if self.waiting.is_empty() {
                    // A long beginning leaves no room behind that an idle stream would keep.
                    self.waiting = VecDeque::new();
                }
                return Some(Ok(response));
            }
            if self.has_ended {
                return None;
            }
            if !self.has_replayed {
                // Boxed: an idle stream does not carry the room that reading the log takes.
                match Box::pin(self.followed.replayed(&mut self.waiting)).await {
                    Ok(reached) => self.has_replayed = reached,
                    Err(fault) => {
                        self.has_ended = true;
                        return Some(Err(status(fault)));
                    }
                }
                continue;
            }
            let heard = tokio::time::timeout(HEARTBEAT, self.listening.changes.recv()).await;
            match heard {
                Err(_) => return Some(Ok(self.followed.heartbeat())),
                Ok(Ok(change)) => {
                    if let Some(response) = self.followed.heard(&change) {
                        return Some(Ok(response));
                    }
                }
                Ok(Err(RecvError::Lagged(_))) => {
                    self.has_ended = true;
                    return Some(Err(fell_behind(&self.followed.cursor())));
                }
                Ok(Err(RecvError::Closed)) => return None,
            }
        }
    }
}
