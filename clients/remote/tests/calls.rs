//! What the client does around a call: metadata, request ids, repeats, deadlines.

mod wire;

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ringtrue_proto::v1::site_service_server::{SiteService, SiteServiceServer};
use ringtrue_proto::v1::{
    CreateSiteRequest, CreateSiteResponse, GetSiteRequest, GetSiteResponse, ListSitesRequest,
    ListSitesResponse, Site, UpdateSiteRequest, UpdateSiteResponse,
};
use ringtrue_remote::{Remote, Settings};
use tokio_stream::wrappers::TcpListenerStream;
use tonic::{Code, Request, Response, Status};
use wire::{Lost, Wire};

/// What the server saw of one attempt.
#[derive(Debug, Clone)]
struct Attempt {
    request_id: String,
    operator: Option<String>,
    client: Option<String>,
    traceparent: Option<String>,
    timeout: Option<String>,
}

/// A server that refuses as told, then answers.
#[derive(Clone, Default)]
struct Desk {
    refusals: Arc<Mutex<VecDeque<Status>>>,
    attempts: Arc<Mutex<Vec<Attempt>>>,
    never_answers: bool,
}

#[tonic::async_trait]
impl SiteService for Desk {
    async fn create_site(
        &self,
        request: Request<CreateSiteRequest>,
    ) -> Result<Response<CreateSiteResponse>, Status> {
        let text = |key: &str| {
            let value = request.metadata().get(key)?;
            value.to_str().ok().map(str::to_owned)
        };
        self.attempts.lock().expect("not poisoned").push(Attempt {
            request_id: request.get_ref().request_id.clone(),
            operator: text("ringtrue-operator"),
            client: text("ringtrue-client"),
            traceparent: text("traceparent"),
            timeout: text("grpc-timeout"),
        });
        if self.never_answers {
            std::future::pending::<()>().await;
        }
        if let Some(refusal) = self.refusals.lock().expect("not poisoned").pop_front() {
            return Err(refusal);
        }
        Ok(Response::new(CreateSiteResponse {
            site: request.into_inner().site,
        }))
    }

    async fn get_site(
        &self,
        _: Request<GetSiteRequest>,
    ) -> Result<Response<GetSiteResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn list_sites(
        &self,
        _: Request<ListSitesRequest>,
    ) -> Result<Response<ListSitesResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn update_site(
        &self,
        _: Request<UpdateSiteRequest>,
    ) -> Result<Response<UpdateSiteResponse>, Status> {
        Err(Status::unimplemented("not asked for here"))
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the server ends with the test's own runtime"
)]
async fn serve(desk: Desk) -> SocketAddr {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .expect("a free port on loopback");
    let address = listener.local_addr().expect("a bound address");
    let server = tonic::transport::Server::builder().add_service(SiteServiceServer::new(desk));
    tokio::spawn(server.serve_with_incoming(TcpListenerStream::new(listener)));
    address
}

fn settings(address: SocketAddr) -> Settings {
    Settings {
        endpoint: format!("http://{address}"),
        operator: Some("AB".to_owned()),
        ..Settings::default()
    }
}

fn porto() -> CreateSiteRequest {
    CreateSiteRequest {
        site: Some(Site {
            display_name: "Porto".to_owned(),
            ..Site::default()
        }),
        site_id: "porto".to_owned(),
        ..CreateSiteRequest::default()
    }
}

#[tokio::test]
async fn a_busy_server_is_asked_again_with_the_same_request_id() {
    let desk = Desk::default();
    desk.refusals
        .lock()
        .expect("not poisoned")
        .extend([Status::unavailable("draining"), Status::aborted("conflict")]);
    let remote = Remote::connect(settings(serve(desk.clone()).await)).expect("usable settings");

    let answer = remote.create_site(porto()).await.expect("the third time");

    assert_eq!(answer.site.expect("a site").display_name, "Porto");
    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts.len(), 3);
    assert!(!attempts[0].request_id.is_empty());
    assert_eq!(
        attempts[0].request_id.as_bytes()[14],
        b'7',
        "a UUIDv7 (RFC 9562)"
    );
    assert_eq!(attempts[0].request_id, attempts[1].request_id);
    assert_eq!(attempts[0].request_id, attempts[2].request_id);
}

#[tokio::test]
async fn a_refusal_is_final_and_the_callers_request_id_is_kept() {
    let desk = Desk::default();
    desk.refusals
        .lock()
        .expect("not poisoned")
        .push_back(Status::already_exists("a site with this id exists"));
    let remote = Remote::connect(settings(serve(desk.clone()).await)).expect("usable settings");
    let id = "0198f3a0-0000-7000-8000-000000000001";

    let failure = remote
        .create_site(CreateSiteRequest {
            request_id: id.to_owned(),
            ..porto()
        })
        .await
        .expect_err("refused");

    assert_eq!(failure.code, Code::AlreadyExists);
    assert_eq!(failure.message, "a site with this id exists");
    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts.len(), 1);
    assert_eq!(attempts[0].request_id, id);
}

#[tokio::test]
async fn every_call_says_who_makes_it_and_how_long_it_may_take() {
    let desk = Desk::default();
    let trace = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01";
    let remote = Remote::connect(Settings {
        traceparent: Some(trace.to_owned()),
        ..settings(serve(desk.clone()).await)
    })
    .expect("usable settings");

    remote.create_site(porto()).await.expect("an answer");

    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts[0].operator.as_deref(), Some("AB"));
    assert_eq!(attempts[0].client.as_deref(), Some("ringtrue-cli/0.1.0"));
    assert_eq!(attempts[0].traceparent.as_deref(), Some(trace));
    assert!(attempts[0].timeout.is_some());
}

#[tokio::test]
async fn a_server_that_never_answers_is_given_up_at_the_deadline() {
    let desk = Desk {
        never_answers: true,
        ..Desk::default()
    };
    let remote = Remote::connect(Settings {
        deadline: Duration::from_millis(150),
        ..settings(serve(desk.clone()).await)
    })
    .expect("usable settings");

    let failure = remote.create_site(porto()).await.expect_err("no answer");

    assert_eq!(failure.code, Code::DeadlineExceeded);
    assert_eq!(failure.reason, "DEADLINE");
    assert!(failure.leaves_doubt());
    assert_eq!(desk.attempts.lock().expect("not poisoned").len(), 1);
}

#[tokio::test]
async fn nobody_listening_is_said_to_be_unreachable() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port on loopback");
    let address = listener.local_addr().expect("a bound address");
    drop(listener);
    let remote = Remote::connect(Settings {
        deadline: Duration::from_millis(300),
        ..settings(address)
    })
    .expect("usable settings");

    let failure = remote.create_site(porto()).await.expect_err("nobody there");

    assert_eq!(failure.code, Code::Unavailable);
    assert_eq!(failure.reason, "UNREACHABLE");
}

#[tokio::test]
async fn settings_that_cannot_work_are_refused_before_anything_is_sent() {
    for endpoint in ["", "porto:7145", "ftp://127.0.0.1:7145", "not an address"] {
        let settings = Settings {
            endpoint: endpoint.to_owned(),
            ..Settings::default()
        };
        assert!(Remote::connect(settings).is_err(), "{endpoint}");
    }
    let settings = Settings {
        operator: Some("Zoë".to_owned()),
        ..Settings::default()
    };
    let refused = Remote::connect(settings).expect_err("not ASCII");
    assert!(refused.to_string().contains("without accents"), "{refused}");
}

/// A server behind a wire, and a client that has made one call over it.
async fn connected() -> (Desk, Wire, Remote) {
    let desk = Desk::default();
    let wire = Wire::to(serve(desk.clone()).await, "Porto");
    let remote = Remote::connect(settings(wire.address)).expect("usable settings");
    remote.create_site(porto()).await.expect("an answer");
    assert_eq!(wire.connections(), 1);
    (desk, wire, remote)
}

#[tokio::test]
async fn a_connection_that_broke_while_nobody_looked_is_made_anew() {
    let (desk, wire, remote) = connected().await;
    // Nothing of the client runs meanwhile, as while a person is asked in the same thread.
    wire.cut();
    remote.create_site(porto()).await.expect("an answer");
    assert_eq!(wire.connections(), 2);
    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts.len(), 2);
}

#[tokio::test]
async fn a_request_that_is_lost_with_its_connection_is_sent_again() {
    let (desk, wire, remote) = connected().await;
    wire.lose(Lost::Request);
    remote.create_site(porto()).await.expect("an answer");
    assert!(wire.has_lost());
    assert_eq!(wire.connections(), 2);
    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts.len(), 2);
    assert_ne!(attempts[0].request_id, attempts[1].request_id);
}

#[tokio::test]
async fn an_answer_that_is_lost_with_its_connection_is_asked_for_with_the_same_request_id() {
    let (desk, wire, remote) = connected().await;
    wire.lose(Lost::Answer);
    let answer = remote.create_site(porto()).await.expect("an answer");
    assert_eq!(answer.site.expect("a site").display_name, "Porto");
    assert!(wire.has_lost());
    assert_eq!(wire.connections(), 2);
    let attempts = desk.attempts.lock().expect("not poisoned").clone();
    assert_eq!(attempts.len(), 3);
    assert_ne!(attempts[0].request_id, attempts[1].request_id);
    assert_eq!(attempts[1].request_id, attempts[2].request_id);
}
