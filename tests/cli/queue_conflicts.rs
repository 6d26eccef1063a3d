//! What changed while the line was down: shown with the server's words and the ways out, settled by a person, and
//! never dropped in silence.

use std::collections::BTreeMap;
use std::ffi::OsString;

use jiff::{SignedDuration, Timestamp};
use ringtrue::{Conversation, Left, World};
use serde_json::Value;

use crate::access::Computer;
use crate::cut_off::{CutOff, QUEUED, holds};
use crate::workplace::{Outcome, Workplace};

#[test]
fn what_is_stuck_holds_up_its_own_furnace_only() {
    let bench = CutOff::with_two_furnaces();
    bench.way.close();
    assert_eq!(bench.reading("k2", "19.47 19.465", "").code, QUEUED);
    assert_eq!(bench.said("care ring-fired k2").code, QUEUED);
    assert_eq!(bench.said("care ring-fired k3").code, QUEUED);
    bench.place.said("batch hold x7 --why wet").done();
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, QUEUED, "{}", sent.err);
    holds(
        &sent.err,
        &[
            "Sent number 3: porto/k3",
            "Number 1 NEEDS YOU; it is not on record",
            "is on hold (wet)",
            "ringtrue queue settle 1 --again",
            "ringtrue queue drop 1 --reason TEXT",
            "2 still in the queue",
        ],
    );
    assert_eq!(bench.states(), ["needs-you", "waiting", "sent"]);
    // What comes next about the furnace goes behind; about another it goes through.
    let behind = bench.said("furnace event k2 --kind mains-work");
    assert_eq!(behind.code, QUEUED, "{}", behind.err);
    holds(
        &behind.err,
        &["Number 1 about porto/k2 needs you", "goes first"],
    );
    bench.said("furnace event k3 --kind mains-work").done();
    let forbidden = bench.said("furnace event k2 --kind mains-work --no-queue");
    assert_eq!(forbidden.code, Some(3), "{}", forbidden.err);
    let listed = bench.said("queue list").done();
    holds(&listed, &["NEEDS YOU", "waits behind 1"]);
    bench.place.said("batch release x7").done();
    let settled = bench.said("queue settle 1 --again");
    assert_eq!(settled.code, Some(0), "{}", settled.err);
    assert_eq!(bench.states(), ["sent"; 4]);
    assert_eq!(bench.place.readings(), 1);
}

#[test]
fn an_entry_is_dropped_with_a_reason_and_stays_readable() {
    let bench = CutOff::furnished();
    bench.way.close();
    assert_eq!(bench.reading("k2", "19.47 19.465", "").code, QUEUED);
    bench.place.said("furnace change k2 --state retired").done();
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, QUEUED, "{}", sent.err);
    holds(&sent.err, &["NEEDS YOU", "is retired"]);
    assert_eq!(bench.said("queue drop 1").code, Some(2));
    let mut dropped = bench.command("queue drop 1");
    dropped.args(["--reason", "the furnace is gone"]);
    let dropped: Outcome = dropped.output().expect("it starts").into();
    assert_eq!(dropped.code, Some(0), "{}", dropped.err);
    assert_eq!(bench.states(), ["dropped"]);
    let shown = bench.said("queue show 1").done();
    holds(
        &shown,
        &["dropped", "the furnace is gone", "19.47 19.465 mm", "AB"],
    );
    assert_eq!(bench.said("queue settle 1 --again").code, Some(3));
    assert_eq!(bench.said("queue drop 1 --reason twice").code, Some(3));
    assert_eq!(bench.said("queue show 9").code, Some(5));
    holds(&bench.said("queue send").err, &["Nothing waits"]);
}

#[test]
fn a_setpoint_that_somebody_else_changed_is_asked_about() {
    let bench = CutOff::furnished();
    bench.way.close();
    assert_eq!(
        bench.said("adjustment confirm k2 --setpoint 1481").code,
        QUEUED
    );
    bench
        .place
        .said("adjustment confirm k2 --setpoint 1490")
        .done();
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, QUEUED, "{}", sent.err);
    holds(
        &sent.err,
        &[
            "Programme standard is on record at 1490 °C by now; when 1481 °C was entered here it was at 1500 °C.",
            "ringtrue queue settle 1 --setpoint C --at now",
        ],
    );
    let settled = bench.said("queue settle 1 --setpoint 1485 --at now");
    assert_eq!(settled.code, Some(0), "{}", settled.err);
    holds(
        &settled.err,
        &["the panel shows 1485 °C", "1 entry on record now"],
    );
    let programme = bench.place.said("programme show k2/standard --json").done();
    let programme: Value = serde_json::from_str(&programme).expect("JSON");
    assert_eq!(programme["setpointC"], 1485.0);
}

#[test]
fn a_setpoint_that_only_this_bench_changed_is_not_asked_about() {
    let bench = CutOff::furnished();
    bench.way.close();
    for setpoint in [1490, 1481] {
        let line = format!("adjustment confirm k2 --setpoint {setpoint}");
        assert_eq!(bench.said(&line).code, QUEUED);
    }
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    assert_eq!(bench.states(), ["sent", "sent"]);
}

#[test]
fn a_firing_that_somebody_else_reported_is_a_question_to_answer() {
    let bench = CutOff::furnished();
    bench.way.close();
    assert_eq!(bench.reading("k2", "19.47 19.465", "").code, QUEUED);
    bench.place.reading("add", "19.46 19.465", "").done();
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, QUEUED, "{}", sent.err);
    holds(
        &sent.err,
        &[
            "already reported",
            "ringtrue queue settle 1 --answer SAME_FIRING",
        ],
    );
    let shown = bench.said("queue show 1 --json").done();
    let shown: Value = serde_json::from_str(&shown).expect("JSON");
    assert_eq!(
        shown["obstacle"]["questions"],
        serde_json::json!(["SAME_FIRING"])
    );
    assert_eq!(bench.said("queue settle 1 --answer HOT_RING").code, Some(2));
    assert_eq!(bench.place.readings(), 1);
    let settled = bench.said("queue settle 1 --answer SAME_FIRING");
    assert_eq!(settled.code, Some(0), "{}", settled.err);
    assert_eq!(bench.place.readings(), 2);
}

#[test]
fn a_value_that_the_server_refuses_is_corrected() {
    let bench = CutOff::furnished();
    bench.way.close();
    // Above what the furnace allows; the bench does not check adjustments.
    assert_eq!(
        bench.said("adjustment confirm k2 --setpoint 1700").code,
        QUEUED
    );
    bench.way.open();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, QUEUED, "{}", sent.err);
    holds(&sent.err, &["outside the limits", "NEEDS YOU"]);
    let settled = bench.said("queue settle 1 --setpoint 1470");
    assert_eq!(settled.code, Some(0), "{}", settled.err);
}

#[test]
fn a_revoked_credential_holds_the_queue_until_the_bench_is_enrolled_again() {
    let place = Workplace::furnished();
    let bench = Computer::enrolled(&place, "--role technician --site porto");
    bench.said("queue refresh").done();
    let kept = bench.said("care ring-fired k2 --offline --operator AB");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    let credential = bench.credential();
    let id = credential.trim_start_matches("credentials/");
    place
        .said(&format!("credential revoke {id} --why lost"))
        .done();
    let held = bench.said("queue send");
    assert_eq!(held.code, Some(7), "{}", held.err);
    holds(&held.err, &["Nothing was sent; 1 still in the queue"]);
    let shown = bench.said("queue show 1");
    holds(
        &shown.err,
        &[
            "NEEDS YOU",
            "revoked",
            "When that is mended: ringtrue queue send",
        ],
    );
    let code = place
        .said("credential invite --name bench --role technician --site porto")
        .done();
    let line = format!(
        "enrol {} --code {} --profile local --replace",
        place.endpoint(),
        code.trim()
    );
    bench.said(&line).done();
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    holds(&sent.err, &["1 entry on record now"]);
}

/// A person at a terminal who says yes or no to everything.
struct Person {
    yes: bool,
    asked: Vec<String>,
}

impl Conversation for Person {
    fn text(&mut self, _: &str, _: &str, _: Option<&str>) -> Result<String, Left> {
        Err(Left)
    }

    fn secret(&mut self, _: &str, _: &str) -> Result<String, Left> {
        Err(Left)
    }

    fn choice(&mut self, _: &str, _: &[String]) -> Result<usize, Left> {
        Err(Left)
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        self.asked.push(question.to_owned());
        Ok(self.yes)
    }
}

#[test]
fn a_person_at_a_terminal_is_asked_before_anything_is_kept() {
    let bench = CutOff::furnished();
    bench.way.close();
    let line = "reading add k2 --batch x7 --diameters 19.47 19.465 --fired 2026-11-20T18:00:00Z --deadline 1";
    for (yes, expected) in [(false, 1), (true, 11)] {
        let mut person = Person {
            yes,
            asked: Vec::new(),
        };
        let (code, out, err) = said_to(&bench, SignedDuration::ZERO, line, Some(&mut person));
        assert_eq!(code, expected, "{out}\n{err}");
        assert_eq!(
            person.asked,
            ["Keep it in the queue of this computer, to be sent later?"]
        );
        // Refused or too slow, as it comes; said once.
        let address = bench.way.addr().to_string();
        assert_eq!(err.matches(&address).count(), 1, "{err}");
    }
    assert_eq!(bench.states(), ["waiting"]);
}

#[test]
fn whoever_keeps_nothing_is_told_that_a_first_try_may_have_arrived() {
    let bench = CutOff::furnished();
    bench.way.silence();
    // Named in full, so that the first call is the one that records.
    let line = "furnace event porto/k2 --kind mains-work --deadline 1";
    let mut person = Person {
        yes: false,
        asked: Vec::new(),
    };
    let (code, _, err) = said_to(&bench, SignedDuration::ZERO, line, Some(&mut person));
    assert_eq!(code, 8, "{err}");
    holds(
        &err,
        &[
            "It is not certain whether this was recorded",
            "--request-id",
        ],
    );
    assert!(bench.states().is_empty());
}

/// Runs a command line on a computer whose clock is off.
fn at_clock(bench: &CutOff, ahead: SignedDuration, line: &str) -> (u8, String, String) {
    said_to(bench, ahead, line, None)
}

/// The same with somebody at a terminal.
fn said_to(
    bench: &CutOff,
    ahead: SignedDuration,
    line: &str,
    person: Option<&mut dyn Conversation>,
) -> (u8, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut world = World {
        out: &mut out,
        err: &mut err,
        conversation: person.map(|person| person as &mut dyn Conversation),
        now: now() + ahead,
        environment: BTreeMap::from([
            (
                "RINGTRUE_ENDPOINT".to_owned(),
                format!("http://{}", bench.way.addr()),
            ),
            (
                "RINGTRUE_HOME".to_owned(),
                bench.home().to_string_lossy().into_owned(),
            ),
            ("RINGTRUE_OPERATOR".to_owned(), "AB".to_owned()),
        ]),
        columns: 80,
        colour: false,
    };
    let mut arguments = vec![OsString::from("ringtrue")];
    arguments.extend(line.split_whitespace().map(OsString::from));
    let code = ringtrue::run(arguments, &mut world);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (code, text(out), text(err))
}

#[expect(
    clippy::disallowed_methods,
    reason = "the real server has the real clock"
)]
fn now() -> Timestamp {
    Timestamp::now()
}

#[test]
fn a_clock_that_is_ahead_is_told_and_settled_by_asking() {
    let bench = CutOff::furnished();
    let ahead = SignedDuration::from_hours(2);
    let (code, _, err) = at_clock(&bench, ahead, "care ring-fired k2 --offline");
    assert_eq!(code, 11, "{err}");
    let (code, _, err) = at_clock(&bench, ahead, "queue send");
    assert_eq!(code, 11, "{err}");
    holds(
        &err,
        &[
            "This computer's clock is 2 h ahead of the server's.",
            "Nothing is corrected by itself.",
            "Number 1 NEEDS YOU; it is not on record",
            "ringtrue queue settle 1 --clock",
            "ringtrue queue settle 1 --as-given",
        ],
    );
    assert_eq!(bench.states(), ["needs-you"]);
    // Known from now on, it is told as something is kept.
    let (code, _, err) = at_clock(&bench, ahead, "care ring-fired k2 --offline");
    assert_eq!(code, 11, "{err}");
    holds(&err, &["2 h ahead of the server's"]);
    let settled = bench.said("queue settle 1 --clock");
    holds(&settled.err, &["the clock's error taken off"]);
    assert_eq!(bench.states(), ["sent", "needs-you"]);
    let settled = bench.said("queue settle 2 --at now");
    assert_eq!(settled.code, Some(0), "{}", settled.err);
    assert_eq!(bench.states(), ["sent", "sent"]);
}

#[test]
fn a_clock_that_jumped_back_changes_no_order() {
    let bench = CutOff::furnished();
    let (code, _, err) = at_clock(
        &bench,
        SignedDuration::ZERO,
        "furnace event k2 --kind mains-work --offline",
    );
    assert_eq!(code, 11, "{err}");
    let back = SignedDuration::from_hours(-30);
    let (code, _, err) = at_clock(&bench, back, "furnace event k2 --kind moved --offline");
    assert_eq!(code, 11, "{err}");
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    let first = sent.err.find("Sent number 1");
    let second = sent.err.find("Sent number 2");
    assert!(first.is_some() && first < second, "{}", sent.err);
    let behind = at_clock(&bench, back, "queue refresh");
    assert_eq!(behind.0, 0, "{}", behind.2);
}
