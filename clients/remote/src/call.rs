//! The one door through which every call leaves: metadata, deadline, retries.

use std::future::Future;
use std::time::Duration;

use backon::{BackoffBuilder as _, ExponentialBuilder};
use tokio::time::Instant;
use tonic::metadata::AsciiMetadataValue;
use tonic::transport::Channel;
use tonic::{Code, Request, Response, Status};
use uuid::Uuid;

use crate::contact::{Contact, LastContact};
use crate::{Failure, Secret, Settings, Unusable, endpoint};

/// An answer of the server, or why there is none. Boxed, because a failure is much larger than most
/// answers are often.
pub type Outcome<Answer> = Result<Answer, Box<Failure>>;

/// Largest answer taken. A page of a thousand evaluated readings is a few MiB.
pub(crate) const LARGEST_ANSWER_BYTES: usize = 32 << 20;

/// The reason of an answer that is still being worked out.
const BEING_PREPARED: &str = "BEING_PREPARED";

/// How often a failed call is made again, at most.
const REPEATS: usize = 6;

/// A connection to a server. Cloning is cheap and shares the connection.
#[derive(Debug, Clone)]
pub struct Remote {
    channel: Channel,
    deadline: Duration,
    metadata: Vec<(&'static str, AsciiMetadataValue)>,
    contact: LastContact,
}

impl Remote {
    /// Prepares a connection; it is opened by the first call. Needs a running tokio runtime.
    ///
    /// # Errors
    /// [`Unusable`] when a setting cannot be used; nothing was sent then.
    pub fn connect(settings: Settings) -> Result<Self, Unusable> {
        let channel = endpoint::prepared(&settings)?
            .connect_timeout(settings.connect_timeout)
            .http2_keep_alive_interval(Duration::from_secs(30))
            .keep_alive_timeout(Duration::from_secs(10))
            .keep_alive_while_idle(true)
            .connect_lazy();
        Remote::over(channel, settings)
    }

    /// Uses a channel that exists already, for example one inside the same process.
    ///
    /// # Errors
    /// [`Unusable`] when the token, operator, client or trace cannot travel with a call, or not to that address.
    pub fn over(channel: Channel, settings: Settings) -> Result<Self, Unusable> {
        endpoint::checked(&settings)?;
        let mut metadata = vec![("ringtrue-client", sendable("client", settings.client)?)];
        if let Some(operator) = settings.operator {
            metadata.push(("ringtrue-operator", sendable("operator", operator)?));
        }
        if let Some(token) = &settings.token {
            metadata.push(("authorization", bearer(token)?));
        }
        if let Some(trace) = settings.traceparent {
            metadata.push(("traceparent", sendable("trace", trace)?));
        }
        Ok(Remote {
            channel,
            deadline: settings.deadline,
            metadata,
            contact: LastContact::default(),
        })
    }

    /// Makes a call, again when that is worth it, within the deadline.
    pub(crate) async fn call<Ask, Answer, Sent>(
        &self,
        ask: Ask,
        send: impl Fn(Channel, Request<Ask>) -> Sent,
    ) -> Outcome<Answer>
    where
        Ask: Clone,
        Sent: Future<Output = Result<Response<Answer>, Status>>,
    {
        let end = Instant::now() + self.deadline;
        let mut pauses = ExponentialBuilder::default()
            .with_min_delay(Duration::from_millis(40))
            .with_max_delay(Duration::from_secs(1))
            .with_max_times(REPEATS)
            .with_jitter()
            .build();
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let request = self.request(ask.clone(), left);
            let sent = send(self.channel.clone(), request);
            let answer = tokio::time::timeout(left, sent).await;
            match &answer {
                Ok(Ok(response)) => self.contact.note(response.metadata()),
                Ok(Err(status)) => self.contact.note(status.metadata()),
                Err(_elapsed) => {}
            }
            let failure = match answer {
                Ok(Ok(response)) => return Ok(response.into_inner()),
                Ok(Err(status)) if ran_out_here(&status) => self.overdue(),
                Ok(Err(status)) => Failure::of(&status),
                Err(_elapsed) => self.overdue(),
            };
            // What is being prepared may take longer than any deadline, and says how far it is: whoever asked says so
            // in turn, and asks again.
            if !failure.is_worth_repeating() || failure.reason == BEING_PREPARED {
                return Err(Box::new(failure));
            }
            let Some(pause) = pauses.next() else {
                return Err(Box::new(failure));
            };
            let pause = failure
                .retry_after
                .map_or(pause, |asked_for| pause.max(asked_for));
            if Instant::now() + pause >= end {
                return Err(Box::new(failure));
            }
            tokio::time::sleep(pause).await;
        }
    }

    /// The server's last answer, by whichever clone it was asked for; none before the first.
    pub fn last_contact(&self) -> Option<Contact> {
        self.contact.last()
    }

    /// The connection, for calls that answer more than once.
    pub(crate) fn channel(&self) -> Channel {
        self.channel.clone()
    }

    fn request<Ask>(&self, ask: Ask, left: Duration) -> Request<Ask> {
        let mut request = self.stamped(ask);
        request.set_timeout(left);
        request
    }

    /// A request that says who makes it, without a deadline.
    pub(crate) fn stamped<Ask>(&self, ask: Ask) -> Request<Ask> {
        let mut request = Request::new(ask);
        for (key, value) in &self.metadata {
            request.metadata_mut().insert(*key, value.clone());
        }
        request
    }

    fn overdue(&self) -> Failure {
        let message = format!(
            "no answer came within {} s; it may still have been carried out",
            self.deadline.as_secs_f64()
        );
        Failure::plain(Code::DeadlineExceeded, "DEADLINE", &message)
    }
}

/// Gives a request an id when its caller gave none, so that it can be repeated without doing it
/// twice.
#[expect(
    clippy::disallowed_methods,
    reason = "the id is the client's own and never shown; who wants to know it passes one"
)]
pub(crate) fn identify(request_id: &mut String) {
    if request_id.is_empty() {
        *request_id = Uuid::now_v7().to_string();
    }
}

/// The transport reports its own time limit as a cancellation, which a server never sends.
fn ran_out_here(status: &Status) -> bool {
    status.code() == Code::Cancelled && status.message() == "Timeout expired"
}

fn sendable(what: &'static str, value: String) -> Result<AsciiMetadataValue, Unusable> {
    // The metadata type takes bytes beyond ASCII too, which gRPC does not carry.
    match AsciiMetadataValue::try_from(value.as_str()) {
        Ok(usable) if value.is_ascii() => Ok(usable),
        _ => Err(Unusable::Metadata { what, value }),
    }
}

fn bearer(token: &Secret) -> Result<AsciiMetadataValue, Unusable> {
    let token = token.reveal();
    let is_plain = !token.is_empty() && token.bytes().all(|byte| byte.is_ascii_graphic());
    let value = AsciiMetadataValue::try_from(format!("Bearer {token}")).ok();
    let mut value = value.filter(|_| is_plain).ok_or(Unusable::Token)?;
    // Kept out of the transport's own logs and of what HTTP/2 remembers between calls.
    value.set_sensitive(true);
    Ok(value)
}
