//! Certificates that are renewed under a running server.

use std::time::{Duration, Instant};

use ringtrue_proto::v1::{AlertLevel, ListSitesRequest};
use ringtrue_remote::{Remote, Told, presented_authority};
use ringtrue_tests::process::{PATIENCE, text};

use crate::installing::Installed;
use crate::papers::{Holds, Papers, pinned};
use crate::reaching::{called, encrypted, endpoint};

#[tokio::test(flavor = "multi_thread")]
async fn a_renewed_certificate_is_taken_and_open_streams_go_on() {
    let installed = Installed::new();
    let server = installed.serve();
    let endpoint = format!("https://{}", server.address);
    let settings = pinned(endpoint.clone(), installed.authority());
    let settings = installed.administrator(settings).await;
    let remote = Remote::connect(settings.clone()).expect("usable settings");
    let mut stream = remote.watch_alerts("sites/-", "", AlertLevel::Technician);
    let first = stream.next().await.expect("it begins");
    assert!(matches!(first, Told::Heartbeat { .. }), "{first:?}");
    server.line_with("connections are encrypted");

    let renewed = installed.renew(&["--name", "new.example.org"]);
    assert!(renewed.status.success(), "{}", text(&renewed.stderr));
    let line = server.line_with("connections are encrypted");
    assert!(line.contains("new.example.org"), "{line}");

    // The authority and so the pin are the same; the names are the new ones.
    let presented = presented_authority(&endpoint, PATIENCE)
        .await
        .expect("it shows its authority");
    assert_eq!(presented.authority_pem, installed.authority());
    assert_eq!(presented.names[0], "new.example.org");
    called(settings).await.expect("new connections are served");
    remote
        .sites(ListSitesRequest::default())
        .await
        .expect("the old connection is served");
    let told = tokio::time::timeout(Duration::from_millis(500), stream.next()).await;
    assert!(
        !matches!(told, Ok(Ok(Told::Lost(_)) | Err(_))),
        "the stream was broken: {told:?}"
    );
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn renewing_keeps_the_names_and_the_pin_and_changes_the_key() {
    let installed = Installed::new();
    let file = installed.path("tls/server-with-key.pem");
    let before = std::fs::read_to_string(&file).expect("a file");
    let renewed = installed.renew(&[]);
    assert!(renewed.status.success(), "{}", text(&renewed.stderr));
    let after = std::fs::read_to_string(&file).expect("a file");
    let key = |text: &str| {
        let (_, key) = text.split_once("PRIVATE KEY").expect("a key");
        key.to_owned()
    };
    assert_ne!(key(&before), key(&after));
    let server = installed.serve();
    let presented = presented_authority(&format!("https://{}", server.address), PATIENCE)
        .await
        .expect("it shows its authority");
    assert_eq!(presented.names[0], "ringtrue.example.org");
    assert_eq!(presented.authority_pem, installed.authority());
    server.stop();

    // Without the authority's key nothing is renewed, and nothing is broken.
    std::fs::remove_file(installed.path("tls/authority.key")).expect("it is ours");
    let refused = installed.renew(&[]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains("bring it back"),
        "{}",
        text(&refused.stderr)
    );
    assert_eq!(std::fs::read_to_string(&file).expect("a file"), after);
}

#[tokio::test(flavor = "multi_thread")]
async fn half_a_pair_keeps_the_old_one_until_the_whole_is_there() {
    let papers = Papers::new();
    let network = encrypted(papers.server("127.0.0.1", Holds::Now)).await;
    let settings = pinned(endpoint(&network), papers.authority());
    called(settings.clone()).await.expect("an answer");

    // Another authority's pair comes, its certificate first.
    let other = Papers::new();
    other.server("127.0.0.1", Holds::Now);
    let copied = |name: &str| std::fs::read_to_string(other.path(name)).expect("a file");
    papers.write("server.pem", &copied("server.pem"));
    let looked_several_times = Instant::now() + Duration::from_secs(4);
    while Instant::now() < looked_several_times {
        called(settings.clone())
            .await
            .expect("the old pair is kept");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    papers.write("server.key", &copied("server.key"));
    let end = Instant::now() + PATIENCE;
    while called(pinned(endpoint(&network), other.authority()))
        .await
        .is_err()
    {
        assert!(Instant::now() < end, "the new pair is not taken");
    }
    let old = called(settings).await.expect_err("the old pair is gone");
    assert_eq!(old.reason, "UNKNOWN_AUTHORITY");
}
