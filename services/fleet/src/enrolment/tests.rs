//! Codes as people type them.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::credential::Holder;
use crate::grant::{Grant, Reach, Role};

#[test]
fn a_code_is_read_as_people_type_it() {
    let code = Code::parse("7K3M-Q9XW-2B4D").expect("a code");
    assert_eq!(code.text(), "7K3M-Q9XW-2B4D");
    for typed in ["7k3mq9xw2b4d", " 7K3M q9xw 2B4D ", "7K3M-Q9XW-2b4d"] {
        assert_eq!(Code::parse(typed), Ok(code.clone()), "{typed}");
    }
    assert_eq!(Code::parse("iLo0-0000-0000"), Code::parse("1100-0000-0000"));
    assert!(!format!("{code:?}").contains("2B4D"));
}

#[test]
fn what_is_no_code_is_refused() {
    for wrong in [
        "",
        "7K3M-Q9XW-2B4",
        "7K3M-Q9XW-2B4DD",
        "7K3M-Q9XW-2B4U",
        "7K3M-Q9XW-2B4é",
    ] {
        assert_eq!(Code::parse(wrong), Err(BadCode), "{wrong}");
    }
}

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

/// Made at noon, good for an hour.
fn enrolment() -> Enrolment {
    let wish = CredentialWish {
        display_name: "bench".to_owned(),
        holder: Holder::Device,
        grant: Grant {
            role: Role::Auditor,
            permissions: BTreeSet::new(),
            reach: Reach::Network,
        },
        certificate: None,
        lifetime_days: 365,
    };
    let key = EnrolmentId::new("e1").expect("an id");
    Enrolment::new(key, wish, at("2026-03-06T12:00:00Z"), 60)
}

const OWN: [u8; 32] = [1; 32];
const ANOTHERS: [u8; 32] = [2; 32];

#[test]
fn a_right_code_makes_the_credential_while_it_is_good_and_not_after() {
    let enrolment = enrolment();
    let tried = |now: &str| enrolment.tried(true, &OWN, None, at(now));
    assert_eq!(tried("2026-03-06T12:59:59Z"), Trial::Makes);
    assert_eq!(tried("2026-03-06T13:00:00Z"), Trial::Refused);
}

#[test]
fn five_wrong_codes_lock_it_even_for_the_right_one() {
    let now = at("2026-03-06T12:01:00Z");
    let mut enrolment = enrolment();
    for left in (0..MOST_TRIES).rev() {
        assert_eq!(enrolment.tried(false, &OWN, None, now), Trial::Counts);
        enrolment.tries += 1;
        assert_eq!(enrolment.tries_left(), left);
    }
    assert_eq!(enrolment.standing(now), EnrolmentStanding::Locked);
    assert_eq!(enrolment.tried(true, &OWN, None, now), Trial::Refused);
    assert_eq!(enrolment.tried(false, &OWN, None, now), Trial::Refused);
}

#[test]
fn a_code_that_was_used_answers_the_same_client_again_while_it_is_good() {
    let made = CredentialId::new("c1").expect("an id");
    let used = Enrolment {
        made: Some(made.clone()),
        ..enrolment()
    };
    let tried = |proved, secret, now: &str| used.tried(proved, secret, Some(&OWN), at(now));
    let (good, over) = ("2026-03-06T12:30:00Z", "2026-03-06T13:00:00Z");
    assert_eq!(tried(true, &OWN, good), Trial::MadeBefore(made));
    assert_eq!(tried(true, &ANOTHERS, good), Trial::Refused);
    assert_eq!(tried(false, &OWN, good), Trial::Refused);
    assert_eq!(tried(true, &OWN, over), Trial::Refused);
}

#[test]
fn a_revoked_code_is_refused() {
    let revoked = Enrolment {
        revoked_at: Some(at("2026-03-06T12:10:00Z")),
        ..enrolment()
    };
    let now = at("2026-03-06T12:20:00Z");
    assert_eq!(revoked.tried(true, &OWN, None, now), Trial::Refused);
    assert_eq!(revoked.tried(false, &OWN, None, now), Trial::Refused);
}

proptest! {
    #[test]
    fn every_code_reads_back(random in any::<u64>()) {
        let code = Code::of(random);
        prop_assert_eq!(Code::parse(&code.text()), Ok(code.clone()));
        prop_assert_eq!(Code::parse(&code.text().to_lowercase()), Ok(code));
    }

    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,40}") {
        if let Ok(code) = Code::parse(&text) {
            prop_assert_eq!(Code::parse(&code.text()), Ok(code));
        }
    }
}
