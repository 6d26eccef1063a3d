//! Pages and calendar feeds over HTTPS, on the same certificate.

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};

use ringtrue_server::serve;
use ringtrue_tests::Network;
use ringtrue_tests::process::PATIENCE;
use serde_json::json;

use crate::papers::{Holds, Papers};
use crate::refusing::foreign;

const ASK: &str = "GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";

/// A network whose pages are encrypted on this machine too, and their address.
async fn answering(papers: &Papers) -> (Network, SocketAddr) {
    let tls = papers.server("127.0.0.1", Holds::Now);
    let network = Network::start_with(|settings| {
        settings.tls = tls;
        settings.http.tls = true;
    })
    .await;
    let listener = serve::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)))
        .await
        .expect("a free port");
    let address = listener.local_addr().expect("a bound listener");
    serve::start_http(
        listener,
        &network.transport,
        &network.app,
        &network.lifecycle,
    );
    (network, address)
}

#[tokio::test]
async fn a_page_is_answered_over_https() {
    let papers = Papers::new();
    let (_network, address) = answering(&papers).await;
    for version in ["TLSv1_3", "TLSv1_2"] {
        let told = foreign(json!({
            "port": address.port(),
            "authority": papers.path("authority.pem"),
            "name": "127.0.0.1",
            "oldest": "TLSv1_2",
            "newest": version,
            "alpn": ["http/1.1"],
            "send": ASK,
        }))
        .await;
        assert_eq!(told["alpn"], "http/1.1", "{told}");
        let heard = told["heard"].as_str().expect("an answer");
        assert!(heard.starts_with("HTTP/1.1 200 OK\r\n"), "{heard}");
    }
}

#[tokio::test]
async fn nothing_is_answered_without_encryption_where_pages_are_encrypted() {
    let papers = Papers::new();
    let (_network, address) = answering(&papers).await;
    let heard = tokio::task::spawn_blocking(move || {
        let mut plain = TcpStream::connect(address).expect("it listens");
        plain.set_read_timeout(Some(PATIENCE)).expect("a time-out");
        plain.write_all(ASK.as_bytes()).expect("it is sent");
        let mut heard = Vec::new();
        // A reset is as good an end as any.
        drop(plain.read_to_end(&mut heard));
        heard
    });
    let heard = heard.await.expect("it does not panic");
    assert!(!heard.starts_with(b"HTTP/"), "{heard:?}");
}
