//! Traces reach a collector when one is named, joined to the caller's trace; without one nothing is sent.

use std::fmt::Write as _;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use opentelemetry_proto::tonic::collector::trace::v1::trace_service_server::{
    TraceService, TraceServiceServer,
};
use opentelemetry_proto::tonic::collector::trace::v1::{
    ExportTraceServiceRequest, ExportTraceServiceResponse,
};
use opentelemetry_proto::tonic::common::v1::any_value::Value;
use ringtrue_proto::v1::ListSitesRequest;
use ringtrue_remote::{Remote, Settings};
use ringtrue_tests::process::Server;
use tokio::net::TcpListener;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Status};

use crate::laboratory::Folder;

/// The trace of a caller, after the example of W3C Trace Context, section 3.2.
const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
const PARENT: &str = "00f067aa0ba902b7";

/// A collector on loopback that keeps everything it is sent.
#[derive(Clone, Default)]
struct Collector {
    sent: Arc<Mutex<Vec<ExportTraceServiceRequest>>>,
}

#[tonic::async_trait]
impl TraceService for Collector {
    async fn export(
        &self,
        request: Request<ExportTraceServiceRequest>,
    ) -> Result<Response<ExportTraceServiceResponse>, Status> {
        self.sent
            .lock()
            .expect("not poisoned")
            .push(request.into_inner());
        Ok(Response::new(ExportTraceServiceResponse::default()))
    }
}

impl Collector {
    async fn listening(&self) -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("a bound address");
        let service = TraceServiceServer::new(self.clone());
        #[expect(
            clippy::disallowed_methods,
            reason = "the collector ends with the test's runtime"
        )]
        tokio::spawn(async move {
            tonic::transport::Server::builder()
                .add_service(service)
                .serve_with_incoming(TcpIncoming::from(listener))
                .await
        });
        address
    }

    fn sent(&self) -> Vec<ExportTraceServiceRequest> {
        self.sent.lock().expect("not poisoned").clone()
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    let mut text = String::new();
    for byte in bytes {
        write!(text, "{byte:02x}").expect("writing to a string cannot fail");
    }
    text
}

async fn asked_for_sites(server: &Server) {
    let settings = Settings {
        endpoint: server.endpoint(),
        traceparent: Some(format!("00-{TRACE}-{PARENT}-01")),
        ..Settings::default()
    };
    let remote = Remote::connect(settings).expect("an address");
    remote
        .sites(ListSitesRequest::default())
        .await
        .expect("sites");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_call_is_traced_to_the_named_collector_as_part_of_its_callers_trace() {
    let collector = Collector::default();
    let address = collector.listening().await;
    let folder = Folder::new();
    let server = Server::serve_with(&folder.database(), |command| {
        command.env(
            "RINGTRUE_SERVER__TELEMETRY__OTLP_ENDPOINT",
            format!("http://{address}"),
        );
        command.env(
            "RINGTRUE_SERVER__TELEMETRY__SERVICE_NAME",
            "server-of-the-test",
        );
    });
    asked_for_sites(&server).await;
    // What is left is sent at the end; the process is waited for in a thread, the collector needs this one.
    tokio::task::spawn_blocking(move || server.stop())
        .await
        .expect("stopped");

    let mut names = Vec::new();
    let mut found = None;
    for sent in collector.sent() {
        for resource in sent.resource_spans {
            let attributes = resource.resource.expect("a resource").attributes;
            let service = attributes
                .iter()
                .find(|a| a.key == "service.name")
                .and_then(|a| a.value.clone());
            let service = service.and_then(|value| value.value);
            assert_eq!(
                service,
                Some(Value::StringValue("server-of-the-test".to_owned()))
            );
            for span in resource
                .scope_spans
                .into_iter()
                .flat_map(|scope| scope.spans)
            {
                names.push(span.name.clone());
                if span.name.contains("ListSites") {
                    found = Some(span);
                }
            }
        }
    }
    let span = found.unwrap_or_else(|| panic!("no span of the call among {names:?}"));
    assert_eq!(span.name, "rpc.SiteService/ListSites");
    assert_eq!(hexadecimal(&span.trace_id), TRACE);
    assert_eq!(hexadecimal(&span.parent_span_id), PARENT);
    assert!(span.end_time_unix_nano >= span.start_time_unix_nano);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_sent_unless_a_collector_is_named_in_the_settings() {
    let collector = Collector::default();
    let address = collector.listening().await;
    let folder = Folder::new();
    // What libraries for telemetry listen to by themselves (OpenTelemetry specification, OTLP exporter).
    let server = Server::serve_with(&folder.database(), |command| {
        command.env("OTEL_EXPORTER_OTLP_ENDPOINT", format!("http://{address}"));
        command.env("OTEL_TRACES_EXPORTER", "otlp");
    });
    asked_for_sites(&server).await;
    tokio::task::spawn_blocking(move || server.stop())
        .await
        .expect("stopped");
    assert_eq!(collector.sent().len(), 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_collector_that_is_not_there_costs_no_call_and_a_bounded_end() {
    let folder = Folder::new();
    let closed = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let address = closed.local_addr().expect("a bound address");
    drop(closed);
    let server = Server::serve_with(&folder.database(), |command| {
        command.env(
            "RINGTRUE_SERVER__TELEMETRY__OTLP_ENDPOINT",
            format!("http://{address}"),
        );
    });
    asked_for_sites(&server).await;
    let start = std::time::Instant::now();
    tokio::task::spawn_blocking(move || server.stop())
        .await
        .expect("stopped");
    assert!(
        start.elapsed() < std::time::Duration::from_secs(15),
        "{:?}",
        start.elapsed()
    );
}
