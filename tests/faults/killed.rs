//! `kill -9` of servers, of backends, and of the primary while two servers record.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use rand::seq::SliceRandom as _;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;
use ringtrue_proto::v1::{self, AlertLevel};
use ringtrue_remote::{Pace, Remote, Told};
use ringtrue_store::Store;
use ringtrue_tests::databases::location;
use ringtrue_tests::laboratory::{self, ask, furnish, names_on_record};
use ringtrue_tests::network::everything;
use ringtrue_tests::postgresql::{Door, Pair};
use ringtrue_tests::process::PATIENCE;
use tokio::sync::{Semaphore, mpsc};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout};

use crate::clients::{migrated, recorded, remote, served, verified};

const FURNACES: usize = 60;
const FIRINGS: usize = 12;
const IN_FLIGHT: usize = 24;

/// Longest time from a fault to the next acknowledgement.
const RECOVERED: Duration = Duration::from_secs(20);

/// Longest time until somebody looks for alerts again after whoever did was killed: as long as the lease of that look.
const LOOKED_AGAIN: Duration = Duration::from_secs(150);

#[derive(Debug, Clone, Copy)]
enum Victim {
    Server(usize),
    Backend,
    Primary,
}

/// Follows the log of alerts through every break, and sends on where each change stands in it.
async fn follow(remote: Remote, heard: mpsc::UnboundedSender<String>) {
    let pace = Pace {
        silence: Duration::from_secs(70),
        least_pause: Duration::from_millis(100),
        most_pause: Duration::from_millis(500),
    };
    let mut stream = remote.watch_alerts_at("sites/-", "", AlertLevel::Technician, pace);
    loop {
        if let Told::Change { cursor, .. } = stream.next().await.expect("it mends itself")
            && heard.send(cursor).is_err()
        {
            return;
        }
    }
}

pub(crate) async fn reaches(counter: &AtomicUsize, wanted: usize, longest: Duration) {
    let end = Instant::now() + longest;
    while counter.load(Ordering::SeqCst) < wanted {
        let now = counter.load(Ordering::SeqCst);
        assert!(Instant::now() < end, "{now} of {wanted} after {longest:?}");
        sleep(Duration::from_millis(2)).await;
    }
}

/// Alerts that stand open, a few of them.
async fn open_alerts(client: &Remote) -> Vec<v1::Alert> {
    let ask = v1::ListAlertsRequest {
        parent: "sites/-".to_owned(),
        state: v1::AlertState::Open.into(),
        page_size: 5,
        ..v1::ListAlertsRequest::default()
    };
    client.alerts(ask).await.expect("alerts").alerts
}

/// Says of some alerts that they were seen, once there are any; gives how many changes of the log that makes.
async fn noted(client: &Remote) -> usize {
    let end = Instant::now() + LOOKED_AGAIN;
    let alerts = loop {
        let alerts = open_alerts(client).await;
        if !alerts.is_empty() {
            break alerts;
        }
        assert!(Instant::now() < end, "no alert stands open");
        sleep(Duration::from_millis(100)).await;
    };
    for alert in &alerts {
        let ask = v1::AcknowledgeAlertRequest {
            name: alert.name.clone(),
            noted_by: "t1".to_owned(),
            ..v1::AcknowledgeAlertRequest::default()
        };
        client.acknowledge_alert(ask).await.expect("noted");
    }
    alerts.len()
}

/// How many changes the log of alerts has.
async fn log_length(door: &Door) -> usize {
    let store = Store::open(location(&door.url())).await.expect("opened");
    let log = store.read(&everything()).alert_changes(0, 100_000).await;
    store.close().await.expect("closed");
    let log = log.expect("the log");
    let numbers: Vec<usize> = log.iter().filter_map(|c| c.seq.try_into().ok()).collect();
    let in_order: Vec<usize> = (1..=log.len()).collect();
    assert_eq!(numbers, in_order, "the log has gaps");
    log.len()
}

/// Fails unless every stream has told every change of the log up to a length, in its order, each once.
async fn told_all(streams: &mut [mpsc::UnboundedReceiver<String>], length: usize) {
    for (at, changes) in streams.iter_mut().enumerate() {
        for number in 1..=length {
            let next = timeout(PATIENCE, changes.recv()).await;
            let next = next.unwrap_or_else(|_| panic!("stream {at}: {number} of {length}"));
            let cursor = next.expect("it is followed");
            assert_eq!(cursor, format!("a{number:x}"), "stream {at}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_acknowledged_is_lost_or_doubled_and_no_alert_is_missed() {
    let mut pair = Pair::start();
    let database = pair.database().await;
    let door = pair.through(&database);
    migrated(&door);
    let mut servers = vec![served(&door, None), served(&door, None)];
    let mut remotes = Vec::new();
    for server in &servers {
        remotes.push(remote(server.endpoint()));
    }

    let mut streams = Vec::new();
    let mut following = JoinSet::new();
    for remote in &remotes {
        let (heard, changes) = mpsc::unbounded_channel();
        following.spawn(follow(remote.clone(), heard));
        streams.push(changes);
    }
    furnish(&remotes[0], FURNACES).await;

    let acknowledged = Arc::new(AtomicUsize::new(0));
    let remotes = Arc::new(remotes);
    let places = Arc::new(Semaphore::new(IN_FLIGHT));
    let mut recordings = JoinSet::new();
    for firing in (0..FIRINGS).rev() {
        for furnace in 0..FURNACES {
            let (remotes, counter, places) = (
                Arc::clone(&remotes),
                Arc::clone(&acknowledged),
                Arc::clone(&places),
            );
            recordings.spawn(async move {
                let _place = places.acquire_owned().await.expect("never closed");
                let request = ask(furnace, firing);
                let name = recorded(remotes, request.clone(), counter).await;
                (request, name)
            });
        }
    }

    // The primary last: there is one standby.
    let mut chance = ChaCha12Rng::seed_from_u64(11);
    let mut victims = [
        Victim::Server(0),
        Victim::Backend,
        Victim::Server(1),
        Victim::Backend,
        Victim::Server(0),
    ];
    victims.shuffle(&mut chance);
    let total = FURNACES * FIRINGS;
    for victim in victims.into_iter().chain([Victim::Primary]) {
        let before = acknowledged.load(Ordering::SeqCst);
        let wanted = before + chance.random_range(20..60);
        reaches(&acknowledged, wanted, PATIENCE).await;
        let struck = Instant::now();
        match victim {
            Victim::Server(which) => {
                servers[which].kill();
                let address = servers[which].address.clone();
                servers[which] = served(&door, Some(&address));
            }
            Victim::Backend => {
                let backends = database.backends().await;
                database.kill_backend(backends[chance.random_range(0..backends.len())]);
            }
            Victim::Primary => pair.fail_over(),
        }
        let then = acknowledged.load(Ordering::SeqCst);
        assert!(
            then + IN_FLIGHT < total,
            "struck too late: {then} of {total}"
        );
        // So many may have been acknowledged before, and the news of it been under way.
        reaches(&acknowledged, then + IN_FLIGHT + 1, RECOVERED).await;
        drop(writeln!(
            std::io::stderr(),
            "{victim:?} killed: recorded again after {:.2} s",
            struck.elapsed().as_secs_f64()
        ));
    }

    let answers = recordings.join_all().await;
    let once: BTreeSet<&String> = answers.iter().map(|(_, name)| name).collect();
    assert_eq!(once.len(), total, "two requests were given one reading");
    let client = laboratory::remote(&servers[0]);
    for (request, name) in &answers {
        let again = laboratory::name(client.record_reading(request.clone()).await);
        assert_eq!(&again, name, "a repeat was given another answer");
    }
    let on_record = names_on_record(&client).await;
    let kept: BTreeSet<&String> = on_record.iter().collect();
    assert_eq!(on_record.len(), total, "readings were lost or doubled");
    assert_eq!(kept, once);

    // Changes of after the last fault too.
    let client = laboratory::remote(&servers[1]);
    let before = log_length(&door).await;
    let noted = noted(&client).await;
    let length = log_length(&door).await;
    assert!(length >= before + noted, "{before} and {noted}: {length}");
    told_all(&mut streams, length).await;
    following.abort_all();

    for server in servers {
        server.stop();
    }
    let said = verified(&door);
    assert!(said.contains(&format!("{total} readings")), "{said}");
}
