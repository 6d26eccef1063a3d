//! Checkpoints of the audit chains: what they cover, and what a verification finds when newest entries were cut off.

use ringtrue_fleet::caller::Scope;
use ringtrue_server::seal::{Seal, signature};
use ringtrue_store::{Checkpoint, EntryFilter, Evidence, Fault, Kept, Page, Store, Verified};
use tempfile::TempDir;

use crate::laboratory::{Laboratory, moment, only_at};

/// A key in a folder of its own.
struct Key {
    seal: Seal,
    _folder: TempDir,
}

fn key() -> Key {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let seal = Seal::make(&folder.path().join("audit.key")).expect("a new file");
    Key {
        seal,
        _folder: folder,
    }
}

/// Covers what grew; none when nothing did.
async fn covered(lab: &Laboratory, seal: Option<&Seal>) -> Option<Checkpoint> {
    let scope = Scope::for_work("checkpoint");
    let read = lab.store.read(&scope);
    let heads = read.grown_chains().await.expect("the store answers");
    if heads.is_empty() {
        return None;
    }
    let mut tx = lab.store.begin("checkpoint", &scope).await.expect("begun");
    let sign = |text: &str| seal.map(|seal| seal.sign(text));
    let made = tx
        .put_checkpoint(heads, moment(1), sign)
        .await
        .expect("put");
    tx.commit().await.expect("committed");
    Some(made)
}

/// A laboratory with two checkpoints: one before its readings, one after.
async fn twice_covered(seal: Option<&Seal>) -> (Laboratory, Vec<Checkpoint>) {
    let lab = Laboratory::furnished().await;
    let first = covered(&lab, seal).await.expect("it was furnished");
    lab.recorded("k1", 0, 19.47, "first").await;
    lab.recorded("k1", 24 * 28, 19.46, "second").await;
    let second = covered(&lab, seal).await.expect("it has readings");
    lab.store.clone().close().await.expect("closed");
    (lab, vec![first, second])
}

fn kept(made: &[Checkpoint]) -> Vec<Kept> {
    made.iter().map(Kept::from).collect()
}

async fn verified(lab: &Laboratory, evidence: &Evidence<'_>) -> Verified {
    let owners = lab.database.owners_location();
    let store = Store::open(owners).await.expect("opened again");
    store.verify_with(evidence).await.expect("verified")
}

async fn damaged(lab: &Laboratory, statements: &'static str) {
    let mut behind = lab.behind_its_back().await;
    let done = sqlx::raw_sql(statements).execute(&mut behind).await;
    assert!(
        done.expect("damaged").rows_affected() > 0,
        "nothing was touched"
    );
}

/// Takes the last reading out with everything about it, as somebody would who knows the file well.
const CUT: &str = "DELETE FROM request WHERE site_id = 'porto' AND seq = (SELECT MAX(seq) FROM audit WHERE site_id = 'porto');
    DELETE FROM audit WHERE site_id = 'porto' AND seq = (SELECT MAX(seq) FROM audit WHERE site_id = 'porto');
    DELETE FROM fired_ring WHERE reading_id = 'second';
    DELETE FROM evaluation WHERE reading_id = 'second';
    DELETE FROM reading WHERE id = 'second'";

#[tokio::test]
async fn a_checkpoint_covers_what_grew_and_nothing_is_covered_twice() {
    let (lab, made) = twice_covered(None).await;
    let store = Store::open(lab.location()).await.expect("opened again");
    let read = store.read(&Scope::for_work("checkpoint"));
    assert_eq!(read.grown_chains().await.expect("the store answers"), []);
    let page = Page {
        size: 10,
        after: Vec::new(),
    };
    let kept = read.checkpoints(0, &page).await.expect("the store answers");
    assert_eq!(kept, made);
    let later = read.checkpoints(1, &page).await.expect("the store answers");
    assert_eq!(later, made[1..]);
    let chains = |one: &Checkpoint| -> Vec<String> {
        let heads = one.all_heads().expect("it reads back");
        heads.into_iter().map(|head| head.site_id).collect()
    };
    assert!(
        chains(&made[0]).contains(&String::new()),
        "the network's own chain"
    );
    assert_eq!(chains(&made[1]), ["porto"]);
    assert_eq!(made[1].made_at().ok(), Some(moment(1)));
    let own = made[1]
        .heads(|site| site.as_str() == "south")
        .expect("it reads back");
    assert_eq!(own, []);
    let scope = only_at("porto").network(ringtrue_fleet::caller::Right::Read);
    let narrow = store.read(&scope.expect("may read"));
    assert!(narrow.grown_chains().await.is_err());
}

#[tokio::test]
async fn an_untouched_file_is_proved_with_its_signatures() {
    let key = key();
    let (lab, made) = twice_covered(Some(&key.seal)).await;
    let public = [key.seal.public_key().to_vec()];
    let signed = move |one: &Checkpoint| signature(one, &public);
    let found = verified(
        &lab,
        &Evidence {
            signed: Some(&signed),
            kept: &kept(&made),
        },
    )
    .await;
    assert_eq!(found.faults, []);
    assert_eq!(
        (found.checkpoints, found.unsigned, found.uncovered),
        (2, 0, 0)
    );
}

#[tokio::test]
async fn a_tail_that_was_cut_off_is_noticed() {
    let (lab, _) = twice_covered(None).await;
    let whole = verified(&lab, &Evidence::default()).await;
    assert_eq!((whole.faults, whole.unsigned), (Vec::new(), 2));
    damaged(&lab, CUT).await;
    let found = verified(&lab, &Evidence::default()).await;
    assert!(
        found.faults.iter().any(|fault| matches!(
            fault,
            Fault::TailGone { chain, number: 2, .. } if chain == "porto"
        )),
        "{:?}",
        found.faults
    );
}

#[tokio::test]
async fn a_tail_cut_off_together_with_its_checkpoint_is_noticed_by_a_kept_one() {
    let (lab, made) = twice_covered(None).await;
    damaged(&lab, CUT).await;
    damaged(
        &lab,
        "DELETE FROM audit_checkpoint WHERE number = 2;
         UPDATE audit_covered SET seq = seq - 2, number = 1 WHERE site_id = 'porto'",
    )
    .await;
    let evidence = Evidence {
        signed: None,
        kept: &kept(&made),
    };
    let found = verified(&lab, &evidence).await;
    assert_eq!(found.faults, [Fault::CheckpointGone { number: 2 }]);
}

/// What somebody does, and the fault that names it.
type Case = (&'static str, fn(&Fault) -> bool);

#[tokio::test]
async fn altered_removed_and_forged_checkpoints_are_found() {
    let cases: [Case; 6] = [
        (
            "UPDATE audit_checkpoint SET document = replace(document, '\"seq\":', '\"seq\": ') WHERE number = 1",
            |fault| *fault == Fault::CheckpointAltered { number: 1 },
        ),
        (
            "UPDATE audit_checkpoint SET at = at + 1 WHERE number = 2",
            |fault| *fault == Fault::CheckpointAltered { number: 2 },
        ),
        ("DELETE FROM audit_checkpoint WHERE number = 1", |fault| {
            *fault == Fault::CheckpointsGone { number: 2 }
        }),
        (
            "UPDATE audit_checkpoint SET signature = '00' WHERE number = 2",
            |fault| *fault == Fault::Forged { number: 2 },
        ),
        (
            "UPDATE audit_checkpoint SET key_id = '0000000000000000' WHERE number = 2",
            |fault| *fault == Fault::NotSigned { number: 2 },
        ),
        (
            "UPDATE audit_covered SET seq = seq + 1 WHERE site_id = 'porto'",
            |fault| matches!(fault, Fault::CoverAltered { .. }),
        ),
    ];
    for (damage, wanted) in cases {
        let key = key();
        let (lab, _) = twice_covered(Some(&key.seal)).await;
        damaged(&lab, damage).await;
        let public = [key.seal.public_key().to_vec()];
        let signed = move |one: &Checkpoint| signature(one, &public);
        let evidence = Evidence {
            signed: Some(&signed),
            kept: &[],
        };
        let found = verified(&lab, &evidence).await;
        assert!(
            found.faults.iter().any(wanted),
            "{damage}: {:?}",
            found.faults
        );
    }
}

#[tokio::test]
async fn checkpoints_of_another_key_are_not_taken_for_ones_own() {
    let (key, other) = (key(), key());
    let (lab, _) = twice_covered(Some(&other.seal)).await;
    let public = [key.seal.public_key().to_vec()];
    let signed = move |one: &Checkpoint| signature(one, &public);
    let evidence = Evidence {
        signed: Some(&signed),
        kept: &[],
    };
    let found = verified(&lab, &evidence).await;
    assert_eq!(
        found.faults,
        [
            Fault::NotSigned { number: 1 },
            Fault::NotSigned { number: 2 }
        ]
    );
}

/// One checkpoint by each of some keys, or by none, over readings that were recorded before each.
async fn covered_by(keys: &[Option<&Seal>]) -> Laboratory {
    let lab = Laboratory::furnished().await;
    for (at, seal) in (0..).zip(keys) {
        lab.recorded("k1", 24 * 28 * at, 19.47, &format!("r{at}"))
            .await;
        covered(&lab, *seal).await.expect("it has a reading more");
    }
    lab.store.clone().close().await.expect("closed");
    lab
}

async fn verified_with(lab: &Laboratory, keys: &[&Key]) -> Verified {
    let public: Vec<Vec<u8>> = keys
        .iter()
        .map(|key| key.seal.public_key().to_vec())
        .collect();
    let signed = move |one: &Checkpoint| signature(one, &public);
    let evidence = Evidence {
        signed: Some(&signed),
        kept: &[],
    };
    verified(lab, &evidence).await
}

#[tokio::test]
async fn what_a_known_key_signed_vouches_for_everything_before_it() {
    let (old, new) = (key(), key());
    let lab = covered_by(&[None, Some(&old.seal), Some(&new.seal), Some(&new.seal)]).await;
    let found = verified_with(&lab, &[&new]).await;
    assert_eq!((found.faults, found.by_other_keys), (Vec::new(), 2));
    let found = verified_with(&lab, &[&new, &old]).await;
    assert_eq!((found.faults, found.by_other_keys), (Vec::new(), 1));
    // Of the old key alone nobody knows why it signs no longer.
    let found = verified_with(&lab, &[&old]).await;
    let not_signed = |number| Fault::NotSigned { number };
    assert_eq!(found.faults, [3, 4].map(not_signed));

    // The hash of what came before is in what was signed: it cannot be written anew.
    damaged(
        &lab,
        "UPDATE audit_checkpoint SET at = at + 1 WHERE number = 1",
    )
    .await;
    let found = verified_with(&lab, &[&new]).await;
    assert!(
        found
            .faults
            .contains(&Fault::CheckpointAltered { number: 1 }),
        "{:?}",
        found.faults
    );
}

#[tokio::test]
async fn after_a_known_key_nothing_else_may_sign() {
    let (old, new) = (key(), key());
    for last in [None, Some(&old.seal)] {
        let lab = covered_by(&[Some(&new.seal), last]).await;
        let found = verified_with(&lab, &[&new]).await;
        assert_eq!(found.faults, [Fault::NotSigned { number: 2 }]);
    }
    // One that claims to be by the known key is no older one.
    let lab = covered_by(&[Some(&old.seal), Some(&new.seal)]).await;
    let mut behind = lab.behind_its_back().await;
    sqlx::query("UPDATE audit_checkpoint SET key_id = (SELECT n.key_id FROM audit_checkpoint AS n WHERE n.number = 2)")
        .execute(&mut behind)
        .await
        .expect("damaged");
    let found = verified_with(&lab, &[&new]).await;
    assert_eq!(found.faults, [Fault::Forged { number: 1 }]);
}

#[tokio::test]
async fn a_kept_checkpoint_that_differs_is_named() {
    let (lab, mut made) = twice_covered(None).await;
    made[0].hash = "another".to_owned();
    let evidence = Evidence {
        signed: None,
        kept: &kept(&made),
    };
    let found = verified(&lab, &evidence).await;
    assert_eq!(found.faults, [Fault::CheckpointDiffers { number: 1 }]);
}

#[tokio::test]
async fn an_altered_origin_is_found() {
    let (lab, _) = twice_covered(None).await;
    damaged(
        &lab,
        "UPDATE audit SET origin = '192.0.2.9' WHERE site_id = 'porto' AND seq = 1",
    )
    .await;
    let found = verified(&lab, &Evidence::default()).await;
    let wanted = Fault::EntryAltered {
        chain: "porto".to_owned(),
        seq: 1,
    };
    assert!(found.faults.contains(&wanted), "{:?}", found.faults);
}

#[tokio::test]
async fn entries_are_read_in_order_by_those_who_reach_their_chain() {
    let lab = Laboratory::furnished().await;
    lab.recorded("k1", 0, 19.47, "first").await;
    let read = lab.read();
    let page = Page {
        size: 100,
        after: Vec::new(),
    };
    let all = EntryFilter::default();
    let entries = read
        .entries(Some(&lab.site), &all, &page)
        .await
        .expect("listed");
    let seqs: Vec<i64> = entries.iter().map(|entry| entry.seq).collect();
    let length = read.audit_length(Some(&lab.site)).await.expect("counted");
    assert_eq!(seqs, (1..=length).collect::<Vec<i64>>());
    let last = entries.last().expect("some");
    assert_eq!(
        (last.action.as_str(), last.after.is_none()),
        ("reading.record", true)
    );
    let about = EntryFilter {
        subject: Some(last.subject.clone()),
        ..EntryFilter::default()
    };
    let about = read
        .entries(Some(&lab.site), &about, &page)
        .await
        .expect("listed");
    assert_eq!(about, entries[entries.len() - 1..]);
    let scope = only_at("elsewhere").network(ringtrue_fleet::caller::Right::Read);
    let other = lab.store.read(&scope.expect("may read"));
    assert!(other.entries(Some(&lab.site), &all, &page).await.is_err());
    assert!(
        other.entries(None, &all, &page).await.is_err(),
        "the network's own"
    );
}
