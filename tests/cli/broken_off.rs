//! Imports that are broken off at any moment: the same command goes on, and every row lands exactly once.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::time::Duration;

use jiff::Timestamp;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use crate::workplace::Workplace;

/// Firings in the file.
const FIRINGS: i64 = 12_000;

fn many(count: i64) -> String {
    let first: Timestamp = "2024-01-01T00:00:00Z".parse().expect("a moment");
    let mut text = "external_id,programme,start_time,end_time,cases\n".to_owned();
    for at in 0..count {
        let start = first + jiff::SignedDuration::from_hours(2 * at);
        let end = start + jiff::SignedDuration::from_mins(90);
        writeln!(text, "F-{at},porto/k2/standard,{start},{end},C-{at}=1").expect("text");
    }
    text
}

#[test]
fn an_import_that_is_killed_at_any_moment_goes_on_and_nothing_is_doubled() {
    let place = Workplace::furnished();
    let file = place.with_file("many.csv", many(FIRINGS));
    let seed = 20_261_126;
    let mut draw = ChaCha8Rng::seed_from_u64(seed);
    let mut kills = 0;
    let done = loop {
        let mut child = place
            .command("import firings --json")
            .arg(&file)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program starts");
        if kills < 6 {
            // Longer each time, so that checking and sending are both met.
            std::thread::sleep(Duration::from_millis(
                draw.random_range(100..900) * (kills + 1),
            ));
            if child.try_wait().expect("it can be asked").is_none() {
                child.kill().expect("it can be killed");
                kills += 1;
            }
        }
        let output = child.wait_with_output().expect("it ends");
        if let Some(code) = output.status.code() {
            assert_eq!(
                code,
                0,
                "seed {seed}: {}",
                String::from_utf8_lossy(&output.stderr)
            );
            break output;
        }
    };
    assert!(kills > 0, "it was too fast to be killed");
    let told: serde_json::Value = serde_json::from_slice(&done.stdout).expect("JSON");
    assert_eq!(told["state"], "done", "{told}");
    let listed = place.said("export firings").done();
    let ids: Vec<&str> = listed
        .lines()
        .skip(1)
        .filter_map(|line| line.split(',').next())
        .collect();
    let once: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(
        (ids.len(), once.len()),
        (12_000, 12_000),
        "seed {seed}, {kills} kills"
    );
    // Nothing of it is left on this computer.
    let left = std::fs::read_dir(place.folder().join("home/imports"))
        .expect("a folder")
        .count();
    assert_eq!(left, 0);
}

#[test]
fn a_server_that_is_gone_ends_the_import_with_how_to_go_on() {
    let place = Workplace::furnished();
    let file = place.with_file("few.csv", many(3));
    let cut = place.said_with(
        "--endpoint http://127.0.0.1:9 --deadline 1 import firings --skip-check",
        &[&file],
    );
    assert_eq!(cut.code, Some(8), "{cut:?}");
    assert!(
        cut.err.contains("The same command goes on from there"),
        "{}",
        cut.err
    );
    place.said_with("import firings", &[&file]).done();
}
