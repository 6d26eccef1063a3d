//! A server that is killed while it records: the change feed goes on at the other one, and tells everything once.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_remote::{Followed, Pace};
use ringtrue_tests::laboratory::{ask, furnish};
use ringtrue_tests::postgresql::Cluster;
use ringtrue_tests::process::PATIENCE;
use tokio::task::JoinSet;
use tokio::time::timeout;

use crate::clients::{migrated, recorded, remote, served, verified};
use crate::killed::reaches;

const FURNACES: usize = 12;
const FIRINGS: usize = 10;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn everything_recorded_is_told_once_although_a_server_is_killed() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let (mut dying, living) = (served(&database, None), served(&database, None));
    let remotes = Arc::new(vec![remote(dying.endpoint()), remote(living.endpoint())]);
    furnish(&remotes[1], FURNACES).await;
    let pace = Pace {
        silence: Duration::from_secs(70),
        least_pause: Duration::from_millis(50),
        most_pause: Duration::from_millis(200),
    };
    let mut stream = remotes[1].watch_changes_at(
        v1::WatchChangesRequest {
            parent: "sites/-".to_owned(),
            types: vec!["reading.recorded".to_owned()],
            after: "c0-00000000".to_owned(),
        },
        pace,
    );
    let acknowledged = Arc::new(AtomicUsize::new(0));
    let mut recording = JoinSet::new();
    for furnace in 0..FURNACES {
        let (remotes, acknowledged) = (Arc::clone(&remotes), Arc::clone(&acknowledged));
        recording.spawn(async move {
            let mut names = Vec::new();
            for firing in (0..FIRINGS).rev() {
                let ask = ask(furnace, firing);
                names.push(recorded(Arc::clone(&remotes), ask, Arc::clone(&acknowledged)).await);
            }
            names
        });
    }
    reaches(&acknowledged, FURNACES * FIRINGS / 3, PATIENCE).await;
    dying.kill();
    let mut wanted: BTreeMap<String, usize> = BTreeMap::new();
    while let Some(names) = recording.join_next().await {
        for name in names.expect("recorded") {
            wanted.insert(name, 1);
        }
    }
    let mut told: BTreeMap<String, usize> = BTreeMap::new();
    let mut sequence = 0;
    while told.len() < wanted.len() {
        let next = timeout(PATIENCE, stream.next()).await;
        let next = next.unwrap_or_else(|_| panic!("{} of {}", told.len(), wanted.len()));
        if let Followed::Change(change) = next.expect("it mends itself") {
            assert!(change.sequence > sequence, "{change:?}");
            sequence = change.sequence;
            *told.entry(change.name).or_default() += 1;
        }
    }
    assert_eq!(told, wanted);
    verified(&database);
}
