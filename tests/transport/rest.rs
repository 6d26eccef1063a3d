//! Calls over REST on encrypted connections: who is at the other end is known there too.

use std::net::{Ipv4Addr, SocketAddr};

use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::Role;
use ringtrue_server::config::ClientCertificates;
use ringtrue_tests::Network;
use ringtrue_tests::credentials::grant;
use serde_json::json;

use crate::papers::{Holds, Papers};
use crate::refusing::foreign;

/// A network that answers over HTTPS, its address there, and an administrator's token.
async fn answering(papers: &Papers, clients: ClientCertificates) -> (Network, SocketAddr, String) {
    let tls = papers.asking(papers.server("127.0.0.1", Holds::Now), clients);
    let network = Network::start_with(|settings| {
        settings.tls = tls;
        settings.http.tls = true;
        settings.http.listen = Some(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)));
    })
    .await;
    let address = network.http.expect("it answers over HTTP");
    let holder = Holder::Person("ad1".to_owned());
    let held = network.held(holder, grant(Role::Administrator, &[])).await;
    (network, address, held.token.text())
}

/// The status and the body of an answer.
async fn asked(
    papers: &Papers,
    address: SocketAddr,
    path: &str,
    token: Option<&str>,
    with_certificate: bool,
) -> (String, String) {
    let authorization = token.map_or_else(String::new, |token| {
        format!("Authorization: Bearer {token}\r\n")
    });
    let identity = papers.path("client.pem");
    let told = foreign(json!({
        "port": address.port(),
        "authority": papers.path("authority.pem"),
        "name": "127.0.0.1",
        "oldest": "TLSv1_3",
        "newest": "TLSv1_3",
        "alpn": ["http/1.1"],
        "identity": with_certificate.then_some(identity),
        "send": format!(
            "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{authorization}\r\n"
        ),
    }))
    .await;
    let heard = told["heard"].as_str().unwrap_or_else(|| panic!("{told}"));
    let status = heard.split(' ').nth(1).expect("a status").to_owned();
    let (_, body) = heard.split_once("\r\n\r\n").expect("headers end");
    (status, body.to_owned())
}

fn with_client(papers: &Papers) {
    let client = papers.client();
    let certificate = String::from_utf8(client.certificate).expect("PEM is text");
    papers.write(
        "client.pem",
        &format!("{certificate}{}", client.key.reveal()),
    );
}

#[tokio::test]
async fn a_token_proves_a_caller_over_https_and_its_certificate_is_seen() {
    let papers = Papers::new();
    with_client(&papers);
    let (network, address, token) = answering(&papers, ClientCertificates::Optional).await;
    for with_certificate in [false, true] {
        let (status, body) = asked(
            &papers,
            address,
            "/v1:whoAmI",
            Some(&token),
            with_certificate,
        )
        .await;
        assert_eq!(status, "200", "{body}");
        assert!(body.contains("\"encrypted\":true"), "{body}");
        assert!(body.contains("\"address\":\"127.0.0.1\""), "{body}");
    }
    // A certificate that no credential is bound to proves nobody, and nothing at all even less.
    for with_certificate in [false, true] {
        let (status, body) = asked(&papers, address, "/v1/sites", None, with_certificate).await;
        assert_eq!(status, "401", "{body}");
    }
    drop(network);
}

#[tokio::test]
async fn where_a_certificate_must_be_shown_calls_without_one_are_refused_and_feeds_are_not() {
    let papers = Papers::new();
    with_client(&papers);
    let (network, address, token) = answering(&papers, ClientCertificates::Required).await;
    let (status, body) = asked(&papers, address, "/v1/sites", Some(&token), false).await;
    assert_eq!(status, "401");
    assert!(body.contains("CERTIFICATE_NEEDED"), "{body}");
    let (status, body) = asked(&papers, address, "/v1/sites", Some(&token), true).await;
    assert_eq!(status, "200", "{body}");
    let (status, _) = asked(&papers, address, "/healthz", None, false).await;
    assert_eq!(status, "200");
    let (status, _) = asked(&papers, address, "/calendar/x.ics", None, false).await;
    assert_eq!(status, "404");
    drop(network);
}
