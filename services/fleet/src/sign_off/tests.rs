//! Who may sign what, and what wrong phrases lead to.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::SignedDuration;

use super::*;
use crate::caller::Caller;
use crate::credential::{Credential, Holder};
use crate::grant::{Grant, Reach, Role};

const OWN: &str = "0190a000-0000-7000-8000-000000000001";
const OTHER: &str = "0190a000-0000-7000-8000-000000000002";

fn noon() -> Timestamp {
    "2026-11-20T12:00:00Z".parse().expect("a moment")
}

fn reading(id: &str) -> ReadingKey {
    ReadingKey::parse(&format!("sites/porto/furnaces/k2/readings/{id}")).expect("a name")
}

fn subject() -> SignOffSubject {
    SignOffSubject::Reading(reading("r1"))
}

fn signer() -> Signer {
    Signer {
        person: "mg".to_owned(),
        credential: CredentialId::new(OWN).expect("an id"),
    }
}

/// A reading that `t1` performed and recorded with another credential.
fn record() -> Signable {
    Signable {
        subject: subject(),
        performed_by: "t1".to_owned(),
        actor: format!("credentials/{OTHER}:t1"),
        digest: "d1".to_owned(),
        is_intact: true,
        amended_by: None,
        signed_by: Vec::new(),
    }
}

fn wish(meaning: Meaning, comment: &str) -> SignOffWish {
    SignOffWish {
        subject: subject(),
        meaning,
        comment: comment.to_owned(),
    }
}

fn signed(record: &Signable) -> Result<SignOff, Refused> {
    let id = SignOffId::new("s1").expect("an id");
    sign(record, wish(Meaning::Reviewed, ""), &signer(), id, noon())
}

fn reason(record: &Signable) -> &'static str {
    match signed(record) {
        Err(Refused::Refusal(refusal)) => refusal.reason(),
        other => panic!("not refused: {other:?}"),
    }
}

#[test]
fn a_second_persons_signature_says_who_when_and_what_and_holds_the_records_digest() {
    let sign_off = signed(&record()).expect("another person");
    assert_eq!(sign_off.person, "mg");
    assert_eq!(sign_off.credential.as_str(), OWN);
    assert_eq!(sign_off.signed_at, noon());
    assert_eq!(sign_off.meaning, Meaning::Reviewed);
    assert_eq!(sign_off.record_digest, "d1");
    assert_eq!(
        sign_off.name(),
        "sites/porto/furnaces/k2/readings/r1/signOffs/s1"
    );
}

#[test]
fn whoever_performed_it_does_not_sign_it_however_they_are_written() {
    for performed_by in [
        "mg", "MG", " Mg ", "t1, MG", "t1/mg", "t1 & mg", "t1+mg", "mg t1",
    ] {
        let own = Signable {
            performed_by: performed_by.to_owned(),
            ..record()
        };
        assert_eq!(reason(&own), "OWN_RECORD", "{performed_by}");
    }
    let like = Signable {
        performed_by: "mgx".to_owned(),
        ..record()
    };
    assert!(signed(&like).is_ok(), "another code that begins alike");
}

#[test]
fn whoever_recorded_it_does_not_sign_it_by_code_or_by_credential() {
    for actor in [
        format!("credentials/{OTHER}:MG"),
        format!("credentials/{OWN}:t1"),
        format!("credentials/{OWN}"),
        "local:mg".to_owned(),
        "local:Mg".to_owned(),
    ] {
        let own = Signable {
            actor: actor.clone(),
            ..record()
        };
        assert_eq!(reason(&own), "OWN_RECORD", "{actor}");
    }
}

#[test]
fn a_record_of_nobody_has_no_second_person() {
    let nobodys = Signable {
        performed_by: " ".to_owned(),
        actor: "local".to_owned(),
        ..record()
    };
    assert_eq!(reason(&nobodys), "NOBODY_NAMED");
    for actor in ["local:t1".to_owned(), format!("credentials/{OTHER}:t1")] {
        let somebodys = Signable {
            actor,
            ..nobodys.clone()
        };
        assert!(signed(&somebodys).is_ok(), "{somebodys:?}");
    }
}

#[test]
fn an_amended_signed_or_altered_record_is_refused() {
    let amended = Signable {
        amended_by: Some(reading("r2")),
        ..record()
    };
    assert_eq!(reason(&amended), "AMENDED_SINCE");
    let again = Signable {
        signed_by: vec!["qc".to_owned(), "MG".to_owned()],
        ..record()
    };
    assert_eq!(reason(&again), "SIGNED_ALREADY");
    let by_others = Signable {
        signed_by: vec!["qc".to_owned()],
        ..record()
    };
    assert!(signed(&by_others).is_ok());
    let altered = Signable {
        is_intact: false,
        ..record()
    };
    assert_eq!(reason(&altered), "RECORD_ALTERED");
}

#[test]
fn a_rejection_says_why() {
    let id = || SignOffId::new("s1").expect("an id");
    let rejected = |comment: &str| {
        sign(
            &record(),
            wish(Meaning::Rejected, comment),
            &signer(),
            id(),
            noon(),
        )
    };
    for comment in ["", "  "] {
        let Err(Refused::Violations(violations)) = rejected(comment) else {
            panic!("`{comment}` was taken for a reason");
        };
        assert_eq!(violations.0[0].field, "sign_off.comment");
        assert_eq!(violations.0[0].reason, "REQUIRED");
    }
    let sign_off = rejected("ring 2 lay at the door").expect("a reason is given");
    assert_eq!(sign_off.meaning, Meaning::Rejected);
    let long = "x".repeat(MOST_COMMENT + 1);
    assert!(matches!(rejected(&long), Err(Refused::Violations(_))));
}

#[test]
fn only_a_persons_own_credential_signs() {
    let credential = |holder: Holder| {
        Arc::new(Credential {
            key: CredentialId::new(OWN).expect("an id"),
            display_name: "bench".to_owned(),
            holder,
            grant: Grant {
                role: Role::Technician,
                permissions: BTreeSet::new(),
                reach: Reach::Network,
            },
            secret: None,
            previous: None,
            certificate: None,
            lifetime_days: 365,
            created_at: noon(),
            expires_at: Timestamp::MAX,
            revoked_at: None,
        })
    };
    let person = Caller::holding(
        credential(Holder::Person("mg".to_owned())),
        None,
        Some("t1"),
    );
    assert_eq!(Signer::of(&person), Ok(signer()), "not the stated code");
    for holder in [Holder::Device, Holder::Integration] {
        let caller = Caller::holding(credential(holder), None, Some("mg"));
        assert_eq!(Signer::of(&caller), Err(Refusal::NotAPerson));
    }
    let local = Caller::local(Some("mg"));
    assert_eq!(Signer::of(&local), Err(Refusal::NotAPerson));
}

#[test]
fn names_of_readings_and_adjustments_are_told_apart_and_others_refused() {
    for name in [
        "sites/porto/furnaces/k2/readings/r1",
        "sites/porto/furnaces/k2/adjustments/a1",
    ] {
        assert_eq!(SignOffSubject::parse(name).expect("a name").name(), name);
    }
    for name in ["", "sites/porto", "sites/porto/furnaces/k2/events/e1"] {
        assert!(SignOffSubject::parse(name).is_err(), "{name}");
    }
}

#[test]
fn what_waits_is_told_in_a_few_words() {
    let awaited = |content| AwaitedSignOff {
        subject: subject(),
        recorded_at: noon(),
        performed_by: "t1".to_owned(),
        content,
    };
    let firing = AwaitedContent::Firing {
        setpoint_c: 1500.0,
        true_c: Some(1519.2),
    };
    assert_eq!(
        awaited(firing).words(),
        "reading of k2: 1519 °C at a setpoint of 1500 °C"
    );
    let setpoint = AwaitedContent::Setpoint {
        from_c: 1500.0,
        to_c: 1481.5,
    };
    assert_eq!(
        awaited(setpoint).words(),
        "setpoint of k2: 1500 °C as found, 1481.5 °C as left"
    );
}

#[test]
fn five_wrong_phrases_in_a_row_lock_for_a_quarter_of_an_hour() {
    let mut tries = Tries::default();
    for wrong in 1..MOST_WRONG {
        tries = tries.counted(noon()).expect("not locked yet");
        assert_eq!((tries.wrong, tries.locked_until), (wrong, None));
    }
    tries = tries
        .counted(noon())
        .expect("the one that locks is looked at");
    assert!(tries.is_locking());
    let until = noon() + SignedDuration::from_mins(15);
    assert_eq!(tries.locked_until, Some(until));
    let just_before = until - SignedDuration::from_secs(1);
    assert_eq!(
        tries.counted(just_before),
        Err(Refusal::SigningLocked { until })
    );
    let after = tries.counted(until).expect("open again");
    assert_eq!((after.wrong, after.locked_until), (1, None));
}

#[test]
fn a_new_phrase_is_long_enough_and_never_repeated_in_words() {
    for (phrase, reason) in [
        ("seven77", Some("WRONG_LENGTH")),
        ("eight888", None),
        ("drei Öfen, zwei Ringe", None),
        ("with\ttabulator", Some("CONTROL_CHARACTER")),
    ] {
        let mut violations = Violations::default();
        check_phrase("new_phrase", phrase, &mut violations);
        let found = violations.0.first().map(|violation| violation.reason);
        assert_eq!(found, reason, "{phrase}");
        assert!(!violations.to_string().contains(phrase));
    }
    let mut violations = Violations::default();
    check_phrase("new_phrase", &"x".repeat(MOST_PHRASE + 1), &mut violations);
    assert_eq!(violations.0.len(), 1);
}

#[test]
fn a_kept_phrase_shows_nothing_of_its_hash() {
    let kept = SigningPhrase {
        credential: CredentialId::new(OWN).expect("an id"),
        hash: "$argon2id$abc".to_owned(),
        tries: Tries::default(),
        updated_at: noon(),
    };
    assert!(!format!("{kept:?}").contains("argon2id"));
}
