//! A stream that mends itself.
//!
//! A stream has no deadline. It is taken for lost when the connection breaks, when the server ends it, or
//! when nothing was heard for longer than two heartbeats; then it is opened again behind the last cursor,
//! after a pause that grows and varies, so that a whole network does not come back in the same second.

use std::collections::{BTreeSet, VecDeque};
use std::pin::Pin;
use std::time::Duration;

use backon::{BackoffBuilder as _, ExponentialBackoff, ExponentialBuilder};
use tokio::time::Instant;
use tonic::{Code, Response, Status, Streaming};

use crate::{Failure, Outcome, Remote};

/// How many changes are remembered, so that a repeat after a break is known as one.
const REMEMBERED: usize = 10_000;

/// How long a stream waits for what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// Longest silence; a server sends a heartbeat at least every 30 s.
    pub silence: Duration,
    /// Shortest first pause before trying again.
    pub least_pause: Duration,
    /// Longest pause before trying again.
    pub most_pause: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Pace {
            silence: Duration::from_secs(70),
            least_pause: Duration::from_secs(1),
            most_pause: Duration::from_secs(30),
        }
    }
}

/// How a connection was lost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lost {
    /// Why.
    pub failure: Box<Failure>,
    /// How long until it is tried again.
    pub pause: Duration,
    /// How many tries failed in a row, this one included.
    pub tries: u32,
}

/// A call that opens a stream.
pub(crate) type Opening<R> =
    Pin<Box<dyn Future<Output = Result<Response<Streaming<R>>, Status>> + Send>>;

/// What is asked for.
pub(crate) trait Asked {
    /// A message.
    type Response;

    /// Opens the stream behind the cursor.
    fn opened(&self, remote: &Remote) -> Opening<Self::Response>;

    /// Where to go on; empty before the first message.
    fn after(&self) -> &str;
}

/// What is heard.
pub(crate) enum Heard<R> {
    /// A message.
    Message(R),
    /// The connection was lost or could not be made; it will be tried again.
    Lost(Lost),
    /// The connection is back; a message follows.
    Back,
}

/// Messages one after the other, through breaks of the connection.
#[derive(Debug)]
pub(crate) struct Mending<A: Asked> {
    remote: Remote,
    pub(crate) asked: A,
    pace: Pace,
    line: Line<A::Response>,
    pauses: ExponentialBackoff,
    tries: u32,
    /// What was heard behind the news that the connection is back.
    kept: Option<A::Response>,
}

/// The connection of a stream. Each part is kept here while it is waited for, so that waiting may be broken
/// off.
enum Line<R> {
    /// To be opened at a moment.
    Resting { until: Instant },
    /// Being opened since a moment.
    Opening { call: Opening<R>, since: Instant },
    /// Open; the moment at which something was heard last.
    Open {
        stream: Box<Streaming<R>>,
        heard: Instant,
    },
}

impl<R> std::fmt::Debug for Line<R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Line::Resting { .. } => "Resting",
            Line::Opening { .. } => "Opening",
            Line::Open { .. } => "Open",
        })
    }
}

impl<A: Asked> Mending<A> {
    pub(crate) fn new(remote: Remote, asked: A, pace: Pace) -> Self {
        Self {
            remote,
            asked,
            pace,
            line: Line::Resting {
                until: Instant::now(),
            },
            pauses: pauses(&pace),
            tries: 0,
            kept: None,
        }
    }

    /// Waits for the next message. May be dropped while it waits; nothing is lost by that.
    pub(crate) async fn next(&mut self) -> Outcome<Heard<A::Response>> {
        loop {
            if let Some(message) = self.kept.take() {
                return Ok(Heard::Message(message));
            }
            let lost = match &mut self.line {
                Line::Resting { until } => {
                    tokio::time::sleep_until(*until).await;
                    self.line = Line::Opening {
                        call: self.asked.opened(&self.remote),
                        since: Instant::now(),
                    };
                    continue;
                }
                Line::Opening { call, since } => {
                    let end = *since + self.pace.silence;
                    match tokio::time::timeout_at(end, call).await {
                        Ok(Ok(response)) => {
                            self.line = Line::Open {
                                stream: Box::new(response.into_inner()),
                                heard: Instant::now(),
                            };
                            continue;
                        }
                        Ok(Err(status)) => Failure::of(&status),
                        Err(_elapsed) => self.silent(),
                    }
                }
                Line::Open { stream, heard } => {
                    let end = *heard + self.pace.silence;
                    match tokio::time::timeout_at(end, stream.message()).await {
                        Ok(Ok(Some(message))) => {
                            *heard = Instant::now();
                            self.kept = Some(message);
                            if self.tries > 0 {
                                self.tries = 0;
                                self.pauses = pauses(&self.pace);
                                return Ok(Heard::Back);
                            }
                            continue;
                        }
                        Ok(Ok(None)) => broken("the server ended the stream"),
                        Ok(Err(status)) => Failure::of(&status),
                        Err(_elapsed) => self.silent(),
                    }
                }
            };
            return self.lost(lost).map(Heard::Lost);
        }
    }

    fn lost(&mut self, failure: Failure) -> Outcome<Lost> {
        let least = self.pace.least_pause;
        let pause = self.pauses.next().unwrap_or(self.pace.most_pause);
        let pause = pause.max(failure.retry_after.unwrap_or(least));
        let pause = pause.min(self.pace.most_pause);
        self.line = Line::Resting {
            until: Instant::now() + pause,
        };
        if is_beyond_mending(failure.code) {
            return Err(Box::new(failure));
        }
        self.tries = self.tries.saturating_add(1);
        Ok(Lost {
            failure: Box::new(failure),
            pause,
            tries: self.tries,
        })
    }

    fn silent(&self) -> Failure {
        broken(&format!(
            "nothing was heard for {} s",
            self.pace.silence.as_secs_f64()
        ))
    }
}

fn broken(message: &str) -> Failure {
    Failure::plain(Code::Unavailable, "STREAM_LOST", message)
}

/// Pauses between the shortest and the longest, doubling, and never the same for two clients: each is
/// lengthened by a random part of itself.
fn pauses(pace: &Pace) -> ExponentialBackoff {
    ExponentialBuilder::default()
        .with_min_delay(pace.least_pause)
        .with_max_delay((pace.most_pause / 2).max(pace.least_pause))
        .without_max_times()
        .with_jitter()
        .build()
}

/// Whether the same request would be refused again.
fn is_beyond_mending(code: Code) -> bool {
    matches!(
        code,
        Code::InvalidArgument
            | Code::OutOfRange
            | Code::NotFound
            | Code::PermissionDenied
            | Code::Unauthenticated
            | Code::Unimplemented
    )
}

/// Changes told already, the latest ones.
#[derive(Debug)]
pub(crate) struct Seen<M> {
    known: BTreeSet<M>,
    order: VecDeque<M>,
}

impl<M> Default for Seen<M> {
    fn default() -> Self {
        Self {
            known: BTreeSet::new(),
            order: VecDeque::new(),
        }
    }
}

impl<M: Ord + Clone> Seen<M> {
    /// Remembers a change by what tells it apart; false when it was known.
    pub(crate) fn takes(&mut self, mark: M) -> bool {
        if !self.known.insert(mark.clone()) {
            return false;
        }
        self.order.push_back(mark);
        if self.order.len() > REMEMBERED
            && let Some(oldest) = self.order.pop_front()
        {
            self.known.remove(&oldest);
        }
        true
    }
}
