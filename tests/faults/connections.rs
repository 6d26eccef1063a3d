//! The server's connections to its database: never more than it may have, and all of them in use again after a fault.

use std::collections::BTreeSet;
use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_remote::Remote;
use ringtrue_tests::postgresql::Database;
use ringtrue_tests::process::PATIENCE;
use ringtrue_tests::proxy::Proxy;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep};
use tonic_health::pb::health_check_response::ServingStatus;

use crate::clients::{CONNECTIONS, reached, remote};
use crate::silent::becomes;

/// Connections that serve callers; one more listens for other servers.
const FOR_CALLERS: usize = CONNECTIONS - 1;

/// Callers at the same time: more than there are connections.
const CALLERS: usize = 16;

/// Asks for one site and for all again and again, whatever the answers are, until it is dropped.
fn asking(remote: &Remote) -> JoinSet<()> {
    let mut callers = JoinSet::new();
    for caller in 0..CALLERS {
        let remote = remote.clone();
        callers.spawn(async move {
            loop {
                let is_answered = if caller % 2 == 0 {
                    let ask = v1::ListReadingsRequest {
                        parent: "sites/north/furnaces/-".to_owned(),
                        ..v1::ListReadingsRequest::default()
                    };
                    remote.readings(ask).await.is_ok()
                } else {
                    let ask = v1::ListAlertsRequest {
                        parent: "sites/-".to_owned(),
                        ..v1::ListAlertsRequest::default()
                    };
                    remote.alerts(ask).await.is_ok()
                };
                if !is_answered {
                    sleep(Duration::from_millis(20)).await;
                }
            }
        });
    }
    callers
}

/// Waits until the backends that came since are as many as serve all callers, and fails when there are ever more than
/// a server may have.
async fn are_all_in_use(database: &Database, before: &BTreeSet<i32>) {
    let end = Instant::now() + PATIENCE;
    loop {
        let all = database.backends().await;
        let new = all.iter().filter(|pid| !before.contains(pid)).count();
        assert!(
            new <= CONNECTIONS,
            "{new} connections of at most {CONNECTIONS}"
        );
        if new >= FOR_CALLERS {
            return;
        }
        assert!(
            Instant::now() < end,
            "only {new} of {FOR_CALLERS} connections were in use again"
        );
        sleep(Duration::from_millis(50)).await;
    }
}

/// Waits until none of these backends is left.
async fn eventually_gone(database: &Database, backends: &BTreeSet<i32>) {
    let end = Instant::now() + PATIENCE;
    loop {
        let left = database.backends().await;
        if left.iter().all(|pid| !backends.contains(pid)) {
            return;
        }
        assert!(Instant::now() < end, "backends outlive their connections");
        sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn calls_that_are_given_up_while_the_database_is_silent_keep_no_connection() {
    let reached = reached(1).await;
    let (way, database) = (&reached.way, &reached.database);
    let near = remote(reached.server.endpoint());
    let channel = reached.channel();

    // Slow, so that every connection is in the middle of something when the way falls silent.
    way.delay(Duration::from_millis(100));
    let callers = asking(&near);
    are_all_in_use(database, &BTreeSet::new()).await;
    way.silence();
    becomes(&channel, ServingStatus::NotServing).await;
    drop(callers);

    let before = BTreeSet::from_iter(database.backends().await);
    way.delay(Duration::ZERO);
    way.forsake();
    becomes(&channel, ServingStatus::Serving).await;
    let _callers = asking(&near);
    are_all_in_use(database, &before).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn connections_stay_within_their_bound_after_the_database_was_away() {
    let reached = reached(1).await;
    let (way, database) = (&reached.way, &reached.database);
    let near = remote(reached.server.endpoint());
    let channel = reached.channel();

    let _callers = asking(&near);
    are_all_in_use(database, &BTreeSet::new()).await;
    // Given back, they are used again and not made anew.
    let before = database.backends().await;
    for _ in 0..100 {
        let ask = v1::ListAlertsRequest {
            parent: "sites/-".to_owned(),
            ..v1::ListAlertsRequest::default()
        };
        near.alerts(ask).await.expect("answered");
    }
    let after = database.backends().await;
    assert!(
        before.iter().all(|pid| after.contains(pid)),
        "{before:?}, then {after:?}"
    );
    for away in [Proxy::cut, Proxy::hang_up, Proxy::close] {
        let before = BTreeSet::from_iter(database.backends().await);
        away(way);
        eventually_gone(database, &before).await;
        way.open();
        becomes(&channel, ServingStatus::Serving).await;
        are_all_in_use(database, &BTreeSet::new()).await;
    }
}
