//! Signing: against the published vectors, and with real files.

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt as _;

use super::*;

fn digits(text: &str) -> Vec<u8> {
    HEXLOWER.decode(text.as_bytes()).expect("digits")
}

/// Source: RFC 8032, section 7.1, TEST 3; the key wrapped as RFC 8410, section 7, shows it.
#[test]
fn signatures_are_those_of_the_standard() {
    let secret = "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7";
    let public = "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025";
    let wanted = "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac\
                  18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a";
    let mut document = digits("302e020100300506032b657004220420");
    document.extend(digits(secret));
    let pair = Ed25519KeyPair::from_pkcs8_maybe_unchecked(&document).expect("a key");
    assert_eq!(HEXLOWER.encode(pair.public_key().as_ref()), public);
    assert_eq!(HEXLOWER.encode(pair.sign(&[0xaf, 0x82]).as_ref()), wanted);
}

fn checkpoint(seal: &Seal, document: &str) -> Checkpoint {
    let (key_id, signature) = seal.sign(document);
    Checkpoint {
        number: 1,
        at: 0,
        document: document.to_owned(),
        hash: String::new(),
        key_id,
        signature,
    }
}

#[test]
fn a_key_reads_back_from_its_file_and_signs_alike() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let file = folder.path().join("audit.key");
    let made = Seal::make(&file).expect("a new file");
    let mode = file.metadata().expect("it exists").mode() & 0o777;
    assert_eq!(mode, 0o600);
    let opened = Seal::open(&file).expect("its own file");
    assert_eq!(opened.sign("text"), made.sign("text"));
    assert!(Seal::make(&file).is_err(), "nothing is overwritten");
    assert!(!format!("{opened:?}").contains(&HEXLOWER.encode(opened.public_key())));
}

#[test]
fn only_the_owner_of_the_key_can_have_signed() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let [own, other] =
        ["own", "other"].map(|name| Seal::make(&folder.path().join(name)).expect("a new file"));
    let signed = checkpoint(&own, "{}");
    assert!(is_signed_by(&signed, own.public_key()));
    assert!(!is_signed_by(&signed, other.public_key()));
    let altered = Checkpoint {
        document: "{ }".to_owned(),
        ..signed.clone()
    };
    assert!(!is_signed_by(&altered, own.public_key()));
    let forged = Checkpoint {
        key_id: own.key_id(),
        ..checkpoint(&other, "{}")
    };
    assert!(!is_signed_by(&forged, own.public_key()));
    let unsigned = Checkpoint {
        signature: String::new(),
        ..signed
    };
    assert!(!is_signed_by(&unsigned, own.public_key()));
}

#[test]
fn a_key_that_others_may_read_and_a_file_that_is_none_are_refused_with_what_to_do() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let file = folder.path().join("audit.key");
    Seal::make(&file).expect("a new file");
    std::fs::set_permissions(&file, Permissions::from_mode(0o640)).expect("its mode can be set");
    let refused = Seal::open(&file).expect_err("others may read it");
    assert!(format!("{refused:#}").contains("chmod 600"), "{refused:#}");
    let none = folder.path().join("none");
    std::fs::write(&none, "x").expect("it is written");
    std::fs::set_permissions(&none, Permissions::from_mode(0o600)).expect("its mode can be set");
    let refused = Seal::open(&none).expect_err("no key");
    assert!(format!("{refused:#}").contains("audit-key"), "{refused:#}");
}
