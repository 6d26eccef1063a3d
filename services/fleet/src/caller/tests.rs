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
