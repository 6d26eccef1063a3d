//! What proves a credential, and what only looks as if it did.

use jiff::SignedDuration;
use ringtrue_fleet::credential::{CredentialWish, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role};

use super::*;

fn now() -> Timestamp {
    "2026-03-06T12:00:00Z".parse().expect("a moment")
}

fn token() -> Token {
    Token {
        credential: CredentialId::from_uuid(uuid::Uuid::from_u128(0xab_cdef)),
        secret: "s".repeat(43),
    }
}

fn digest(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

fn credential(secret: Option<&str>, certificate: Option<[u8; 32]>) -> Credential {
    let wish = CredentialWish {
        display_name: "bench".to_owned(),
        holder: Holder::Device,
        grant: Grant {
            role: Role::Quality,
            permissions: BTreeSet::new(),
            reach: Reach::Network,
        },
        certificate,
        lifetime_days: 10,
    };
    wish.credential(token().credential, secret.map(digest), now())
}

fn peer(certificate: Option<[u8; 32]>) -> Peer {
    Peer {
        address: "192.0.2.7".parse().expect("an address"),
        certificate,
        encrypted: true,
    }
}

fn brought(values: &[&str], certificate: Option<[u8; 32]>) -> Result<Option<Proof>, BadToken> {
    let mut headers = HeaderMap::new();
    for value in values {
        headers.append(AUTHORIZATION, value.parse().expect("valid in a header"));
    }
    Proof::of(&headers, Some(&peer(certificate)))
}

fn proof(certificate: Option<[u8; 32]>) -> Proof {
    let value = format!("Bearer {}", token().text());
    let proof = brought(&[&value], certificate).expect("a token");
    proof.expect("something was brought")
}

#[test]
fn the_scheme_is_read_in_any_case_and_the_token_is_not() {
    let text = token().text();
    for good in [
        format!("Bearer {text}"),
        format!("bearer {text}"),
        format!("BEARER {text}"),
    ] {
        assert!(matches!(brought(&[&good], None), Ok(Some(_))), "{good}");
    }
    for bad in [
        format!("Bearer {}", text.to_uppercase()),
        format!("Bearer  {text}"),
        format!("Bearer {text} "),
        format!("Basic {text}"),
        text.clone(),
        "Bearer".to_owned(),
        "Bearer ".to_owned(),
        "B\u{e9}arer x".to_owned(),
    ] {
        assert_eq!(brought(&[&bad], None), Err(BadToken), "{bad}");
    }
    let good = format!("Bearer {text}");
    assert_eq!(brought(&[&good, &good], None), Err(BadToken), "two of them");
    assert_eq!(brought(&[], None), Ok(None));
}

#[test]
fn a_wrong_token_beside_a_good_certificate_proves_nothing() {
    assert_eq!(brought(&["Basic x"], Some([7; 32])), Err(BadToken));
}

#[test]
fn only_the_right_secret_proves_a_credential() {
    let own = credential(Some(&token().secret), None);
    assert!(proof(None).proves(&own, now()));
    assert!(
        proof(Some([7; 32])).proves(&own, now()),
        "the certificate is not asked for"
    );
    let other = credential(Some("another"), None);
    assert!(!proof(None).proves(&other, now()));
    assert!(!proof(None).proves(&own.revoked(now()), now()));
    assert!(!proof(None).proves(&own, own.expires_at));
    assert!(!proof(None).proves(&credential(None, Some([7; 32])), now()));
}

#[test]
fn the_secret_before_proves_it_until_the_overlap_is_over() {
    let hour = now() + SignedDuration::from_hours(1);
    let rotated = credential(Some(&token().secret), None).rotated([9; 32], now(), Some(hour));
    assert!(proof(None).proves(&rotated, now()));
    assert!(!proof(None).proves(&rotated, hour));
}

#[test]
fn a_credential_bound_to_a_certificate_wants_both() {
    let bound = credential(Some(&token().secret), Some([7; 32]));
    assert!(proof(Some([7; 32])).proves(&bound, now()));
    assert!(!proof(Some([8; 32])).proves(&bound, now()));
    assert!(!proof(None).proves(&bound, now()));
    let alone = brought(&[], Some([7; 32]))
        .expect("no token")
        .expect("a certificate");
    assert!(!alone.proves(&bound, now()), "the token is missing");
    let by_certificate = credential(None, Some([7; 32]));
    assert!(alone.proves(&by_certificate, now()));
}

#[test]
fn without_secret_and_certificate_nothing_is_proved() {
    let alone = brought(&[], Some([7; 32]))
        .expect("no token")
        .expect("a certificate");
    assert!(!alone.proves(&credential(None, None), now()));
}
