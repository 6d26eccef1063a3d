//! Who is known to be at the other end.

use std::convert::Infallible;
use std::future::{Ready, ready};
use std::task::{Context, Poll};

use http::{Request, Response};
use tokio::io::AsyncReadExt as _;
use tokio::sync::mpsc;
use tonic::body::Body;
use tonic::transport::server::Connected as _;
use tonic::transport::{Channel, Endpoint, Server};
use tower::{Service, ServiceExt as _};

use super::*;
use crate::access::Peer;
use crate::config::ClientCertificates;

#[tokio::test]
async fn a_plain_connection_is_of_its_address_and_not_encrypted() {
    let mut door = Opened::with(&Settings::default(), PATIENT).await;
    let _client = door.plain().await;
    let peer = door.next().await.connect_info();
    assert_eq!(
        peer,
        Peer {
            address: Ipv4Addr::LOCALHOST.into(),
            certificate: None,
            encrypted: false,
        }
    );
    assert!(peer.is_local());
}

#[tokio::test]
async fn an_encrypted_connection_is_known_by_the_certificate_that_was_shown() {
    let papers = Papers::new();
    for clients in [ClientCertificates::Optional, ClientCertificates::Required] {
        let mut door = Opened::with(&papers.settings(Some(clients)), PATIENT).await;
        let shown = papers.client();
        let _client = door
            .shaken(&papers, Some((shown.chain, shown.key)))
            .await
            .expect("a good certificate");
        let peer = door.next().await.connect_info();
        assert!(peer.encrypted);
        assert_eq!(peer.certificate, Some(shown.sha256));
    }
}

#[tokio::test]
async fn a_client_without_a_certificate_comes_in_where_it_is_optional() {
    let papers = Papers::new();
    let settings = papers.settings(Some(ClientCertificates::Optional));
    let mut door = Opened::with(&settings, PATIENT).await;
    let _client = door.shaken(&papers, None).await.expect("none is needed");
    let peer = door.next().await.connect_info();
    assert_eq!((peer.encrypted, peer.certificate), (true, None));
}

#[tokio::test]
async fn a_certificate_is_not_asked_for_without_an_authority_to_check_it() {
    let papers = Papers::new();
    let mut door = Opened::with(&papers.settings(None), PATIENT).await;
    let shown = papers.client();
    let _client = door
        .shaken(&papers, Some((shown.chain, shown.key)))
        .await
        .expect("it is not asked for");
    assert_eq!(door.next().await.connect_info().certificate, None);
}

/// Reads until the server ends the connection; gives why.
async fn end(mut client: TlsStream<TcpStream>) -> String {
    let mut bytes = [0; 64];
    let read = tokio::time::timeout(PATIENT, client.read(&mut bytes));
    match read.await.expect("the server ends it in time") {
        Ok(_) => String::new(),
        Err(fault) => fault.to_string(),
    }
}

#[tokio::test]
async fn a_client_without_a_certificate_is_refused_where_it_is_required() {
    let papers = Papers::new();
    let settings = papers.settings(Some(ClientCertificates::Required));
    let mut door = Opened::with(&settings, PATIENT).await;
    // In TLS 1.3 the client has done its part before the server refuses.
    let client = door
        .shaken(&papers, None)
        .await
        .expect("its own part is done");
    let why = end(client).await;
    assert!(why.contains("CertificateRequired"), "{why}");

    let shown = papers.client();
    let _good = door.shaken(&papers, Some((shown.chain, shown.key))).await;
    let first = door.next().await.connect_info();
    assert_eq!(
        first.certificate,
        Some(shown.sha256),
        "nobody came in before"
    );
}

#[tokio::test]
async fn a_certificate_of_another_authority_is_refused_even_where_it_is_optional() {
    let papers = Papers::new();
    let settings = papers.settings(Some(ClientCertificates::Optional));
    let mut door = Opened::with(&settings, PATIENT).await;
    let foreign = Papers::new().client();
    let client = door.shaken(&papers, Some((foreign.chain, foreign.key)));
    let why = end(client.await.expect("its own part is done")).await;
    assert!(!why.is_empty(), "the connection ends with a reason");

    let _good = door.shaken(&papers, None).await;
    let first = door.next().await.connect_info();
    assert_eq!(first.certificate, None, "nobody came in before");
}

/// Tells who calls.
#[derive(Clone)]
struct Telling(mpsc::UnboundedSender<Option<Peer>>);

impl Service<Request<Body>> for Telling {
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Ready<Result<Response<Body>, Infallible>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, request: Request<Body>) -> Self::Future {
        let peer = request.extensions().get::<Peer>().copied();
        self.0.send(peer).expect("the test listens");
        ready(Ok(Response::new(Body::empty())))
    }
}

#[tokio::test]
#[expect(
    clippy::disallowed_methods,
    reason = "the server ends with the test's own runtime"
)]
async fn every_request_carries_who_is_at_the_other_end() {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .await
        .expect("a free port");
    let address = listener.local_addr().expect("a bound listener");
    let lifecycle = Lifecycle::new();
    let settings = Settings::default();
    let transport = Transport::of(&settings).expect("nothing to read");
    let incoming = Incoming::start(listener, &transport, &settings.limits, &lifecycle);
    let (sender, mut told) = mpsc::unbounded_channel();
    tokio::spawn(Server::builder().serve_with_incoming(Telling(sender), incoming));

    let mut channel: Channel = Endpoint::from_shared(format!("http://{address}"))
        .expect("an address")
        .connect_lazy();
    for _ in 0..2 {
        let channel = channel.ready().await.expect("it listens");
        channel
            .call(Request::new(Body::empty()))
            .await
            .expect("an answer");
        let peer = told.recv().await.expect("a call").expect("a peer");
        assert!(peer.is_local());
    }
    lifecycle.stop.cancel();
}
