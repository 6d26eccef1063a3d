//! A second person signs: what they see before, what is asked without echo, and what travels.

use ringtrue::exit;
use ringtrue_proto::v1::sign_off_service_server::SignOffService;
use ringtrue_proto::v1::*;
use tonic::{Code, Request, Response, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::desk::{Desk, K2};
use crate::{Script, ran};

const PHRASE: &str = "three rings, two furnaces";

/// The signature that the desk has of every reading.
fn signed(subject: &str) -> SignOffRecord {
    SignOffRecord {
        name: format!("{subject}/signOffs/s1"),
        subject: subject.to_owned(),
        meaning: SignOffMeaning::Reviewed.into(),
        person: "qc".to_owned(),
        sign_time: Some(prost_types::Timestamp {
            seconds: 1_795_000_000,
            nanos: 0,
        }),
        record_sha256: "ab".repeat(32),
        ..SignOffRecord::default()
    }
}

#[tonic::async_trait]
impl SignOffService for Desk {
    async fn sign_off(
        &self,
        request: Request<SignOffRequest>,
    ) -> Result<Response<SignOffResponse>, Status> {
        let ask = request.into_inner();
        let right = ask.signing_phrase == PHRASE;
        let given = ask.sign_off.clone().unwrap_or_default();
        self.sign_offs.lock().expect("not poisoned").push(ask);
        if !right {
            let mut details = ErrorDetails::new();
            details.set_error_info("PHRASE_NOT_ACCEPTED", "ringtrue", []);
            let message = "the signing phrase is not the one of this credential";
            return Err(Status::with_error_details(
                Code::FailedPrecondition,
                message,
                details,
            ));
        }
        Ok(Response::new(SignOffResponse {
            sign_off: Some(SignOffRecord {
                meaning: given.meaning,
                comment: given.comment,
                ..signed(&given.subject)
            }),
        }))
    }

    async fn list_sign_offs(
        &self,
        request: Request<ListSignOffsRequest>,
    ) -> Result<Response<ListSignOffsResponse>, Status> {
        Ok(Response::new(ListSignOffsResponse {
            sign_offs: vec![signed(&request.into_inner().parent)],
            ..ListSignOffsResponse::default()
        }))
    }

    async fn list_awaited_sign_offs(
        &self,
        _: Request<ListAwaitedSignOffsRequest>,
    ) -> Result<Response<ListAwaitedSignOffsResponse>, Status> {
        Ok(Response::new(ListAwaitedSignOffsResponse {
            awaited: vec![AwaitedSignOff {
                subject: format!("{K2}/readings/r1"),
                performed_by: "t1".to_owned(),
                summary: "reading of k2: 1519 °C at a setpoint of 1500 °C".to_owned(),
                ..AwaitedSignOff::default()
            }],
        }))
    }

    async fn set_signing_phrase(
        &self,
        request: Request<SetSigningPhraseRequest>,
    ) -> Result<Response<SetSigningPhraseResponse>, Status> {
        let ask = request.into_inner();
        if (ask.old_phrase.as_str(), ask.new_phrase.as_str()) == ("", PHRASE) {
            Ok(Response::new(SetSigningPhraseResponse {}))
        } else {
            Err(Status::failed_precondition("not this one"))
        }
    }
}

fn asked(desk: &Desk) -> Vec<SignOffRequest> {
    desk.sign_offs.lock().expect("not poisoned").clone()
}

#[test]
fn the_record_and_what_a_signature_means_are_shown_before_the_phrase_is_asked_for() {
    let desk = Desk::default();
    let mut script = Script::of(&["a slip", PHRASE]);
    let outcome = ran(&desk, &["sign-off", "add", "k2/r1"], Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for words in [
        "1481 °C",
        "looked at this record and found it in order",
        "never taken back",
        "is not the one of this credential",
    ] {
        assert!(outcome.err.contains(words), "{words} in\n{}", outcome.err);
    }
    for words in ["Signed by", "qc", "reviewed: looked at", "abababab"] {
        assert!(outcome.out.contains(words), "{words} in\n{}", outcome.out);
    }
    assert!(!outcome.err.contains(PHRASE) && !outcome.out.contains(PHRASE));
    let asks = asked(&desk);
    assert_eq!(asks.len(), 2);
    assert_eq!(asks[1].signing_phrase, PHRASE);
    assert_eq!(asks[0].request_id, asks[1].request_id);
    let wish = asks[1].sign_off.clone().expect("a signature");
    assert_eq!(wish.subject, format!("{K2}/readings/r1"));
    assert_eq!(wish.meaning(), SignOffMeaning::Reviewed);
}

#[test]
fn a_script_names_a_file_and_a_rejection_its_reason() {
    let desk = Desk::default();
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("phrase");
    std::fs::write(&file, format!("{PHRASE}\nnot this line\n")).expect("written");
    let file = file.to_string_lossy().into_owned();
    let line = ["sign-off", "add", "k2/r1", "--phrase-file", &file];
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let mut rejection = line.to_vec();
    rejection.push("--reject");
    assert_eq!(ran(&desk, &rejection, None).code, exit::USAGE);
    rejection.extend(["--comment", "ring 2 lay at the door", "--json"]);
    let outcome = ran(&desk, &rejection, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.contains("SIGN_OFF_MEANING_REJECTED"));
    assert!(outcome.out.contains("ring 2 lay at the door"));
    let nobody = ran(&desk, &["sign-off", "add", "k2/r1"], None);
    assert_eq!(nobody.code, exit::USAGE);
    assert!(nobody.err.contains("--phrase-file"), "{}", nobody.err);
    assert_eq!(asked(&desk).len(), 2);
}

#[test]
fn a_phrase_is_typed_twice_and_shown_never() {
    let desk = Desk::default();
    let mut script = Script::of(&["", PHRASE, "another one", PHRASE, PHRASE]);
    let outcome = ran(&desk, &["sign-off", "phrase"], Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome.err.contains("two different ones"),
        "{}",
        outcome.err
    );
    assert!(outcome.err.contains("Tell it to nobody"), "{}", outcome.err);
    assert!(!outcome.err.contains(PHRASE));
    assert!(script.answers.is_empty());
}

#[test]
fn what_waits_and_who_signed_are_listed_and_a_shown_reading_names_its_signatures() {
    let desk = Desk::default();
    let waiting = ran(&desk, &["sign-off", "list"], None);
    assert!(
        waiting.out.contains("1519 °C at a setpoint"),
        "{}",
        waiting.out
    );
    assert!(waiting.out.contains("k2/r1"), "{}", waiting.out);
    let there = ran(&desk, &["sign-off", "show", "k2/r1"], None);
    assert!(there.out.contains("Its SHA-256"), "{}", there.out);
    let listed = ran(&desk, &["sign-off", "list", "--signed"], None);
    assert!(listed.out.contains("reviewed"), "{}", listed.out);
    let shown = ran(&desk, &["reading", "show", "k2/r1"], None);
    assert_eq!(shown.code, exit::DONE, "{}", shown.err);
    assert!(shown.err.contains("Signed by qc on"), "{}", shown.err);
}
