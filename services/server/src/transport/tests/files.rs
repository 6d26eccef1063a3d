//! Files that change while connections are taken.

use jiff::Timestamp;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use super::*;

/// The certificate that the server shows now.
async fn shown(door: &mut Opened, papers: &Papers) -> Vec<u8> {
    let client = door.shaken(papers, None).await.expect("a handshake");
    door.next().await;
    let (_, session) = client.get_ref();
    let chain = session.peer_certificates().expect("a chain");
    chain[0].to_vec()
}

/// A door whose certificates are followed.
async fn followed(papers: &Papers) -> Opened {
    let door = Opened::with(&papers.settings(None), PATIENT).await;
    let now: Timestamp = "2026-03-06T12:00:00Z".parse().expect("a moment");
    door.transport.follow(Clock::manual(now), &door.lifecycle);
    door
}

async fn until_changed(door: &mut Opened, papers: &Papers, before: &[u8]) {
    let changing = async { while shown(door, papers).await == before {} };
    tokio::time::timeout(PATIENT, changing)
        .await
        .expect("the new pair is taken");
}

#[tokio::test]
async fn a_new_pair_is_taken_and_connections_stay() {
    let papers = Papers::new();
    let mut door = followed(&papers).await;
    let mut client = door.shaken(&papers, None).await.expect("a handshake");
    let mut held = door.next().await;
    let before = shown(&mut door, &papers).await;
    let (chain, key) = papers.pair("localhost");
    papers.write("server.pem", &chain);
    papers.write("server.key", &key);
    until_changed(&mut door, &papers, &before).await;

    client.write_all(b"still here").await.expect("it is sent");
    let mut heard = [0; 10];
    held.read_exact(&mut heard).await.expect("it arrives");
    assert_eq!(&heard, b"still here");
}

#[tokio::test]
async fn a_new_authority_of_clients_is_taken() {
    let papers = Papers::new();
    let settings = papers.settings(Some(crate::config::ClientCertificates::Optional));
    let mut door = Opened::with(&settings, PATIENT).await;
    let now: Timestamp = "2026-03-06T12:00:00Z".parse().expect("a moment");
    door.transport.follow(Clock::manual(now), &door.lifecycle);
    let other = Papers::new();
    papers.write(
        "ca.pem",
        &std::fs::read_to_string(other.path("ca.pem")).expect("a file"),
    );
    let letting_in = async {
        loop {
            let client = other.client();
            let mut client = door
                .shaken(&papers, Some((client.chain, client.key)))
                .await
                .expect("its own part is done");
            // Whoever is refused hears so; whoever is let in hears nothing yet.
            let mut bytes = [0; 8];
            tokio::select! {
                _ = client.read(&mut bytes) => {}
                _ = door.incoming.next() => break,
            }
        }
    };
    tokio::time::timeout(PATIENT, letting_in)
        .await
        .expect("the new authority is taken");
}

#[test]
fn half_a_pair_changes_nothing_and_the_whole_pair_is_taken() {
    let papers = Papers::new();
    let certificates = Certificates::of(&papers.settings(None).tls)
        .expect("good files")
        .expect("there are some");
    let before = certificates.grpc();
    let mut watching = certificates.watching();
    let (chain, key) = papers.pair("localhost");
    papers.write("server.pem", &chain);
    for _ in 0..3 {
        watching.look();
        assert!(Arc::ptr_eq(&before, &certificates.grpc()));
    }
    papers.write("server.key", &key[..key.len() / 2]);
    for _ in 0..3 {
        watching.look();
        assert!(Arc::ptr_eq(&before, &certificates.grpc()));
    }
    papers.write("server.key", &key);
    watching.look();
    assert!(Arc::ptr_eq(&before, &certificates.grpc()), "seen once only");
    watching.look();
    assert!(!Arc::ptr_eq(&before, &certificates.grpc()));
}

#[test]
fn a_file_that_is_gone_changes_nothing() {
    let papers = Papers::new();
    let certificates = Certificates::of(&papers.settings(None).tls)
        .expect("good files")
        .expect("there are some");
    let before = certificates.grpc();
    let mut watching = certificates.watching();
    std::fs::remove_file(papers.path("server.pem")).expect("it is ours");
    for _ in 0..3 {
        watching.look();
        assert!(Arc::ptr_eq(&before, &certificates.grpc()));
    }
}

#[test]
fn a_key_that_others_may_read_is_refused_with_what_to_run() {
    let papers = Papers::new();
    for mode in [0o640, 0o604, 0o644, 0o620] {
        papers.allow("server.key", mode);
        let fault = Transport::of(&papers.settings(None)).expect_err("others may read it");
        let command = format!("chmod 600 {}", papers.path("server.key").display());
        assert!(fault.to_string().contains(&command), "{fault}");
    }
    papers.allow("server.key", 0o400);
    assert!(Transport::of(&papers.settings(None)).is_ok());
}

#[test]
fn files_that_cannot_be_used_are_named() {
    let settings =
        |papers: &Papers| papers.settings(Some(crate::config::ClientCertificates::Optional));
    let other = Papers::new().pair("localhost").1;
    for (file, text) in [
        ("server.pem", ""),
        (
            "server.pem",
            "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n",
        ),
        ("server.key", "no key"),
        ("server.key", other.as_str()),
        ("ca.pem", "no certificate"),
    ] {
        let papers = Papers::new();
        assert!(Transport::of(&settings(&papers)).is_ok());
        papers.write(file, text);
        let fault = Transport::of(&settings(&papers)).expect_err("unusable");
        assert!(fault.to_string().contains(file), "{fault}");
        std::fs::remove_file(papers.path(file)).expect("it is ours");
        let fault = Transport::of(&settings(&papers)).expect_err("not there");
        assert!(fault.to_string().contains(file), "{fault}");
    }
}

#[test]
fn the_end_of_a_certificate_is_spoken_of_once_a_day_in_its_last_month() {
    let papers = Papers::new();
    let certificates = Certificates::of(&papers.settings(None).tls)
        .expect("good files")
        .expect("there are some");
    // The certificates of rcgen end in the year 4096.
    let at = |text: &str| text.parse::<Timestamp>().expect("a moment");
    let mut watching = certificates.watching();
    assert!(!watching.speaks_at(at("4095-11-01T00:00:00Z")));
    assert!(watching.speaks_at(at("4095-12-20T00:00:00Z")));
    assert!(!watching.speaks_at(at("4095-12-20T23:00:00Z")));
    assert!(watching.speaks_at(at("4095-12-21T01:00:00Z")));
    assert!(watching.speaks_at(at("4096-02-01T00:00:00Z")), "ended");
}
