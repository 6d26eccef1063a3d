//! Enrolments: found by the first characters of a code, used once, and never shown with what proves it.

use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::enrolment::Enrolment;
use ringtrue_fleet::grant::{Grant, Role};
use ringtrue_fleet::key::{CredentialId, EnrolmentId};
use ringtrue_store::{Error, Fault, Invited, Page, PagePart, Request};

use crate::credentials::{FIRST_PAGE, everywhere, grant, manager, wish};
use crate::laboratory::{Laboratory, moment, request};

const HASH: &str = "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHQ$aGFzaA";

fn enrolment(number: u8, grant: Grant) -> Enrolment {
    let id = format!("00000000-0000-7000-8000-0000000000{number:02x}");
    let id = EnrolmentId::new(&id).expect("an id");
    Enrolment::new(
        id,
        wish(Holder::Device, grant),
        moment(i64::from(number)),
        60,
    )
}

async fn kept(lab: &Laboratory, enrolment: &Enrolment, selector: &str) -> bool {
    let mut tx = lab.begin().await;
    let stored = tx
        .insert_enrolment(enrolment, selector, HASH, &Request::NONE)
        .await
        .expect("no fault");
    tx.commit().await.expect("committed");
    stored
}

#[tokio::test]
async fn an_enrolment_is_found_by_its_selector_and_no_two_share_one() {
    let lab = Laboratory::furnished().await;
    let one = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    let other = enrolment(2, everywhere(Role::Auditor));
    let mut tx = lab.begin().await;
    let stored = tx.insert_enrolment(&one, "7K3M", HASH, &request(4)).await;
    assert!(stored.expect("no fault"));
    let earlier = tx.answered(&request(4)).await.expect("no fault");
    let earlier = earlier.expect("answered").enrolment();
    assert_eq!(earlier.expect("an enrolment"), one);
    tx.commit().await.expect("committed");
    let before = lab.read().audit_length(None).await.expect("a length");
    assert!(!kept(&lab, &other, "7K3M").await, "the selector is taken");
    assert_eq!(
        lab.read().audit_length(None).await.expect("a length"),
        before
    );
    assert!(kept(&lab, &other, "7K3N").await);
    let found = lab.read().enrolment_of_selector("7K3M").await;
    let expected = Invited {
        enrolment: one.clone(),
        proof_hash: HASH.to_owned(),
        made_with: None,
    };
    let found = found.expect("no fault").expect("on record");
    assert_eq!(found, expected);
    assert!(!format!("{found:?}").contains("argon2"));
    let none = lab.read().enrolment_of_selector("0000").await;
    assert_eq!(none.expect("no fault"), None);
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn wrong_codes_are_counted_and_leave_what_is_remembered_of_credentials() {
    let lab = Laboratory::furnished().await;
    let one = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one, "7K3M").await;
    let version = lab.read().access_version().await.expect("a number");
    for wanted in 1..=3 {
        let mut tx = lab.begin().await;
        let tries = tx.count_enrolment_try(&one.key, moment(2)).await;
        assert_eq!(tries.expect("counted"), wanted);
        tx.commit().await.expect("committed");
    }
    let mut tx = lab.begin().await;
    let found = tx.enrolment(&one.key).await.expect("no fault");
    assert_eq!(found.expect("on record").enrolment.tries, 3);
    drop(tx);
    assert_eq!(
        lab.read().access_version().await.expect("a number"),
        version
    );
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn using_an_enrolment_makes_its_credential_or_nothing() {
    let lab = Laboratory::furnished().await;
    let one = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one, "7K3M").await;
    let version = lab.read().access_version().await.expect("a number");
    let id = CredentialId::new("00000000-0000-7000-8000-0000000000aa").expect("an id");
    let made = one.wish.clone().credential(id, Some([4; 32]), moment(1));
    let mut tx = lab.begin().await;
    tx.use_enrolment(&one.key, &made).await.expect("used");
    tx.roll_back().await.expect("undone");
    let none = lab.read().credential_to_prove(&made.key).await;
    assert_eq!(none.expect("no fault"), None);
    let mut tx = lab.begin().await;
    tx.use_enrolment(&one.key, &made).await.expect("used");
    tx.commit().await.expect("committed");
    let read = lab.read();
    let found = read.credential_to_prove(&made.key).await.expect("no fault");
    assert_eq!(found.expect("made").credential, made);
    let found = read.enrolment_of_selector("7K3M").await.expect("no fault");
    let found = found.expect("on record");
    assert_eq!(found.made_with, Some([4; 32]));
    assert_eq!(found.enrolment.made.as_ref(), Some(&made.key));
    assert!(read.access_version().await.expect("a number") > version);
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn enrolments_are_listed_to_who_may_keep_them_newest_first() {
    let lab = Laboratory::furnished().await;
    let own = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    let both = enrolment(2, grant(Role::Technician, &["leeds", "porto"], &[]));
    let network = enrolment(3, everywhere(Role::Administrator));
    kept(&lab, &own, "AAAA").await;
    kept(&lab, &both, "BBBB").await;
    kept(&lab, &network, "CCCC").await;
    let all = lab
        .read()
        .enrolments(&FIRST_PAGE)
        .await
        .expect("enrolments");
    assert_eq!(all, [network.clone(), both.clone(), own.clone()]);
    let page = Page {
        size: 1,
        after: vec![
            PagePart::Number(network.created_at.as_microsecond()),
            PagePart::Text(network.key.to_string()),
        ],
    };
    let next = lab.read().enrolments(&page).await.expect("enrolments");
    assert_eq!(next, [both, own.clone()]);
    let read = lab.store.read(&manager(&["porto"]));
    assert_eq!(
        read.enrolments(&FIRST_PAGE).await.expect("enrolments"),
        [own]
    );
}

#[tokio::test]
async fn what_a_scope_does_not_cover_is_not_there_and_cannot_be_changed() {
    let lab = Laboratory::furnished().await;
    let foreign = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &foreign, "AAAA").await;
    let stranger = manager(&["bogota"]);
    let read = lab.store.read(&stranger);
    let refused = read.enrolment_of_selector("AAAA").await;
    assert!(matches!(refused, Err(Error::OutOfScope)), "{refused:?}");
    let begun = lab.store.begin("test", &stranger).await;
    let mut tx = begun.expect("a transaction");
    assert_eq!(tx.enrolment(&foreign.key).await.expect("no fault"), None);
    let id = CredentialId::new("c1").expect("an id");
    let made = foreign.wish.clone().credential(id, None, moment(1));
    let (key, none) = (&foreign.key, Request::NONE);
    let refused = [
        tx.insert_enrolment(&foreign, "DDDD", HASH, &none)
            .await
            .err(),
        tx.count_enrolment_try(key, moment(2)).await.err(),
        tx.use_enrolment(key, &made).await.err(),
        tx.revoke_enrolment(key, moment(2), &none).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}

#[tokio::test]
async fn a_code_is_in_no_audit_entry_and_a_swapped_one_is_found() {
    let lab = Laboratory::furnished().await;
    let one = enrolment(1, grant(Role::Technician, &["porto"], &[]));
    kept(&lab, &one, "7K3M").await;
    let mut tx = lab.begin().await;
    let revoked = tx
        .revoke_enrolment(&one.key, moment(2), &Request::NONE)
        .await
        .expect("revoked");
    tx.commit().await.expect("committed");
    assert_eq!(revoked.revoked_at, Some(moment(2)));
    let mut behind = lab.behind_its_back().await;
    let entries: i64 =
        sqlx::query_scalar("SELECT COUNT(*) FROM audit WHERE document LIKE '%argon2%'")
            .fetch_one(&mut behind)
            .await
            .expect("counted");
    assert_eq!(entries, 0);
    assert_eq!(lab.verified().await.faults, []);
    sqlx::query(
        "UPDATE enrolment SET proof_hash = '$argon2id$of another code', revoked_at = revoked_at",
    )
    .execute(&mut behind)
    .await
    .expect("tampered");
    let faults = lab.verified().await.faults;
    let altered = Fault::RecordAltered {
        subject: one.key.name(),
    };
    assert_eq!(faults, [altered]);
}
