//! Credentials: what is kept of them, whom they show themselves to, and that every change raises the number under
//! which they are remembered.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::credential::{Credential, CredentialWish, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{CredentialId, SiteGroupId, SiteId};
use ringtrue_fleet::sign_off::{SigningPhrase, Tries};
use ringtrue_store::{Error, Fault, KeptCredential, Page, Request};

use crate::laboratory::{Laboratory, moment, request};
use crate::site_groups::group;

pub(crate) const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

pub(crate) fn site(id: &str) -> SiteId {
    SiteId::new(id).expect("an id")
}

/// A grant for some sites and groups.
pub(crate) fn grant(role: Role, sites: &[&str], groups: &[&str]) -> Grant {
    let group = |id: &&str| SiteGroupId::new(id).expect("an id");
    Grant {
        role,
        permissions: match role {
            Role::Integration => [Right::Read, Right::Note].into(),
            _ => BTreeSet::new(),
        },
        reach: Reach::Sites {
            sites: sites.iter().map(|id| site(id)).collect(),
            groups: groups.iter().map(group).collect(),
        },
    }
}

/// A grant for the whole network.
pub(crate) fn everywhere(role: Role) -> Grant {
    Grant {
        reach: Reach::Network,
        ..grant(role, &[], &[])
    }
}

pub(crate) fn wish(holder: Holder, grant: Grant) -> CredentialWish {
    CredentialWish {
        display_name: "bench in the firing room".to_owned(),
        holder,
        grant,
        certificate: None,
        lifetime_days: 365,
    }
}

/// A credential made at the beginning of these tests, with a secret digest of its own.
pub(crate) fn credential(number: u8, grant: Grant) -> Credential {
    let id = format!("00000000-0000-7000-8000-0000000000{number:02x}");
    let id = CredentialId::new(&id).expect("an id");
    wish(Holder::Device, grant).credential(id, Some([number; 32]), moment(i64::from(number)))
}

pub(crate) async fn kept(lab: &Laboratory, credential: &Credential) {
    let mut tx = lab.begin().await;
    tx.insert_credential(credential, &Request::NONE)
        .await
        .expect("a new credential");
    tx.commit().await.expect("committed");
}

/// Access of a manager of these sites.
pub(crate) fn manager(sites: &[&str]) -> Scope {
    let sites = sites.iter().map(|id| site(id)).collect();
    Caller::of_sites("key:m".to_owned(), Role::SiteManager.rights(), sites)
        .network(Right::GrantAccess)
        .expect("a manager lets people in")
}

fn listed(found: Result<Vec<KeptCredential>, Error>) -> Vec<Credential> {
    let found = found.expect("credentials");
    found.into_iter().map(|kept| kept.credential).collect()
}

async fn version(lab: &Laboratory) -> i64 {
    lab.read().access_version().await.expect("a number")
}

#[tokio::test]
async fn credentials_of_every_kind_read_back_as_given() {
    let lab = Laboratory::furnished().await;
    let mut person = credential(2, everywhere(Role::Quality));
    person.holder = Holder::Person("q7".to_owned());
    person.previous = Some(([9; 32], moment(30)));
    let mut program = credential(
        3,
        grant(Role::Integration, &["porto", "bogota"], &["north"]),
    );
    program.holder = Holder::Integration;
    program.secret = None;
    program.certificate = Some([0xab; 32]);
    let all = [
        credential(1, grant(Role::Technician, &["porto"], &[])),
        person,
        program,
    ];
    let mut tx = lab.begin().await;
    for (number, one) in all.iter().enumerate() {
        let asked = request(number as u128);
        tx.insert_credential(one, &asked).await.expect("kept");
        let earlier = tx
            .answered(&asked)
            .await
            .expect("no fault")
            .expect("answered");
        assert_eq!(earlier.credential().expect("a credential"), *one);
        let again = tx.credential(&one.key).await.expect("no fault");
        assert_eq!(again.as_ref(), Some(one));
    }
    tx.commit().await.expect("committed");
    for one in &all {
        let found = lab.read().credential(&one.key).await.expect("no fault");
        let expected = KeptCredential {
            credential: one.clone(),
            last_use: None,
            has_signing_phrase: false,
        };
        assert_eq!(found, Some(expected));
        let proving = lab.read().credential_to_prove(&one.key).await;
        let proving = proving.expect("no fault").expect("on record");
        assert_eq!(proving.credential, *one);
    }
    let unknown = credential(7, everywhere(Role::Auditor)).key;
    let none = lab.read().credential_to_prove(&unknown).await;
    assert_eq!(none.expect("no fault"), None);
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn a_credential_of_one_site_is_in_that_sites_chain_and_others_in_the_networks() {
    let lab = Laboratory::furnished().await;
    let before = lab.read().audit_length(None).await.expect("a length");
    let of_site = lab.read().audit_length(Some(&lab.site)).await;
    let of_site = of_site.expect("a length");
    kept(
        &lab,
        &credential(1, grant(Role::Technician, &["porto"], &[])),
    )
    .await;
    kept(
        &lab,
        &credential(2, grant(Role::Technician, &["porto"], &["north"])),
    )
    .await;
    kept(
        &lab,
        &credential(3, grant(Role::Support, &["porto", "leeds"], &[])),
    )
    .await;
    kept(&lab, &credential(4, everywhere(Role::Administrator))).await;
    let read = lab.read();
    assert_eq!(read.audit_length(None).await.expect("a length"), before + 3);
    let now = read.audit_length(Some(&lab.site)).await.expect("a length");
    assert_eq!(now, of_site + 1);
}

#[tokio::test]
async fn every_change_of_a_credential_raises_the_number_and_a_use_does_not() {
    let lab = Laboratory::furnished().await;
    let first = version(&lab).await;
    let one = credential(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one).await;
    let second = version(&lab).await;
    assert!(second > first);
    let rotated = one.rotated([5; 32], moment(50), Some(moment(51)));
    let mut tx = lab.begin().await;
    tx.rotate_credential(&rotated, moment(50), &Request::NONE)
        .await
        .expect("rotated");
    tx.commit().await.expect("committed");
    let third = version(&lab).await;
    assert!(third > second);
    let found = lab.read().credential(&one.key).await.expect("no fault");
    assert_eq!(found.expect("on record").credential, rotated);

    let mut tx = lab.begin().await;
    let entries = lab.read().audit_length(Some(&lab.site)).await;
    let uses = [
        (one.key.clone(), moment(60), "192.0.2.7".to_owned()),
        (
            credential(9, everywhere(Role::Auditor)).key,
            moment(60),
            "192.0.2.8".to_owned(),
        ),
    ];
    tx.note_credential_uses(&uses).await.expect("noted");
    let earlier = [(one.key.clone(), moment(59), "192.0.2.9".to_owned())];
    tx.note_credential_uses(&earlier).await.expect("noted");
    tx.note_credential_uses(&[]).await.expect("nothing to note");
    tx.commit().await.expect("committed");
    assert_eq!(version(&lab).await, third);
    let after = lab.read().audit_length(Some(&lab.site)).await;
    assert_eq!(
        after.expect("a length"),
        entries.expect("a length"),
        "a use is no record"
    );
    let found = lab.read().credential(&one.key).await.expect("no fault");
    assert_eq!(
        found.expect("on record").last_use,
        Some((moment(60), "192.0.2.7".to_owned())),
        "the latest counts, in whatever order they are noted"
    );

    let revoked = rotated.revoked(moment(70));
    let mut tx = lab.begin().await;
    tx.revoke_credential(&revoked, "lost", moment(70), &Request::NONE)
        .await
        .expect("revoked");
    tx.commit().await.expect("committed");
    assert!(version(&lab).await > third);
    let proving = lab.read().credential_to_prove(&one.key).await;
    let proving = proving.expect("no fault").expect("still on record");
    assert_eq!(proving.credential, revoked);
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn a_certificate_stands_for_one_credential_until_that_is_revoked() {
    let lab = Laboratory::furnished().await;
    let mut one = credential(1, grant(Role::Technician, &["porto"], &[]));
    one.certificate = Some([0x5c; 32]);
    kept(&lab, &one).await;
    let read = lab.read();
    let found = read.credential_of_certificate(&[0x5c; 32]).await;
    let found = found.expect("no fault").expect("on record");
    assert_eq!(found.credential, one);
    assert_eq!(found.sites, Some([lab.site.clone()].into()));
    let none = read.credential_of_certificate(&[0x5d; 32]).await;
    assert_eq!(none.expect("no fault"), None);

    let mut other = credential(2, everywhere(Role::Quality));
    other.certificate = one.certificate;
    let mut tx = lab.begin().await;
    let taken = tx.insert_credential(&other, &Request::NONE).await;
    assert!(matches!(taken, Err(Error::Exists)), "{taken:?}");
    tx.roll_back().await.expect("undone");
    let revoked = one.revoked(moment(9));
    let mut tx = lab.begin().await;
    tx.revoke_credential(&revoked, "", moment(9), &Request::NONE)
        .await
        .expect("revoked");
    tx.commit().await.expect("committed");
    let none = read.credential_of_certificate(&[0x5c; 32]).await;
    assert_eq!(none.expect("no fault"), None);
    kept(&lab, &other).await;
    let found = read.credential_of_certificate(&[0x5c; 32]).await;
    let found = found.expect("no fault").expect("on record");
    assert_eq!((found.credential, found.sites), (other, None));
}

#[tokio::test]
async fn lists_show_what_the_scope_covers_newest_first_page_by_page() {
    let lab = Laboratory::furnished().await;
    let own = credential(1, grant(Role::Technician, &["porto"], &[]));
    let both = credential(2, grant(Role::Support, &["porto", "leeds"], &[]));
    let grouped = credential(3, grant(Role::Technician, &["porto"], &["north"]));
    let network = credential(4, everywhere(Role::Auditor));
    let ended = credential(5, grant(Role::Technician, &["porto"], &[])).revoked(moment(6));
    for one in [&own, &both, &grouped, &network, &ended] {
        kept(&lab, one).await;
    }
    let all = lab.read().credentials(None, &FIRST_PAGE).await;
    let newest_first = [&ended, &network, &grouped, &both, &own].map(Clone::clone);
    assert_eq!(listed(all), newest_first);
    let active = Some(moment(7));
    let usable = lab.read().credentials(active, &FIRST_PAGE).await;
    assert_eq!(listed(usable), newest_first[1..]);
    let later = own.expires_at;
    let usable = lab.read().credentials(Some(later), &FIRST_PAGE).await;
    assert_eq!(listed(usable), newest_first[1..4], "one has expired");

    let read = lab.store.read(&manager(&["porto"]));
    let mine = read.credentials(active, &FIRST_PAGE).await;
    assert_eq!(listed(mine), std::slice::from_ref(&own));
    let read = lab.store.read(&manager(&["porto", "leeds", "bogota"]));
    let mine = read.credentials(active, &FIRST_PAGE).await;
    assert_eq!(listed(mine), [both.clone(), own.clone()]);

    let page = Page {
        size: 1,
        after: vec![
            ringtrue_store::PagePart::Number(network.created_at.as_microsecond()),
            ringtrue_store::PagePart::Text(network.key.to_string()),
        ],
    };
    let next = lab.read().credentials(None, &page).await;
    assert_eq!(
        listed(next),
        [grouped, both],
        "one more than asked tells of a next page"
    );
}

#[tokio::test]
async fn what_a_scope_does_not_cover_is_not_there_and_cannot_be_changed() {
    let lab = Laboratory::furnished().await;
    let foreign = credential(1, grant(Role::Technician, &["porto"], &[]));
    let network = credential(2, everywhere(Role::Administrator));
    kept(&lab, &foreign).await;
    kept(&lab, &network).await;
    let stranger = manager(&["bogota"]);
    let read = lab.store.read(&stranger);
    for one in [&foreign, &network] {
        assert_eq!(read.credential(&one.key).await.expect("no fault"), None);
    }
    let refused = [
        read.access_version().await.err(),
        read.credential_to_prove(&foreign.key).await.err(),
        read.credential_of_certificate(&[1; 32]).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
    let begun = lab.store.begin("test", &stranger).await;
    let mut tx = begun.expect("a transaction");
    let now = moment(9);
    assert_eq!(tx.credential(&foreign.key).await.expect("no fault"), None);
    let grouped = credential(3, grant(Role::Technician, &["bogota"], &["north"]));
    let none = Request::NONE;
    let refused = [
        tx.insert_credential(&foreign, &none).await.err(),
        tx.insert_credential(&grouped, &none).await.err(),
        tx.rotate_credential(&foreign, now, &none).await.err(),
        tx.revoke_credential(&network, "", now, &none).await.err(),
        tx.note_credential_uses(&[]).await.err(),
        tx.active_administrators(now).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}

#[tokio::test]
async fn only_administrators_who_may_still_come_in_are_counted() {
    let lab = Laboratory::furnished().await;
    let count = async |at: Timestamp| {
        let mut tx = lab.begin().await;
        tx.active_administrators(at).await.expect("a count")
    };
    assert_eq!(count(moment(0)).await, 0);
    let one = credential(1, everywhere(Role::Administrator));
    let mut brief = credential(2, everywhere(Role::Administrator));
    brief.expires_at = moment(48);
    kept(&lab, &one).await;
    kept(&lab, &brief).await;
    kept(&lab, &credential(3, everywhere(Role::Quality))).await;
    kept(
        &lab,
        &credential(4, everywhere(Role::Administrator)).revoked(moment(5)),
    )
    .await;
    assert_eq!(count(moment(47)).await, 2);
    assert_eq!(count(moment(48)).await, 1);
}

#[tokio::test]
async fn a_change_of_a_group_is_seen_at_once_by_who_was_granted_it() {
    let lab = Laboratory::furnished().await;
    let one = credential(1, grant(Role::Technician, &["porto"], &["north", "south"]));
    kept(&lab, &one).await;
    let sites = async || {
        let found = lab.read().credential_to_prove(&one.key).await;
        let found = found.expect("no fault").expect("on record");
        let sites = found.sites.expect("not the network");
        sites.iter().map(ToString::to_string).collect::<Vec<_>>()
    };
    assert_eq!(sites().await, ["porto"]);
    let mut seen = version(&lab).await;
    let steps = [
        (
            group("north", &["bogota", "leeds"], 1),
            false,
            vec!["bogota", "leeds", "porto"],
        ),
        (group("north", &["leeds"], 2), false, vec!["leeds", "porto"]),
        (
            group("south", &["bogota"], 1),
            false,
            vec!["bogota", "leeds", "porto"],
        ),
        (group("north", &["leeds"], 3), true, vec!["bogota", "porto"]),
    ];
    for (group, is_removed, expected) in steps {
        let mut tx = lab.begin().await;
        if is_removed {
            tx.remove_site_group(&group, &Request::NONE)
                .await
                .expect("removed");
        } else {
            tx.put_site_group(&group, &Request::NONE)
                .await
                .expect("put");
        }
        tx.commit().await.expect("committed");
        assert_eq!(sites().await, expected);
        let now = version(&lab).await;
        assert!(now > seen);
        seen = now;
    }
}

#[tokio::test]
async fn a_credential_tells_whether_its_holder_can_sign() {
    let lab = Laboratory::furnished().await;
    let one = credential(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one).await;
    let signs = async || {
        let found = lab.read().credential(&one.key).await.expect("no fault");
        let listed = lab.read().credentials(None, &FIRST_PAGE).await;
        let listed = listed.expect("credentials")[0].has_signing_phrase;
        (found.expect("on record").has_signing_phrase, listed)
    };
    assert_eq!(signs().await, (false, false));
    let holder = Caller::holding(Arc::new(one.clone()), None, None);
    let own = holder.network(Right::Sign).expect("a technician signs");
    let mut tx = lab.store.begin("test", &own).await.expect("a transaction");
    let phrase = SigningPhrase {
        credential: one.key.clone(),
        hash: "$argon2id$of a phrase".to_owned(),
        tries: Tries::default(),
        updated_at: moment(3),
    };
    tx.put_signing_phrase(&phrase).await.expect("set");
    tx.commit().await.expect("committed");
    assert_eq!(signs().await, (true, true));
}

#[tokio::test]
async fn what_ends_is_told_of_each_place_alone() {
    let lab = Laboratory::furnished().await;
    let own = credential(1, grant(Role::Technician, &["porto"], &[]));
    let other = credential(2, grant(Role::Technician, &["leeds"], &[]));
    let both = credential(3, grant(Role::Technician, &["leeds", "porto"], &[]));
    let network = credential(4, everywhere(Role::Quality));
    let revoked = credential(5, grant(Role::Technician, &["porto"], &[])).revoked(moment(6));
    for one in [&own, &other, &both, &network, &revoked] {
        kept(&lab, one).await;
    }
    let ending = async |places: &[Option<SiteId>], after| {
        let read = lab.read();
        read.credentials_ending(places, after)
            .await
            .expect("credentials")
    };
    let porto = Some(lab.site.clone());
    assert_eq!(
        ending(&[porto.clone(), None], moment(0)).await,
        [both.clone(), network.clone(), own.clone()]
    );
    assert_eq!(ending(&[None], own.expires_at).await, [both, network]);
    assert_eq!(ending(&[porto], own.expires_at).await, []);
    let read = lab.store.read(&manager(&["bogota"]));
    for place in [None, Some(lab.site.clone())] {
        let refused = read.credentials_ending(&[place], moment(0)).await;
        assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    }
}

#[tokio::test]
async fn a_credential_that_was_tampered_with_or_put_in_is_found() {
    let lab = Laboratory::furnished().await;
    let one = credential(1, grant(Role::Technician, &["porto"], &[]));
    let other = credential(2, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one).await;
    kept(&lab, &other).await;
    let mut behind = lab.behind_its_back().await;
    for sql in [
        "UPDATE credential SET role = 'administrator', whole_network = TRUE
            WHERE id = '00000000-0000-7000-8000-000000000001'",
        "UPDATE credential SET secret_digest = certificate_digest
            WHERE id = '00000000-0000-7000-8000-000000000002'",
        "INSERT INTO credential SELECT '00000000-0000-7000-8000-000000000003', site_id, display_name, kind,
            person, role, permissions, whole_network, sites, site_groups, lifetime_days, secret_digest,
            previous_digest, previous_until, certificate_digest, created_at, expires_at, revoked_at, revoke_reason
            FROM credential WHERE id = '00000000-0000-7000-8000-000000000001'",
    ] {
        sqlx::query(sql).execute(&mut behind).await.expect("tampered");
    }
    let faults = lab.verified().await.faults;
    let altered = |credential: &Credential| Fault::RecordAltered {
        subject: credential.key.name(),
    };
    let put_in = Fault::RecordUnknown {
        subject: "credentials/00000000-0000-7000-8000-000000000003".to_owned(),
    };
    assert_eq!(faults, [altered(&one), altered(&other), put_in]);
}
