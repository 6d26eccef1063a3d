//! The network between clients and a server: cut, ended, slow, silent. A reading is recorded once all the same.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use ringtrue_tests::laboratory::{self, ask, furnish, names_on_record};
use ringtrue_tests::postgresql::Cluster;
use ringtrue_tests::proxy::Proxy;
use tokio::task::JoinSet;

use crate::clients::{migrated, recorded, remote, served, verified};
use crate::killed::reaches;

const FURNACES: usize = 40;
const FIRINGS: usize = 3;

/// One that does nothing to the way, or something that it stands.
type Fault = fn(&Proxy);

const FAULTS: [Fault; 5] = [
    Proxy::cut,
    Proxy::hang_up,
    Proxy::silence,
    |way| way.delay(Duration::from_millis(60)),
    Proxy::close,
];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn clients_whose_way_is_cut_slow_or_silent_record_each_reading_once() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let server = served(&database, None);
    furnish(&laboratory::remote(&server), FURNACES).await;
    let way = Proxy::to(server.address.parse().expect("an address"));
    let near = Arc::new(vec![remote(format!("http://{}", way.addr()))]);
    let acknowledged = Arc::new(AtomicUsize::new(0));
    let total = FURNACES * FIRINGS;
    let mut expected = BTreeSet::new();
    // A group of recordings for each fault, so that each meets some that are under way.
    let all: Vec<(usize, usize)> = (0..FIRINGS)
        .rev()
        .flat_map(|firing| (0..FURNACES).map(move |furnace| (furnace, firing)))
        .collect();
    for (fault, group) in FAULTS.iter().zip(all.chunks(total / FAULTS.len())) {
        let before = expected.len();
        let mut recordings = JoinSet::new();
        for &(furnace, firing) in group {
            recordings.spawn(recorded(
                Arc::clone(&near),
                ask(furnace, firing),
                Arc::clone(&acknowledged),
            ));
        }
        reaches(&acknowledged, before + 1, Duration::from_secs(20)).await;
        fault(&way);
        // As long as a client waits before it sends again.
        tokio::time::sleep(Duration::from_secs(1)).await;
        way.open();
        expected.extend(recordings.join_all().await);
    }
    assert_eq!(expected.len(), total, "two requests were given one reading");
    let kept = names_on_record(&laboratory::remote(&server)).await;
    assert_eq!(kept.len(), total, "readings were lost or doubled");
    assert_eq!(BTreeSet::from_iter(kept), expected);
    server.stop();
    verified(&database);
}
