//! Signatures and signing phrases: what is kept, what waits, who reaches it, and what tampering leaves behind.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::credential::{Credential, Holder};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{CredentialId, ReadingId, ReadingKey, SignOffId, SiteId};
use ringtrue_fleet::reading::Purpose;
use ringtrue_fleet::sign_off::{
    AwaitedContent, Meaning, SignOff, SignOffSubject, SignOffWish, Signer, SigningPhrase, Tries,
    sign,
};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_store::{Error, Fault, Page, PagePart, Request, Tx};

use crate::laboratory::{Laboratory, moment, only_at, request};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

const OWN: &str = "0190a000-0000-7000-8000-000000000001";

fn credential() -> CredentialId {
    CredentialId::new(OWN).expect("an id")
}

/// The person `qc` at a site, with a credential of their own.
fn person(site: &str) -> Caller {
    let sites = BTreeSet::from([SiteId::new(site).expect("an id")]);
    let credential = Credential {
        key: credential(),
        display_name: "qc".to_owned(),
        holder: Holder::Person("qc".to_owned()),
        grant: Grant {
            role: Role::Technician,
            permissions: BTreeSet::new(),
            reach: Reach::Sites {
                sites: sites.clone(),
                groups: BTreeSet::new(),
            },
        },
        secret: None,
        previous: None,
        certificate: None,
        lifetime_days: 365,
        created_at: moment(-100),
        expires_at: Timestamp::MAX,
        revoked_at: None,
    };
    Caller::holding(Arc::new(credential), Some(Arc::new(sites)), None)
}

fn scope(site: &str) -> Scope {
    let id = SiteId::new(site).expect("an id");
    person(site).site(Right::Sign, &id).expect("may sign")
}

/// Asks for signatures of readings from some hour on, and of adjustments.
async fn ask_from(lab: &Laboratory, readings: Option<i64>, adjustments: Option<i64>) {
    let mut tx = lab.begin().await;
    let site = tx.site(&lab.site).await.expect("no fault").expect("there");
    let details = SiteDetails {
        readings_sign_off_since: readings.map(moment),
        adjustments_sign_off_since: adjustments.map(moment),
        ..site.details.clone()
    };
    tx.update_site(&site.revised(details, moment(-1)), &Request::NONE)
        .await
        .expect("changed");
    tx.commit().await.expect("committed");
}

/// A signature as the rules give it on what is on record now.
async fn decided(tx: &mut Tx, subject: &SignOffSubject, meaning: Meaning, id: &str) -> SignOff {
    let record = tx.signable(subject).await.expect("no fault");
    let wish = SignOffWish {
        subject: subject.clone(),
        meaning,
        comment: "looked at".to_owned(),
    };
    let signer = Signer::of(&person("porto")).expect("a person");
    let id = SignOffId::new(id).expect("an id");
    sign(&record.expect("there"), wish, &signer, id, moment(50)).expect("another person")
}

/// Signs in a transaction of its own.
async fn signed(lab: &Laboratory, subject: &SignOffSubject, meaning: Meaning, id: &str) -> SignOff {
    let mut tx = begin_own(lab).await;
    let sign_off = decided(&mut tx, subject, meaning, id).await;
    tx.insert_sign_off(&sign_off, &Request::NONE)
        .await
        .expect("stored");
    tx.commit().await.expect("committed");
    sign_off
}

async fn begin_own(lab: &Laboratory) -> Tx {
    let begun = lab.store.begin("test", &scope("porto")).await;
    begun.expect("a transaction")
}

fn phrase(hash: &str) -> SigningPhrase {
    SigningPhrase {
        credential: credential(),
        hash: hash.to_owned(),
        tries: Tries::default(),
        updated_at: moment(0),
    }
}

#[tokio::test]
async fn a_signature_comes_back_as_signed_and_as_first_answered() {
    let lab = Laboratory::furnished().await;
    let subject = SignOffSubject::Reading(lab.recorded("k1", 0, 19.47, "first").await);
    let mut tx = begin_own(&lab).await;
    let record = tx.signable(&subject).await.expect("no fault");
    let record = record.expect("there");
    assert_eq!(
        (record.performed_by.as_str(), record.actor.as_str()),
        ("t1", "local:t1")
    );
    assert!(record.is_intact && record.amended_by.is_none() && record.signed_by.is_empty());
    let sign_off = decided(&mut tx, &subject, Meaning::Reviewed, "s1").await;
    tx.insert_sign_off(&sign_off, &request(1))
        .await
        .expect("stored");
    let record = tx.signable(&subject).await.expect("no fault");
    assert_eq!(record.expect("there").signed_by, ["qc"]);
    tx.commit().await.expect("committed");

    let mut tx = begin_own(&lab).await;
    let again = tx.insert_sign_off(&sign_off, &Request::NONE).await;
    assert!(matches!(again, Err(Error::Exists)), "{again:?}");
    drop(tx);

    let mut tx = lab.begin().await;
    let answered = tx.answered(&request(1)).await.expect("no fault");
    let answered = answered.expect("answered before");
    assert_eq!(answered.sign_off().expect("a signature"), sign_off);
    drop(tx);
    let read = lab.read();
    let listed = read.sign_offs(&lab.site, None, &FIRST_PAGE).await;
    assert_eq!(listed.expect("listed"), std::slice::from_ref(&sign_off));
    // The signature holds the digest of the reading's own entry.
    let mut behind = lab.behind_its_back().await;
    let digest: String = sqlx::query_scalar("SELECT digest FROM audit WHERE subject = $1")
        .bind(subject.name())
        .fetch_one(&mut behind)
        .await
        .expect("an entry");
    assert_eq!(sign_off.record_digest, digest);
}

#[tokio::test]
async fn signatures_are_listed_latest_first_of_a_record_or_of_a_site_page_by_page() {
    let lab = Laboratory::furnished().await;
    let first = SignOffSubject::Reading(lab.recorded("k1", 0, 19.47, "first").await);
    let second = SignOffSubject::Reading(lab.recorded("k1", 24 * 28, 19.46, "second").await);
    for (subject, id) in [(&first, "s1"), (&second, "s2")] {
        signed(&lab, subject, Meaning::Reviewed, id).await;
    }
    let read = lab.read();
    let ids = |listed: Vec<SignOff>| -> Vec<String> {
        listed.iter().map(|one| one.id.to_string()).collect()
    };
    let all = read.sign_offs(&lab.site, None, &FIRST_PAGE).await;
    assert_eq!(ids(all.expect("listed")), ["s2", "s1"]);
    let own = read.sign_offs(&lab.site, Some(&first), &FIRST_PAGE).await;
    assert_eq!(ids(own.expect("listed")), ["s1"]);
    let next = Page {
        size: 1,
        after: vec![
            PagePart::Number(moment(50).as_microsecond()),
            PagePart::Text("s2".to_owned()),
        ],
    };
    let rest = read.sign_offs(&lab.site, None, &next).await;
    assert_eq!(ids(rest.expect("listed")), ["s1"]);
}

#[tokio::test]
async fn what_is_not_on_record_cannot_be_signed() {
    let lab = Laboratory::furnished().await;
    let key = ReadingKey {
        furnace: lab.furnace.clone(),
        reading: ReadingId::new("none").expect("an id"),
    };
    let mut tx = begin_own(&lab).await;
    let adjustment = SignOffSubject::Adjustment(lab.new_adjustment(1).key);
    for subject in [SignOffSubject::Reading(key), adjustment] {
        let record = tx.signable(&subject).await.expect("no fault");
        assert_eq!(record, None);
    }
}

#[tokio::test]
async fn what_was_recorded_since_the_policy_waits_until_it_is_signed() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "before").await;
    // A reading is recorded when it is measured, 14 hours after its firing.
    ask_from(&lab, Some(24 * 28 + 14), Some(30)).await;
    let key = lab.recorded("k1", 24 * 28, 19.46, "waiting").await;
    let reading = SignOffSubject::Reading(key);
    let mut tx = lab.begin().await;
    let adjustments = [lab.new_adjustment(20), lab.new_adjustment(40)];
    for adjustment in &adjustments {
        tx.insert_adjustment(adjustment, &Request::NONE)
            .await
            .expect("a new adjustment");
    }
    let mut report = lab.report("k1", 24 * 29, 19.47);
    report.purpose = Purpose::Practice;
    let practice = lab.decided(&mut tx, report, "practice").await;
    tx.insert_readings(vec![practice]).await.expect("recorded");
    tx.commit().await.expect("committed");

    let read = lab.read();
    let awaited = read.awaited_sign_offs(&lab.site).await.expect("listed");
    let adjustment = SignOffSubject::Adjustment(adjustments[1].key.clone());
    let subjects: Vec<&SignOffSubject> = awaited.iter().map(|one| &one.subject).collect();
    assert_eq!(subjects, [&adjustment, &reading]);
    assert_eq!(awaited[0].recorded_at, moment(40));
    assert_eq!(awaited[0].performed_by, "t1");
    let setpoint = AwaitedContent::Setpoint {
        from_c: 1500.0,
        to_c: 1481.0,
    };
    assert_eq!(awaited[0].content, setpoint);
    // 19.46 mm lies one step of the invented table beside 19.47 mm, which stands for 1519 °C.
    let words = awaited[1].words();
    assert!(words.contains("at a setpoint of 1500 °C"), "{words}");
    let AwaitedContent::Firing {
        true_c: Some(true_c),
        ..
    } = awaited[1].content
    else {
        panic!("not a firing: {:?}", awaited[1]);
    };
    assert!((1515.0..1526.0).contains(&true_c), "{true_c}");

    signed(&lab, &reading, Meaning::Reviewed, "s1").await;
    signed(&lab, &adjustment, Meaning::Rejected, "s2").await;
    let awaited = read.awaited_sign_offs(&lab.site).await.expect("listed");
    assert_eq!(awaited, []);
    ask_from(&lab, None, None).await;
    let awaited = read.awaited_sign_offs(&lab.site).await.expect("listed");
    assert_eq!(awaited, []);
}

#[tokio::test]
async fn of_an_amended_reading_the_last_version_waits_and_the_first_names_it() {
    let lab = Laboratory::furnished().await;
    ask_from(&lab, Some(0), None).await;
    let first = lab.recorded("k1", 0, 19.47, "first").await;
    let mut tx = lab.begin().await;
    let mut new = lab
        .decided(&mut tx, lab.report("k1", 0, 19.46), "second")
        .await;
    new.reading.amends = Some(first.reading.clone());
    new.reading.amend_reason = "a slip".to_owned();
    let second = new.reading.key.clone();
    tx.insert_readings(vec![new]).await.expect("amended");
    let record = tx.signable(&SignOffSubject::Reading(first)).await;
    let record = record.expect("no fault").expect("there");
    assert_eq!(record.amended_by, Some(second.clone()));
    tx.commit().await.expect("committed");
    let awaited = lab.read().awaited_sign_offs(&lab.site).await;
    let awaited = awaited.expect("listed");
    assert_eq!(awaited.len(), 1);
    assert_eq!(awaited[0].subject, SignOffSubject::Reading(second));
}

#[tokio::test]
async fn the_gravest_signature_of_the_last_reading_bears_on_the_furnaces_use() {
    let lab = Laboratory::furnished().await;
    let signed_now = async || {
        let records = lab
            .read()
            .site_records(std::slice::from_ref(&lab.site))
            .await;
        let site = records.expect("records").remove(0);
        let latest = site.furnaces[0].latest.clone().expect("a reading");
        assert_eq!(latest.received_at, moment(14));
        latest.signed
    };
    let subject = SignOffSubject::Reading(lab.recorded("k1", 0, 19.47, "first").await);
    assert_eq!(signed_now().await, None);
    signed(&lab, &subject, Meaning::Reviewed, "s1").await;
    assert_eq!(signed_now().await, Some(Meaning::Reviewed));
    // Another person, as the store sees it.
    let mut tx = begin_own(&lab).await;
    let rejected = SignOff {
        id: SignOffId::new("s2").expect("an id"),
        subject: subject.clone(),
        meaning: Meaning::Rejected,
        comment: "ring 2 lay at the door".to_owned(),
        person: "mg".to_owned(),
        credential: credential(),
        signed_at: moment(60),
        record_digest: "d".to_owned(),
    };
    tx.insert_sign_off(&rejected, &Request::NONE)
        .await
        .expect("stored");
    tx.commit().await.expect("committed");
    assert_eq!(signed_now().await, Some(Meaning::Rejected));
}

#[tokio::test]
async fn a_policy_comes_back_with_its_site_and_leaves_sites_without_one_as_they_were() {
    let lab = Laboratory::furnished().await;
    let mut behind = lab.behind_its_back().await;
    let documents = async |behind: &mut _| -> Vec<String> {
        sqlx::query_scalar("SELECT document FROM audit WHERE subject = 'sites/porto' ORDER BY seq")
            .fetch_all(behind)
            .await
            .expect("entries")
    };
    let before = documents(&mut behind).await;
    assert!(!before[0].contains("sign_off"), "{before:?}");
    ask_from(&lab, Some(3), None).await;
    let site = lab.read().site(&lab.site).await.expect("no fault");
    let details = site.expect("there").details;
    assert_eq!(details.readings_sign_off_since, Some(moment(3)));
    assert_eq!(details.adjustments_sign_off_since, None);
    let records = lab
        .read()
        .site_records(std::slice::from_ref(&lab.site))
        .await;
    assert_eq!(records.expect("records")[0].site.details, details);
    let after = documents(&mut behind).await;
    assert!(after[1].contains("readings_sign_off_since"), "{after:?}");
    assert!(
        !after[1].contains("adjustments_sign_off_since"),
        "{after:?}"
    );
}

#[tokio::test]
async fn a_phrase_is_kept_for_its_own_credential_and_told_to_the_audit_chain_without_its_hash() {
    let lab = Laboratory::furnished().await;
    let mut tx = begin_own(&lab).await;
    let found = tx.signing_phrase(&credential()).await.expect("no fault");
    assert_eq!(found, None);
    let mut kept = phrase("$argon2id$first");
    tx.put_signing_phrase(&kept).await.expect("set");
    kept.tries = Tries {
        wrong: 5,
        locked_until: Some(moment(1)),
    };
    tx.put_phrase_tries(&kept).await.expect("counted");
    tx.note_phrase_lock(&kept, moment(2)).await.expect("noted");
    let found = tx.signing_phrase(&credential()).await.expect("no fault");
    assert_eq!(found, Some(kept.clone()));
    let changed = SigningPhrase {
        updated_at: moment(3),
        ..phrase("$argon2id$second")
    };
    tx.put_signing_phrase(&changed).await.expect("changed");
    let found = tx.signing_phrase(&credential()).await.expect("no fault");
    assert_eq!(found, Some(changed));
    tx.commit().await.expect("committed");
    let mut behind = lab.behind_its_back().await;
    let entries: Vec<(String, String, Option<String>)> = sqlx::query_as(
        "SELECT site_id, action, document FROM audit WHERE subject = $1 ORDER BY seq",
    )
    .bind(format!("credentials/{OWN}/signingPhrase"))
    .fetch_all(&mut behind)
    .await
    .expect("entries");
    let wanted = |action: &str| (String::new(), action.to_owned(), None);
    assert_eq!(
        entries,
        [
            wanted("signing_phrase.set"),
            wanted("signing_phrase.lock"),
            wanted("signing_phrase.set")
        ]
    );
    drop(behind);
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn nobody_reaches_signatures_of_another_site_or_the_phrase_of_another_credential() {
    #[expect(
        clippy::needless_pass_by_value,
        reason = "every call is one line this way"
    )]
    fn refused<T: std::fmt::Debug>(outcome: Result<T, Error>) {
        assert!(matches!(outcome, Err(Error::OutOfScope)), "{outcome:?}");
    }
    let lab = Laboratory::furnished().await;
    let subject = SignOffSubject::Reading(lab.recorded("k1", 0, 19.47, "first").await);
    let sign_off = signed(&lab, &subject, Meaning::Reviewed, "s1").await;
    let stranger = only_at("bogota").network(Right::Record).expect("at home");
    let read = lab.store.read(&stranger);
    refused(read.sign_offs(&lab.site, None, &FIRST_PAGE).await);
    refused(read.awaited_sign_offs(&lab.site).await);
    let begun = lab.store.begin("test", &stranger).await;
    let mut tx = begun.expect("a transaction");
    refused(tx.signable(&subject).await);
    refused(tx.insert_sign_off(&sign_off, &Request::NONE).await);
    // Not even the server's own work, which reaches every site.
    for other in [stranger, Scope::for_work("test")] {
        drop(tx);
        let begun = lab.store.begin("test", &other).await;
        tx = begun.expect("a transaction");
        refused(tx.signing_phrase(&credential()).await);
        refused(tx.put_signing_phrase(&phrase("$")).await);
        refused(tx.put_phrase_tries(&phrase("$")).await);
        refused(tx.note_phrase_lock(&phrase("$"), moment(1)).await);
    }
}

/// A laboratory with a signed reading, a signed adjustment and a phrase, closed.
async fn with_signatures() -> Laboratory {
    let lab = Laboratory::furnished().await;
    let reading = SignOffSubject::Reading(lab.recorded("k1", 0, 19.47, "first").await);
    let adjustment = lab.new_adjustment(20);
    let mut tx = lab.begin().await;
    tx.insert_adjustment(&adjustment, &Request::NONE)
        .await
        .expect("a new adjustment");
    tx.commit().await.expect("committed");
    signed(&lab, &reading, Meaning::Reviewed, "s1").await;
    let adjustment = SignOffSubject::Adjustment(adjustment.key);
    signed(&lab, &adjustment, Meaning::Rejected, "s2").await;
    let mut tx = begin_own(&lab).await;
    tx.put_signing_phrase(&phrase("$argon2id$first"))
        .await
        .expect("set");
    tx.commit().await.expect("committed");
    lab.store.clone().close().await.expect("closed");
    lab
}

async fn faults_after(damage: &str) -> Vec<Fault> {
    let lab = with_signatures().await;
    let mut behind = lab.behind_its_back().await;
    let done = sqlx::raw_sql(sqlx::AssertSqlSafe(damage.to_owned()))
        .execute(&mut behind)
        .await
        .expect("damaged");
    assert!(done.rows_affected() > 0, "`{damage}` touched nothing");
    drop(behind);
    lab.verified().await.faults
}

#[tokio::test]
async fn tampering_with_a_signed_record_or_its_signature_is_found() {
    let lab = with_signatures().await;
    assert_eq!(lab.verified().await.faults, []);
    let adjustment = "sites/porto/furnaces/k1/adjustments/adjustment-20";
    let altered = |subject: &str| Fault::RecordAltered {
        subject: subject.to_owned(),
    };
    let signs_another = |subject: &str| Fault::SignsAnother {
        subject: subject.to_owned(),
    };
    let of_adjustment = format!("{adjustment}/signOffs/s2");
    let damaged = faults_after("UPDATE adjustment SET setpoint_c = 1482.0").await;
    assert_eq!(
        damaged,
        [signs_another(&of_adjustment), altered(adjustment)]
    );
    let of_reading = "sites/porto/furnaces/k1/readings/first/signOffs/s1";
    let damaged = faults_after("UPDATE reading SET performed_by = 't2'").await;
    assert!(damaged.contains(&signs_another(of_reading)), "{damaged:?}");
    let gone = faults_after("DELETE FROM sign_off WHERE id = 's1'").await;
    let subject = of_reading.to_owned();
    assert_eq!(gone, [Fault::RecordGone { subject }]);
    let forged = "INSERT INTO sign_off SELECT site_id, furnace_id, subject_kind, subject_id, 's3', 'reviewed',
        comment, person, credential_id, signed_at, record_digest FROM sign_off WHERE id = 's2'";
    let subject = format!("{adjustment}/signOffs/s3");
    assert_eq!(
        faults_after(forged).await,
        [Fault::RecordUnknown { subject }]
    );
    let phrase = format!("credentials/{OWN}/signingPhrase");
    let swapped = faults_after("UPDATE signing_phrase SET phrase_hash = '$argon2id$mine'").await;
    assert_eq!(swapped, [altered(&phrase)]);
    // How often it was wrong is no record.
    assert_eq!(
        faults_after("UPDATE signing_phrase SET failures = 4").await,
        []
    );
}

#[tokio::test]
async fn a_change_of_any_column_of_a_signature_is_found() {
    for column in [
        "site_id",
        "furnace_id",
        "subject_kind",
        "subject_id",
        "id",
        "meaning",
        "comment",
        "person",
        "credential_id",
        "signed_at",
        "record_digest",
    ] {
        let other = match column {
            "signed_at" => "signed_at + 1".to_owned(),
            _ => format!("{column} || '1'"),
        };
        let damage = format!("UPDATE sign_off SET {column} = {other} WHERE id = 's2'");
        assert_ne!(faults_after(&damage).await, [], "{column}");
    }
}
