//! The typed client and servers of every kind: whom it trusts, and what it says of the others.

use std::time::Duration;

use ringtrue_proto::v1::ListSitesRequest;
use ringtrue_remote::{Code, Failure, Remote, Settings, presented_authority};
use ringtrue_server::config::{ClientCertificates, Tls};
use ringtrue_tests::Network;

use crate::papers::{Holds, Papers, pinned};

const PATIENT: Duration = Duration::from_secs(30);

pub(crate) async fn encrypted(tls: Tls) -> Network {
    Network::start_with(|settings| settings.tls = tls).await
}

pub(crate) fn endpoint(network: &Network) -> String {
    format!("https://{}", network.address)
}

/// Makes a call and gives why it failed, if it did.
pub(crate) async fn called(settings: Settings) -> Result<(), Box<Failure>> {
    let remote = Remote::connect(settings).expect("usable settings");
    match remote.sites(ListSitesRequest::default()).await {
        // Who calls is not the transport's business: this answer came through it, encrypted, from the server.
        Err(failure)
            if matches!(
                failure.code,
                Code::Unauthenticated | Code::ResourceExhausted
            ) =>
        {
            Ok(())
        }
        answer => answer.map(drop),
    }
}

async fn refused(settings: Settings) -> Box<Failure> {
    let began = std::time::Instant::now();
    let failure = called(settings).await.expect_err("not trusted");
    assert_eq!(failure.code, Code::Unavailable, "{failure:?}");
    assert!(!failure.is_worth_repeating() && !failure.leaves_doubt());
    assert!(
        began.elapsed() < Duration::from_secs(8),
        "it was not tried until the deadline"
    );
    failure
}

#[tokio::test]
async fn a_client_that_pins_the_authority_is_served() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    called(pinned(endpoint(&network), papers.authority()))
        .await
        .expect("an answer");
}

#[tokio::test]
async fn a_server_of_another_authority_is_not_trusted() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    let failure = refused(pinned(endpoint(&network), Papers::new().authority())).await;
    assert_eq!(failure.reason, "UNKNOWN_AUTHORITY");
    assert!(
        failure
            .message
            .contains("the server shows a certificate that this client does not trust")
            && failure.message.contains("pin"),
        "{failure}"
    );
}

#[tokio::test]
async fn a_server_that_signed_for_itself_is_not_trusted() {
    let papers = Papers::new();
    let network = encrypted(papers.self_signed_server("127.0.0.1")).await;
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "UNKNOWN_AUTHORITY");
}

#[tokio::test]
async fn without_a_pin_a_private_authority_is_not_trusted() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    let settings = Settings {
        endpoint: endpoint(&network),
        ..Settings::default()
    };
    // A machine without any authorities refuses before it connects; one that has some, when it sees this one.
    match Remote::connect(settings) {
        Ok(remote) => {
            let failure = remote.sites(ListSitesRequest::default()).await;
            assert_eq!(
                failure.expect_err("not trusted").reason,
                "UNKNOWN_AUTHORITY"
            );
        }
        Err(unusable) => assert!(unusable.to_string().contains("authorities"), "{unusable}"),
    }
}

#[tokio::test]
async fn a_certificate_that_has_ended_is_refused_with_the_day() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::NoMore)).await;
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "CERTIFICATE_EXPIRED");
    assert!(
        failure.message.contains("2020-02-29") && failure.message.contains("renew"),
        "{failure}"
    );
}

#[tokio::test]
async fn a_certificate_that_does_not_hold_yet_is_refused_with_a_word_on_the_clock() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::NotYet)).await;
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "CERTIFICATE_NOT_YET_VALID");
    assert!(
        failure.message.contains("4000-01-01") && failure.message.contains("clock"),
        "{failure}"
    );
}

#[tokio::test]
async fn a_certificate_for_another_name_is_refused_with_both_names() {
    let papers = Papers::new();
    let network = encrypted(papers.server("ringtrue.example.org", Holds::Now)).await;
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "WRONG_NAME");
    assert!(
        failure
            .message
            .contains("is not for 127.0.0.1 but for ringtrue.example.org:"),
        "{failure}"
    );
}

#[tokio::test]
async fn a_client_without_a_certificate_is_told_to_ask_for_one() {
    let papers = Papers::new();
    let tls = papers.server("127.0.0.1", Holds::Now);
    let network = encrypted(papers.asking(tls, ClientCertificates::Required)).await;
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "CLIENT_CERTIFICATE_REFUSED", "{failure}");
    assert!(
        failure.message.contains("ask its administrator"),
        "{failure}"
    );

    let mut with = pinned(endpoint(&network), papers.authority());
    with.identity = Some(papers.client());
    called(with).await.expect("an answer");
}

#[tokio::test]
async fn a_client_certificate_of_another_authority_is_refused_with_words() {
    let papers = Papers::new();
    let tls = papers.server("127.0.0.1", Holds::Now);
    let network = encrypted(papers.asking(tls, ClientCertificates::Optional)).await;
    let mut with = pinned(endpoint(&network), papers.authority());
    with.identity = Some(Papers::new().client());
    let failure = refused(with).await;
    assert_eq!(failure.reason, "CLIENT_CERTIFICATE_REFUSED", "{failure}");

    called(pinned(endpoint(&network), papers.authority()))
        .await
        .expect("it is optional");
}

#[tokio::test]
async fn a_key_of_another_certificate_is_refused_before_anything_is_sent() {
    let papers = Papers::new();
    let mut settings = pinned("https://127.0.0.1:7145".to_owned(), papers.authority());
    let mut identity = papers.client();
    identity.key = papers.client().key;
    settings.identity = Some(identity);
    let unusable = Remote::connect(settings).expect_err("no pair");
    assert!(
        unusable.to_string().contains("belong together"),
        "{unusable}"
    );
}

#[tokio::test]
async fn an_encrypted_address_of_a_server_without_encryption_is_told_as_such() {
    let network = Network::start().await;
    let papers = Papers::new();
    let failure = refused(pinned(endpoint(&network), papers.authority())).await;
    assert_eq!(failure.reason, "NO_ENCRYPTION", "{failure}");
    assert!(failure.message.contains("does not encrypt"), "{failure}");
}

#[tokio::test]
async fn an_authority_is_presented_before_it_is_trusted_and_trusted_after() {
    let papers = Papers::new();
    let tls = papers.server("127.0.0.1", Holds::Now);
    for clients in [
        None,
        Some(ClientCertificates::Optional),
        Some(ClientCertificates::Required),
    ] {
        let tls = match clients {
            Some(clients) => papers.asking(tls.clone(), clients),
            None => tls.clone(),
        };
        let network = encrypted(tls).await;
        let presented = presented_authority(&endpoint(&network), PATIENT)
            .await
            .expect("it shows its authority");
        assert_eq!(presented.names, ["127.0.0.1"]);
        let of_server =
            ringtrue_server::transport::Particulars::of(&rustls_pem(&presented.authority_pem));
        assert_eq!(
            presented.pin.to_string(),
            of_server.expect("a certificate").pin
        );
        let mut settings = pinned(endpoint(&network), presented.authority_pem);
        settings.identity = clients.map(|_| papers.client());
        called(settings).await.expect("an answer");
    }
}

fn rustls_pem(pem: &[u8]) -> rustls::pki_types::CertificateDer<'static> {
    use rustls::pki_types::pem::PemObject as _;
    rustls::pki_types::CertificateDer::from_pem_slice(pem).expect("a certificate")
}

/// Makes a server's certificate of some kind.
type Kind = fn(&Papers) -> Tls;

#[tokio::test]
async fn nothing_is_presented_that_does_not_hold_together() {
    let kinds: [(Kind, &str); 4] = [
        (
            |papers| papers.self_signed_server("127.0.0.1"),
            "NO_AUTHORITY",
        ),
        (
            |papers| papers.server_without_authority("127.0.0.1"),
            "NO_AUTHORITY",
        ),
        (
            |papers| papers.server("127.0.0.1", Holds::NoMore),
            "CERTIFICATE_EXPIRED",
        ),
        (
            |papers| papers.server("192.0.2.7", Holds::Now),
            "WRONG_NAME",
        ),
    ];
    for (kind, reason) in kinds {
        let papers = Papers::new();
        let network = encrypted(kind(&papers)).await;
        let failure = presented_authority(&endpoint(&network), PATIENT)
            .await
            .expect_err("it does not hold together");
        assert_eq!(failure.reason, reason, "{failure}");
    }

    // A chain whose last certificate did not make the first.
    let papers = Papers::new();
    let tls = papers.server_without_authority("127.0.0.1");
    let path = papers.path("server.pem");
    let leaf = std::fs::read_to_string(&path).expect("a file");
    let foreign = String::from_utf8(Papers::new().authority()).expect("text");
    papers.write("server.pem", &format!("{leaf}{foreign}"));
    let network = encrypted(tls).await;
    let failure = presented_authority(&endpoint(&network), PATIENT)
        .await
        .expect_err("it does not hold together");
    assert_eq!(failure.reason, "UNKNOWN_AUTHORITY", "{failure}");
}

#[tokio::test]
async fn nothing_is_presented_where_nothing_encrypts() {
    let network = Network::start().await;
    for (endpoint, reason) in [
        (endpoint(&network), "NO_ENCRYPTION"),
        (network.endpoint(), "ADDRESS"),
        ("https://".to_owned(), "ADDRESS"),
        ("porto".to_owned(), "ADDRESS"),
    ] {
        let failure = presented_authority(&endpoint, PATIENT)
            .await
            .expect_err("nothing is presented");
        assert_eq!(failure.reason, reason, "{endpoint}: {failure}");
    }

    let silent = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = silent.local_addr().expect("a bound address");
    let short = Duration::from_millis(200);
    let failure = presented_authority(&format!("https://{address}"), short)
        .await
        .expect_err("nobody answers");
    assert_eq!(failure.reason, "UNREACHABLE", "{failure}");
    drop(silent);
    let failure = presented_authority(&format!("https://{address}"), PATIENT)
        .await
        .expect_err("nobody listens");
    assert_eq!(failure.reason, "UNREACHABLE", "{failure}");
}
