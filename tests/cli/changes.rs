//! `ringtrue changes` against a real server: lists that go on behind a cursor, and changes as they come.

use ringtrue_tests::process::{Server, command, eventually};
use rustix::process::Signal;
use serde_json::Value;

use crate::watching::Watch;
use crate::workplace::{Outcome, Workplace};

fn lines(outcome: Outcome) -> Vec<Value> {
    let text = outcome.done();
    let read = |line| serde_json::from_str(line).expect("an object on each line");
    text.lines().map(read).collect()
}

fn types(changes: &[Value]) -> Vec<&str> {
    let kind = |change: &'_ Value| change["type"].as_str().map(str::len).is_some();
    assert!(changes.iter().all(kind), "{changes:?}");
    changes
        .iter()
        .filter_map(|change| change["type"].as_str())
        .collect()
}

/// Waits until the feed tells so many changes of a type; they are told soon after their commit.
fn told(place: &Workplace, kind: &str, count: usize) -> Vec<Value> {
    let mut changes = Vec::new();
    eventually(&format!("{count} changes {kind} are told"), || {
        changes = lines(place.said(&format!("changes list --type {kind} --json")));
        changes.len() >= count
    });
    changes
}

#[test]
fn changes_are_listed_in_order_and_go_on_behind_a_cursor() {
    let place = Workplace::furnished();
    told(&place, "gauge.checked", 1);
    let listed = place.said("changes list --limit 3");
    assert!(
        listed.err.contains("There are more changes"),
        "{}",
        listed.err
    );
    let cursor = listed.err.split("--after ").nth(1).expect("where to go on");
    let cursor = cursor.trim().trim_end_matches('.').to_owned();
    let shown = listed.done();
    for words in [
        "site created",
        "furnace created",
        "standard",
        " WE",
        "somebody at the",
    ] {
        assert!(shown.contains(words), "{words} in\n{shown}");
    }
    let rest = lines(place.said(&format!("changes list --after {cursor} --json")));
    assert_eq!(types(&rest)[..2], ["gauge.created", "gauge.checked"]);
    let gauges = told(&place, "gauge", 2);
    assert_eq!(types(&gauges), ["gauge.created", "gauge.checked"]);
    // Ring batches are the network's: they are told with all sites.
    eventually("the batch is told", || {
        let all = lines(place.said("changes list --everywhere --type ring_batch --json"));
        !all.is_empty() && all.iter().all(|change| change.get("site").is_none())
    });

    let last = rest.last().expect("some")["cursor"].as_str().expect("one");
    let none = place.said(&format!("changes list --after {last} --type rule"));
    assert!(
        none.err.contains("Nothing like that has changed"),
        "{}",
        none.err
    );
}

#[test]
fn a_cursor_of_another_server_and_a_wrong_type_are_refused_with_what_to_do() {
    let place = Workplace::furnished();
    let foreign = place.said("changes list --after c1-00000001");
    assert_eq!(foreign.code, Some(3));
    assert!(foreign.err.contains("begin anew"), "{}", foreign.err);
    let foreign = place.said("changes watch --after c1-00000001");
    assert_eq!(foreign.code, Some(3), "{}", foreign.err);
    let wrong = place.said("changes list --type Reading");
    assert_eq!(wrong.code, Some(3));
    assert!(wrong.err.contains("reading.recorded"), "{}", wrong.err);
    let mut nowhere = command("ringtrue");
    nowhere.args(["changes", "list", "--site", "porto", "--deadline", "1"]);
    nowhere.args(["--endpoint", "http://127.0.0.1:1"]);
    let nowhere = Outcome::from(nowhere.output().expect("the program starts"));
    assert_eq!(nowhere.code, Some(8), "{}", nowhere.err);
}

#[test]
fn a_watch_tells_what_comes_and_goes_on_where_it_stopped() {
    let folder = tempfile::tempdir().expect("a folder");
    let database = folder.path().join("ringtrue.db");
    let server = Server::serve(&database);
    let address = server.address.clone();
    let line = |text: &str| {
        let mut command = command("ringtrue");
        command
            .args(text.split_whitespace())
            .env("RINGTRUE_ENDPOINT", format!("http://{address}"))
            .env("RINGTRUE_SITE", "porto");
        command
    };
    let done = |text: &str| {
        let output = line(text).output().expect("the program starts");
        Outcome::from(output).done();
    };
    done("site add --id porto --name Porto --time-zone Europe/Lisbon --calibration-day friday");
    let watch = Watch::started(line(
        "changes watch --json --after c0-00000000 --type furnace",
    ));
    done("furnace add --id k1 --name K1 --maximum 1600 --step 1");
    let first = watch.tells(1);
    assert_eq!(first[0]["change"]["type"], "furnace.created");
    assert_eq!(first[0]["change"]["name"], "sites/porto/furnaces/k1");
    // A restart of the server is no reason to miss anything.
    server.stop();
    let server = Server::serve_at(&database, &address);
    done("furnace add --id k2 --name K2 --maximum 1600 --step 1");
    let both = watch.tells(2);
    assert_eq!(both[1]["change"]["name"], "sites/porto/furnaces/k2");
    let cursor = both[0]["cursor"].as_str().expect("a cursor").to_owned();
    assert_eq!(watch.stopped_by(Signal::INT), Some(0));

    let again = Watch::started(line(&format!(
        "changes watch --json --after {cursor} --type furnace"
    )));
    assert_eq!(again.tells(1)[0], both[1], "only what came after");
    assert_eq!(again.stopped_by(Signal::INT), Some(0));
    let people = Watch::started(line("changes watch --after c0-00000000 --type furnace"));
    people.says("Watching changes of porto; Ctrl-C ends it.");
    people.shows("furnace created: k1, by somebody at the server");
    assert_eq!(people.stopped_by(Signal::TERM), Some(0));
    server.stop();
}
