//! The bench while the line is down: what is kept, what is shown, and what becomes of it when the line returns.

use ringtrue_tests::proxy::Place;
use serde_json::Value;

use crate::cut_off::{CutOff, QUEUED, holds};
use crate::workplace::Outcome;

#[test]
fn everything_at_the_bench_goes_on_while_the_line_is_down() {
    let bench = CutOff::furnished();
    bench.way.close();
    let reading = bench.reading("k2", "19.47 19.465 19.475", "");
    assert_eq!(reading.code, QUEUED, "{}", reading.err);
    holds(
        &reading.out,
        &[
            "QUEUED as number 1. It is not recorded yet.",
            "porto/k2: reading, fired",
            "PROVISIONAL: 1481 °C",
            "From this reading alone; do not chase noise.",
            "The server's advice replaces it.",
            "1500 - (1519 - 1500) = 1481 °C",
        ],
    );
    holds(
        &reading.err,
        &["No server answers at", "`ringtrue queue send`"],
    );
    for (number, line) in [
        (2, "adjustment confirm k2 --setpoint 1481"),
        (3, "care ring-fired k2"),
        (4, "care done purge-firing k2 --chamber-empty"),
        (5, "furnace event k2 --kind mains-work"),
        (
            6,
            "gauge check caliper-1 --nominal 20 --measured 20.01 20.01",
        ),
        (7, "care rings x7 --left 12"),
    ] {
        let kept = bench.said(line);
        assert_eq!(kept.code, QUEUED, "{line}: {}", kept.err);
        holds(&kept.out, &[&format!("QUEUED as number {number}.")]);
    }
    let listed = bench.said("queue list").done();
    holds(
        &listed,
        &[
            "porto/k2 reading",
            "standard set to 1481 °C",
            "purge firing done",
            "waits behind 1",
            "gauge check",
        ],
    );
    assert_eq!(bench.place.readings(), 0);

    bench.way.open();
    let due = bench.said("due");
    assert_eq!(due.code, Some(0), "{}", due.err);
    holds(&due.err, &["7 entries wait in the queue of this computer"]);
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}\n{}", sent.out, sent.err);
    holds(
        &sent.err,
        &[
            "Sent number 1: porto/k2, reading. 6 left.",
            "The server advises:",
            "It replaces the PROVISIONAL 1481 °C shown here.",
            "7 entries on record now; nothing waits any more.",
        ],
    );
    assert_eq!(bench.place.readings(), 1);
    assert_eq!(bench.states(), ["sent"; 7]);
    let programme = bench.place.said("programme show k2/standard --json").done();
    let programme: Value = serde_json::from_str(&programme).expect("JSON");
    assert_eq!(programme["setpointC"], 1481.0);
    let again = bench.said("queue send");
    assert_eq!(again.code, Some(0));
    holds(&again.err, &["Nothing waits"]);
    let due = bench.said("due");
    assert!(!due.err.contains("in the queue"), "{}", due.err);
}

#[test]
fn the_next_act_sends_what_waits_first_and_shows_the_servers_advice() {
    let bench = CutOff::furnished();
    bench.way.close();
    assert_eq!(bench.reading("k2", "19.47 19.465 19.475", "").code, QUEUED);
    bench.way.open();
    let act = bench.said("care ring-fired k2");
    assert_eq!(act.code, Some(0), "{}", act.err);
    holds(
        &act.err,
        &[
            "Sent number 1: porto/k2, reading. 0 left.",
            "It replaces the PROVISIONAL 1481 °C",
        ],
    );
    let shown = bench.said("queue show 1").done();
    holds(
        &shown,
        &[
            "Recorded as",
            "The server advises:",
            "History",
            "entered",
            "sent, recorded as",
        ],
    );
    let json = bench.said("queue show 1 --json").done();
    let json: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["state"], "sent");
    assert_eq!(json["provisionalSetpointC"], 1481.0);
    assert!(json["advisedSetpointC"].is_f64(), "{json}");
}

#[test]
fn a_line_that_is_silent_is_down_too_and_what_arrived_all_the_same_lands_once() {
    let bench = CutOff::furnished();
    bench.way.silence();
    let kept = bench.said("furnace event k2 --kind mains-work");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    holds(&kept.err, &["did not answer in time"]);
    bench.way.open();
    // The server takes it, and its answer is lost: it is sent again, and recorded once.
    let entries = bench.entries();
    let id = entries[0]["requestId"].as_str().expect("an id").to_owned();
    bench.way.break_off(id.as_bytes(), Place::BeforeItsAnswer);
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    assert!(bench.way.has_broken_off());
    let listed = bench.place.said("furnace events k2 --json").done();
    let listed: Value = serde_json::from_str(&listed).expect("JSON");
    assert_eq!(listed["events"].as_array().map(Vec::len), Some(1));
}

#[test]
fn flags_force_the_queue_or_forbid_it_and_programs_are_told_as_json() {
    let bench = CutOff::furnished();
    let forced = bench.reading("k2", "19.47 19.465 19.475", "--offline --json");
    assert_eq!(forced.code, QUEUED, "{}", forced.err);
    let told: Value = serde_json::from_str(&forced.out).expect("one JSON object");
    assert_eq!(told["queued"]["number"], 1);
    assert_eq!(told["queued"]["what"], "reading");
    assert_eq!(told["queued"]["enteredBy"], "AB");
    assert_eq!(told["queued"]["provisionalSetpointC"], 1481.0);
    let id = told["queued"]["requestId"]
        .as_str()
        .expect("an id")
        .to_owned();
    assert_eq!(bench.place.readings(), 0);

    // The same act with the same id waits once.
    let again = bench.reading(
        "k2",
        "19.47 19.465 19.475",
        &format!("--offline --request-id {id} --json"),
    );
    assert_eq!(again.code, QUEUED, "{}", again.err);
    assert_eq!(bench.entries().len(), 1);
    let other = bench.reading("k2", "19.48", &format!("--offline --request-id {id}"));
    assert_eq!(other.code, Some(3), "{}", other.err);

    bench.way.close();
    let forbidden = bench.said("care ring-fired k2 --no-queue");
    assert_eq!(forbidden.code, Some(8), "{}", forbidden.err);
    assert_eq!(bench.entries().len(), 1);
    let down = bench.said("queue send");
    assert_eq!(down.code, Some(8), "{}", down.err);
    bench.way.open();
    let sent = bench.said("queue send --json");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    let sent: Value = serde_json::from_str(&sent.out).expect("one JSON object");
    assert_eq!(sent["sent"][0]["number"], 1);
    assert_eq!(sent["left"], 0);
    assert_eq!(bench.place.readings(), 1);
}

#[test]
fn a_bench_looks_over_what_it_can_before_it_keeps_anything() {
    let bench = CutOff::furnished();
    bench.way.close();
    let swapped = bench.reading("k2", "19.47 19.74 19.46", "");
    assert_eq!(swapped.code, Some(4), "{}", swapped.err);
    holds(
        &swapped.err,
        &["Did you read 19.47 mm?", "--confirm DIGITS_SWAPPED"],
    );
    let outside = bench.reading("k2", "21.30", "");
    assert_eq!(outside.code, Some(3), "{}", outside.err);
    holds(&outside.err, &["Not queued", "outside the batch's table"]);
    let inches = bench.reading("k2", "0.7665", "");
    assert_eq!(inches.code, Some(3), "{}", inches.err);
    holds(&inches.err, &["is no ring", "Is it 19.47 mm?"]);
    let unknown = bench.said("care ring-fired k9");
    assert_eq!(unknown.code, Some(3), "{}", unknown.err);
    holds(&unknown.err, &["knows no furnace k9", "--unchecked"]);
    assert!(bench.entries().is_empty());
    let kept = bench.said("care ring-fired k9 --unchecked");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    let mut previewed = bench
        .command("reading preview k2 --batch x7 --diameters 19.47 --fired 2026-11-20T18:00:00Z");
    let previewed: Outcome = previewed.output().expect("it starts").into();
    assert_eq!(previewed.code, Some(0), "{}", previewed.err);
    holds(&previewed.out, &["PROVISIONAL: 1481 °C"]);
    holds(&previewed.err, &["Nothing was kept."]);
    assert_eq!(bench.entries().len(), 1);
}

#[test]
fn no_provisional_setpoint_is_given_for_a_batch_that_may_not_be_used() {
    let bench = CutOff::furnished();
    bench.place.said("batch withdraw x7 --why wet").done();
    bench.said("queue refresh").done();
    bench.way.close();
    let refused = bench.reading("k2", "19.47 19.465", "");
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    holds(&refused.err, &["batch x7 is withdrawn"]);
    let kept = bench.reading("k2", "19.47 19.465", "--unchecked");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    holds(
        &kept.out,
        &["NO PROVISIONAL SETPOINT: batch X7 is withdrawn."],
    );
    assert!(!kept.out.contains("PROVISIONAL: "), "{}", kept.out);
}

#[test]
fn a_bench_that_never_saw_the_server_keeps_what_is_named_in_full() {
    let bench = CutOff::furnished();
    let elsewhere = tempfile::tempdir().expect("a folder");
    bench.way.close();
    let line = "reading add porto/k2 --programme standard --batch x7 --gauge caliper-1 --diameters 19.47 19.465 \
                --fired 2026-11-20T18:00:00Z";
    let mut command = bench.command(line);
    command.env("RINGTRUE_HOME", elsewhere.path());
    let kept: Outcome = command.output().expect("it starts").into();
    assert_eq!(kept.code, QUEUED, "{}\n{}", kept.out, kept.err);
    holds(
        &kept.out,
        &[
            "QUEUED as number 1.",
            "NO PROVISIONAL SETPOINT: this computer has not seen",
        ],
    );
    let mut command = bench.command("reading add porto/k2 --fired friday --diameters 19.47");
    command.env("RINGTRUE_HOME", elsewhere.path());
    let lacking: Outcome = command.output().expect("it starts").into();
    assert_eq!(lacking.code, Some(2), "{}", lacking.err);
}

#[test]
fn every_line_fits_a_narrow_terminal_and_nothing_is_coloured() {
    let bench = CutOff::furnished();
    bench.way.close();
    for line in [
        "reading add k2 --batch x7 --diameters 19.47 19.465 --fired 2026-11-20T18:00:00Z",
        "adjustment confirm k2 --setpoint 1481",
        "queue list",
        "queue show 1",
    ] {
        for columns in ["80", "60"] {
            let mut command = bench.command(line);
            let shown: Outcome = command
                .env("COLUMNS", columns)
                .output()
                .expect("it starts")
                .into();
            assert!(
                [QUEUED, Some(0)].contains(&shown.code),
                "{line}: {}",
                shown.err
            );
            let limit: usize = columns.parse().expect("a number");
            for part in shown.out.lines().chain(shown.err.lines()) {
                assert!(!part.contains('\u{1b}'), "{part}");
                assert!(part.chars().count() <= limit, "{line} at {columns}: {part}");
            }
        }
    }
}
