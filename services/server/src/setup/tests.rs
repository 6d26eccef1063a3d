//! Checks of a first installation at moments that a test chooses. What the program makes of it is in
//! `tests/transport/installing.rs`.

use std::net::{Ipv4Addr, SocketAddr};

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use tempfile::TempDir;

use super::*;
use crate::transport::Particulars;

fn moment(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

async fn installed(now: &str) -> TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    first(folder.path())
        .make(moment(now))
        .await
        .expect("nothing is there yet");
    folder
}

fn first(folder: &Path) -> First {
    First {
        folder: folder.to_owned(),
        names: vec!["Ringtrue.Example.org".to_owned(), "localhost".to_owned()],
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 7145)),
        administrator: None,
    }
}

/// What the certificates of a file say, in order.
fn said(folder: &TempDir, name: &str) -> Vec<Particulars> {
    let pem = std::fs::read(folder.path().join(name)).expect("a file");
    CertificateDer::pem_slice_iter(&pem)
        .map(|found| Particulars::of(&found.expect("a certificate")).expect("a certificate"))
        .collect()
}

#[tokio::test]
async fn the_authority_holds_for_ten_years_and_the_certificate_for_397_days() {
    let folder = installed("2026-03-06T12:00:00Z").await;
    let authority = &said(&folder, AUTHORITY)[0];
    assert!(authority.is_authority);
    assert_eq!(authority.ends, moment("2036-03-05T12:00:00Z"));

    let chain = said(&folder, SERVER);
    assert_eq!(&chain[1], authority, "the chain ends with its authority");
    let server = &chain[0];
    assert!(!server.is_authority);
    assert_eq!(server.begins, moment("2026-03-05T12:00:00Z"));
    let days = server.ends.duration_since(server.begins).as_hours() / 24;
    assert_eq!(days, 397);
    assert_eq!(
        server.names,
        ["ringtrue.example.org", "localhost", "127.0.0.1", "::1"]
    );
}

#[tokio::test]
async fn no_certificate_outlives_its_authority() {
    let folder = installed("2026-03-06T12:00:00Z").await;
    let end = moment("2036-03-05T12:00:00Z");
    renew(folder.path(), &[], moment("2036-01-01T12:00:00Z")).expect("some weeks are left");
    assert_eq!(said(&folder, SERVER)[0].ends, end);

    for late in ["2036-03-05T11:00:00Z", "2040-01-01T12:00:00Z"] {
        let before = std::fs::read(folder.path().join(SERVER)).expect("a file");
        let refused = renew(folder.path(), &[], moment(late)).expect_err("nothing is left");
        assert!(
            format!("{refused:#}").contains("make a new one"),
            "{refused:#}"
        );
        let prefix = folder.path().join("client");
        let refused = client_certificate(folder.path(), "Porto", &prefix, moment(late));
        assert!(refused.is_err());
        assert!(!folder.path().join("client.key").exists());
        let after = std::fs::read(folder.path().join(SERVER)).expect("a file");
        assert!(before == after);
    }
}

#[tokio::test]
async fn what_was_made_is_taken_away_when_the_rest_does_not_succeed() {
    let place = tempfile::tempdir().expect("a folder");
    // Signs in the folder's name that no settings file can hold.
    let folder = place.path().join("a \"quoted\" name");
    let refused = first(&folder).make(moment("2026-03-06T12:00:00Z")).await;
    let refused = refused.expect_err("the settings cannot name it");
    assert!(format!("{refused:#}").contains("take another folder"));
    assert!(!folder.exists());
}

#[tokio::test]
async fn an_authority_and_a_key_that_do_not_belong_together_make_nothing() {
    let folder = installed("2026-03-06T12:00:00Z").await;
    let other = installed("2026-03-06T12:00:00Z").await;
    std::fs::copy(
        other.path().join(AUTHORITY_KEY),
        folder.path().join(AUTHORITY_KEY),
    )
    .expect("it is copied");
    let refused = renew(folder.path(), &[], moment("2026-03-07T12:00:00Z"));
    let refused = refused.expect_err("another authority's key");
    assert!(
        format!("{refused:#}").contains("do not belong together"),
        "{refused:#}"
    );
}
