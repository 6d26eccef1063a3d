//! The stack around the transport's own health routes, and around a tiny service that waits,
//! panics or fails on request.

use std::cell::RefCell;
use std::convert::Infallible;
use std::error::Error as _;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Once;

use http_body::Body as _;
use opentelemetry::trace::TracerProvider as _;
use opentelemetry_sdk::propagation::TraceContextPropagator;
use opentelemetry_sdk::trace::SdkTracerProvider;
use tonic::server::NamedService;
use tonic::service::{InterceptorLayer, Routes};
use tonic::transport::{Channel, Server};
use tonic_types::{ErrorDetails, StatusExt as _};
use tracing::level_filters::LevelFilter;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::{Registry, fmt};

use super::*;
use crate::access::AccessBell;
use crate::clock::Clock;
use ringtrue_store::Store;

const CHECK: &str = "/grpc.health.v1.Health/Check";
const RECORD: &str = "/ringtrue.v1.Tiny/Record";

/// A caller on this machine.
const HERE: Peer = Peer {
    address: IpAddr::V4(Ipv4Addr::LOCALHOST),
    certificate: None,
    encrypted: false,
};

/// Does what the last word of the path says.
#[derive(Clone)]
struct Tiny;

impl NamedService for Tiny {
    const NAME: &'static str = "ringtrue.v1.Tiny";
}

impl Service<Request<Body>> for Tiny {
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Answer<Infallible>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, request: Request<Body>) -> Answer<Infallible> {
        Box::pin(async move {
            match request.uri().path().rsplit('/').next() {
                Some("Wait") => pending().await,
                Some("Panic") => panic!("the offset is not a number"),
                Some("Fail") => {
                    let mut status = Status::internal("the reading could not be stored");
                    status.set_source(Arc::new(std::io::Error::other("no space is left")));
                    Ok(status.into_http())
                }
                _ => Ok(Response::new(Body::empty())),
            }
        })
    }
}

/// One piece of a request, as it stands.
struct Raw(Option<Vec<u8>>);

impl http_body::Body for Raw {
    type Data = <Body as http_body::Body>::Data;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Infallible>>> {
        Poll::Ready(self.0.take().map(|bytes| Ok(Frame::data(bytes.into()))))
    }
}

fn request(path: &str, body: Vec<u8>) -> Request<Body> {
    Request::builder()
        .method("POST")
        .extension(HERE)
        .uri(path)
        .header("content-type", "application/grpc")
        .body(Body::new(Raw(Some(body))))
        .expect("a request")
}

fn within(path: &str, timeout: &str) -> Request<Body> {
    let mut request = request(path, Vec::new());
    request
        .headers_mut()
        .insert("grpc-timeout", timeout.parse().expect("a header"));
    request
}

/// A message in its gRPC frame: not compressed, length, message.
fn framed(message: &[u8]) -> Vec<u8> {
    let length = u32::try_from(message.len()).expect("a short message");
    let mut frame = vec![0];
    frame.extend(length.to_be_bytes());
    frame.extend(message);
    frame
}

async fn stack(in_flight: usize) -> Stack {
    let mut settings = Settings::default();
    settings.limits.in_flight = in_flight;
    stack_of(&settings).await
}

async fn stack_of(settings: &Settings) -> Stack {
    logging();
    // Callers on this machine are let in without a look at the records: the store may lose its folder.
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let store = Store::open(&folder.path().join("ringtrue.db")).await;
    let store = store.expect("the store opens");
    let gate = Gate::new(
        store,
        Clock::system(),
        &settings.access,
        AccessBell::default(),
    );
    let drain = CancellationToken::new();
    Stack::new(settings, Meters::global(), drain, gate)
}

async fn health() -> Guarded<Routes> {
    let (_, server) = tonic_health::server::health_reporter();
    stack(8).await.layer(Routes::new(server))
}

async fn answer<S>(service: &mut Guarded<S>, request: Request<Body>) -> Response<Body>
where
    S: Service<Request<Body>, Response = Response<Body>, Error = Infallible>
        + Clone
        + Send
        + 'static,
    S::Future: Send,
{
    match service.call(request).await {
        Ok(response) => response,
        Err(never) => match never {},
    }
}

fn said(response: &Response<Body>) -> (Status, ErrorDetails) {
    let status = response
        .extensions()
        .get::<Status>()
        .expect("a failure")
        .clone();
    assert_eq!(
        code_of(response.headers()),
        status.code(),
        "the header agrees"
    );
    let details = status.get_error_details();
    let info = details.error_info().expect("every failure has a reason");
    assert_eq!(info.domain, "ringtrue");
    assert!(!info.reason.is_empty());
    (status, details)
}

fn reason(details: &ErrorDetails) -> &str {
    details
        .error_info()
        .map(|info| info.reason.as_str())
        .unwrap_or_default()
}

#[tokio::test]
async fn a_good_call_goes_through_unchanged() {
    let response = answer(&mut health().await, request(CHECK, framed(&[]))).await;
    assert_eq!(code_of(response.headers()), Code::Ok);
    assert!(
        !response.body().is_end_stream(),
        "the message is still there"
    );
}

#[tokio::test]
async fn text_that_is_not_utf_8_is_told_by_its_field() {
    // Field 1 (`service`), two bytes that no UTF-8 text has.
    let message = framed(&[0x0a, 2, 0xff, 0xfe]);
    let response = answer(&mut health().await, request(CHECK, message)).await;
    let (status, details) = said(&response);
    assert_eq!(status.code(), Code::InvalidArgument);
    let advice = "it is not UTF-8 text: send UTF-8 text";
    assert_eq!(
        status.message(),
        format!("the request is damaged at service; {advice}")
    );
    let violations = &details.bad_request().expect("a field").field_violations;
    assert_eq!(violations.len(), 1);
    assert_eq!(
        (
            violations[0].field.as_str(),
            violations[0].description.as_str()
        ),
        ("service", advice)
    );
}

#[tokio::test]
async fn a_nested_field_is_told_by_its_path() {
    let fault = "failed to decode Protobuf message: RecordReadingRequest.reading: Reading.rings: \
                 invalid wire type: Varint (expected LengthDelimited)";
    let better = explained(&Status::internal(fault)).expect("it is explained");
    assert_eq!(better.code(), Code::InvalidArgument);
    let details = better.get_error_details();
    assert_eq!(
        details.bad_request().expect("a field").field_violations[0].field,
        "reading.rings"
    );
    assert!(
        better.message().contains("protocol files"),
        "{}",
        better.message()
    );
}

#[tokio::test]
async fn requests_that_are_no_message_are_the_callers_fault() {
    let cut_short = vec![0, 0, 0, 0, 9, 1];
    let odd_flag = vec![7, 0, 0, 0, 0];
    let damaged = framed(&[0xff; 12]);
    for body in [Vec::new(), cut_short, odd_flag, damaged] {
        let response = answer(&mut health().await, request(CHECK, body.clone())).await;
        let (status, details) = said(&response);
        assert_eq!(status.code(), Code::InvalidArgument, "{body:?}: {status}");
        assert_eq!(reason(&details), "MALFORMED_REQUEST");
    }
}

#[tokio::test]
async fn a_request_over_the_limit_is_told_both_sizes_and_what_to_do() {
    let mut frame = vec![0];
    frame.extend(5_000_000_u32.to_be_bytes());
    let response = answer(&mut health().await, request(CHECK, frame)).await;
    let (status, details) = said(&response);
    assert_eq!(status.code(), Code::InvalidArgument);
    assert_eq!(reason(&details), "REQUEST_TOO_LARGE");
    assert_eq!(
        status.message(),
        "the request is 5000000 bytes, and at most 4194304 bytes are read: split it into several \
         calls, or raise limits.message_bytes on the server"
    );
}

#[tokio::test]
async fn a_call_nobody_serves_is_told_where_to_look() {
    for path in [
        "/grpc.health.v1.Health/Cure",
        "/ringtrue.v1.Nothing/Do",
        "/",
        "/favicon.ico",
    ] {
        let response = answer(&mut health().await, request(path, framed(&[]))).await;
        let (status, details) = said(&response);
        assert_eq!(
            (status.code(), reason(&details)),
            (Code::Unimplemented, "UNKNOWN_METHOD")
        );
        assert!(status.message().contains("reflection"), "{path}");
    }
}

#[tokio::test]
async fn one_call_too_many_is_asked_to_come_back_and_health_still_answers() {
    let full = stack(1).await;
    let mut tiny = full.layer(Tiny);
    let waiting = tiny.call(request("/ringtrue.v1.Tiny/Wait", Vec::new()));
    let (status, details) = said(&answer(&mut tiny, request(RECORD, Vec::new())).await);
    assert_eq!(
        (status.code(), reason(&details)),
        (Code::Unavailable, "BUSY")
    );
    let delay = details.retry_info().and_then(|info| info.retry_delay);
    assert_eq!(delay, Some(Duration::from_secs(1)));

    let (_, server) = tonic_health::server::health_reporter();
    let check = answer(
        &mut full.layer(Routes::new(server)),
        request(CHECK, framed(&[])),
    )
    .await;
    assert_eq!(code_of(check.headers()), Code::Ok);

    drop(waiting);
    let freed = answer(&mut tiny, request(RECORD, Vec::new())).await;
    assert_eq!(code_of(freed.headers()), Code::Ok);
}

#[tokio::test]
async fn new_calls_are_turned_away_while_the_server_stops() {
    let stack = stack(8).await;
    let mut tiny = stack.layer(Tiny);
    stack.drain.cancel();
    let (status, details) = said(&answer(&mut tiny, request(RECORD, Vec::new())).await);
    assert_eq!(
        (status.code(), reason(&details)),
        (Code::Unavailable, "STOPPING")
    );
    assert!(details.retry_info().is_some());
}

#[tokio::test]
async fn a_call_that_takes_too_long_is_given_up_and_its_place_is_free_again() {
    let mut tiny = stack(1).await.layer(Tiny);
    for _ in 0..2 {
        let response = answer(&mut tiny, within("/ringtrue.v1.Tiny/Wait", "20m")).await;
        let (status, details) = said(&response);
        assert_eq!(
            (status.code(), reason(&details)),
            (Code::DeadlineExceeded, "DEADLINE_EXCEEDED")
        );
        assert!(status.message().contains("0.018 s"), "{status}");
    }
}

#[tokio::test]
async fn the_answer_to_an_expired_deadline_comes_before_the_transports_own() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a port");
    let address = listener.local_addr().expect("an address");
    let incoming = tokio_stream::wrappers::TcpListenerStream::new(listener);
    let from_here = InterceptorLayer::new(|mut request: tonic::Request<()>| {
        request.extensions_mut().insert(HERE);
        Ok(request)
    });
    let server = Server::builder()
        .layer(from_here)
        .layer(stack(64).await)
        .add_service(Tiny);
    let serving = server.serve_with_incoming(incoming);
    let asking = async {
        let channel = Channel::from_shared(format!("http://{address}")).expect("an address");
        let mut channel = channel.connect().await.expect("a connection");
        let mut from_the_server = 0;
        for wait_us in (15_000..25_000).step_by(900) {
            std::future::poll_fn(|cx| Service::<Request<Body>>::poll_ready(&mut channel, cx))
                .await
                .expect("ready");
            let path = format!("http://{address}/ringtrue.v1.Tiny/Wait");
            // The client watches the deadline too, and on a busy machine it may be the first.
            if let Ok(answer) = channel.call(within(&path, &format!("{wait_us}u"))).await {
                let status = Status::from_header_map(answer.headers()).expect("a status");
                assert_eq!(
                    status.code(),
                    Code::DeadlineExceeded,
                    "{wait_us} us: {status}"
                );
                from_the_server += 1;
            }
        }
        assert!(from_the_server > 0, "the server never answered");
    };
    tokio::select! {
        ended = serving => panic!("the server ended: {ended:?}"),
        () = asking => {}
    }
}

#[tokio::test]
async fn the_deadline_is_the_callers_but_never_longer_than_ours() {
    let stack = stack(1).await;
    let unary = Call::of(RECORD);
    let limit = |headers: Request<Body>| stack.deadline(&unary, headers.headers());
    assert_eq!(
        limit(request(RECORD, Vec::new())),
        Some(Duration::from_secs(30))
    );
    assert_eq!(limit(within(RECORD, "1H")), Some(Duration::from_secs(30)));
    assert_eq!(
        limit(within(RECORD, "2S")),
        Some(Duration::from_millis(1_998))
    );
    assert_eq!(
        limit(within(RECORD, "3m")),
        Some(Duration::from_micros(1_500))
    );
    for unreadable in ["", "S", "12", "1.5S", "-1S", "123456789S", "1s"] {
        assert_eq!(
            limit(within(RECORD, unreadable)),
            Some(Duration::from_secs(30)),
            "{unreadable}"
        );
    }
    for stream in [
        "/grpc.health.v1.Health/Watch",
        "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
    ] {
        assert_eq!(
            stack.deadline(&Call::of(stream), within(stream, "1S").headers()),
            None
        );
    }
}

#[tokio::test]
async fn a_panic_fails_its_own_call_without_telling_the_caller_why() {
    let mut tiny = stack(1).await.layer(Tiny);
    let response = answer(&mut tiny, request("/ringtrue.v1.Tiny/Panic", Vec::new())).await;
    let (status, details) = said(&response);
    assert_eq!(
        (status.code(), reason(&details)),
        (Code::Internal, "INTERNAL")
    );
    assert!(!status.message().contains("offset"), "{status}");
    assert_eq!(
        chain(&status).as_deref(),
        Some("panicked: the offset is not a number")
    );
    let next = answer(&mut tiny, request(RECORD, Vec::new())).await;
    assert_eq!(code_of(next.headers()), Code::Ok);
}

#[tokio::test]
async fn a_failure_keeps_its_words_and_its_cause_for_the_log() {
    let mut tiny = stack(1).await.layer(Tiny);
    let response = answer(&mut tiny, request("/ringtrue.v1.Tiny/Fail", Vec::new())).await;
    let (status, details) = said(&response);
    assert_eq!(
        (status.code(), reason(&details)),
        (Code::Internal, "INTERNAL")
    );
    assert_eq!(status.message(), "the reading could not be stored");
    assert_eq!(
        status.source().map(ToString::to_string).as_deref(),
        Some("no space is left")
    );
    assert!(
        !response
            .headers()
            .iter()
            .any(|(_, value)| { value.to_str().is_ok_and(|text| text.contains("space")) })
    );
}

#[tokio::test]
async fn a_status_with_details_is_left_alone() {
    let made = told(
        Code::NotFound,
        "no furnace f7: list the furnaces",
        "MISSING",
        |_| {},
    );
    assert!(explained(&made).is_none());
    assert!(explained(&Status::new(Code::Ok, "")).is_none());
}

#[tokio::test]
async fn an_open_stream_ends_when_the_server_stops() {
    let stack = stack(8).await;
    let (_, server) = tonic_health::server::health_reporter();
    let mut health = stack.layer(Routes::new(server));
    let watch = request("/grpc.health.v1.Health/Watch", framed(&[]));
    let mut body = answer(&mut health, watch).await.into_body();
    let mut next = async || std::future::poll_fn(|cx| Pin::new(&mut body).poll_frame(cx)).await;
    let first = next().await.expect("a frame").expect("no fault");
    assert!(first.is_data());
    stack.drain.cancel();
    let last = next().await.expect("a frame").expect("no fault");
    let trailers = last.into_trailers().expect("the end");
    assert_eq!(code_of(&trailers), Code::Unavailable);
    assert!(next().await.is_none());
}

#[test]
fn a_method_is_named_without_its_package() {
    assert_eq!(
        Call::of("/ringtrue.v1.ReadingService/GetReading").method,
        "ReadingService/GetReading"
    );
    assert_eq!(Call::of("/").method, "/");
    assert!(Call::of(CHECK).is_health);
}

thread_local! {
    /// What was logged on this thread; a test has its thread to itself.
    static LINES: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) };
}

struct ToLines;

impl std::io::Write for ToLines {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        LINES.with_borrow_mut(|lines| lines.extend(bytes));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Starts the log of this test program. A place that logs remembers whether anybody listens, so
/// this comes before the first call of any test.
fn logging() {
    static STARTED: Once = Once::new();
    STARTED.call_once(|| {
        global::set_text_map_propagator(TraceContextPropagator::new());
        let tracer = SdkTracerProvider::builder().build().tracer("test");
        let log = Registry::default()
            .with(fmt::layer().with_ansi(false).with_writer(|| ToLines))
            .with(tracing_opentelemetry::layer().with_tracer(tracer))
            .with(LevelFilter::INFO);
        tracing::subscriber::set_global_default(log).expect("nobody else logs in this program");
    });
}

/// Gives the lines logged on this thread since the last time.
fn lines() -> Vec<String> {
    let bytes = LINES.take();
    String::from_utf8_lossy(&bytes)
        .lines()
        .map(str::to_owned)
        .collect()
}

#[tokio::test]
async fn every_call_leaves_one_line_with_its_method_code_and_duration() {
    let stack = stack(8).await;
    let mut tiny = stack.layer(Tiny);
    lines();
    for path in [RECORD, "/ringtrue.v1.Tiny/Panic", "/ringtrue.v1.Tiny/Fail"] {
        answer(&mut tiny, request(path, Vec::new())).await;
    }
    drop(tiny.call(request("/ringtrue.v1.Tiny/Wait", Vec::new())));
    stack.drain.cancel();
    answer(&mut tiny, request(RECORD, Vec::new())).await;

    let lines = lines();
    let wanted = [
        ("INFO", "answered method=\"Tiny/Record\" code=\"OK\"", ""),
        (
            "ERROR",
            "failed method=\"Tiny/Panic\" code=\"INTERNAL\"",
            "the offset is not a number",
        ),
        (
            "ERROR",
            "failed method=\"Tiny/Fail\" code=\"INTERNAL\"",
            "no space is left",
        ),
        (
            "INFO",
            "answered method=\"Tiny/Wait\" code=\"CANCELLED\"",
            "",
        ),
        (
            "WARN",
            "not done method=\"Tiny/Record\" code=\"UNAVAILABLE\"",
            "",
        ),
    ];
    assert_eq!(lines.len(), wanted.len(), "{lines:#?}");
    for (line, (level, words, cause)) in lines.iter().zip(wanted) {
        assert!(
            line.contains(level) && line.contains(words) && line.contains(cause),
            "{line}"
        );
        assert!(line.contains("duration_ms="), "{line}");
    }
}

#[tokio::test]
async fn a_call_joins_the_trace_of_its_caller() {
    // The example of W3C Trace Context, section 3.2.
    const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
    logging();
    let mut settings = Settings::default();
    settings.telemetry.otlp_endpoint = Some("http://127.0.0.1:1".to_owned());
    let stack = stack_of(&settings).await;
    let mut tiny = stack.layer(Tiny);
    lines();
    let mut ask = request(RECORD, Vec::new());
    let parent = format!("00-{TRACE}-00f067aa0ba902b7-01");
    ask.headers_mut()
        .insert("traceparent", parent.parse().expect("a header"));
    answer(&mut tiny, ask).await;
    answer(&mut tiny, request(RECORD, Vec::new())).await;

    let lines = lines();
    assert_eq!(lines.len(), 2, "{lines:#?}");
    assert!(
        lines[0].contains(&format!("trace_id=\"{TRACE}\"")),
        "{lines:#?}"
    );
    assert!(
        lines[1].contains("trace_id=") && !lines[1].contains(TRACE),
        "{lines:#?}"
    );
}
