//! Clients that are turned away, and that it harms nobody else.

use std::io::Read as _;
use std::net::TcpStream;
use std::time::{Duration, Instant};

use ringtrue_proto::v1::ListSitesRequest;
use ringtrue_proto::v1::site_service_client::SiteServiceClient;
use ringtrue_remote::Settings;
use ringtrue_tests::Network;
use ringtrue_tests::process::{PATIENCE, Server, command};
use ringtrue_tests::python::asked;
use serde_json::{Value, json};
use tonic::Request;

use crate::papers::{Holds, Papers, pinned};
use crate::reaching::{called, encrypted, endpoint};

/// What a foreign client meets at a port.
pub(crate) async fn foreign(ask: Value) -> Value {
    let told = tokio::task::spawn_blocking(move || asked("transport/client.py", &ask.to_string()));
    let told = told.await.expect("it does not panic");
    serde_json::from_str(&told).expect("it prints JSON")
}

fn versions(network: &Network, papers: &Papers, oldest: &str, newest: &str) -> Value {
    json!({
        "port": network.address.port(),
        "authority": papers.path("authority.pem"),
        "name": "127.0.0.1",
        "oldest": oldest,
        "newest": newest,
        "alpn": ["h2"],
        "send": null,
    })
}

#[tokio::test]
async fn a_foreign_client_gets_the_newest_version_and_no_old_one() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    for (oldest, newest, version) in [
        ("TLSv1", "TLSv1_3", "TLSv1.3"),
        ("TLSv1", "TLSv1_2", "TLSv1.2"),
    ] {
        let told = foreign(versions(&network, &papers, oldest, newest)).await;
        assert_eq!(told["version"], version, "{told}");
        assert_eq!(told["alpn"], "h2");
        assert_eq!(told["names"], json!(["127.0.0.1"]));
    }
    for newest in ["TLSv1_1", "TLSv1"] {
        let told = foreign(versions(&network, &papers, "TLSv1", newest)).await;
        let error = told["error"].as_str().expect("it is refused");
        // The server's own alert: the client was ready to go on.
        let alerts = ["alert handshake failure", "alert protocol version"];
        assert!(alerts.iter().any(|alert| error.contains(alert)), "{error}");
    }
    called(pinned(endpoint(&network), papers.authority()))
        .await
        .expect("others are served");
}

#[tokio::test]
async fn a_client_that_agrees_on_another_protocol_is_refused() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    let mut ask = versions(&network, &papers, "TLSv1_2", "TLSv1_3");
    ask["alpn"] = json!(["http/1.1"]);
    let told = foreign(ask).await;
    let error = told["error"].as_str().expect("it is refused");
    assert!(error.contains("alert no application protocol"), "{error}");
}

#[tokio::test]
async fn a_client_without_encryption_is_refused_where_others_are_encrypted() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    let plain = Settings {
        endpoint: network.endpoint(),
        deadline: Duration::from_secs(2),
        ..Settings::default()
    };
    let failure = called(plain).await.expect_err("nothing is answered");
    assert_eq!(failure.reason, "NO_HTTP2", "{failure:?}");
    assert!(failure.message.contains("write https://"), "{failure}");
    called(pinned(endpoint(&network), papers.authority()))
        .await
        .expect("others are served");
}

#[tokio::test]
async fn a_client_that_says_nothing_is_closed_after_a_while() {
    let network = Network::start().await;
    let address = network.address;
    let silent = tokio::task::spawn_blocking(move || {
        let began = Instant::now();
        let mut silent = TcpStream::connect(address).expect("it listens");
        silent.set_read_timeout(Some(PATIENCE)).expect("a time-out");
        let mut said = Vec::new();
        silent
            .read_to_end(&mut said)
            .expect("the server closes it in time");
        began.elapsed()
    });
    let waited = silent.await.expect("it does not panic");
    assert!(
        waited >= Duration::from_secs(9),
        "it had its ten seconds: {waited:?}"
    );
    called(Settings {
        endpoint: network.endpoint(),
        ..Settings::default()
    })
    .await
    .expect("others are served");
}

#[tokio::test]
async fn too_many_headers_are_refused_and_harm_nobody() {
    let network = Network::start_with(|settings| settings.limits.header_bytes = 8 * 1024).await;
    // One connection for all of them.
    let mut client = SiteServiceClient::new(network.channel());
    for size in [10_000, 60_000] {
        let mut request = Request::new(ListSitesRequest::default());
        let value = "x".repeat(size).parse().expect("metadata");
        request.metadata_mut().insert("ringtrue-operator", value);
        let refused = client.list_sites(request).await;
        assert!(refused.is_err(), "{size} bytes were taken");
        client
            .list_sites(Request::new(ListSitesRequest::default()))
            .await
            .expect("others are served");
    }
}

#[tokio::test]
async fn one_address_has_so_many_connections() {
    let network = Network::start_with(|settings| settings.limits.connections_per_address = 3).await;
    let settings = || Settings {
        endpoint: network.endpoint(),
        deadline: Duration::from_secs(1),
        ..Settings::default()
    };
    let held: Vec<TcpStream> = (0..3)
        .map(|_| TcpStream::connect(network.address).expect("it listens"))
        .collect();
    let failure = called(settings()).await.expect_err("no place is left");
    // Which of both depends on where the deadline meets the tries.
    assert!(
        ["UNREACHABLE", "DEADLINE"].contains(&failure.reason.as_str()),
        "{failure:?}"
    );
    drop(held);
    let end = Instant::now() + PATIENCE;
    while called(settings()).await.is_err() {
        assert!(Instant::now() < end, "the places do not come back");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_cannot_open_any_more_files_goes_on_when_it_can() {
    let folder = tempfile::tempdir().expect("a folder");
    let database = folder.path().join("ringtrue.db");
    let program = command("ringtrue-server");
    let mut limited = std::process::Command::new("sh");
    limited
        .arg("-c")
        .arg("ulimit -n 64 && exec \"$@\"")
        .arg("sh")
        .arg(program.get_program())
        .args(["serve", "--listen", "127.0.0.1:0", "--database"])
        .arg(&database);
    let mut server = Server::started(limited);
    let settings = || Settings {
        endpoint: server.endpoint(),
        deadline: Duration::from_secs(2),
        ..Settings::default()
    };
    called(settings()).await.expect("an answer");
    let held: Vec<TcpStream> = (0..100)
        .map(|_| TcpStream::connect(&server.address).expect("the system takes it"))
        .collect();
    server.line_with("connections cannot be taken now");
    drop(held);
    let end = Instant::now() + PATIENCE;
    while called(settings()).await.is_err() {
        assert!(
            Instant::now() < end,
            "it does not recover: {}",
            server.said()
        );
    }
    assert!(server.runs());
    server.stop();
}
