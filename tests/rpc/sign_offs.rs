//! Signatures of a second person: who may sign what, the signing phrase, and what they bear on.
//!
//! The server under test lets everybody in as a local caller, so persons are let in here: the same services, in this
//! process, with the caller that the gate would have found out.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::credential::{Credential, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{CredentialId, SiteId};
use ringtrue_proto::v1;
use ringtrue_proto::v1::sign_off_service_client::SignOffServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::rpc::routes;
use ringtrue_tests::bench::{reading_of, stamp};
use ringtrue_tests::{Bench, Network};
use tonic::{Request, Status};
use uuid::Uuid;

use crate::refusals::{Records, bad_value, forbidden, missing};

const PHRASE: &str = "three rings, two furnaces";

/// Somebody with a credential at a site.
fn holder(number: u128, holder: Holder, site: &str) -> Caller {
    let sites = BTreeSet::from([SiteId::new(site).expect("an id")]);
    let role = match holder {
        Holder::Integration => Role::Integration,
        Holder::Device | Holder::Person(_) => Role::Technician,
    };
    let credential = Credential {
        key: CredentialId::from_uuid(Uuid::from_u128(number)),
        display_name: "bench".to_owned(),
        holder,
        grant: Grant {
            role,
            permissions: BTreeSet::new(),
            reach: Reach::Sites {
                sites: sites.clone(),
                groups: BTreeSet::new(),
            },
        },
        secret: None,
        previous: None,
        certificate: None,
        lifetime_days: 365,
        created_at: Timestamp::UNIX_EPOCH,
        expires_at: Timestamp::MAX,
        revoked_at: None,
    };
    Caller::holding(Arc::new(credential), Some(Arc::new(sites)), Some("zz"))
}

/// A person at the usual bench.
fn person(number: u128, code: &str) -> Caller {
    holder(number, Holder::Person(code.to_owned()), "north")
}

/// What a caller does about signatures.
struct Desk<'n> {
    network: &'n Network,
    caller: Caller,
}

type Answer<T> = Result<T, Box<Failure>>;

fn told<T>(answer: Result<tonic::Response<T>, Status>) -> Answer<T> {
    match answer {
        Ok(response) => Ok(response.into_inner()),
        Err(status) => Err(Box::new(Failure::of(&status))),
    }
}

impl<'n> Desk<'n> {
    fn of(network: &'n Network, caller: Caller) -> Self {
        Self { network, caller }
    }

    /// A person whose phrase is set.
    async fn set(network: &'n Network, number: u128, code: &str) -> Self {
        let desk = Self::of(network, person(number, code));
        desk.phrase("", PHRASE).await.expect("set");
        desk
    }

    fn request<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        request.extensions_mut().insert(self.caller.clone());
        request
    }

    async fn send(&self, ask: v1::SignOffRequest) -> Answer<v1::SignOffRecord> {
        let mut client = SignOffServiceClient::new(routes(self.network.app.clone()));
        let answer = told(client.sign_off(self.request(ask)).await)?;
        Ok(answer.sign_off.expect("the answer holds the signature"))
    }

    async fn sign(&self, subject: &str) -> Answer<v1::SignOffRecord> {
        self.send(ask(subject)).await
    }

    async fn sign_with(&self, subject: &str, phrase: &str) -> Answer<v1::SignOffRecord> {
        let mut ask = ask(subject);
        phrase.clone_into(&mut ask.signing_phrase);
        self.send(ask).await
    }

    async fn phrase(&self, old: &str, new: &str) -> Answer<v1::SetSigningPhraseResponse> {
        let mut client = SignOffServiceClient::new(routes(self.network.app.clone()));
        let ask = v1::SetSigningPhraseRequest {
            new_phrase: new.to_owned(),
            old_phrase: old.to_owned(),
        };
        told(client.set_signing_phrase(self.request(ask)).await)
    }

    async fn listed(&self, parent: &str) -> Answer<Vec<v1::SignOffRecord>> {
        let mut client = SignOffServiceClient::new(routes(self.network.app.clone()));
        let ask = v1::ListSignOffsRequest {
            parent: parent.to_owned(),
            ..v1::ListSignOffsRequest::default()
        };
        let answer = told(client.list_sign_offs(self.request(ask)).await)?;
        Ok(answer.sign_offs)
    }

    async fn awaited(&self, site: &str) -> Answer<Vec<v1::AwaitedSignOff>> {
        let mut client = SignOffServiceClient::new(routes(self.network.app.clone()));
        let ask = v1::ListAwaitedSignOffsRequest {
            parent: site.to_owned(),
        };
        let answer = told(client.list_awaited_sign_offs(self.request(ask)).await)?;
        Ok(answer.awaited)
    }
}

/// A request that is right in every field.
fn ask(subject: &str) -> v1::SignOffRequest {
    v1::SignOffRequest {
        sign_off: Some(v1::SignOffRecord {
            subject: subject.to_owned(),
            meaning: v1::SignOffMeaning::Reviewed.into(),
            ..v1::SignOffRecord::default()
        }),
        signing_phrase: PHRASE.to_owned(),
        request_id: String::new(),
    }
}

/// A site that asks for both signatures, with a reading that `t1` performed and recorded.
async fn started() -> (Network, Bench, String) {
    let network = Network::start().await;
    let bench = network
        .bench_with(|rules| {
            rules.readings_need_sign_off = true;
            rules.adjustments_need_sign_off = true;
        })
        .await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    (network, bench, reading.name)
}

fn advance_min(network: &Network, minutes: i64) {
    let by = SignedDuration::from_mins(minutes);
    network.app.clock.advance(by).expect("a manual clock moves");
}

#[tokio::test]
async fn a_second_person_signs_what_waits_and_the_signature_says_who_when_and_what() {
    let (network, bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    network.advance_h(1);
    network.adjust(&bench, &reading, 1481.0).await;
    let awaited = qc.awaited(&bench.site).await.expect("listed");
    assert_eq!(awaited.len(), 2);
    assert_eq!(awaited[0].subject, reading);
    assert_eq!(awaited[0].performed_by, "t1");
    assert_eq!(
        awaited[0].record_time,
        Some(stamp(network.now() - SignedDuration::from_hours(1)))
    );
    // The invented table: 19.47 mm stands for 1519 °C.
    assert_eq!(
        awaited[0].summary,
        "reading of k2: 1519 °C at a setpoint of 1500 °C"
    );
    let adjustment = awaited[1].subject.clone();
    assert_eq!(
        awaited[1].summary,
        "setpoint of k2: 1500 °C as found, 1481 °C as left"
    );

    let signed = qc.sign(&reading).await.expect("signed");
    assert!(signed.name.starts_with(&format!("{reading}/signOffs/")));
    assert_eq!((signed.person.as_str(), &signed.subject), ("qc", &reading));
    assert_eq!(signed.meaning(), v1::SignOffMeaning::Reviewed);
    assert_eq!(signed.sign_time, Some(stamp(network.now())));
    assert_eq!(signed.record_sha256.len(), 64);
    assert_eq!(qc.awaited(&bench.site).await.expect("listed").len(), 1);

    let mut rejection = ask(&adjustment);
    let wish = rejection.sign_off.as_mut().expect("a wish");
    wish.meaning = v1::SignOffMeaning::Rejected.into();
    let failure = qc.send(rejection.clone()).await.expect_err("no comment");
    bad_value(&failure, "sign_off.comment", "REQUIRED", "say why");
    let wish = rejection.sign_off.as_mut().expect("a wish");
    "the panel shows 1480".clone_into(&mut wish.comment);
    let rejected = qc.send(rejection).await.expect("signed");
    assert_eq!(rejected.comment, "the panel shows 1480");
    assert_eq!(qc.awaited(&bench.site).await.expect("listed"), []);

    let of_reading = qc.listed(&reading).await.expect("listed");
    assert_eq!(of_reading, std::slice::from_ref(&signed));
    let mut all = qc.listed(&bench.site).await.expect("listed");
    all.sort_by(|one, other| one.name.cmp(&other.name));
    assert_eq!(all, [rejected, signed]);
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
    network.stop().await;
}

#[tokio::test]
async fn whoever_performed_or_recorded_it_does_not_sign_it() {
    let (network, bench, reading) = started().await;
    // `t1` performed it; here with a credential of their own, and in other letters.
    for (number, code) in [(1, "t1"), (2, "T1")] {
        let own = Desk::set(&network, number, code).await;
        let failure = own.sign(&reading).await.expect_err("their own");
        forbidden(&failure, "OWN_RECORD", "sign_off.subject", "somebody else");
    }
    // `ab` recorded what `cd` performed: neither signs it, and a third person does.
    network.advance_days(7);
    let mut by_cd = network.ask(&bench, &[19.471, 19.469, 19.473]);
    "cd".clone_into(&mut reading_of(&mut by_cd).performed_by);
    let recorded = network.remote_as("ab").record_reading(by_cd).await;
    let reading = recorded.expect("recorded").reading.expect("a reading").name;
    for (number, code) in [(3, "AB"), (4, "Cd")] {
        let own = Desk::set(&network, number, code).await;
        let failure = own.sign(&reading).await.expect_err("their own");
        forbidden(&failure, "OWN_RECORD", "sign_off.subject", "somebody else");
        assert_eq!(failure.metadata.get("subject"), Some(&reading));
    }
    let third = Desk::set(&network, 5, "ef").await;
    assert_eq!(third.sign(&reading).await.expect("signed").person, "ef");
    let failure = third.sign(&reading).await.expect_err("signed already");
    forbidden(
        &failure,
        "SIGNED_ALREADY",
        "sign_off.subject",
        "amend the record",
    );
    // Another person may sign, too.
    let fourth = Desk::set(&network, 6, "gh").await;
    fourth.sign(&reading).await.expect("signed");
    assert_eq!(third.listed(&reading).await.expect("listed").len(), 2);
    network.stop().await;
}

#[tokio::test]
async fn devices_programs_and_local_callers_sign_nothing_and_are_told_what_to_do() {
    let (network, bench, reading) = started().await;
    let before = Records::of(&network, &bench).await;
    let device = Desk::of(&network, holder(1, Holder::Device, "north"));
    let local = Desk::of(&network, Caller::local(Some("qc")));
    for desk in [&device, &local] {
        for failure in [
            desk.sign(&reading).await.map(drop).expect_err("no person"),
            desk.phrase("", PHRASE)
                .await
                .map(drop)
                .expect_err("no person"),
        ] {
            forbidden(
                &failure,
                "NOT_A_PERSON",
                "sign_off.person",
                "enrol a credential of your own",
            );
        }
    }
    let program = Desk::of(&network, holder(2, Holder::Integration, "north"));
    let failure = program.sign(&reading).await.expect_err("may not sign");
    assert_eq!(failure.code, Code::PermissionDenied, "{failure}");
    // Through the server itself, which lets this client in as a local caller.
    let failure = network.remote.sign_off(ask(&reading)).await;
    let failure = failure.expect_err("no person");
    assert_eq!(failure.reason, "NOT_A_PERSON", "{failure}");
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_person_of_another_site_signs_and_sees_nothing_here() {
    let (network, bench, reading) = started().await;
    network.site("south", ringtrue_tests::bench::site()).await;
    let caller = holder(1, Holder::Person("qc".to_owned()), "south");
    let stranger = Desk::of(&network, caller);
    stranger.phrase("", PHRASE).await.expect("their own phrase");
    let before = Records::of(&network, &bench).await;
    for failure in [
        stranger.sign(&reading).await.map(drop),
        stranger.listed(&reading).await.map(drop),
        stranger.listed(&bench.site).await.map(drop),
        stranger.awaited(&bench.site).await.map(drop),
    ] {
        let failure = failure.expect_err("another site");
        assert_eq!(failure.code, Code::PermissionDenied, "{failure}");
    }
    assert_eq!(Records::of(&network, &bench).await, before);
    network.stop().await;
}

#[tokio::test]
async fn five_wrong_phrases_in_a_row_lock_signing_until_a_quarter_of_an_hour_has_passed() {
    let (network, bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    let wrong = async || {
        let failure = qc.sign_with(&reading, "three rings, two kilns").await;
        *failure.expect_err("wrong")
    };
    // Four wrong ones and a right one begin anew.
    for _ in 0..4 {
        forbidden(
            &wrong().await,
            "PHRASE_NOT_ACCEPTED",
            "signing_phrase",
            "type it again",
        );
    }
    qc.phrase(PHRASE, PHRASE).await.expect("the right one");
    for _ in 0..5 {
        assert_eq!(wrong().await.reason, "PHRASE_NOT_ACCEPTED");
    }
    advance_min(&network, 14);
    for failure in [
        qc.sign(&reading).await.map(drop),
        qc.phrase(PHRASE, "another phrase").await.map(drop),
    ] {
        let failure = failure.expect_err("locked");
        forbidden(
            &failure,
            "SIGNING_LOCKED",
            "signing_phrase",
            "have the credential revoked",
        );
        assert_eq!(
            failure.metadata.get("until").map(String::as_str),
            Some("2026-03-06T12:15:00Z")
        );
    }
    // It locks the credential that was tried with, nobody else.
    let other = Desk::set(&network, 2, "ef").await;
    other.sign(&reading).await.expect("signed");
    advance_min(&network, 1);
    assert_eq!(wrong().await.reason, "PHRASE_NOT_ACCEPTED");
    qc.sign(&reading).await.expect("signed");
    assert_eq!(qc.listed(&bench.site).await.expect("listed").len(), 2);
    network.stop().await;
}

#[tokio::test]
async fn many_wrong_phrases_at_once_are_no_better_than_many_in_a_row() {
    let (network, _bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    let tries = (0..20).map(|number| {
        let (qc, reading) = (&qc, &reading);
        async move {
            let guess = format!("guess number {number}");
            let failure = qc.sign_with(reading, &guess).await;
            failure.expect_err("wrong").reason
        }
    });
    let reasons = futures::future::join_all(tries).await;
    let looked_at = reasons
        .iter()
        .filter(|reason| *reason == "PHRASE_NOT_ACCEPTED");
    assert_eq!(looked_at.count(), 5, "{reasons:?}");
    let failure = qc.sign(&reading).await.expect_err("locked");
    assert_eq!(failure.reason, "SIGNING_LOCKED");
    network.stop().await;
}

#[tokio::test]
async fn a_phrase_is_changed_only_with_the_one_before_and_that_none_is_set_is_not_told() {
    let (network, _bench, reading) = started().await;
    let qc = Desk::of(&network, person(1, "qc"));
    let none = qc.sign(&reading).await.expect_err("none set");
    let failure = qc.phrase("", "short").await.expect_err("too short");
    bad_value(&failure, "new_phrase", "WRONG_LENGTH", "choose 8 to 200");
    assert!(!failure.message.contains("short"), "{failure}");
    qc.phrase("", PHRASE).await.expect("set");
    let wrong = qc.sign_with(&reading, "not this one").await;
    let wrong = wrong.expect_err("wrong");
    assert_eq!((none.reason, none.message), (wrong.reason, wrong.message));

    for old in ["", "not this one"] {
        let failure = qc.phrase(old, "four rings, one oven").await;
        let failure = failure.expect_err("the one before is needed");
        assert_eq!(failure.reason, "PHRASE_NOT_ACCEPTED", "{failure}");
    }
    qc.phrase(PHRASE, "four rings, one oven")
        .await
        .expect("changed");
    // A lost answer may be asked for again.
    qc.phrase(PHRASE, "four rings, one oven")
        .await
        .expect("is set");
    let failure = qc.sign(&reading).await.expect_err("the one before");
    assert_eq!(failure.reason, "PHRASE_NOT_ACCEPTED");
    let signed = qc.sign_with(&reading, "four rings, one oven").await;
    assert_eq!(signed.expect("signed").person, "qc");
    network.stop().await;
}

#[tokio::test]
async fn an_amended_reading_is_signed_in_its_latest_version_only() {
    let (network, bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    let mut again = network.ask(&bench, &[19.472, 19.470, 19.474]);
    let amend = v1::AmendReadingRequest {
        name: reading.clone(),
        reading: Some(std::mem::take(reading_of(&mut again))),
        reason: "a slip".to_owned(),
        ..v1::AmendReadingRequest::default()
    };
    let amended = network.remote.amend_reading(amend).await;
    let later = amended.expect("amended").reading.expect("a reading").name;
    let failure = qc.sign(&reading).await.expect_err("amended since");
    forbidden(&failure, "AMENDED_SINCE", "sign_off.subject", "sign that");
    assert_eq!(failure.metadata.get("by"), Some(&later));
    let awaited = qc.awaited(&bench.site).await.expect("listed");
    let subjects: Vec<&String> = awaited.iter().map(|one| &one.subject).collect();
    assert_eq!(subjects, [&later]);
    qc.sign(&later).await.expect("signed");
    network.stop().await;
}

#[tokio::test]
async fn a_repeat_gives_the_same_signature_and_is_nobody_elses() {
    let (network, bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    let mut once = ask(&reading);
    once.request_id = Uuid::from_u128(7).to_string();
    let first = qc.send(once.clone()).await.expect("signed");
    network.advance_h(1);
    assert_eq!(qc.send(once.clone()).await.expect("again"), first);
    // The phrase is no part of what was asked: nothing that is kept tells it.
    let mut other_phrase = once.clone();
    "another phrase".clone_into(&mut other_phrase.signing_phrase);
    assert_eq!(qc.send(other_phrase).await.expect("again"), first);
    let mut other_content = once.clone();
    let wish = other_content.sign_off.as_mut().expect("a wish");
    "with care".clone_into(&mut wish.comment);
    let failure = qc.send(other_content).await.expect_err("other content");
    assert_eq!(failure.reason, "REQUEST_ID_REUSED", "{failure}");
    let ef = Desk::set(&network, 2, "ef").await;
    let failure = ef.send(once).await.expect_err("another person");
    assert_eq!(failure.reason, "REQUEST_ID_REUSED", "{failure}");
    assert_eq!(qc.listed(&bench.site).await.expect("listed"), [first]);
    network.stop().await;
}

#[tokio::test]
async fn a_furnace_is_restricted_while_its_last_reading_waits_or_was_rejected() {
    let network = Network::start().await;
    let bench = network
        .bench_with(|rules| rules.readings_need_sign_off = true)
        .await;
    // On target, so that nothing else speaks against use.
    let reading = network.record(network.ask(&bench, &[19.557; 3])).await.name;
    let told = async || {
        let ask = v1::CheckUseRequest {
            furnace: bench.furnace.clone(),
            programme: String::new(),
        };
        let answer = network.remote.check_use(ask).await.expect("answered");
        let said = answer
            .reasons
            .iter()
            .find(|reason| reason.code.starts_with("SIGN_OFF"));
        (answer.state(), said.map(|reason| reason.code.clone()))
    };
    let restricted = |code: &str| (v1::UseState::Restricted, Some(code.to_owned()));
    assert_eq!(told().await, restricted("SIGN_OFF_WAITING"));
    let qc = Desk::set(&network, 1, "qc").await;
    qc.sign(&reading).await.expect("signed");
    assert_eq!(told().await, (v1::UseState::Fit, None));
    let ef = Desk::set(&network, 2, "ef").await;
    let mut rejection = ask(&reading);
    let wish = rejection.sign_off.as_mut().expect("a wish");
    wish.meaning = v1::SignOffMeaning::Rejected.into();
    "ring 2 lay at the door".clone_into(&mut wish.comment);
    ef.send(rejection).await.expect("signed");
    assert_eq!(told().await, restricted("SIGN_OFF_REJECTED"));
    network.stop().await;
}

#[tokio::test]
async fn a_site_says_whether_it_asks_for_signatures_and_earlier_records_wait_for_nobody() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let qc = Desk::of(&network, person(1, "qc"));
    network.advance_days(7);
    let set = async |readings: bool| {
        let ask = v1::UpdateSiteRequest {
            site: Some(v1::Site {
                name: bench.site.clone(),
                readings_need_sign_off: readings,
                ..v1::Site::default()
            }),
            update_mask: Some(prost_types::FieldMask {
                paths: vec!["readings_need_sign_off".to_owned()],
            }),
            ..v1::UpdateSiteRequest::default()
        };
        let changed = network.remote.update_site(ask).await.expect("changed");
        let site = changed.site.expect("a site");
        (site.readings_need_sign_off, site.adjustments_need_sign_off)
    };
    assert_eq!(set(true).await, (true, false));
    assert_eq!(qc.awaited(&bench.site).await.expect("listed"), []);
    let later = network
        .record(network.ask(&bench, &[19.471, 19.469, 19.473]))
        .await;
    let awaited = qc.awaited(&bench.site).await.expect("listed");
    assert_eq!(awaited.len(), 1);
    assert_eq!(awaited[0].subject, later.name);
    assert_eq!(set(false).await, (false, false));
    assert_eq!(qc.awaited(&bench.site).await.expect("listed"), []);
    network.stop().await;
}

#[tokio::test]
async fn bad_requests_are_refused_by_their_fields_and_what_is_not_there_is_not_found() {
    let (network, bench, reading) = started().await;
    let qc = Desk::set(&network, 1, "qc").await;
    let nothing = qc.send(v1::SignOffRequest::default()).await;
    let failure = nothing.expect_err("empty");
    bad_value(
        &failure,
        "sign_off.subject",
        "NOT_A_NAME",
        "readings/{reading}",
    );
    bad_value(
        &failure,
        "sign_off.meaning",
        "REQUIRED",
        "reviewed or rejected",
    );
    bad_value(&failure, "signing_phrase", "REQUIRED", "send 1 to 200");
    let mut unknown = ask(&reading);
    unknown.sign_off.as_mut().expect("a wish").meaning = 9;
    let failure = qc.send(unknown).await.expect_err("no such meaning");
    bad_value(
        &failure,
        "sign_off.meaning",
        "UNKNOWN_VALUE",
        "send one of the values",
    );
    let failure = qc
        .listed("sites/north/furnaces/k2")
        .await
        .expect_err("neither");
    bad_value(&failure, "parent", "NOT_A_NAME", "check the name");
    for none in [
        format!("{}/readings/none", bench.furnace),
        format!("{}/adjustments/none", bench.furnace),
    ] {
        missing(&qc.sign(&none).await.expect_err("none"), &none);
        missing(&qc.listed(&none).await.expect_err("none"), &none);
    }
    network.stop().await;
}
