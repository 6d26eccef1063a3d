//! How credentials are told in a line.

use ringtrue_proto::v1::{CredentialKind, Role};

use super::*;

fn at(text: &str) -> prost_types::Timestamp {
    moment::sent(text.parse().expect("a moment"))
}

#[test]
fn a_credential_is_told_with_its_holder_places_and_end() {
    let now: Timestamp = "2026-11-23T08:12:00Z".parse().expect("a moment");
    let mut credential = Credential {
        name: "credentials/0198f3a0-0000-7000-8000-0000000000aa".to_owned(),
        display_name: "help desk".to_owned(),
        person: "ab".to_owned(),
        grant: Some(Grant {
            role: Role::Support.into(),
            sites: vec!["sites/porto".to_owned()],
            site_groups: vec!["siteGroups/north".to_owned()],
            ..Grant::default()
        }),
        expire_time: Some(at("2026-12-03T08:12:00Z")),
        ..Credential::default()
    };
    credential.set_kind(CredentialKind::Person);
    credential.set_state(CredentialState::Active);
    assert_eq!(
        row(&credential, now),
        [
            "help desk",
            "person ab",
            "support",
            "porto, group north",
            "Thu 2026-12-03 08:12 UTC (in 10 days)",
            "never",
            "0198f3a0-0000-7000-8000-0000000000aa"
        ]
    );
    credential.set_state(CredentialState::Revoked);
    credential.last_use_time = Some(at("2026-11-20T08:12:00Z"));
    let told = row(&credential, now);
    assert_eq!(told[4..6], ["revoked", "Fri 2026-11-20 08:12 UTC"]);
    assert_eq!(days_left(&credential, now), Some(10));
    credential.expire_time = Some(at("2026-11-23T08:12:00Z"));
    assert_eq!(days_left(&credential, now), None);
}

#[test]
fn many_places_are_counted() {
    let names = ["a", "b", "c", "d", "e", "f"];
    assert_eq!(places(&names, 4), "a, b, c, d and 2 more");
    assert_eq!(places(&names[..4], 4), "a, b, c, d");
    let network = Grant {
        whole_network: true,
        ..Grant::default()
    };
    assert_eq!(reach(&network), "network");
}
