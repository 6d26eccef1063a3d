//! What callers reach and may hand on.

use super::*;

fn site(id: &str) -> SiteId {
    SiteId::new(id).expect("an id")
}

fn manager_of(sites: &[&str]) -> Caller {
    Caller::of_sites(
        "credentials/7".to_owned(),
        Role::SiteManager.rights(),
        sites.iter().map(|id| site(id)).collect(),
    )
}

fn grant(role: Role, sites: &[&str]) -> Grant {
    Grant {
        role,
        permissions: BTreeSet::new(),
        reach: Reach::Sites {
            sites: sites.iter().map(|id| site(id)).collect(),
            groups: BTreeSet::new(),
        },
    }
}

#[test]
fn a_caller_of_one_site_reaches_no_other() {
    let (own, other) = (site("porto"), site("bogota"));
    let caller = Caller::of_sites(
        "key:7".to_owned(),
        [Right::Read].into(),
        BTreeSet::from([own.clone()]),
    );
    assert!(caller.site(Right::Read, &own).is_ok());
    assert_eq!(caller.site(Right::Read, &other), Err(Denied));
    assert_eq!(caller.site(Right::Record, &own), Err(Denied));
    let scope = caller.network(Right::Read).expect("may read");
    assert!(scope.reaches(&own) && !scope.reaches(&other));
}

#[test]
fn nobody_grants_what_they_do_not_have() {
    let manager = manager_of(&["porto", "bogota"]);
    assert!(manager.may_grant(&grant(Role::Technician, &["porto"])));
    assert!(manager.may_grant(&grant(Role::SiteManager, &["porto", "bogota"])));
    assert!(manager.may_grant(&grant(Role::Auditor, &["bogota"])));
    assert!(!manager.may_grant(&grant(Role::Technician, &["porto", "leeds"])));
    assert!(
        !manager.may_grant(&grant(Role::Quality, &["porto"])),
        "more rights"
    );
    let network = Grant {
        reach: Reach::Network,
        ..grant(Role::Auditor, &[])
    };
    assert!(!manager.may_grant(&network));
    let mut grouped = grant(Role::Technician, &["porto"]);
    if let Reach::Sites { groups, .. } = &mut grouped.reach {
        groups.insert(crate::key::SiteGroupId::new("iberia").expect("an id"));
    }
    assert!(!manager.may_grant(&grouped), "a group may grow");
    let technician = Caller::of_sites(
        "x".to_owned(),
        Role::Technician.rights(),
        BTreeSet::from([site("porto")]),
    );
    assert!(!technician.may_grant(&grant(Role::Technician, &["porto"])));
    assert!(Caller::local(None).may_grant(&network));
}

#[test]
fn whoever_lets_people_in_at_some_sites_may_keep_all_that_is_of_these_sites_alone() {
    let manager = manager_of(&["porto", "bogota"]);
    for (role, _) in Role::ALL {
        let mut grant = grant(role, &["porto", "bogota"]);
        if role == Role::Integration {
            grant.permissions = [Right::Read, Right::Record, Right::Note].into();
        }
        // Lists rely on it: they show whatever their scope covers.
        assert_eq!(
            manager.may_grant(&grant),
            role.wants_network() != Some(true),
            "{role:?}"
        );
    }
}

#[test]
fn a_caller_reaches_their_own_credential_wherever_it_is_kept() {
    let holding = |grant: Grant, sites: Option<&[&str]>| {
        let wish = crate::credential::CredentialWish {
            display_name: "bench".to_owned(),
            holder: Holder::Device,
            grant,
            certificate: None,
            lifetime_days: 365,
        };
        let key = CredentialId::new("c1").expect("an id");
        let made = wish.credential(key, None, jiff::Timestamp::UNIX_EPOCH);
        let sites = sites.map(|ids| Arc::new(ids.iter().map(|id| site(id)).collect()));
        Caller::holding(Arc::new(made), sites, None).from("192.0.2.7")
    };
    let mut grouped = grant(Role::Technician, &[]);
    if let Reach::Sites { groups, .. } = &mut grouped.reach {
        groups.insert(crate::key::SiteGroupId::new("north").expect("an id"));
    }
    let caller = holding(grouped, Some(&["porto"]));
    let (own, scope) = caller.own().expect("it has one");
    assert_eq!(own.key.as_str(), "c1");
    assert_eq!(scope.sites(), None, "its group may have any site");
    assert_eq!(
        (scope.actor(), scope.origin()),
        ("credentials/c1", "192.0.2.7")
    );
    let caller = holding(grant(Role::Technician, &["porto"]), Some(&["porto"]));
    let (_, scope) = caller.own().expect("it has one");
    assert_eq!(scope.sites(), Some(vec![site("porto")]));
    assert!(Caller::local(Some("t1")).own().is_none());
}

#[test]
fn whoever_uses_a_code_is_told_apart_in_the_audit_chain() {
    let enrolment = EnrolmentId::new("e7").expect("an id");
    let scope = Scope::for_enrolment(&enrolment, "192.0.2.7");
    assert_eq!(
        (scope.actor(), scope.origin()),
        ("enrolment:e7", "192.0.2.7")
    );
}
