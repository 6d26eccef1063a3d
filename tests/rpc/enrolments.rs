//! Enrolments: a code makes one credential for one client, and gives away nothing when it cannot.

use jiff::SignedDuration;
use ringtrue_fleet::credential::{Holder, Token};
use ringtrue_fleet::enrolment::{Code as TypedCode, MOST_TRIES};
use ringtrue_fleet::grant::Role;
use ringtrue_fleet::key::CredentialId;
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app;
use ringtrue_tests::Network;
use ringtrue_tests::credentials::{digest, grant};
use uuid::Uuid;

use crate::credentials::{Desk, network_wish, two_sites, wish};
use crate::refusals::bad_value;

/// A client's own secret, made up.
const SECRET: &str = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFG";

fn invite(credential: v1::Credential) -> v1::CreateEnrolmentRequest {
    v1::CreateEnrolmentRequest {
        enrolment: Some(v1::Enrolment {
            credential: Some(credential),
            ..v1::Enrolment::default()
        }),
        ..v1::CreateEnrolmentRequest::default()
    }
}

async fn invited(desk: &Desk, credential: v1::Credential) -> (v1::Enrolment, String) {
    let made = desk.create_enrolment(invite(credential)).await;
    let made = made.expect("made");
    (made.enrolment.expect("an enrolment"), made.code)
}

fn typed(code: &str, secret: &str) -> v1::EnrolRequest {
    v1::EnrolRequest {
        code: code.to_owned(),
        secret_sha256: digest(secret).to_vec(),
    }
}

/// A code that begins as another one and goes on differently.
fn mistyped(code: &str, number: u64) -> String {
    let right = TypedCode::parse(code).expect("a code");
    let mut wrong = TypedCode::of(number);
    wrong.selector.clone_from(&right.selector);
    assert_ne!(wrong, right);
    wrong.text()
}

fn token_of(made: &v1::Credential, secret: &str) -> Token {
    Token {
        credential: CredentialId::parse(&made.name).expect("a name"),
        secret: secret.to_owned(),
    }
}

async fn state(desk: &Desk, name: &str) -> v1::EnrolmentState {
    let listed = desk.list_enrolments(v1::ListEnrolmentsRequest::default());
    let listed = listed.await.expect("listed").enrolments;
    let found = listed.iter().find(|one| one.name == name);
    found.expect("on record").state()
}

#[track_caller]
fn unusable(failure: &Failure) {
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Unauthenticated, "CODE_UNUSABLE"),
        "{failure}"
    );
    assert!(failure.message.contains("ask for a new one"), "{failure}");
    assert!(failure.violations.is_empty() && failure.metadata.is_empty());
}

async fn unaltered(network: Network) {
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
    network.stop().await;
}

#[tokio::test]
async fn a_code_makes_a_credential_whose_secret_stays_with_the_client() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (enrolment, code) = invited(&desk, wish(v1::Role::Technician, &["north"])).await;
    assert_eq!(enrolment.state(), v1::EnrolmentState::Waiting);
    assert_eq!(enrolment.tries_left, i32::from(MOST_TRIES));
    assert_eq!(code.len(), 14, "twelve characters in three groups: {code}");
    let sloppy = code.to_lowercase().replace('-', " ");
    let made = desk.enrol(typed(&sloppy, SECRET)).await.expect("enrolled");
    let made = made.credential.expect("a credential");
    assert!(made.has_token);
    let enrolled_by = network.last_entry("north").await.actor;
    let id = enrolment.name.trim_start_matches("enrolments/");
    assert_eq!(enrolled_by, format!("enrolment:{id}"));
    let holder = Desk::of(&network, &token_of(&made, SECRET));
    assert_eq!(holder.own().await.expect("let in"), made);
    let listed = desk.list_enrolments(v1::ListEnrolmentsRequest::default());
    let listed = listed.await.expect("listed").enrolments;
    assert_eq!(listed[0].state(), v1::EnrolmentState::Used);
    assert_eq!(listed[0].made, made.name);
    unaltered(network).await;
}

#[tokio::test]
async fn a_lost_answer_is_given_again_to_the_same_client_and_to_no_other() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (_, code) = invited(&desk, wish(v1::Role::Technician, &["north"])).await;
    let first = desk.enrol(typed(&code, SECRET)).await.expect("enrolled");
    let entries = network.audit_length("sites/north").await;
    let again = desk.enrol(typed(&code, SECRET)).await.expect("the same");
    assert_eq!(again, first);
    let replayed = desk.enrol(typed(&code, "another secret")).await;
    unusable(&replayed.expect_err("somebody else's by now"));
    assert_eq!(network.audit_length("sites/north").await, entries);
    network
        .app
        .clock
        .advance(SignedDuration::from_mins(60))
        .expect("it moves");
    unusable(
        &desk
            .enrol(typed(&code, SECRET))
            .await
            .expect_err("its time is over"),
    );
    unaltered(network).await;
}

#[tokio::test]
async fn five_wrong_codes_lock_an_enrolment_and_the_right_one_comes_too_late() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (enrolment, code) = invited(&desk, wish(v1::Role::Technician, &["north"])).await;
    for number in 1..=u64::from(MOST_TRIES) {
        assert_eq!(
            state(&desk, &enrolment.name).await,
            v1::EnrolmentState::Waiting
        );
        let tried = desk.enrol(typed(&mistyped(&code, number << 20), SECRET));
        unusable(&tried.await.expect_err("wrong"));
    }
    assert_eq!(
        state(&desk, &enrolment.name).await,
        v1::EnrolmentState::Locked
    );
    unusable(&desk.enrol(typed(&code, SECRET)).await.expect_err("locked"));
    let listed = desk.list_credentials(v1::ListCredentialsRequest::default());
    assert!(listed.await.expect("listed").credentials.is_empty());
    unaltered(network).await;
}

#[tokio::test]
async fn why_a_code_cannot_be_used_is_not_told() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let invited = async || invited(&desk, wish(v1::Role::Technician, &["north"])).await;
    let (revoked, revoked_code) = invited().await;
    let ask = v1::RevokeEnrolmentRequest {
        name: revoked.name.clone(),
        ..v1::RevokeEnrolmentRequest::default()
    };
    let done = desk.revoke_enrolment(ask.clone()).await.expect("revoked");
    let done = done.enrolment.expect("one");
    assert_eq!(done.state(), v1::EnrolmentState::Revoked);
    let again = desk.revoke_enrolment(ask).await.expect("it stays revoked");
    assert_eq!(again.enrolment, Some(done));
    let (expired, expired_code) = invited().await;
    network.advance_h(1);
    assert_eq!(
        state(&desk, &expired.name).await,
        v1::EnrolmentState::Expired
    );
    let (used, used_code) = invited().await;
    desk.enrol(typed(&used_code, SECRET))
        .await
        .expect("enrolled");
    let (_, waiting_code) = invited().await;
    let mut failures = Vec::new();
    for code in [
        "0000-0000-0000",
        &revoked_code,
        &expired_code,
        &mistyped(&used_code, 1 << 20),
        &mistyped(&waiting_code, 1 << 20),
    ] {
        let failure = desk.enrol(typed(code, "of another")).await;
        failures.push(failure.expect_err("it cannot be used"));
    }
    for failure in &failures {
        unusable(failure);
        assert_eq!(failure.message, failures[0].message);
    }
    let ask = v1::RevokeEnrolmentRequest {
        name: used.name,
        ..v1::RevokeEnrolmentRequest::default()
    };
    let failure = desk.revoke_enrolment(ask).await.expect_err("too late");
    assert_eq!(failure.reason, "ENROLMENT_USED", "{failure}");
    assert!(
        failure.metadata["made"].starts_with("credentials/"),
        "{failure:?}"
    );
    unaltered(network).await;
}

#[tokio::test]
async fn what_is_no_code_or_no_digest_is_told_without_repeating_it() {
    let network = Network::start().await;
    let desk = Desk::local(&network);
    let ask = v1::EnrolRequest {
        code: "my-secret-words".to_owned(),
        secret_sha256: vec![1; 31],
    };
    let failure = desk.enrol(ask).await.expect_err("neither");
    bad_value(&failure, "code", "NOT_A_CODE", "12 letters and digits");
    bad_value(
        &failure,
        "secret_sha256",
        "NOT_A_DIGEST",
        "send the 32 bytes",
    );
    assert!(!format!("{failure:?}").contains("secret-words"));
    let mut wrong = wish(v1::Role::Technician, &["north"]);
    wrong.certificate_sha256 = "5c".repeat(32);
    let mut ask = invite(wrong);
    ask.valid_min = -1;
    let failure = desk.create_enrolment(ask).await.expect_err("both");
    let field = "enrolment.credential.certificate_sha256";
    bad_value(&failure, field, "NOT_HERE", "leave it out");
    bad_value(&failure, "valid_min", "OUT_OF_RANGE", "check the value");
    let mut ask = invite(network_wish(v1::Role::Auditor));
    ask.valid_min = 10_081;
    let failure = desk.create_enrolment(ask).await.expect_err("too long");
    bad_value(&failure, "valid_min", "OUT_OF_RANGE", "between 1 and 10080");
    network.stop().await;
}

#[tokio::test]
async fn a_repeat_gives_the_enrolment_without_its_code() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let ask = v1::CreateEnrolmentRequest {
        request_id: Uuid::from_u128(1).to_string(),
        ..invite(wish(v1::Role::Technician, &["north"]))
    };
    let first = desk.create_enrolment(ask.clone()).await.expect("made");
    let again = desk.create_enrolment(ask.clone()).await.expect("the same");
    assert_eq!(again.enrolment, first.enrolment);
    assert!(!first.code.is_empty() && again.code.is_empty());
    let other = v1::CreateEnrolmentRequest {
        valid_min: 5,
        ..ask
    };
    let failure = desk.create_enrolment(other).await.expect_err("another");
    assert_eq!(failure.reason, "REQUEST_ID_REUSED", "{failure}");
    unaltered(network).await;
}

#[tokio::test]
async fn managers_invite_to_their_own_sites_and_see_no_other_invitation() {
    let network = two_sites().await;
    let manager = async |site: &str| {
        let held = network
            .held(Holder::Device, grant(Role::SiteManager, &[site]))
            .await;
        Desk::of(&network, &held.token)
    };
    let (north, south) = (manager("north").await, manager("south").await);
    let (own, _) = invited(&north, wish(v1::Role::Technician, &["north"])).await;
    invited(&Desk::local(&network), network_wish(v1::Role::Auditor)).await;
    let seen = async |desk: &Desk| {
        let listed = desk.list_enrolments(v1::ListEnrolmentsRequest::default());
        listed.await.expect("listed").enrolments
    };
    assert_eq!(seen(&north).await, std::slice::from_ref(&own));
    assert_eq!(seen(&south).await, []);
    let failure = south
        .create_enrolment(invite(wish(v1::Role::Technician, &["north"])))
        .await;
    let failure = failure.expect_err("not their site");
    assert_eq!(failure.code, Code::PermissionDenied, "{failure}");
    let ask = v1::RevokeEnrolmentRequest {
        name: own.name,
        ..v1::RevokeEnrolmentRequest::default()
    };
    let failure = south.revoke_enrolment(ask.clone()).await;
    let failure = failure.expect_err("not theirs to know of");
    assert_eq!(failure.code, Code::NotFound, "{failure}");
    assert!(north.revoke_enrolment(ask).await.is_ok());
    unaltered(network).await;
}

#[tokio::test]
async fn the_first_administrator_comes_in_by_the_servers_own_program() {
    let network = two_sites().await;
    let (store, clock, ids) = (&network.app.store, &network.app.clock, &network.app.ids);
    let made = app::first_administrator(store, clock, ids, "q1", 60).await;
    let (enrolment, code) = made.expect("made");
    assert_eq!(network.last_entry("").await.actor, "work:setup");
    let desk = Desk::local(&network);
    let made = desk.enrol(typed(&code.text(), SECRET)).await;
    let made = made.expect("enrolled").credential.expect("a credential");
    assert_eq!(made.person, "q1");
    let own = Desk::of(&network, &token_of(&made, SECRET));
    let who = own.who_am_i(v1::WhoAmIRequest {}).await.expect("let in");
    assert_eq!(who.operator, "q1");
    assert!(who.rights.contains(&"grant access".to_owned()));
    assert_eq!(
        state(&own, &enrolment.key.name()).await,
        v1::EnrolmentState::Used
    );
    for (person, valid_min) in [("", 60), ("two words", 60), ("q1", 0), ("q1", 10_081)] {
        let wrong = app::first_administrator(store, clock, ids, person, valid_min).await;
        assert!(
            matches!(wrong, Err(app::Error::Invalid(_))),
            "{person:?} {valid_min}"
        );
    }
    unaltered(network).await;
}
