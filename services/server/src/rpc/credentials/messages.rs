//! Credentials between messages and the fleet's own words.

use data_encoding::{HEXLOWER, HEXLOWER_PERMISSIVE};
use jiff::Timestamp;
use ringtrue_fleet::caller::Right;
use ringtrue_fleet::credential::{
    Credential, CredentialWish, Holder, Standing, USUAL_LIFETIME_DAYS,
};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::KeptCredential;
use std::collections::BTreeSet;

use super::super::fields::{choice, name, timestamp};

/// Reads what a credential is to be; what is left out gets the protocol's defaults. The use case checks the rest.
pub(super) fn wish(
    field: &str,
    given: &v1::Credential,
    violations: &mut Violations,
) -> Option<CredentialWish> {
    let holder = holder(field, given, violations);
    let grant = grant(
        &format!("{field}.grant"),
        &given.grant.clone().unwrap_or_default(),
        violations,
    );
    let certificate = certificate(field, &given.certificate_sha256, violations);
    let lifetime_days = match given.lifetime_days {
        0 => USUAL_LIFETIME_DAYS,
        // What does not fit is out of range in any case, and refused as that.
        days => u16::try_from(days).unwrap_or(u16::MAX),
    };
    Some(CredentialWish {
        display_name: given.display_name.clone(),
        holder: holder?,
        grant: grant?,
        certificate,
        lifetime_days,
    })
}

fn holder(field: &str, given: &v1::Credential, violations: &mut Violations) -> Option<Holder> {
    let kind: v1::CredentialKind = choice(&format!("{field}.kind"), given.kind, violations)?;
    let holder = match kind {
        v1::CredentialKind::Person => return Some(Holder::Person(given.person.clone())),
        v1::CredentialKind::Device => Holder::Device,
        v1::CredentialKind::Integration => Holder::Integration,
        v1::CredentialKind::Unspecified => {
            violations.add(
                format!("{field}.kind"),
                "REQUIRED",
                "is missing; say who holds it: a device, a person or an integration",
            );
            return None;
        }
    };
    if !given.person.is_empty() {
        violations.add(
            format!("{field}.person"),
            "NOT_A_PERSON",
            "is for people only; leave it out, or send the kind of a person",
        );
    }
    Some(holder)
}

fn grant(field: &str, given: &v1::Grant, violations: &mut Violations) -> Option<Grant> {
    let role: Option<v1::Role> = choice(&format!("{field}.role"), given.role, violations);
    let role = role.and_then(|role| {
        let role = role_of(role);
        if role.is_none() {
            violations.add(
                format!("{field}.role"),
                "REQUIRED",
                "is missing; send a role",
            );
        }
        role
    });
    let mut permissions = BTreeSet::new();
    for (at, number) in given.permissions.iter().enumerate() {
        let field = format!("{field}.permissions[{at}]");
        let permission: Option<v1::Permission> = choice(&field, *number, violations);
        match permission {
            Some(v1::Permission::Read) => drop(permissions.insert(Right::Read)),
            Some(v1::Permission::Record) => drop(permissions.insert(Right::Record)),
            Some(v1::Permission::Note) => drop(permissions.insert(Right::Note)),
            Some(v1::Permission::Unspecified) => {
                violations.add(field, "REQUIRED", "is missing; send a permission");
            }
            None => {}
        }
    }
    let mut sites = BTreeSet::new();
    for (at, text) in given.sites.iter().enumerate() {
        let field = format!("{field}.sites[{at}]");
        sites.extend(name(&field, text, SiteId::parse, violations));
    }
    let mut groups = BTreeSet::new();
    for (at, text) in given.site_groups.iter().enumerate() {
        let field = format!("{field}.site_groups[{at}]");
        groups.extend(name(&field, text, SiteGroupId::parse, violations));
    }
    if given.whole_network && !(given.sites.is_empty() && given.site_groups.is_empty()) {
        violations.add(
            format!("{field}.whole_network"),
            "TWO_REACHES",
            "is set beside named sites or groups; name them, or set it, not both",
        );
    }
    Some(Grant {
        role: role?,
        permissions,
        reach: if given.whole_network {
            Reach::Network
        } else {
            Reach::Sites { sites, groups }
        },
    })
}

fn certificate(field: &str, text: &str, violations: &mut Violations) -> Option<[u8; 32]> {
    if text.is_empty() {
        return None;
    }
    let read = from_hexadecimal(text);
    if read.is_none() {
        violations.add(
            format!("{field}.certificate_sha256"),
            "NOT_A_DIGEST",
            "is not a SHA-256; send 64 hexadecimal digits, with or without colons",
        );
    }
    read
}

fn from_hexadecimal(text: &str) -> Option<[u8; 32]> {
    let digits: String = text.chars().filter(|letter| *letter != ':').collect();
    let bytes = HEXLOWER_PERMISSIVE.decode(digits.as_bytes()).ok()?;
    bytes.try_into().ok()
}

/// Reads a SHA-256 as bytes.
pub(super) fn digest_bytes(
    field: &str,
    bytes: &[u8],
    violations: &mut Violations,
) -> Option<[u8; 32]> {
    let read = <[u8; 32]>::try_from(bytes).ok();
    if read.is_none() {
        violations.add(
            field,
            "NOT_A_DIGEST",
            format!(
                "has {} bytes; send the 32 bytes of the secret's SHA-256",
                bytes.len()
            ),
        );
    }
    read
}

/// Reads a number of minutes that may be left out.
pub(super) fn minutes(field: &str, given: i32, usual: u16, violations: &mut Violations) -> u16 {
    match u16::try_from(given) {
        Ok(0) => usual,
        Ok(minutes) => minutes,
        Err(_) => {
            violations.add(
                field,
                "OUT_OF_RANGE",
                format!("{given} minutes is out of range; check the value and its unit"),
            );
            usual
        }
    }
}

/// Writes a credential.
pub(super) fn credential_message(kept: &KeptCredential, now: Timestamp) -> v1::Credential {
    let Credential {
        key,
        display_name,
        holder,
        grant,
        secret,
        previous,
        certificate,
        lifetime_days,
        created_at,
        expires_at,
        revoked_at,
    } = &kept.credential;
    let state = match kept.credential.standing(now) {
        Standing::Active => v1::CredentialState::Active,
        Standing::Expired => v1::CredentialState::Expired,
        Standing::Revoked => v1::CredentialState::Revoked,
    };
    let (kind, person) = holder_message(holder);
    let (last_use_at, last_use_address) = kept.last_use.clone().unzip();
    v1::Credential {
        name: key.name(),
        display_name: display_name.clone(),
        kind: kind.into(),
        person,
        grant: Some(grant_message(grant)),
        certificate_sha256: certificate
            .as_ref()
            .map_or_else(String::new, |sha256| HEXLOWER.encode(sha256)),
        has_token: secret.is_some(),
        lifetime_days: (*lifetime_days).into(),
        state: state.into(),
        create_time: Some(timestamp(*created_at)),
        expire_time: Some(timestamp(*expires_at)),
        revoke_time: revoked_at.map(timestamp),
        last_use_time: last_use_at.map(timestamp),
        last_use_address: last_use_address.unwrap_or_default(),
        previous_secret_end_time: previous
            .filter(|(_, until)| *until > now)
            .map(|(_, until)| timestamp(until)),
        has_signing_phrase: kept.has_signing_phrase,
    }
}

/// Writes what a credential is to be.
pub(super) fn wish_message(wish: &CredentialWish) -> v1::Credential {
    let (kind, person) = holder_message(&wish.holder);
    v1::Credential {
        display_name: wish.display_name.clone(),
        kind: kind.into(),
        person,
        grant: Some(grant_message(&wish.grant)),
        certificate_sha256: wish
            .certificate
            .as_ref()
            .map_or_else(String::new, |sha256| HEXLOWER.encode(sha256)),
        lifetime_days: wish.lifetime_days.into(),
        ..v1::Credential::default()
    }
}

fn holder_message(holder: &Holder) -> (v1::CredentialKind, String) {
    match holder {
        Holder::Device => (v1::CredentialKind::Device, String::new()),
        Holder::Person(person) => (v1::CredentialKind::Person, person.clone()),
        Holder::Integration => (v1::CredentialKind::Integration, String::new()),
    }
}

fn grant_message(grant: &Grant) -> v1::Grant {
    let (sites, site_groups) = match &grant.reach {
        Reach::Network => (Vec::new(), Vec::new()),
        Reach::Sites { sites, groups } => (
            sites.iter().map(SiteId::name).collect(),
            groups.iter().map(SiteGroupId::name).collect(),
        ),
    };
    let permission = |right: &Right| match right {
        Right::Record => v1::Permission::Record,
        Right::Note => v1::Permission::Note,
        _ => v1::Permission::Read,
    };
    v1::Grant {
        role: role_message(grant.role).into(),
        sites,
        site_groups,
        whole_network: grant.reach == Reach::Network,
        permissions: grant
            .permissions
            .iter()
            .map(|right| permission(right).into())
            .collect(),
    }
}

fn role_of(role: v1::Role) -> Option<Role> {
    Some(match role {
        v1::Role::Unspecified => return None,
        v1::Role::Technician => Role::Technician,
        v1::Role::SiteManager => Role::SiteManager,
        v1::Role::Support => Role::Support,
        v1::Role::Quality => Role::Quality,
        v1::Role::Integration => Role::Integration,
        v1::Role::Auditor => Role::Auditor,
        v1::Role::Administrator => Role::Administrator,
    })
}

fn role_message(role: Role) -> v1::Role {
    match role {
        Role::Technician => v1::Role::Technician,
        Role::SiteManager => v1::Role::SiteManager,
        Role::Support => v1::Role::Support,
        Role::Quality => v1::Role::Quality,
        Role::Integration => v1::Role::Integration,
        Role::Auditor => v1::Role::Auditor,
        Role::Administrator => v1::Role::Administrator,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn given(kind: v1::CredentialKind, role: v1::Role) -> v1::Credential {
        v1::Credential {
            display_name: "bench".to_owned(),
            kind: kind.into(),
            grant: Some(v1::Grant {
                role: role.into(),
                sites: vec!["sites/porto".to_owned()],
                ..v1::Grant::default()
            }),
            ..v1::Credential::default()
        }
    }

    #[test]
    fn a_wish_survives_the_way_there_and_back() {
        let mut asked = given(v1::CredentialKind::Integration, v1::Role::Integration);
        asked.certificate_sha256 = "0f".repeat(32);
        asked.lifetime_days = 90;
        if let Some(grant) = &mut asked.grant {
            grant.site_groups = vec!["siteGroups/north".to_owned()];
            grant.permissions = vec![
                v1::Permission::Read.into(),
                v1::Permission::Note.into(),
                v1::Permission::Record.into(),
            ];
        }
        let mut violations = Violations::default();
        let wish = wish("credential", &asked, &mut violations).expect("a wish");
        assert_eq!(violations, Violations::default());
        let mut back = wish_message(&wish);
        let sorted = |credential: &mut v1::Credential| {
            let grant = credential.grant.as_mut().expect("a grant");
            grant.permissions.sort_unstable();
        };
        sorted(&mut back);
        sorted(&mut asked);
        assert_eq!(back, asked);
    }

    #[test]
    fn every_role_survives_the_way_there_and_back() {
        for (role, _) in Role::ALL {
            assert_eq!(role_of(role_message(role)), Some(role));
        }
    }

    #[test]
    fn everything_that_is_wrong_is_told_at_once() {
        let mut asked = given(v1::CredentialKind::Unspecified, v1::Role::Unspecified);
        asked.certificate_sha256 = "0f".repeat(31);
        if let Some(grant) = &mut asked.grant {
            grant.sites.push("porto".to_owned());
            grant.site_groups.push(String::new());
            grant.permissions = vec![0, 99];
            grant.whole_network = true;
        }
        let mut violations = Violations::default();
        assert_eq!(wish("credential", &asked, &mut violations), None);
        let fields: Vec<&str> = violations.0.iter().map(|one| one.field.as_str()).collect();
        assert_eq!(
            fields,
            [
                "credential.kind",
                "credential.grant.role",
                "credential.grant.permissions[0]",
                "credential.grant.permissions[1]",
                "credential.grant.sites[1]",
                "credential.grant.site_groups[0]",
                "credential.grant.whole_network",
                "credential.certificate_sha256",
            ]
        );
    }

    #[test]
    fn a_certificate_may_be_written_as_programs_print_it() {
        let mut colons = "AB:".repeat(32);
        colons.pop();
        assert_eq!(from_hexadecimal(&colons), Some([0xab; 32]));
        assert_eq!(from_hexadecimal(&"ab".repeat(32)), Some([0xab; 32]));
        for wrong in [
            "ab".repeat(33),
            "ab".repeat(31),
            "xy".repeat(32),
            String::new(),
        ] {
            assert_eq!(from_hexadecimal(&wrong), None, "{wrong}");
        }
    }
}
