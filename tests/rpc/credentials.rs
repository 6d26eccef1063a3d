//! Credentials: made, shown to whom they concern, rotated, revoked, and warned of before they end.

use jiff::SignedDuration;
use ringtrue_fleet::credential::{Holder, Token};
use ringtrue_fleet::grant::Role;
use ringtrue_fleet::key::CredentialId;
use ringtrue_proto::v1;
use ringtrue_proto::v1::access_service_client::AccessServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;
use ringtrue_tests::credentials::{Held, digest, grant, proved};
use ringtrue_tests::process::PATIENCE;
use tonic::transport::Channel;
use uuid::Uuid;

use crate::alerts::{look, of_kind};
use crate::refusals::bad_value;

/// Calls about access as somebody makes them: with a token, or from this machine without one.
pub(crate) struct Desk {
    client: AccessServiceClient<Channel>,
    token: Option<Token>,
}

/// An answer without its frame, or the failure.
pub(crate) fn told<T>(answer: Result<tonic::Response<T>, tonic::Status>) -> Result<T, Failure> {
    match answer {
        Ok(answer) => Ok(answer.into_inner()),
        Err(refused) => Err(Failure::of(&refused)),
    }
}

macro_rules! calls {
    ($($call:ident($ask:ident) -> $answer:ident;)+) => {
        impl Desk {
            $(pub(crate) async fn $call(&self, ask: v1::$ask) -> Result<v1::$answer, Failure> {
                told(self.client.clone().$call(self.asked(ask)).await)
            })+
        }
    };
}

calls! {
    who_am_i(WhoAmIRequest) -> WhoAmIResponse;
    enrol(EnrolRequest) -> EnrolResponse;
    create_enrolment(CreateEnrolmentRequest) -> CreateEnrolmentResponse;
    list_enrolments(ListEnrolmentsRequest) -> ListEnrolmentsResponse;
    revoke_enrolment(RevokeEnrolmentRequest) -> RevokeEnrolmentResponse;
    create_credential(CreateCredentialRequest) -> CreateCredentialResponse;
    get_credential(GetCredentialRequest) -> GetCredentialResponse;
    list_credentials(ListCredentialsRequest) -> ListCredentialsResponse;
    rotate_credential(RotateCredentialRequest) -> RotateCredentialResponse;
    revoke_credential(RevokeCredentialRequest) -> RevokeCredentialResponse;
    set_site_group(SetSiteGroupRequest) -> SetSiteGroupResponse;
    list_site_groups(ListSiteGroupsRequest) -> ListSiteGroupsResponse;
    remove_site_group(RemoveSiteGroupRequest) -> RemoveSiteGroupResponse;
}

impl Desk {
    /// Somebody on the server's own machine.
    pub(crate) fn local(network: &Network) -> Self {
        Self {
            client: AccessServiceClient::new(network.channel()),
            token: None,
        }
    }

    /// The holder of a token.
    pub(crate) fn of(network: &Network, token: &Token) -> Self {
        Self {
            token: Some(token.clone()),
            ..Self::local(network)
        }
    }

    fn asked<T>(&self, message: T) -> tonic::Request<T> {
        match &self.token {
            Some(token) => proved(message, token),
            None => tonic::Request::new(message),
        }
    }

    /// Who the server says this is; fails when it lets nobody in.
    pub(crate) async fn own(&self) -> Result<v1::Credential, Failure> {
        let who = self.who_am_i(v1::WhoAmIRequest {}).await?;
        Ok(who.credential.unwrap_or_default())
    }

    /// Waits until this token lets somebody in, or no longer does: what changes is seen within about a second.
    async fn waits_until(&self, is_let_in: bool) {
        let seen = tokio::time::timeout(PATIENCE, async {
            while self.own().await.is_ok() != is_let_in {
                tokio::task::yield_now().await;
            }
        });
        seen.await.expect("it is seen within a second or so");
    }
}

/// A device's credential for a role at some sites, as it is wished for.
pub(crate) fn wish(role: v1::Role, sites: &[&str]) -> v1::Credential {
    v1::Credential {
        display_name: "bench in the firing room".to_owned(),
        kind: v1::CredentialKind::Device.into(),
        grant: Some(v1::Grant {
            role: role.into(),
            sites: sites.iter().map(|id| format!("sites/{id}")).collect(),
            ..v1::Grant::default()
        }),
        ..v1::Credential::default()
    }
}

/// The same for the whole network.
pub(crate) fn network_wish(role: v1::Role) -> v1::Credential {
    let mut wished = wish(role, &[]);
    wished.grant.as_mut().expect("a grant").whole_network = true;
    wished
}

fn create(credential: v1::Credential) -> v1::CreateCredentialRequest {
    v1::CreateCredentialRequest {
        credential: Some(credential),
        ..v1::CreateCredentialRequest::default()
    }
}

fn revoke(name: &str) -> v1::RevokeCredentialRequest {
    v1::RevokeCredentialRequest {
        name: name.to_owned(),
        reason: "lost".to_owned(),
        ..v1::RevokeCredentialRequest::default()
    }
}

fn rotate(name: &str) -> v1::RotateCredentialRequest {
    v1::RotateCredentialRequest {
        name: name.to_owned(),
        ..v1::RotateCredentialRequest::default()
    }
}

fn get(name: &str) -> v1::GetCredentialRequest {
    v1::GetCredentialRequest {
        name: name.to_owned(),
    }
}

/// Makes a credential; gives it with its token.
async fn made(desk: &Desk, credential: v1::Credential) -> (v1::Credential, Token) {
    let made = desk.create_credential(create(credential)).await;
    let made = made.expect("made");
    let token = Token::parse(&made.token).expect("a token");
    (made.credential.expect("a credential"), token)
}

/// A network with two sites.
pub(crate) async fn two_sites() -> Network {
    let network = Network::start().await;
    network.site("north", site()).await;
    network.site("south", site()).await;
    network
}

async fn manager(network: &Network, sites: &[&str]) -> (Desk, Held) {
    let held = network
        .held(Holder::Device, grant(Role::SiteManager, sites))
        .await;
    (Desk::of(network, &held.token), held)
}

#[track_caller]
fn is(failure: &Failure, code: Code, reason: &str) {
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (code, reason),
        "{failure}"
    );
}

async fn unaltered(network: Network) {
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
    network.stop().await;
}

#[tokio::test]
async fn a_credential_is_made_looked_up_listed_and_lets_its_holder_in() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (made, token) = made(&desk, wish(v1::Role::Technician, &["north"])).await;
    assert_eq!(made.state, i32::from(v1::CredentialState::Active));
    assert_eq!(made.lifetime_days, 365);
    assert!(made.has_token);
    assert_eq!(made.name, token.credential.name());
    let found = desk.get_credential(get(&made.name)).await.expect("found");
    assert_eq!(found.credential.as_ref(), Some(&made));
    let listed = desk.list_credentials(v1::ListCredentialsRequest::default());
    assert_eq!(
        listed.await.expect("listed").credentials,
        std::slice::from_ref(&made)
    );

    let holder = Desk::of(&network, &token);
    let who = holder.who_am_i(v1::WhoAmIRequest {}).await.expect("let in");
    assert_eq!(who.credential.as_ref(), Some(&made));
    assert_eq!(who.sites, ["sites/north"]);
    assert_eq!(who.address, "127.0.0.1");
    assert!(!who.encrypted);
    assert!(
        who.rights.contains(&"record".to_owned()),
        "{:?}",
        who.rights
    );
    assert!(!who.rights.contains(&"grant access".to_owned()));
    let local = desk.who_am_i(v1::WhoAmIRequest {}).await.expect("local");
    assert_eq!(local.credential, Some(v1::Credential::default()));
    assert!(local.sites.is_empty(), "the whole network");
    unaltered(network).await;
}

#[tokio::test]
async fn a_repeat_gives_the_credential_without_its_token() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let ask = v1::CreateCredentialRequest {
        request_id: Uuid::from_u128(1).to_string(),
        ..create(wish(v1::Role::Technician, &["north"]))
    };
    let first = desk.create_credential(ask.clone()).await.expect("made");
    let again = desk.create_credential(ask).await.expect("the same");
    assert_eq!(again.credential, first.credential);
    assert!(!first.token.is_empty() && again.token.is_empty());
    let name = first.credential.expect("a credential").name;
    let ask = v1::RotateCredentialRequest {
        request_id: Uuid::from_u128(2).to_string(),
        ..rotate(&name)
    };
    let first = desk.rotate_credential(ask.clone()).await.expect("rotated");
    network.advance_h(1);
    let again = desk.rotate_credential(ask).await.expect("the same");
    assert_eq!(again.credential, first.credential);
    assert!(!first.token.is_empty() && again.token.is_empty());
    let ask = v1::RevokeCredentialRequest {
        request_id: Uuid::from_u128(3).to_string(),
        ..revoke(&name)
    };
    let first = desk.revoke_credential(ask.clone()).await.expect("revoked");
    network.advance_h(1);
    let again = desk.revoke_credential(ask).await.expect("the same");
    assert_eq!(again, first);
    let once_more = desk.revoke_credential(revoke(&name)).await;
    assert_eq!(
        once_more.expect("it stays as it is").credential,
        first.credential
    );
    unaltered(network).await;
}

#[tokio::test]
async fn everything_that_is_wrong_with_a_wish_is_told_at_once() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let mut wrong = wish(v1::Role::Quality, &["north"]);
    wrong.kind = v1::CredentialKind::Person.into();
    wrong.person = "Jane Doe".to_owned();
    wrong.lifetime_days = 731;
    wrong.display_name = String::new();
    let failure = desk.create_credential(create(wrong)).await;
    let failure = failure.expect_err("wrong");
    for (field, reason, next_step) in [
        ("credential.display_name", "REQUIRED", "send 1 to 120"),
        ("credential.person", "NOT_AN_OPERATOR", "without spaces"),
        (
            "credential.lifetime_days",
            "OUT_OF_RANGE",
            "between 1 and 730",
        ),
        (
            "credential.grant.whole_network",
            "ROLE_IS_FOR_NETWORK",
            "must be set",
        ),
    ] {
        bad_value(&failure, field, reason, next_step);
    }
    let nowhere = desk.create_credential(create(wish(v1::Role::Technician, &["east"])));
    is(
        &nowhere.await.expect_err("no such site"),
        Code::NotFound,
        "NOT_FOUND",
    );
    let mut only = create(wish(v1::Role::Technician, &["north"]));
    only.certificate_only = true;
    let failure = desk.create_credential(only.clone()).await;
    let failure = failure.expect_err("nothing would prove it");
    let field = "credential.certificate_sha256";
    bad_value(&failure, field, "REQUIRED", "give the certificate");
    only.credential.as_mut().expect("one").certificate_sha256 = "5c".repeat(32);
    let made = desk.create_credential(only.clone()).await.expect("made");
    let (certified, token) = (made.credential.expect("one"), made.token);
    assert!(token.is_empty() && !certified.has_token);
    assert_eq!(certified.certificate_sha256, "5c".repeat(32));
    let failure = desk.create_credential(only).await.expect_err("taken");
    bad_value(&failure, field, "TAKEN", "make a new one");
    let failure = desk.rotate_credential(rotate(&certified.name)).await;
    is(
        &failure.expect_err("no secret"),
        Code::FailedPrecondition,
        "MAY_NOT_ROTATE",
    );
    unaltered(network).await;
}

#[tokio::test]
async fn the_secret_before_works_for_as_long_as_was_asked_and_the_new_one_at_once() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (made, old) = made(&desk, wish(v1::Role::Technician, &["north"])).await;
    network.advance_days(300);
    let ask = v1::RotateCredentialRequest {
        overlap_min: 30,
        ..rotate(&made.name)
    };
    let rotated = desk.rotate_credential(ask).await.expect("rotated");
    let new = Token::parse(&rotated.token).expect("a token");
    let (old, new) = (Desk::of(&network, &old), Desk::of(&network, &new));
    new.waits_until(true).await;
    assert!(old.own().await.is_ok(), "both work for a while");
    let own = new.own().await.expect("let in");
    assert!(own.previous_secret_end_time.is_some());
    network
        .app
        .clock
        .advance(SignedDuration::from_mins(30))
        .expect("it moves");
    let failure = old.own().await.expect_err("its time is over");
    is(&failure, Code::Unauthenticated, "UNAUTHENTICATED");
    network.advance_days(300);
    let own = new.own().await.expect("its lifetime began anew");
    assert_eq!(own.previous_secret_end_time, None);
    unaltered(network).await;
}

#[tokio::test]
async fn holders_rotate_their_own_with_a_secret_that_never_travels_and_nobody_elses() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let other = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let desk = Desk::of(&network, &held.token);
    let failure = desk.rotate_credential(rotate(&other.credential.key.name()));
    is(
        &failure.await.expect_err("another's"),
        Code::PermissionDenied,
        "DENIED",
    );
    let mut ask = rotate("");
    ask.secret_sha256 = digest(&held.token.secret).to_vec();
    let failure = desk.rotate_credential(ask.clone()).await;
    let failure = failure.expect_err("the same again");
    bad_value(&failure, "secret_sha256", "UNCHANGED", "make a new secret");
    let secret = "N".repeat(43);
    ask.secret_sha256 = digest(&secret).to_vec();
    let rotated = desk.rotate_credential(ask).await.expect("rotated");
    assert_eq!(rotated.token, "", "only its holder knows the secret");
    let new = Token {
        secret,
        ..held.token.clone()
    };
    Desk::of(&network, &new).waits_until(true).await;
    desk.waits_until(false).await;
    let actor = network.last_entry("north").await.actor;
    assert_eq!(actor, held.credential.key.name());
    let failure = Desk::local(&network).rotate_credential(rotate("")).await;
    let failure = failure.expect_err("whose?");
    bad_value(&failure, "name", "REQUIRED", "name the one to rotate");
    unaltered(network).await;
}

#[tokio::test]
async fn what_has_ended_is_not_rotated_and_lets_nobody_in() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (lost, token) = made(&desk, wish(v1::Role::Technician, &["north"])).await;
    let mut brief = wish(v1::Role::Technician, &["north"]);
    brief.lifetime_days = 1;
    let (brief, brief_token) = made(&desk, brief).await;
    let holder = Desk::of(&network, &token);
    assert!(holder.own().await.is_ok());
    let revoked = desk.revoke_credential(revoke(&lost.name)).await;
    let revoked = revoked.expect("revoked").credential.expect("one");
    assert_eq!(revoked.state, i32::from(v1::CredentialState::Revoked));
    assert!(!revoked.has_token, "its secret is forgotten");
    holder.waits_until(false).await;
    network.advance_days(1);
    Desk::of(&network, &brief_token).waits_until(false).await;
    for name in [&lost.name, &brief.name] {
        let failure = desk.rotate_credential(rotate(name)).await;
        let failure = failure.expect_err("ended");
        is(&failure, Code::FailedPrecondition, "MAY_NOT_ROTATE");
        assert!(failure.message.contains("enrols again"), "{failure}");
    }
    let listed = desk.list_credentials(v1::ListCredentialsRequest::default());
    assert!(listed.await.expect("listed").credentials.is_empty());
    let all = v1::ListCredentialsRequest {
        show_ended: true,
        ..v1::ListCredentialsRequest::default()
    };
    let all = desk.list_credentials(all).await.expect("listed");
    assert_eq!(all.credentials.len(), 2);
    unaltered(network).await;
}

#[tokio::test]
async fn the_last_administrator_is_not_shut_out() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (first, token) = made(&desk, network_wish(v1::Role::Administrator)).await;
    let own = Desk::of(&network, &token);
    for desk in [&desk, &own] {
        let failure = desk.revoke_credential(revoke(&first.name)).await;
        let failure = failure.expect_err("nobody could let anybody in");
        is(&failure, Code::FailedPrecondition, "LAST_ADMINISTRATOR");
        assert!(
            failure.message.contains("make another one first"),
            "{failure}"
        );
    }
    let (second, _) = made(&own, network_wish(v1::Role::Administrator)).await;
    let done = own.revoke_credential(revoke(&first.name)).await;
    assert!(done.is_ok(), "{done:?}");
    let failure = desk.revoke_credential(revoke(&second.name)).await;
    is(
        &failure.expect_err("the last now"),
        Code::FailedPrecondition,
        "LAST_ADMINISTRATOR",
    );
    unaltered(network).await;
}

#[tokio::test]
async fn a_manager_keeps_what_is_of_their_sites_and_learns_of_nothing_else() {
    let network = two_sites().await;
    let (north, own) = manager(&network, &["north"]).await;
    let (south, _) = manager(&network, &["south"]).await;
    network.advance_h(1);
    let (device, _) = made(&north, wish(v1::Role::Technician, &["north"])).await;
    let (quality, _) = made(&Desk::local(&network), network_wish(v1::Role::Quality)).await;
    for (desk, name) in [
        (&south, &device.name),
        (&south, &quality.name),
        (&north, &quality.name),
    ] {
        let never = CredentialId::from_uuid(Uuid::from_u128(77)).name();
        let answers = [
            desk.get_credential(get(name)).await.err(),
            desk.get_credential(get(&never)).await.err(),
            desk.revoke_credential(revoke(name)).await.err(),
            desk.revoke_credential(revoke(&never)).await.err(),
            desk.rotate_credential(rotate(name)).await.err(),
            desk.rotate_credential(rotate(&never)).await.err(),
        ];
        for (at, failure) in answers.into_iter().enumerate() {
            let failure = failure.expect("it is not theirs");
            is(&failure, Code::NotFound, "NOT_FOUND");
            let named = if at % 2 == 0 { name } else { &never };
            assert_eq!(
                failure.message,
                format!("there is no {named}; check the name"),
                "whether it exists is not told"
            );
        }
    }
    let seen = async |desk: &Desk| {
        let listed = desk.list_credentials(v1::ListCredentialsRequest::default());
        let listed = listed.await.expect("listed").credentials;
        listed.into_iter().map(|one| one.name).collect::<Vec<_>>()
    };
    let own = own.credential.key.name();
    assert_eq!(seen(&north).await, [device.name.clone(), own]);
    assert_eq!(seen(&south).await.len(), 1, "their own");
    for beyond in [
        wish(v1::Role::Technician, &["south"]),
        wish(v1::Role::Technician, &["north", "south"]),
        network_wish(v1::Role::Quality),
        network_wish(v1::Role::Administrator),
        network_wish(v1::Role::Auditor),
    ] {
        let failure = north.create_credential(create(beyond)).await;
        is(
            &failure.expect_err("more than they have"),
            Code::PermissionDenied,
            "DENIED",
        );
    }
    let done = north.revoke_credential(revoke(&device.name)).await;
    assert!(done.is_ok(), "{done:?}");
    unaltered(network).await;
}

#[tokio::test]
async fn whoever_may_not_let_people_in_is_denied_whatever_they_name() {
    let network = two_sites().await;
    let (made, token) = made(
        &Desk::local(&network),
        wish(v1::Role::Technician, &["north"]),
    )
    .await;
    let desk = Desk::of(&network, &token);
    let refused = [
        desk.get_credential(get(&made.name)).await.err(),
        desk.list_credentials(v1::ListCredentialsRequest::default())
            .await
            .err(),
        desk.create_credential(create(wish(v1::Role::Technician, &["north"])))
            .await
            .err(),
        desk.revoke_credential(revoke(&made.name)).await.err(),
    ];
    for failure in refused {
        is(
            &failure.expect("not theirs"),
            Code::PermissionDenied,
            "DENIED",
        );
    }
    unaltered(network).await;
}

#[tokio::test]
async fn lists_go_on_page_by_page() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let mut wanted = Vec::new();
    for _ in 0..5 {
        let (made, _) = made(&desk, wish(v1::Role::Technician, &["north"])).await;
        wanted.insert(0, made.name);
        network.advance_h(1);
    }
    let mut seen = Vec::new();
    let mut ask = v1::ListCredentialsRequest {
        page_size: 2,
        ..v1::ListCredentialsRequest::default()
    };
    loop {
        let page = desk.list_credentials(ask.clone()).await.expect("a page");
        seen.extend(page.credentials.into_iter().map(|one| one.name));
        if page.next_page_token.is_empty() {
            break;
        }
        ask.page_token = page.next_page_token;
    }
    assert_eq!(seen, wanted, "newest first, each once");
    network.stop().await;
}

#[tokio::test]
async fn a_credential_that_ends_is_alerted_at_its_site_and_closes_when_rotated() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let (device, token) = made(&desk, wish(v1::Role::Technician, &["north"])).await;
    let (quality, _) = made(&desk, network_wish(v1::Role::Quality)).await;
    look(&network).await;
    let open = async |parent: &str| {
        look(&network).await;
        of_kind(&network, parent, v1::AlertKind::CredentialEnds).await
    };
    assert!(open("sites/-").await.is_empty());
    // Warned of thirty days before the end: Friday noon is no quiet time.
    network.advance_days(335);
    network.advance_h(24);
    let all = open("sites/-").await;
    let subjects: Vec<&str> = all.iter().map(|alert| alert.subject.as_str()).collect();
    assert!(subjects.contains(&device.name.as_str()), "{subjects:?}");
    assert!(subjects.contains(&quality.name.as_str()), "{subjects:?}");
    let at_site = open("sites/north").await;
    assert_eq!(at_site.len(), 1);
    assert_eq!(at_site[0].level, i32::from(v1::AlertLevel::Manager));
    assert_eq!(at_site[0].stage, i32::from(v1::AlertStage::Due));
    assert_eq!(at_site[0].subject_display_name, "bench in the firing room");
    assert!(at_site[0].statement.contains("ends on"), "{:?}", at_site[0]);

    let rotated = Desk::of(&network, &token)
        .rotate_credential(rotate(""))
        .await;
    assert!(rotated.is_ok(), "{rotated:?}");
    assert!(open("sites/north").await.is_empty());
    let all = open("sites/-").await;
    assert_eq!(all.len(), 1, "the other one's");
    assert_eq!(all[0].level, i32::from(v1::AlertLevel::Quality));
    network.advance_days(40);
    assert_eq!(
        open("sites/-").await[0].stage,
        i32::from(v1::AlertStage::Overdue)
    );
    network.advance_days(30);
    assert!(open("sites/-").await.is_empty(), "long ended");
    unaltered(network).await;
}
