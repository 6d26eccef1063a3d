//! Everybody who may come to the network, let in through the calls that let people in.

use ringtrue_proto::v1;
use ringtrue_proto::v1::access_service_client::AccessServiceClient;
use ringtrue_tests::Network;
use ringtrue_tests::credentials::digest;
use tonic::metadata::{MetadataMap, MetadataValue};
use tonic::transport::Channel;

use crate::scene::{Scene, bearer};
use crate::table::As;

/// A group of both laboratories.
pub(crate) const GROUP: &str = "both";

/// Signing phrase of everybody who signs.
pub(crate) const PHRASE: &str = "rings shrink when hot";

/// Somebody with a token.
#[derive(Debug, Clone)]
pub(crate) struct Caller {
    /// What the tests call them.
    pub(crate) name: &'static str,
    pub(crate) role: As,
    /// Whether they are there for the whole network.
    pub(crate) whole: bool,
    /// What a program may do; empty for everybody else.
    pub(crate) permissions: &'static [v1::Permission],
    /// What proves them.
    pub(crate) token: String,
}

const EVERYTHING: &[v1::Permission] = &[
    v1::Permission::Read,
    v1::Permission::Record,
    v1::Permission::Note,
];

/// Who comes: each role at the first site, or for the whole network where that is its nature; then those roles that may
/// have either; then programs that may do one thing only.
const WHO: [(&str, As, bool, &[v1::Permission]); 14] = [
    ("technician", As::Technician, false, &[]),
    ("site manager", As::SiteManager, false, &[]),
    ("support", As::Support, false, &[]),
    ("quality", As::Quality, true, &[]),
    ("integration", As::Integration, false, EVERYTHING),
    ("auditor", As::Auditor, false, &[]),
    ("administrator", As::Administrator, true, &[]),
    ("support of all", As::Support, true, &[]),
    ("integration of all", As::Integration, true, EVERYTHING),
    ("auditor of all", As::Auditor, true, &[]),
    ("reader", As::Integration, false, &[v1::Permission::Read]),
    (
        "recorder",
        As::Integration,
        false,
        &[v1::Permission::Record],
    ),
    ("noter", As::Integration, false, &[v1::Permission::Note]),
    ("device", As::Technician, false, &[]),
];

fn role(role: As) -> v1::Role {
    match role {
        As::Technician => v1::Role::Technician,
        As::SiteManager => v1::Role::SiteManager,
        As::Support => v1::Role::Support,
        As::Quality => v1::Role::Quality,
        As::Integration => v1::Role::Integration,
        As::Auditor => v1::Role::Auditor,
        As::Administrator => v1::Role::Administrator,
    }
}

/// Calls about access without a credential.
pub(crate) fn client(network: &Network) -> AccessServiceClient<Channel> {
    AccessServiceClient::new(network.channel())
}

fn grant(role: v1::Role, sites: &[&str], permissions: &[v1::Permission]) -> v1::Grant {
    v1::Grant {
        role: role.into(),
        sites: sites.iter().map(|site| (*site).to_owned()).collect(),
        whole_network: sites.is_empty(),
        permissions: permissions.iter().map(|one| i32::from(*one)).collect(),
        ..v1::Grant::default()
    }
}

fn of_person(name: &str, grant: v1::Grant) -> v1::Credential {
    v1::Credential {
        display_name: name.to_owned(),
        kind: v1::CredentialKind::Person.into(),
        person: name.replace(' ', "-"),
        grant: Some(grant),
        lifetime_days: 100,
        ..v1::Credential::default()
    }
}

/// An auditor of the whole network, whose credential nobody uses.
pub(crate) fn auditor_of_all() -> v1::Credential {
    of_person("another auditor", grant(v1::Role::Auditor, &[], &[]))
}

async fn with_token(network: &Network, credential: v1::Credential) -> (v1::Credential, String) {
    let ask = v1::CreateCredentialRequest {
        credential: Some(credential),
        ..v1::CreateCredentialRequest::default()
    };
    let made = client(network).create_credential(ask).await;
    let made = made.expect("the credential is made").into_inner();
    (made.credential.expect("it is told"), made.token)
}

/// Makes a credential that nobody uses.
pub(crate) async fn made(network: &Network, credential: v1::Credential) -> v1::Credential {
    with_token(network, credential).await.0
}

/// Lets everybody in who comes to the tests.
pub(crate) async fn let_in(network: &Network) -> Vec<Caller> {
    let mut callers = Vec::new();
    for (name, role_here, whole, permissions) in WHO {
        let sites: &[&str] = if whole { &[] } else { &["sites/north"] };
        let mut wanted = of_person(name, grant(role(role_here), sites, permissions));
        if role_here == As::Integration {
            wanted.kind = v1::CredentialKind::Integration.into();
            wanted.person.clear();
        }
        let token = if name == "device" {
            enrolled(network, wanted).await
        } else {
            with_token(network, wanted).await.1
        };
        callers.push(Caller {
            name,
            role: role_here,
            whole,
            permissions,
            token,
        });
    }
    callers
}

/// Lets a device in as its client would: with a code, and a secret that only the client knows.
async fn enrolled(network: &Network, mut wanted: v1::Credential) -> String {
    wanted.kind = v1::CredentialKind::Device.into();
    wanted.person.clear();
    let ask = v1::CreateEnrolmentRequest {
        enrolment: Some(v1::Enrolment {
            credential: Some(wanted),
            ..v1::Enrolment::default()
        }),
        ..v1::CreateEnrolmentRequest::default()
    };
    let invited = client(network).create_enrolment(ask).await;
    let code = invited.expect("invited").into_inner().code;
    let secret = "s".repeat(43);
    let ask = v1::EnrolRequest {
        code,
        secret_sha256: digest(&secret).to_vec(),
    };
    let made = client(network).enrol(ask).await.expect("enrolled");
    let made = made.into_inner().credential.expect("it is told");
    let id = made
        .name
        .trim_start_matches("credentials/")
        .replace('-', "");
    format!("rt1.{id}.{secret}")
}

/// Makes a credential and an enrolment at a site that nobody uses, and gives their names.
pub(crate) async fn invited(
    network: &Network,
    site: &str,
    marker: &str,
) -> [(&'static str, String); 2] {
    let mut wanted = of_person("another", grant(v1::Role::Technician, &[site], &[]));
    marker.clone_into(&mut wanted.display_name);
    let credential = made(network, wanted.clone()).await.name;
    let ask = v1::CreateEnrolmentRequest {
        enrolment: Some(v1::Enrolment {
            credential: Some(wanted),
            ..v1::Enrolment::default()
        }),
        ..v1::CreateEnrolmentRequest::default()
    };
    let invited = client(network).create_enrolment(ask).await;
    let enrolment = invited.expect("invited").into_inner().enrolment;
    let enrolment = enrolment.expect("it is told").name;
    [("credential", credential), ("enrolment", enrolment)]
}

/// What proves nobody, with what is wrong about it. Some of it is of administrators, who would be let in anywhere.
pub(crate) async fn unusable(
    network: &Network,
    callers: &[Caller],
) -> Vec<(&'static str, MetadataMap)> {
    let administrator = |name: &str| of_person(name, grant(v1::Role::Administrator, &[], &[]));
    let good = callers.iter().find(|one| one.name == "administrator");
    let good = good.expect("there is one").token.clone();

    // Ends a day after it is made; the network's clock is moved beyond that before anybody calls.
    let brief = v1::Credential {
        lifetime_days: 1,
        ..administrator("brief")
    };
    let (_, expired) = with_token(network, brief).await;

    let (revoked, revoked_token) = with_token(network, administrator("revoked")).await;
    let revoke = v1::RevokeCredentialRequest {
        name: revoked.name,
        reason: "Lost.".to_owned(),
        ..v1::RevokeCredentialRequest::default()
    };
    let revoke = client(network).revoke_credential(revoke).await;
    revoke.expect("it is revoked");

    let bound = v1::Credential {
        certificate_sha256: "ab".repeat(32),
        ..administrator("bound")
    };
    let (_, bound) = with_token(network, bound).await;

    let (rest, secret) = good.rsplit_once('.').expect("an id and a secret");
    let swapped: String = secret
        .chars()
        .map(|sign| {
            if sign.is_ascii_lowercase() {
                sign.to_ascii_uppercase()
            } else {
                sign.to_ascii_lowercase()
            }
        })
        .collect();
    let other = callers.iter().find(|one| one.name == "technician");
    let other = other.expect("there is one").token.rsplit_once('.');
    let other = other.expect("an id and a secret").1;
    let mut unusable = vec![("no credential", MetadataMap::new())];
    for (what, token) in [
        ("half a token", good[..good.len() / 2].to_owned()),
        ("a token with something behind it", format!("{good}x")),
        ("an expired token", expired),
        ("a revoked token", revoked_token),
        ("a token without its certificate", bound),
        ("a token in another case", format!("{rest}.{swapped}")),
        ("a token in upper case", good.to_uppercase()),
        ("another's secret", format!("{rest}.{other}")),
        ("the secret alone", secret.to_owned()),
        ("an empty token", String::new()),
    ] {
        unusable.push((what, bearer(&token)));
    }
    let value = |text: &str| MetadataValue::try_from(text).expect("it can travel");
    for (what, text) in [
        ("a token under another scheme", format!("Basic {good}")),
        ("a token under no scheme", good.clone()),
        ("a token after two spaces", format!("Bearer  {good}")),
        ("a token after a tab", format!("Bearer\t{good}")),
        (
            "two tokens in one header",
            format!("Bearer {good}, Bearer {good}"),
        ),
        ("a scheme alone", "Bearer".to_owned()),
    ] {
        let mut metadata = MetadataMap::new();
        metadata.insert("authorization", value(&text));
        unusable.push((what, metadata));
    }
    let mut twice = bearer(&good);
    twice.append("authorization", value(&format!("Bearer {good}")));
    unusable.push(("two headers", twice));
    let mut elsewhere = MetadataMap::new();
    elsewhere.insert("proxy-authorization", value(&format!("Bearer {good}")));
    unusable.push(("a token in another header", elsewhere));
    unusable
}

/// Sets the signing phrases of those who sign.
pub(crate) async fn set_phrases(scene: &Scene) {
    for name in ["technician", "site manager", "quality", "administrator"] {
        let caller = scene.caller(name);
        let json = r#"{"new_phrase":"{phrase}"}"#.replace("{phrase}", PHRASE);
        let set = scene.call_as(caller, "SignOffService/SetSigningPhrase", &json);
        set.await.expect("the phrase is set");
    }
}
