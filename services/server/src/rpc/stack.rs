//! What happens around every call: one layer, read from top to bottom in [`Guarded::call`].
//!
//! Answers of the transport are turned into the ones the product promises: a code a caller can act
//! on, words that say what to do next, and `google.rpc.ErrorInfo` always (Google AIP-193).

mod transport_faults;

use std::future::{Future, pending};
use std::panic::AssertUnwindSafe;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use futures::FutureExt as _;
use http::{HeaderMap, Request, Response};
use http_body::Frame;
use opentelemetry::global;
use opentelemetry::propagation::Extractor;
use opentelemetry::trace::TraceContextExt as _;
use ringtrue_fleet::caller::Caller;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;
use tonic::body::Body;
use tonic::{Code, Status};
use tower::{Layer, Service};
use tracing::field::Empty;
use tracing::{Instrument as _, Span};
use tracing_opentelemetry::OpenTelemetrySpanExt as _;

use super::access::OPEN;
use super::status;
use crate::access::{Admitted, Ended, Gate, Peer};
use crate::app::Error;
use crate::config::Settings;
use crate::lifecycle::panic_text;
use crate::telemetry::{Meters, code_name};
pub(in crate::rpc) use transport_faults::explained;
use transport_faults::{chain, status as told};

/// How long a caller that was turned away is asked to wait.
const COME_BACK: Duration = Duration::from_secs(1);

/// How much earlier than the caller's own deadline the answer is given, so that it arrives before
/// the transport, which watches the same deadline, answers CANCELLED. Two ticks of tokio's timer.
const HEAD_START: Duration = Duration::from_millis(2);

/// How long a stream goes on when the server stops, so that its last words still arrive: health tells
/// NOT_SERVING to whoever watches it.
const LAST_WORDS: Duration = Duration::from_millis(100);

/// The layer around every call; clones share the limits.
#[derive(Clone, Debug)]
pub struct Stack {
    in_flight: Arc<Semaphore>,
    longest: Duration,
    exporting: bool,
    meters: Meters,
    drain: CancellationToken,
    gate: Gate,
}

impl Stack {
    /// Gives the layer for these settings; it turns new calls away once `drain` is cancelled, and lets in whom
    /// `gate` knows.
    pub fn new(settings: &Settings, meters: Meters, drain: CancellationToken, gate: Gate) -> Self {
        Self {
            gate,
            in_flight: Arc::new(Semaphore::new(settings.limits.in_flight)),
            longest: Duration::from_secs(settings.limits.deadline_s),
            exporting: settings.telemetry.otlp_endpoint.is_some(),
            meters,
            drain,
        }
    }
}

impl<S> Layer<S> for Stack {
    type Service = Guarded<S>;

    fn layer(&self, inner: S) -> Guarded<S> {
        Guarded {
            inner,
            stack: self.clone(),
        }
    }
}

/// The routes with [`Stack`] around them.
#[derive(Clone, Debug)]
pub struct Guarded<S> {
    inner: S,
    stack: Stack,
}

type Answer<E> = Pin<Box<dyn Future<Output = Result<Response<Body>, E>> + Send>>;

impl<S> Service<Request<Body>> for Guarded<S>
where
    S: Service<Request<Body>, Response = Response<Body>> + Clone + Send + 'static,
    S::Future: Send,
    S::Error: Send,
{
    type Response = Response<Body>;
    type Error = S::Error;
    type Future = Answer<S::Error>;

    fn poll_ready(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), S::Error>> {
        self.inner.poll_ready(cx)
    }

    fn call(&mut self, request: Request<Body>) -> Answer<S::Error> {
        let began = Instant::now();
        // The instance that was asked whether it is ready is the one to call.
        let spare = self.inner.clone();
        let mut inner = std::mem::replace(&mut self.inner, spare);
        let stack = self.stack.clone();
        let call = Call::of(request.uri().path());

        // A span for the call, as part of the caller's trace if it sent one.
        let span = stack.span(&call, request.headers());

        // A limit on calls at the same time; and no new ones while the server stops.
        let admitted = stack.admitted(&call);

        // A deadline: the caller's own, and ours.
        let deadline = stack.deadline(&call, request.headers());

        // One measurement and one log line, also for a call its caller gives up.
        let record = Record {
            stack: stack.clone(),
            call,
            began,
            span: span.clone(),
            noted: false,
        };

        let answer = async move {
            let permit = match admitted {
                Ok(permit) => permit,
                Err(refusal) => return Ok(record.noted(refusal.into_http())),
            };

            // Who calls. What comes from outside the gate has no caller, and no right to anything.
            let mut request = request;
            request.extensions_mut().remove::<Caller>();
            let peer = request.extensions().get::<Peer>().copied();
            if let Some(peer) = peer {
                request.extensions_mut().insert(peer);
            }
            let admitted = stack.admit(&record.call, request.headers(), peer.as_ref());
            let admitted = match admitted.await {
                Ok(admitted) => admitted,
                Err(fault) => return Ok(record.noted(status::status(fault).into_http())),
            };
            if let Some(admitted) = &admitted {
                request.extensions_mut().insert(admitted.caller.clone());
            }

            // A panic in one call is that call's failure only.
            let work = AssertUnwindSafe(async move { inner.call(request).await }).catch_unwind();
            let done = match deadline {
                Some(limit) => tokio::time::timeout(limit, work).await,
                None => Ok(work.await),
            };
            drop(permit);

            let response = match done {
                Ok(Ok(Ok(response))) => response,
                Ok(Ok(Err(fault))) => return Err(fault),
                Ok(Err(panic)) => panicked(&*panic).into_http(),
                Err(_) => too_late(deadline.unwrap_or_default()).into_http(),
            };

            // What the transport said, in words and codes a caller can act on.
            let response = in_words(response);

            // An open stream would keep the server from stopping.
            let is_stream = record.call.is_stream;
            let response = if is_stream {
                stack.ending(response, admitted)
            } else {
                response
            };
            Ok(record.noted(response))
        };
        Box::pin(answer.instrument(span))
    }
}

/// What is known of a call from its path.
struct Call {
    /// `Service/Method`, without the package.
    method: String,
    /// Its answer goes on for as long as the caller likes.
    is_stream: bool,
    /// Answered even when the server is full or stopping: it says so.
    is_health: bool,
    /// Comes from somebody who has no credential yet.
    is_enrolment: bool,
}

/// Calls that answer for long, beside that of the health service.
const STREAMS: [&str; 4] = [
    "ServerReflectionInfo",
    "WatchAlerts",
    "WatchChanges",
    "ReportFiringStream",
];

impl Call {
    fn of(path: &str) -> Self {
        let is_enrolment = OPEN.contains(&path);
        let path = path.trim_start_matches('/');
        let (service, method) = path.split_once('/').unwrap_or((path, ""));
        let is_health = service == "grpc.health.v1.Health";
        let short = service.rsplit('.').next().unwrap_or(service);
        Self {
            method: format!("{short}/{method}"),
            is_stream: STREAMS.contains(&method) || (is_health && method == "Watch"),
            is_health,
            is_enrolment,
        }
    }
}

impl Stack {
    fn span(&self, call: &Call, headers: &HeaderMap) -> Span {
        let span = tracing::info_span!(
            "rpc",
            method = call.method,
            otel.name = Empty,
            otel.kind = Empty,
            otel.status_code = Empty,
            rpc.code = Empty,
        );
        if self.exporting {
            span.record("otel.name", format_args!("rpc.{}", call.method));
            span.record("otel.kind", "server");
            let caller = global::get_text_map_propagator(|text| text.extract(&Metadata(headers)));
            if let Err(cause) = span.set_parent(caller) {
                tracing::debug!(%cause, "the span does not join the caller's trace");
            }
        }
        span
    }

    fn admitted(&self, call: &Call) -> Result<Option<OwnedSemaphorePermit>, Status> {
        if call.is_health {
            return Ok(None);
        }
        if self.drain.is_cancelled() {
            return Err(come_back(
                "STOPPING",
                "the server is stopping: try again in a second",
            ));
        }
        match Arc::clone(&self.in_flight).try_acquire_owned() {
            Ok(permit) => Ok(Some(permit)),
            Err(_) => Err(come_back(
                "BUSY",
                "the server has as many calls as it can work on: try again in a second",
            )),
        }
    }

    /// Finds out who calls; nobody for calls that are open to everybody.
    async fn admit(
        &self,
        call: &Call,
        headers: &HeaderMap,
        peer: Option<&Peer>,
    ) -> Result<Option<Admitted>, Error> {
        if call.is_health {
            return Ok(None);
        }
        if call.is_enrolment {
            self.gate.enrolling(peer)?;
            return Ok(None);
        }
        self.gate.admit(headers, peer).await.map(Some)
    }

    fn deadline(&self, call: &Call, headers: &HeaderMap) -> Option<Duration> {
        if call.is_stream {
            return None;
        }
        let asked = headers
            .get("grpc-timeout")
            .and_then(|value| timeout(value.as_bytes()));
        let Some(asked) = asked else {
            return Some(self.longest);
        };
        let early = asked.saturating_sub(HEAD_START).max(asked / 2);
        Some(early.min(self.longest))
    }

    fn ending(&self, response: Response<Body>, admitted: Option<Admitted>) -> Response<Body> {
        let drain = self.drain.clone();
        let gate = self.gate.clone();
        let end = Box::pin(async move {
            let ended = async {
                match admitted {
                    Some(admitted) => gate.ended(admitted).await,
                    None => pending().await,
                }
            };
            tokio::select! {
                () = drain.cancelled() => {
                    tokio::time::sleep(LAST_WORDS).await;
                    come_back(
                        "STOPPING",
                        "the server is stopping: open the stream again in a second",
                    )
                }
                ended = ended => match ended {
                    Ended::Unknown => status::status(Error::Unknown),
                    Ended::Changed => come_back(
                        "ACCESS_CHANGED",
                        "what this caller may do has changed: open the stream again",
                    ),
                },
            }
        });
        response.map(|inner| {
            Body::new(Ending {
                inner,
                end,
                over: false,
            })
        })
    }
}

/// Measures and logs a call once: when its answer is ready, or when it is dropped before.
struct Record {
    stack: Stack,
    call: Call,
    began: Instant,
    span: Span,
    noted: bool,
}

impl Record {
    fn noted(mut self, response: Response<Body>) -> Response<Body> {
        let cause = response.extensions().get::<Status>().and_then(chain);
        self.note(code_of(response.headers()), cause.as_deref());
        response
    }

    fn note(&mut self, code: Code, cause: Option<&str>) {
        self.noted = true;
        let took = self.began.elapsed();
        let method = self.call.method.as_str();
        // A path nobody serves is the caller's invention; as a label it would have no bounds.
        let label = if code == Code::Unimplemented {
            "unknown"
        } else {
            method
        };
        self.stack.meters.rpc(label, code, took);

        let duration_ms = (took.as_secs_f64() * 1e6).round() / 1e3;
        let name = code_name(code);
        let mut trace_id = None;
        if self.stack.exporting {
            self.span.record("rpc.code", name);
            if is_our_fault(code) {
                self.span.record("otel.status_code", "ERROR");
            }
            let context = self.span.context().span().span_context().clone();
            trace_id = context.is_valid().then(|| context.trace_id().to_string());
        }
        // Outside the span, whose fields the line repeats: it is readable alone.
        if is_our_fault(code) {
            tracing::error!(parent: None, method, code = name, duration_ms, trace_id, cause, "failed");
        } else if is_strain(code) {
            tracing::warn!(parent: None, method, code = name, duration_ms, trace_id, cause, "not done");
        } else {
            tracing::info!(parent: None, method, code = name, duration_ms, trace_id, "answered");
        }
    }
}

impl Drop for Record {
    fn drop(&mut self) {
        if !self.noted {
            self.note(Code::Cancelled, None);
        }
    }
}

/// Gives the answer with a status that explains itself.
fn in_words(response: Response<Body>) -> Response<Body> {
    let headers = response.headers();
    let better = match response.extensions().get::<Status>() {
        Some(said) => explained(said),
        // Calls a service does not have are answered with a bare code.
        None if !headers.contains_key(Status::GRPC_STATUS_DETAILS) => {
            Status::from_header_map(headers).and_then(|said| explained(&said))
        }
        None => None,
    };
    match better {
        Some(status) => status.into_http(),
        None => response,
    }
}

/// Gives the code of an answer: it is among the headers when there is nothing but a status, and
/// follows the message otherwise.
fn code_of(headers: &HeaderMap) -> Code {
    match headers.get(Status::GRPC_STATUS) {
        Some(code) => Code::from_bytes(code.as_bytes()),
        None => Code::Ok,
    }
}

fn is_our_fault(code: Code) -> bool {
    matches!(code, Code::Internal | Code::Unknown | Code::DataLoss)
}

fn is_strain(code: Code) -> bool {
    matches!(
        code,
        Code::Unavailable | Code::ResourceExhausted | Code::DeadlineExceeded
    )
}

fn come_back(reason: &str, message: &str) -> Status {
    told(Code::Unavailable, message, reason, |details| {
        details.set_retry_info(Some(COME_BACK));
    })
}

fn too_late(limit: Duration) -> Status {
    let message = format!(
        "the call was not done after {:.3} s; it may still have been stored: send it again with \
         the same request_id, and allow more time",
        limit.as_secs_f64()
    );
    told(Code::DeadlineExceeded, message, "DEADLINE_EXCEEDED", |_| {})
}

/// A panic as a cause, for the log.
#[derive(Debug, thiserror::Error)]
#[error("panicked: {0}")]
struct Panicked(String);

fn panicked(panic: &(dyn std::any::Any + Send)) -> Status {
    let message = "the server met a fault of its own; it is in the server's log: report it";
    let mut status = told(Code::Internal, message, "INTERNAL", |_| {});
    status.set_source(Arc::new(Panicked(panic_text(panic).to_owned())));
    status
}

/// Reads a `grpc-timeout`: at most eight digits and a unit (gRPC over HTTP/2, "Timeout"). One that
/// cannot be read counts as none.
fn timeout(value: &[u8]) -> Option<Duration> {
    let (unit, digits) = value.split_last()?;
    if digits.is_empty() || digits.len() > 8 || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let amount: u64 = std::str::from_utf8(digits).ok()?.parse().ok()?;
    match unit {
        b'H' => Some(Duration::from_secs(amount * 3_600)),
        b'M' => Some(Duration::from_secs(amount * 60)),
        b'S' => Some(Duration::from_secs(amount)),
        b'm' => Some(Duration::from_millis(amount)),
        b'u' => Some(Duration::from_micros(amount)),
        b'n' => Some(Duration::from_nanos(amount)),
        _ => None,
    }
}

/// The caller's metadata, for reading a trace context.
struct Metadata<'a>(&'a HeaderMap);

impl Extractor for Metadata<'_> {
    fn get(&self, key: &str) -> Option<&str> {
        self.0.get(key).and_then(|value| value.to_str().ok())
    }

    fn keys(&self) -> Vec<&str> {
        self.0.keys().map(http::HeaderName::as_str).collect()
    }
}

/// A stream that ends when the server stops, or when its caller may no longer have it.
struct Ending {
    inner: Body,
    end: Pin<Box<dyn Future<Output = Status> + Send>>,
    over: bool,
}

impl http_body::Body for Ending {
    type Data = <Body as http_body::Body>::Data;
    type Error = Status;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Status>>> {
        if self.over {
            return Poll::Ready(None);
        }
        // What was ready before the end is still delivered.
        if let Poll::Ready(frame) = Pin::new(&mut self.inner).poll_frame(cx) {
            return Poll::Ready(frame);
        }
        let Poll::Ready(end) = self.end.as_mut().poll(cx) else {
            return Poll::Pending;
        };
        self.over = true;
        let mut trailers = HeaderMap::new();
        match end.add_header(&mut trailers) {
            Ok(()) => Poll::Ready(Some(Ok(Frame::trailers(trailers)))),
            Err(fault) => Poll::Ready(Some(Err(fault))),
        }
    }

    fn is_end_stream(&self) -> bool {
        self.over || self.inner.is_end_stream()
    }
}

#[cfg(test)]
mod tests;
