//! `kill -9` in the middle of a thousand recordings: what was acknowledged is there once, and nothing is there
//! twice.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use ringtrue_remote::{Code, Remote};
use ringtrue_tests::process::{PATIENCE, Server, text, verified};
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep};

use crate::laboratory::{Folder, ask, furnish, names_on_record, remote};

const FURNACES: usize = 125;
const FIRINGS: usize = 8;
const IN_FLIGHT: usize = 64;

/// How many acknowledgements there are when the server is killed.
const KILLS_AT: [usize; 2] = [250, 600];

/// Counts of a run, looked at while it goes on.
#[derive(Default)]
struct Counts {
    acknowledged: AtomicUsize,
    failed_tries: AtomicUsize,
}

/// Records one reading, again with the same request id until the server answers.
async fn record(remote: Remote, furnace: usize, firing: usize, counts: Arc<Counts>) -> String {
    let request = ask(furnace, firing);
    let end = Instant::now() + PATIENCE;
    loop {
        match remote.record_reading(request.clone()).await {
            Ok(answer) => {
                counts.acknowledged.fetch_add(1, Ordering::SeqCst);
                return answer.reading.expect("the answer holds the reading").name;
            }
            Err(failure) => {
                let gone = matches!(
                    failure.code,
                    Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled | Code::Unknown
                );
                assert!(gone, "{failure:?}");
                assert!(
                    Instant::now() < end,
                    "the server did not come back: {failure:?}"
                );
                counts.failed_tries.fetch_add(1, Ordering::SeqCst);
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_acknowledged_reading_survives_kill_9_and_none_is_doubled() {
    let folder = Folder::new();
    let mut server = Server::serve(&folder.database());
    let remote = remote(&server);
    furnish(&remote, FURNACES).await;

    let counts = Arc::new(Counts::default());
    let places = Arc::new(Semaphore::new(IN_FLIGHT));
    let mut recordings = JoinSet::new();
    for firing in (0..FIRINGS).rev() {
        for furnace in 0..FURNACES {
            let (remote, counts, places) =
                (remote.clone(), Arc::clone(&counts), Arc::clone(&places));
            recordings.spawn(async move {
                let _place = places.acquire_owned().await.expect("never closed");
                record(remote, furnace, firing, counts).await
            });
        }
    }

    for kill_at in KILLS_AT {
        let end = Instant::now() + PATIENCE;
        while counts.acknowledged.load(Ordering::SeqCst) < kill_at {
            assert!(
                Instant::now() < end,
                "too slow: {}",
                counts.acknowledged.load(Ordering::SeqCst)
            );
            sleep(std::time::Duration::from_millis(1)).await;
        }
        server.kill();
        let acknowledged = counts.acknowledged.load(Ordering::SeqCst);
        assert!(
            acknowledged < FURNACES * FIRINGS - IN_FLIGHT,
            "killed too late: {acknowledged}"
        );
        server = Server::serve_at(&folder.database(), &server.address);
    }

    let acknowledged = recordings.join_all().await;
    let once: BTreeSet<&String> = acknowledged.iter().collect();
    assert_eq!(
        once.len(),
        FURNACES * FIRINGS,
        "two requests were given one reading"
    );
    let on_record = names_on_record(&remote).await;
    let kept: BTreeSet<&String> = on_record.iter().collect();
    assert_eq!(
        on_record.len(),
        FURNACES * FIRINGS,
        "readings were lost or doubled"
    );
    assert_eq!(kept, once);

    server.stop();
    let verified = verified(&folder.database());
    let said = text(&verified.stdout);
    assert_eq!(verified.status.code(), Some(0), "{said}");
    assert!(
        said.contains("1000 readings, 1000 evaluations worked out again"),
        "{said}"
    );
    assert!(said.contains("All as recorded."), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repeat_after_a_crash_is_given_the_first_answer_again() {
    let folder = Folder::new();
    let mut server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 1).await;
    let first = client.record_reading(ask(0, 0)).await.expect("recorded");
    server.kill();
    let server = Server::serve(&folder.database());
    let client = remote(&server);
    let again = client
        .record_reading(ask_again(&first))
        .await
        .expect("answered again");
    assert_eq!(again, first);
    assert_eq!(names_on_record(&client).await.len(), 1);
}

/// The request that led to an answer; its moments are those of the answer, since the clock went on.
fn ask_again(
    first: &ringtrue_proto::v1::RecordReadingResponse,
) -> ringtrue_proto::v1::RecordReadingRequest {
    let recorded = first
        .reading
        .as_ref()
        .expect("the answer holds the reading");
    let mut again = ask(0, 0);
    let reading = again.reading.as_mut().expect("a reading");
    reading.fire_time = recorded.fire_time;
    reading.measure_time = recorded.measure_time;
    again
}
