//! A thousand acts at many furnaces while the server is killed and started, the line cut, and the program killed at any
//! moment: whatever was acknowledged lands exactly once, in order for each furnace.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use ringtrue_proto::v1;
use ringtrue_remote::Remote;
use ringtrue_tests::laboratory::{furnish, remote};
use ringtrue_tests::process::{Server, command, eventually, text};
use ringtrue_tests::proxy::Proxy;

/// Acts in all, furnaces, and programs at work at once.
const ACTS: usize = 1000;
const FURNACES: usize = 20;
const HANDS: usize = 4;
/// Of so many acts one is done by a program that is killed on its way.
const KILLED_OF: usize = 5;
/// How often a condition is looked at again.
const LOOK_AGAIN: Duration = Duration::from_millis(5);
/// Longest time for the whole.
const PATIENCE: Duration = Duration::from_mins(5);

struct Storm {
    way: Proxy,
    home: PathBuf,
    next: AtomicUsize,
    is_over: AtomicBool,
    /// Acts that were acknowledged: queued, or recorded at once.
    acknowledged: Mutex<BTreeSet<usize>>,
}

#[test]
fn a_thousand_acts_land_exactly_once_and_in_order_whatever_dies() {
    let folder = tempfile::tempdir().expect("a folder");
    let database = folder.path().join("ringtrue.db");
    let server = Server::serve(&database);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async { furnish(&remote(&server), FURNACES).await });
    let address: SocketAddr = server.address.parse().expect("an address");
    let storm = Storm {
        way: Proxy::to(address),
        home: folder.path().join("home"),
        next: AtomicUsize::new(0),
        is_over: AtomicBool::new(false),
        acknowledged: Mutex::new(BTreeSet::new()),
    };
    let seen = storm.command("queue refresh").output().expect("it starts");
    assert!(seen.status.success(), "{}", text(&seen.stderr));
    let server = std::thread::scope(|scope| {
        let weather = scope.spawn(|| weather(&storm, server, &database));
        let mut hands = Vec::new();
        for hand in 0..HANDS {
            let storm = &storm;
            hands.push(scope.spawn(move || at_work(storm, hand)));
        }
        let sender = scope.spawn(|| sending(&storm));
        for hand in hands {
            hand.join().expect("a hand ends");
        }
        storm.is_over.store(true, Ordering::SeqCst);
        sender.join().expect("the sender ends");
        weather.join().expect("the weather ends")
    });
    storm.way.open();
    eventually("everything is on record", || {
        let sent = storm.command("queue send").output().expect("it starts");
        sent.status.code() == Some(0)
    });
    let landed = runtime.block_on(async { landed(&remote(&server)).await });
    let acknowledged = storm
        .acknowledged
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    assert!(acknowledged.len() > ACTS / 2, "{} only", acknowledged.len());
    let mut seen = BTreeSet::new();
    for (furnace, acts) in &landed {
        let mut last = None;
        for act in acts {
            assert!(seen.insert(*act), "act {act} landed twice");
            assert_eq!(act % FURNACES, *furnace, "act {act} is another furnace's");
            // What was never acknowledged may be overtaken: its program was killed with the request on its way.
            if acknowledged.contains(act) {
                assert!(
                    last < Some(*act),
                    "act {act} of furnace {furnace} landed behind {last:?}"
                );
                last = Some(*act);
            }
        }
    }
    for act in acknowledged.iter() {
        assert!(seen.contains(act), "act {act} was acknowledged and is lost");
    }
}

/// Each furnace is one hand's, and a hand does one act after the other, so that the order of acts at it is known.
fn hand_of(act: usize) -> usize {
    act % FURNACES % HANDS
}

impl Storm {
    fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .args(["--deadline", "0.4"])
            .env("RINGTRUE_ENDPOINT", format!("http://{}", self.way.addr()))
            .env("RINGTRUE_HOME", &self.home)
            .env("RINGTRUE_SITE", "north")
            .env("RINGTRUE_OPERATOR", "AB")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }
}

/// Does one act after the other at some of the furnaces.
fn at_work(storm: &Storm, hand: usize) {
    let mut chance = ChaCha8Rng::seed_from_u64(u64::try_from(hand).expect("small"));
    let mine = (0..ACTS).filter(|act| hand_of(*act) == hand);
    for act in mine {
        storm.next.fetch_add(1, Ordering::SeqCst);
        let line = format!(
            "furnace event k{} --kind mains-work --note act-{act}",
            act % FURNACES
        );
        let mut command = storm.command(&line);
        // The line is tried now and then; trying a dead one each time would only be slow.
        if chance.random_ratio(4, 5) {
            command.arg("--offline");
        }
        let child = command.spawn().expect("it starts");
        let killed = act % KILLED_OF == 0;
        let output = if killed {
            let pause = Duration::from_millis(chance.random_range(0..60));
            ended_after(child, pause)
        } else {
            child.wait_with_output().expect("it ends")
        };
        let said = text(&output.stdout);
        // A program that was killed may have said that it keeps the act; then it must.
        if said.contains("QUEUED as number") || output.status.code() == Some(0) {
            let mut acknowledged = storm
                .acknowledged
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            acknowledged.insert(act);
        } else {
            let code = output.status.code();
            assert!(
                killed,
                "act {act} ended with {code:?}: {said}{}",
                text(&output.stderr)
            );
        }
    }
}

/// Lets a program run for a while, kills it, and gives what it said.
fn ended_after(mut child: Child, pause: Duration) -> std::process::Output {
    let end = Instant::now() + pause;
    while Instant::now() < end && matches!(child.try_wait(), Ok(None)) {
        std::thread::sleep(Duration::from_millis(1));
    }
    // It may have ended by itself.
    drop(child.kill());
    child.wait_with_output().expect("it ends")
}

/// Sends what waits again and again, and is killed on its way every other time.
fn sending(storm: &Storm) {
    let mut chance = ChaCha8Rng::seed_from_u64(99);
    while !storm.is_over.load(Ordering::SeqCst) {
        let child = storm.command("queue send").spawn().expect("it starts");
        if chance.random_ratio(1, 2) {
            let pause = Duration::from_millis(chance.random_range(10..250));
            drop(ended_after(child, pause));
        } else {
            let output = child.wait_with_output().expect("it ends");
            let code = output.status.code();
            let expected = [Some(0), Some(8), Some(11)];
            assert!(
                expected.contains(&code),
                "{code:?}: {}",
                text(&output.stderr)
            );
        }
    }
}

/// Kills and starts the server, and cuts the line, as long as there is work; gives the server that runs in the end.
fn weather(storm: &Storm, mut server: Server, database: &Path) -> Server {
    let end = Instant::now() + PATIENCE;
    let mut done = 0;
    let mut kills = 0;
    while !storm.is_over.load(Ordering::SeqCst) {
        assert!(Instant::now() < end, "the storm takes too long");
        let now = storm.next.load(Ordering::SeqCst);
        if now < done + 40 {
            std::thread::sleep(LOOK_AGAIN);
            continue;
        }
        done = now;
        kills += 1;
        match kills % 4 {
            0 => storm.way.cut(),
            1 => storm.way.close(),
            2 => {
                server.kill();
                let next = Server::serve(database);
                storm.way.switch(next.address.parse().expect("an address"));
                storm.way.open();
                server = next;
            }
            _ => storm.way.open(),
        }
    }
    assert!(kills >= 8, "the weather changed {kills} times only");
    server
}

/// The acts on record of each furnace, in the order in which the server took them.
async fn landed(remote: &Remote) -> BTreeMap<usize, Vec<usize>> {
    let mut landed = BTreeMap::new();
    for furnace in 0..FURNACES {
        let mut taken = Vec::new();
        let mut page_token = String::new();
        loop {
            let ask = v1::ListFurnaceEventsRequest {
                parent: format!("sites/north/furnaces/k{furnace}"),
                page_size: 500,
                page_token,
            };
            let page = remote.furnace_events(ask).await.expect("events");
            for event in page.events {
                let number = event.note.strip_prefix("act-").expect("a note of ours");
                let at = event.receive_time.expect("a moment");
                taken.push(((at.seconds, at.nanos), number.parse().expect("a number")));
            }
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        taken.sort_unstable();
        landed.insert(furnace, taken.into_iter().map(|(_, act)| act).collect());
    }
    landed
}
