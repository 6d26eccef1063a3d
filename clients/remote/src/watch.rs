//! Alerts as they come: a stream that mends itself.
//!
//! A stream has no deadline. It is taken for lost when the connection breaks, when the server ends it, or
//! when nothing was heard for longer than two heartbeats; then it is opened again behind the last cursor,
//! after a pause that grows and varies, so that a whole network does not come back in the same second.
//! Changes arrive at least once on the wire and are told once here.

use std::collections::{BTreeSet, VecDeque};
use std::pin::Pin;
use std::time::Duration;

use backon::{BackoffBuilder as _, ExponentialBackoff, ExponentialBuilder};
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_proto::v1::{AlertChange, AlertLevel, WatchAlertsRequest, WatchAlertsResponse};
use tokio::time::Instant;
use tonic::{Code, Response, Status, Streaming};

use crate::call::LARGEST_ANSWER_BYTES;
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

/// What a stream tells.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// An alert changed.
    Change {
        /// The change, with the alert as it was then.
        change: Box<AlertChange>,
        /// Where to go on after it.
        cursor: String,
    },
    /// Nothing changed, and the server is there.
    Heartbeat {
        /// Where to go on after it.
        cursor: String,
    },
    /// The connection was lost or could not be made; it will be tried again.
    Lost(Lost),
    /// The connection is back; what was missed follows.
    Back,
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

/// Changes of alerts, one after the other, through breaks of the connection.
#[derive(Debug)]
pub struct AlertStream {
    remote: Remote,
    ask: WatchAlertsRequest,
    pace: Pace,
    line: Line,
    pauses: ExponentialBackoff,
    tries: u32,
    seen: Seen,
    /// What was heard behind the news that the connection is back.
    kept: Option<WatchAlertsResponse>,
}

/// The connection of a stream. Each part is kept here while it is waited for, so that waiting may be broken
/// off.
enum Line {
    /// To be opened at a moment.
    Resting { until: Instant },
    /// Being opened since a moment.
    Opening { call: Opening, since: Instant },
    /// Open; the moment at which something was heard last.
    Open {
        stream: Box<Streaming<WatchAlertsResponse>>,
        heard: Instant,
    },
}

/// A call that opens a stream.
type Opening =
    Pin<Box<dyn Future<Output = Result<Response<Streaming<WatchAlertsResponse>>, Status>> + Send>>;

impl std::fmt::Debug for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Line::Resting { .. } => "Resting",
            Line::Opening { .. } => "Opening",
            Line::Open { .. } => "Open",
        })
    }
}

impl Remote {
    /// Watches the alerts of `sites/{site}`, or of `sites/-`, that have reached a level; behind a cursor,
    /// or from the state of all that are not closed when it is empty. Nothing is sent before
    /// [`AlertStream::next`] is awaited.
    pub fn watch_alerts(&self, parent: &str, after: &str, level: AlertLevel) -> AlertStream {
        self.watch_alerts_at(parent, after, level, Pace::default())
    }

    /// The same with another pace.
    pub fn watch_alerts_at(
        &self,
        parent: &str,
        after: &str,
        level: AlertLevel,
        pace: Pace,
    ) -> AlertStream {
        AlertStream {
            remote: self.clone(),
            ask: WatchAlertsRequest {
                parent: parent.to_owned(),
                after: after.to_owned(),
                level: level.into(),
            },
            pace,
            line: Line::Resting {
                until: Instant::now(),
            },
            pauses: pauses(&pace),
            tries: 0,
            seen: Seen::default(),
            kept: None,
        }
    }
}

impl AlertStream {
    /// Waits for the next thing to tell. May be dropped while it waits; nothing is lost by that.
    ///
    /// # Errors
    /// [`Failure`] when trying again cannot mend it: the request is wrong, its site is not there, or the
    /// caller may not see it.
    pub async fn next(&mut self) -> Outcome<Told> {
        loop {
            if let Some(told) = self.kept.take().and_then(|heard| self.told(heard)) {
                return Ok(told);
            }
            let lost = match &mut self.line {
                Line::Resting { until } => {
                    tokio::time::sleep_until(*until).await;
                    self.line = self.opening();
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
                                return Ok(Told::Back);
                            }
                            continue;
                        }
                        Ok(Ok(None)) => broken("the server ended the stream"),
                        Ok(Err(status)) => Failure::of(&status),
                        Err(_elapsed) => self.silent(),
                    }
                }
            };
            return self.lost(lost).map(Told::Lost);
        }
    }

    /// Where to go on after everything told so far; empty before the first.
    pub fn cursor(&self) -> &str {
        &self.ask.after
    }

    fn opening(&self) -> Line {
        let request = self.remote.stamped(self.ask.clone());
        let mut client = AlertServiceClient::new(self.remote.channel())
            .max_decoding_message_size(LARGEST_ANSWER_BYTES);
        Line::Opening {
            call: Box::pin(async move { client.watch_alerts(request).await }),
            since: Instant::now(),
        }
    }

    /// Takes a message; none when it repeats what was told.
    fn told(&mut self, heard: WatchAlertsResponse) -> Option<Told> {
        let mut cursor = heard.cursor;
        if cursor.is_empty() {
            cursor.clone_from(&self.ask.after);
        } else {
            self.ask.after.clone_from(&cursor);
        }
        match heard.change {
            None => Some(Told::Heartbeat { cursor }),
            Some(change) => {
                let change = Box::new(change);
                let is_new = self.seen.takes(&change);
                is_new.then_some(Told::Change { change, cursor })
            }
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
#[derive(Debug, Default)]
struct Seen {
    known: BTreeSet<Mark>,
    order: VecDeque<Mark>,
}

/// What tells a change apart: cursor, alert and kind. Alerts told at the beginning may share a cursor.
type Mark = (String, String, i32);

impl Seen {
    /// Remembers a change; false when it was known.
    fn takes(&mut self, change: &AlertChange) -> bool {
        if change.cursor.is_empty() {
            return true;
        }
        let alert = change.alert.as_ref().map(|alert| alert.name.clone());
        let mark = (
            change.cursor.clone(),
            alert.unwrap_or_default(),
            change.kind,
        );
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
