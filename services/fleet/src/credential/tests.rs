//! Tokens, lifetimes and rotation.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::grant::Reach;
use crate::key::SiteId;

fn now() -> Timestamp {
    "2026-03-06T12:00:00Z".parse().expect("a moment")
}

fn credential() -> Credential {
    let wish = CredentialWish {
        display_name: "bench".to_owned(),
        holder: Holder::Device,
        grant: Grant {
            role: Role::Technician,
            permissions: BTreeSet::new(),
            reach: Reach::Sites {
                sites: BTreeSet::from([SiteId::new("porto").expect("an id")]),
                groups: BTreeSet::new(),
            },
        },
        certificate: None,
        lifetime_days: 100,
    };
    let mut violations = Violations::default();
    wish.check("credential", &mut violations);
    assert_eq!(violations, Violations::default());
    let key = CredentialId::from_uuid(uuid::Uuid::from_u128(7));
    wish.credential(key, Some([1; 32]), now())
}

fn token() -> Token {
    Token {
        credential: CredentialId::from_uuid(uuid::Uuid::from_u128(0xab_cdef)),
        secret: "Aa0-_".repeat(9)[..43].to_owned(),
    }
}

#[test]
fn a_token_reads_back_as_written_and_hides_its_secret() {
    let token = token();
    assert_eq!(Token::parse(&token.text()), Ok(token.clone()));
    assert!(!format!("{token:?}").contains(&token.secret));
}

#[test]
fn a_token_in_another_case_or_shape_is_none() {
    let text = token().text();
    for wrong in [
        text.to_uppercase(),
        text.replacen("rt1", "RT1", 1),
        text.replacen("abcdef", "ABCDEF", 1),
        format!("{text}="),
        format!(" {text}"),
        text[..text.len() - 1].to_owned(),
        text.replacen('.', "..", 1),
        "rt1.".to_owned(),
        String::new(),
    ] {
        assert_eq!(Token::parse(&wrong), Err(BadToken), "{wrong}");
    }
}

#[test]
fn a_credential_ends_when_its_time_is_over_or_it_is_revoked() {
    let one = credential();
    assert_eq!(one.standing(now()), Standing::Active);
    assert_eq!(one.standing(one.expires_at), Standing::Expired);
    assert_eq!(one.revoked(now()).standing(now()), Standing::Revoked);
    assert_eq!(one.revoked(now()).secret, None);
    // A tenth of 100 days.
    let warned = one.expires_at - SignedDuration::from_hours(240);
    assert_eq!(one.warned_from(), warned);
}

#[test]
fn rotation_begins_the_lifetime_anew_and_lets_the_secret_before_work_for_a_while() {
    let one = credential();
    let later = now() + SignedDuration::from_hours(24);
    let hour = later + SignedDuration::from_hours(1);
    let rotated = one.rotated([2; 32], later, Some(hour));
    assert_eq!(rotated.secret, Some([2; 32]));
    assert_eq!(rotated.previous, Some(([1; 32], hour)));
    assert_eq!(rotated.expires_at, end_of_life(later, 100));
    assert_eq!(one.rotated([2; 32], later, None).previous, None);
    let long = one.rotated([2; 32], later, Some(Timestamp::MAX));
    assert_eq!(long.previous, Some(([1; 32], one.expires_at)));
}

#[test]
fn every_fault_of_a_wish_is_named() {
    let one = credential();
    let wish = CredentialWish {
        display_name: String::new(),
        holder: Holder::Person("two words".to_owned()),
        grant: Grant {
            role: Role::Integration,
            ..one.grant
        },
        certificate: None,
        lifetime_days: 731,
    };
    let mut violations = Violations::default();
    wish.check("credential", &mut violations);
    let fields: Vec<String> = violations.0.into_iter().map(|one| one.field).collect();
    assert_eq!(
        fields,
        [
            "credential.display_name",
            "credential.person",
            "credential.grant.role",
            "credential.lifetime_days",
            "credential.grant.permissions",
        ]
    );
}

proptest! {
    #[test]
    fn reading_any_text_as_a_token_never_fails_badly(text in "\\PC{0,120}") {
        if let Ok(token) = Token::parse(&text) {
            prop_assert_eq!(token.text(), text);
        }
    }
}
