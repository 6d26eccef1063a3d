//! The network between server and database, and between client and server, cut at the worst moments.

use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_tests::laboratory::{self, ask, furnish, names_on_record};
use ringtrue_tests::postgresql::Cluster;
use ringtrue_tests::process::{PATIENCE, Server, eventually};
use ringtrue_tests::proxy::{Place, Proxy};
use tokio::time::Instant;
use tonic::transport::Endpoint;

use crate::clients::{
    Reached, is_to_be_repeated, migrated, reached, recorded, remote, served, verified,
};

/// Sends a recording once, whatever becomes of it; gives the reading's name when it was answered.
async fn sent_once(server: &Server, request: &v1::RecordReadingRequest) -> Option<String> {
    let channel = Endpoint::from_shared(server.endpoint())
        .expect("an address")
        .connect_lazy();
    let first = ReadingServiceClient::new(channel)
        .record_reading(request.clone())
        .await;
    match first {
        Ok(answer) => Some(answer.into_inner().reading.expect("a reading").name),
        Err(status) => {
            assert!(is_to_be_repeated(status.code()), "{status:?}");
            None
        }
    }
}

async fn kept(server: &Server) -> usize {
    names_on_record(&laboratory::remote(server)).await.len()
}

/// What a recording says to the database, and where it breaks off.
#[derive(Debug, Clone, Copy)]
enum Break {
    BeforeCommit,
    BeforeCommitted,
    /// Where its furnace is looked up and nothing was promised yet.
    WhileLookingUp,
}

/// Records readings of furnaces from one on until one of them met the trap, and sends that one again; gives the next
/// furnace. Work in the background commits too, and now and then it is what the trap catches.
async fn broken_off(reached: &Reached, mut furnace: usize, wanted: Break) -> usize {
    let end = Instant::now() + PATIENCE;
    loop {
        assert!(Instant::now() < end, "no recording met the trap");
        let before = kept(&reached.server).await;
        match wanted {
            Break::BeforeCommit => reached.way.break_off(b"COMMIT", Place::BeforeIt),
            Break::BeforeCommitted => reached.way.break_off(b"COMMIT", Place::BeforeItsAnswer),
            Break::WhileLookingUp => {
                let named = format!("\"k{furnace}\"");
                reached
                    .way
                    .break_off(named.as_bytes(), Place::BeforeItsAnswer);
            }
        }
        let request = ask(furnace, 0);
        furnace += 1;
        let first = sent_once(&reached.server, &request).await;
        assert!(reached.way.has_broken_off(), "the trap was passed by");
        let by_then = kept(&reached.server).await;
        let remotes = Arc::new(vec![remote(reached.server.endpoint())]);
        let name = Box::pin(recorded(remotes, request, Arc::default())).await;
        assert_eq!(kept(&reached.server).await, before + 1);
        if let Some(first) = first {
            assert_eq!(first, name, "the repeat was given another answer");
            continue;
        }
        let was_kept = by_then == before + 1;
        assert_eq!(
            was_kept,
            matches!(wanted, Break::BeforeCommitted),
            "{wanted:?}"
        );
        return furnace;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_commit_that_breaks_off_is_carried_out_once() {
    let reached = reached(30).await;
    let mut furnace = 0;
    for wanted in [
        Break::BeforeCommit,
        Break::BeforeCommitted,
        Break::WhileLookingUp,
    ] {
        furnace = broken_off(&reached, furnace, wanted).await;
    }
    let names = names_on_record(&laboratory::remote(&reached.server)).await;
    assert_eq!(names.len(), furnace, "{names:?}");
    reached.server.stop();
    let said = verified(&reached.database);
    assert!(said.contains(&format!("{furnace} readings")), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_or_cut_way_to_the_database_loses_and_doubles_nothing() {
    let reached = reached(40).await;
    let remotes = Arc::new(vec![remote(reached.server.endpoint())]);
    let acknowledged = Arc::new(AtomicUsize::new(0));
    let mut recordings = tokio::task::JoinSet::new();
    for furnace in 0..40 {
        recordings.spawn(recorded(
            Arc::clone(&remotes),
            ask(furnace, 0),
            Arc::clone(&acknowledged),
        ));
    }
    for _ in 0..5 {
        reached.way.cut();
        tokio::time::sleep(Duration::from_millis(40)).await;
    }
    reached.way.delay(Duration::from_millis(30));
    tokio::time::sleep(Duration::from_millis(500)).await;
    reached.way.close();
    tokio::time::sleep(Duration::from_millis(500)).await;
    reached.way.open();
    let mut names = recordings.join_all().await;
    names.sort();
    names.dedup();
    assert_eq!(names.len(), 40);
    let mut kept = names_on_record(&remote(reached.server.endpoint())).await;
    kept.sort();
    assert_eq!(kept, names);
    reached.server.stop();
    verified(&reached.database);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_loses_the_answer_is_given_it_again() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let server = served(&database, None);
    furnish(&remote(server.endpoint()), 2).await;
    let way = Proxy::to(server.address.parse().expect("an address"));
    let near = Arc::new(vec![remote(format!("http://{}", way.addr()))]);
    for (furnace, place) in [(0, Place::BeforeIt), (1, Place::BeforeItsAnswer)] {
        let bytes: &[u8] = if furnace == 0 {
            b"furnaces/k0"
        } else {
            b"furnaces/k1"
        };
        way.break_off(bytes, place);
        recorded(Arc::clone(&near), ask(furnace, 0), Arc::default()).await;
        eventually("the connection broke off", || way.has_broken_off());
    }
    assert_eq!(names_on_record(&remote(server.endpoint())).await.len(), 2);
    server.stop();
    verified(&database);
}
