//! Which role may do what, and which grants make sense.

use super::*;

fn faults(grant: &Grant) -> Vec<&'static str> {
    let mut violations = Violations::default();
    grant.check("grant", &mut violations);
    violations.0.into_iter().map(|one| one.reason).collect()
}

fn of_site(role: Role) -> Grant {
    Grant {
        role,
        permissions: BTreeSet::new(),
        reach: Reach::Sites {
            sites: BTreeSet::from([SiteId::new("porto").expect("an id")]),
            groups: BTreeSet::new(),
        },
    }
}

#[test]
fn roles_read_back_from_their_words() {
    for (role, word) in Role::ALL {
        assert_eq!(Role::parse(word), Some(role));
        assert_eq!(role.word(), word);
        assert!(role.rights().contains(Right::BeKnown), "{word}");
        assert!(role.rights().within(Role::Administrator.rights()), "{word}");
    }
    assert_eq!(Role::parse("Technician"), None);
}

#[test]
fn a_program_may_do_what_its_credential_names_and_no_more() {
    let mut grant = of_site(Role::Integration);
    grant.permissions = BTreeSet::from([Right::Read, Right::GrantAccess]);
    assert!(grant.rights().contains(Right::Read));
    assert!(grant.rights().contains(Right::BeKnown));
    assert!(!grant.rights().contains(Right::Record));
    assert!(!grant.rights().contains(Right::GrantAccess));
}

#[test]
fn grants_that_make_no_sense_are_refused() {
    assert_eq!(faults(&of_site(Role::Technician)), [""; 0]);
    assert_eq!(faults(&of_site(Role::Quality)), ["ROLE_IS_FOR_NETWORK"]);
    assert_eq!(faults(&of_site(Role::Integration)), ["PERMISSIONS"]);
    let everywhere = Grant {
        reach: Reach::Network,
        ..of_site(Role::SiteManager)
    };
    assert_eq!(faults(&everywhere), ["ROLE_IS_FOR_SITES"]);
    let nowhere = Grant {
        reach: Reach::Sites {
            sites: BTreeSet::new(),
            groups: BTreeSet::new(),
        },
        ..of_site(Role::Support)
    };
    assert_eq!(faults(&nowhere), ["NO_SITE"]);
}
