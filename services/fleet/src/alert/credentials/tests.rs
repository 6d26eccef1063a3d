//! Credentials that end: warned of in time, at their place, until somebody has done something about it.

use std::collections::BTreeSet;

use super::*;
use crate::alert::{Alert, AlertState, ChangeKind, registered};
use crate::credential::{CredentialWish, Holder};
use crate::grant::{Grant, Reach, Role};
use crate::key::{AlertId, CredentialId};
use crate::site::SiteDetails;

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn site() -> SiteId {
    SiteId::new("porto").expect("an id")
}

fn berlin() -> Calendar {
    Calendar::of(&SiteDetails {
        time_zone: "Europe/Berlin".to_owned(),
        ..SiteDetails::default()
    })
}

/// A credential of a hundred days, so warned of for ten, until 2026-06-14 at noon UTC.
fn credential(number: u128) -> Credential {
    let wish = CredentialWish {
        display_name: "bench".to_owned(),
        holder: Holder::Device,
        grant: Grant {
            role: Role::Technician,
            permissions: BTreeSet::new(),
            reach: Reach::Sites {
                sites: BTreeSet::from([site()]),
                groups: BTreeSet::new(),
            },
        },
        certificate: None,
        lifetime_days: 100,
    };
    let key = CredentialId::from_uuid(uuid::Uuid::from_u128(number));
    wish.credential(key, Some([1; 32]), at("2026-03-06T12:00:00Z"))
}

/// A register that looks whenever a look is foreseen.
struct Register {
    alerts: Vec<Alert>,
    told: Vec<(Timestamp, ChangeKind)>,
}

impl Register {
    fn new() -> Self {
        Self {
            alerts: Vec::new(),
            told: Vec::new(),
        }
    }

    /// Looks from a moment on until another, each time when the look before said so.
    fn run(&mut self, credentials: &[Credential], from: &str, until: &str) {
        let (mut now, until) = (at(from), at(until));
        while now <= until {
            let site = site();
            let (wanted, turns_at) = of_credentials(credentials, Some(&site), &berlin(), now);
            let number = self.alerts.len();
            let done = registered(&self.alerts, &wanted, &berlin(), now, || {
                AlertId::new(&format!("a{number}")).expect("an id")
            });
            for change in done.changes {
                self.told.push((now, change.kind));
                self.alerts.retain(|alert| alert.id != change.alert.id);
                self.alerts.push(change.alert);
            }
            match [done.next_at, turns_at].into_iter().flatten().min() {
                Some(next) => now = next,
                None => break,
            }
        }
    }
}

#[test]
fn a_credential_is_warned_of_grows_late_at_its_end_and_is_forgotten_a_month_later() {
    let mut register = Register::new();
    register.run(
        &[credential(1)],
        "2026-03-07T12:00:00Z",
        "2027-03-07T12:00:00Z",
    );
    assert_eq!(
        register.told,
        [
            (at("2026-06-04T12:00:00Z"), ChangeKind::Raised),
            (at("2026-06-14T12:00:00Z"), ChangeKind::Updated),
            (at("2026-07-14T12:00:00Z"), ChangeKind::Closed),
        ],
        "at these moments and no others, without anybody recording anything"
    );
    let alert = &register.alerts[0];
    assert_eq!(alert.level, Level::Manager);
    assert_eq!(alert.stage, Stage::Overdue);
    assert_eq!(alert.site, Some(site()));
    assert_eq!(alert.subject, credential(1).key.name());
    assert_eq!(
        alert.statement, "The credential “bench” ends on Sunday 2026-06-14 at 14:00.",
        "in the site's own time"
    );
    assert!(alert.next_step.contains("ringtrue credential rotate"));
}

#[test]
fn rotating_revoking_or_making_it_again_closes_the_alert() {
    let old = credential(1);
    let warned = "2026-06-04T12:00:00Z";
    let now = at("2026-06-05T09:00:00Z");
    let made_again = Credential {
        created_at: now,
        expires_at: at("2026-09-13T09:00:00Z"),
        ..credential(2)
    };
    let mended = [
        vec![old.rotated([2; 32], now, None)],
        vec![old.revoked(now)],
        vec![old.clone(), made_again],
    ];
    for after in mended {
        let mut register = Register::new();
        register.run(std::slice::from_ref(&old), warned, warned);
        assert_eq!(register.alerts[0].state, AlertState::Open);
        register.run(&after, "2026-06-05T09:00:00Z", "2026-06-05T09:00:00Z");
        assert_eq!(register.alerts[0].state, AlertState::Closed);
        assert_eq!(register.told.len(), 2, "{:?}", register.told);
    }
}

#[test]
fn the_next_round_after_a_rotation_is_warned_of_anew() {
    let rotated = credential(1).rotated([2; 32], at("2026-06-05T09:00:00Z"), None);
    let mut register = Register::new();
    register.run(
        &[credential(1)],
        "2026-06-04T12:00:00Z",
        "2026-06-04T12:00:00Z",
    );
    register.run(&[rotated], "2026-06-05T09:00:00Z", "2026-09-10T12:00:00Z");
    let kinds: Vec<ChangeKind> = register.told.iter().map(|(_, kind)| *kind).collect();
    assert_eq!(
        kinds,
        [ChangeKind::Raised, ChangeKind::Closed, ChangeKind::Raised]
    );
}

#[test]
fn another_device_of_the_same_name_replaces_nothing() {
    let old = credential(1);
    let now = at("2026-06-10T12:00:00Z");
    let later = |created_at: &str| Credential {
        created_at: at(created_at),
        expires_at: at("2026-12-01T12:00:00Z"),
        ..credential(2)
    };
    let another_grant = Credential {
        grant: Grant {
            role: Role::Support,
            ..old.grant.clone()
        },
        ..later("2026-06-09T12:00:00Z")
    };
    for other in [
        later("2026-06-03T12:00:00Z"),
        later("2026-06-09T12:00:00Z").revoked(now),
        another_grant,
        Credential {
            holder: Holder::Person("t1".to_owned()),
            ..later("2026-06-09T12:00:00Z")
        },
    ] {
        let both = [old.clone(), other];
        let (wanted, _) = of_credentials(&both, Some(&site()), &berlin(), now);
        let subjects: Vec<&str> = wanted.iter().map(|one| one.subject.as_str()).collect();
        assert!(subjects.contains(&old.key.name().as_str()), "{subjects:?}");
    }
}

#[test]
fn one_of_the_network_is_for_quality_control_and_tells_universal_time() {
    let mut certified = credential(1);
    certified.secret = None;
    certified.certificate = Some([3; 32]);
    let calendar = Calendar::of_network();
    let now = at("2026-06-10T12:00:00Z");
    let (wanted, _) = of_credentials(&[certified], None, &calendar, now);
    let wanted = &wanted[0];
    assert_eq!(wanted.site, None);
    assert_eq!(
        wanted.levels,
        [(Level::Quality, at("2026-06-04T12:00:00Z"))]
    );
    assert!(
        wanted.statement.ends_with("at 12:00 UTC."),
        "{}",
        wanted.statement
    );
    assert!(wanted.next_step.contains("new certificate"));
    assert!(!wanted.kind.is_everybodys());
}
