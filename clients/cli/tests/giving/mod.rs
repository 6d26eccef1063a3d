//! Giving others access: codes, tokens, and new secrets.

use ringtrue::exit;
use ringtrue_proto::v1::{CredentialKind, Permission, Role};

use crate::computer::{Computer, mode};
use crate::gatehouse::{BENCH, CODE, Gatehouse, Trouble};

#[test]
fn a_rotation_proves_the_new_secret_before_it_gives_the_old_one_up() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let first = computer.token();
    let outcome = computer.said(&["credential", "rotate"]);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let second = computer.token();
    assert_ne!(first, second);
    assert!(gatehouse.takes(&second) && !gatehouse.takes(&first));
    assert_eq!(gatehouse.proofs().last(), Some(&format!("Bearer {second}")));
    assert_eq!(computer.files(), ["profile.toml", "token"]);
    for secret in [&first, &second] {
        assert!(!outcome.out.contains(secret) && !outcome.err.contains(secret));
    }

    // The server rotates, and nobody hears of it.
    gatehouse.trouble(Some(Trouble::AnswerLost));
    let lost = computer.said(&["credential", "rotate"]);
    assert_eq!(lost.code, exit::UNREACHABLE, "{}", lost.err);
    assert_eq!(computer.token(), second, "the old one is kept");
    assert_eq!(mode(&computer.file("token.next")), 0o600);
    gatehouse.trouble(None);
    let advised = computer.said(&["whoami"]);
    assert_eq!(advised.code, exit::NOT_ALLOWED);
    assert!(
        advised.err.contains("`ringtrue credential rotate"),
        "{}",
        advised.err
    );
    let finished = computer.said(&["credential", "rotate"]);
    assert_eq!(finished.code, exit::DONE, "{}", finished.err);
    let third = computer.token();
    assert!(gatehouse.takes(&third) && third != second);
    assert_eq!(computer.files(), ["profile.toml", "token"]);
    assert_eq!(gatehouse.digests().len(), 3, "no further secret was made");

    // The server does nothing, and the same secret is offered again.
    gatehouse.trouble(Some(Trouble::Busy));
    assert_eq!(
        computer.said(&["credential", "rotate"]).code,
        exit::UNREACHABLE
    );
    assert_eq!(
        computer.said(&["whoami"]).code,
        exit::DONE,
        "the old one works"
    );
    gatehouse.trouble(None);
    let finished = computer.said(&["credential", "rotate", BENCH]);
    assert_eq!(finished.code, exit::DONE, "{}", finished.err);
    assert!(gatehouse.takes(&computer.token()));
}

#[test]
fn anothers_new_token_stands_alone_on_stdout() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let other = "0198f3a0-0000-7000-8000-0000000000bb";
    let outcome = computer.said(&["credential", "rotate", other]);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.starts_with("rt1.") && outcome.out.lines().count() == 1);
    assert!(outcome.err.contains("shown once"), "{}", outcome.err);
    let line = [
        "credential",
        "add",
        "--name",
        "case management",
        "--program",
        "--site",
        "porto",
        "--site",
        "lima",
        "--permit",
        "read",
        "--permit",
        "record",
        "--days",
        "30",
    ];
    let outcome = computer.said(&line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(outcome.out.lines().count(), 1, "{}", outcome.out);
    let wishes = gatehouse.wishes();
    let wished = wishes[0].credential.clone().expect("a credential");
    let grant = wished.grant.clone().expect("a grant");
    assert_eq!(wished.kind(), CredentialKind::Integration);
    assert_eq!(grant.role(), Role::Integration);
    assert_eq!(grant.sites, ["sites/porto", "sites/lima"]);
    let permits: Vec<Permission> = grant.permissions().collect();
    assert_eq!(permits, [Permission::Read, Permission::Record]);
    assert_eq!(wished.lifetime_days, 30);
}

#[test]
fn a_certificate_is_named_by_the_digest_of_what_its_file_holds() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let file = computer.home.path().join("program.pem");
    // Three bytes in the place of a certificate; NIST, examples of FIPS 180-4: SHA-256 of "abc".
    let pem = "-----BEGIN CERTIFICATE-----\nYWJj\n-----END CERTIFICATE-----\n";
    std::fs::write(&file, pem).expect("written");
    let shown = file.to_string_lossy().into_owned();
    let line = [
        "credential",
        "add",
        "--name",
        "p",
        "--program",
        "--network",
        "--permit",
        "read",
        "--certificate",
        &shown,
        "--certificate-only",
    ];
    let outcome = computer.said(&line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.err.contains("there is no token"), "{}", outcome.err);
    let wished = gatehouse.wishes()[0].clone();
    assert!(wished.certificate_only);
    assert_eq!(
        wished.credential.expect("a credential").certificate_sha256,
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    std::fs::write(&file, "no certificate").expect("written");
    assert_eq!(computer.said(&line).code, exit::REFUSED);
}

#[test]
fn an_invitation_gives_the_code_alone_and_the_whole_command_for_the_other_computer() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let line = [
        "credential",
        "invite",
        "--name",
        "second bench",
        "--role",
        "technician",
        "--valid",
        "60",
    ];
    let outcome = computer.said(&line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(outcome.out, format!("{CODE}\n"));
    for words in [
        // The profile's own site, since none was named.
        "For site porto.",
        "until Monday 23 November 2026 09:12 WET",
        &format!("ringtrue enrol http://{server}"),
        "ringtrue credential revoke-invitation e1",
    ] {
        let said = outcome.err.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains(words), "{words} in\n{said}");
    }
    let wished = gatehouse.invitations()[0].clone();
    let credential = wished.enrolment.and_then(|wished| wished.credential);
    let credential = credential.expect("a credential");
    assert_eq!(credential.kind(), CredentialKind::Device);
    let grant = credential.grant.expect("a grant");
    assert_eq!(grant.sites, ["sites/porto"]);

    let elsewhere = ["--address", "https://ringtrue.example:7145"];
    let outcome = computer.said(&[line.as_slice(), &elsewhere].concat());
    assert!(
        outcome
            .err
            .contains("ringtrue enrol https://ringtrue.example:7145"),
        "{}",
        outcome.err
    );
    // Quality control is for the whole network, whatever site is meant.
    let line = [
        "credential",
        "invite",
        "--name",
        "qc",
        "--role",
        "quality",
        "--person",
        "ab",
    ];
    assert_eq!(computer.said(&line).code, exit::DONE);
    let wished = gatehouse.invitations().pop().expect("an invitation");
    let credential = wished.enrolment.and_then(|wished| wished.credential);
    let credential = credential.expect("a credential");
    assert_eq!(
        (credential.kind(), credential.person.as_str()),
        (CredentialKind::Person, "ab")
    );
    assert!(credential.grant.expect("a grant").whole_network);
}
