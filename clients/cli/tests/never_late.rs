//! Due dates, care, rules, alerts and deliveries through the door of the program, against a server of a few
//! lines.

mod bench;
mod in_process;

use bench::{Bench, K2, alert, asked, at, calibration, change, date, purge};
use ringtrue::{Conversation, Left, exit};
use ringtrue_proto::v1::*;
use tonic::Status;

/// Somebody who answers every question that wants yes or no the same way.
struct Always(bool, Vec<String>);

impl Conversation for Always {
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
        self.1.push(question.to_owned());
        Ok(self.0)
    }
}

fn bench(tasks: Vec<DueTask>) -> Bench {
    let bench = Bench::default();
    *bench.tasks.lock().expect("not poisoned") = tasks;
    bench
}

/// Gives a text with single blanks, as it was before it was wrapped.
fn unwrapped(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn fits(text: &str, columns: usize) {
    for line in text.lines() {
        // A command to copy is never broken.
        let to_copy = line.contains("ringtrue ") || line.starts_with("sites/");
        assert!(
            to_copy || line.chars().count() <= columns,
            "{line}\nin\n{text}"
        );
    }
}

#[test]
fn what_is_due_is_told_with_the_next_step_and_the_command_that_records_it() {
    let bench = bench(vec![calibration(), purge()]);
    let outcome = bench.said("due");
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for piece in [
        "K2: calibration, OVERDUE by 3 days, since Fri 20 Nov",
        "Do next    Fire a ring of batch X7",
        "fire the ring: late, it was for Fri 20 Nov",
        "Grace      until today (Mon 23 Nov)",
        "every 2 weeks on Friday (set for the site)",
        "ringtrue care ring-fired porto/k2",
        "!  Open the chamber",
    ] {
        assert!(outcome.out.contains(piece), "{piece} in\n{}", outcome.out);
    }
    assert!(!outcome.out.contains("purge"), "{}", outcome.out);
    fits(&outcome.out, 100);
    let all = bench.said("due --all --furnace k2");
    assert!(all.out.contains("Fri 18 Dec (in 25 days)"), "{}", all.out);
    let ask = asked(&bench.due).pop().expect("asked");
    assert_eq!(
        (ask.parent.as_str(), ask.subject.as_str()),
        ("sites/porto", K2)
    );
    assert!(ask.all);
    bench.said("due --everywhere");
    assert_eq!(asked(&bench.due).pop().expect("asked").parent, "sites/-");
}

#[test]
fn nothing_due_is_said_with_what_comes_next() {
    let outcome = bench(vec![purge()]).said("due");
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome
            .out
            .starts_with("Nothing is due at porto.\nNext comes K2: purge firing, due Fri 18 Dec"),
        "{}",
        outcome.out
    );
    let outcome = bench(Vec::new()).said("due");
    assert!(
        unwrapped(&outcome.err).contains("`ringtrue rule show`"),
        "{}",
        outcome.err
    );
    let json = bench(vec![calibration()]).said("due --json").out;
    let value: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(value["tasks"][0]["state"], "DUE_STATE_OVERDUE");
}

#[test]
fn whether_a_furnace_may_be_used_is_said_in_words_and_by_the_exit_code() {
    for (state, code, words) in [
        (UseState::Fit, exit::DONE, "k2: FIT FOR USE"),
        (UseState::Restricted, exit::RESTRICTED, "k2: RESTRICTED"),
        (UseState::Unfit, exit::UNFIT, "k2: NOT FOR PATIENTS' WORK"),
        (UseState::Unspecified, exit::OTHER, "k2: -"),
    ] {
        let bench = Bench::default();
        *bench.fitness.lock().expect("not poisoned") = state;
        let outcome = bench.said("use k2 --programme standard");
        assert_eq!(outcome.code, code, "{}", outcome.err);
        assert!(outcome.out.starts_with(words), "{}", outcome.out);
        assert!(
            outcome.out.contains("1481 °C on the controller"),
            "{}",
            outcome.out
        );
        assert!(outcome.out.contains("OVERDUE by 3 days"), "{}", outcome.out);
        let ask = asked(&bench.checks).remove(0);
        assert_eq!(ask.programme, format!("{K2}/programmes/standard"));
        let json = bench.said("use k2 --json");
        assert_eq!(json.code, code);
        let value: serde_json::Value = serde_json::from_str(&json.out).expect("JSON");
        assert_eq!(value["furnace"], K2);
        if state != UseState::Unspecified {
            assert_eq!(json.err, "", "an answer is no failure");
        }
    }
}

#[test]
fn a_purge_firing_is_recorded_only_with_the_chamber_empty() {
    let bench = bench(vec![purge()]);
    let lacking = bench.said("care done purge-firing k2");
    assert_eq!(lacking.code, exit::USAGE);
    assert!(lacking.err.contains("--chamber-empty"), "{}", lacking.err);
    let mut person = Always(false, Vec::new());
    let refused = bench.said_at("care done purge-firing k2", 100, Some(&mut person));
    assert_eq!(refused.code, exit::REFUSED);
    assert!(
        refused.err.contains("Nothing was recorded"),
        "{}",
        refused.err
    );
    assert!(person.1[0].contains("chamber empty"), "{:?}", person.1);
    assert!(asked(&bench.acts).is_empty());

    let mut person = Always(true, Vec::new());
    let done = bench.said_at("care done purge-firing k2", 100, Some(&mut person));
    assert_eq!(done.code, exit::DONE, "{}", done.err);
    let cautioned = done
        .err
        .find("Fire it with the chamber empty")
        .expect("a caution");
    let recorded = done.err.find("Recorded.").expect("recorded");
    assert!(cautioned < recorded, "{}", done.err);
    assert!(
        done.err.contains("due Fri 18 Dec (in 25 days)"),
        "{}",
        done.err
    );
    let act = asked(&bench.acts)[0].act.clone().expect("an act");
    assert!(act.chamber_was_empty);
    assert_eq!(act.kind(), CareActKind::Done);
    assert_eq!(
        (act.subject.as_str(), act.performed_by.as_str()),
        (K2, "AB")
    );

    bench.said("care done purge-firing k2 --chamber-empty");
    bench.said("care done bead-replacement k2");
    let acts = asked(&bench.acts);
    assert_eq!(acts.len(), 3);
    assert!(!acts[2].act.clone().expect("an act").chamber_was_empty);
}

#[test]
fn what_was_counted_put_off_or_left_out_is_sent_with_its_days() {
    let bench = Bench::default();
    for (line, last) in [
        (
            "care defer bead-replacement k2 --until friday --why",
            "beads are ordered",
        ),
        ("care skip tray-replacement k2 --why", "the tray is new"),
        (
            "care use k2 --from friday --until yesterday --firings 9 --hours",
            "31,5",
        ),
        ("care rings x7 --left", "12"),
        ("care ring-fired k2 --at", "friday 18:00"),
    ] {
        let outcome = bench.said_with(line, last);
        assert_eq!(outcome.code, exit::DONE, "{line}: {}", outcome.err);
        assert!(
            outcome.err.contains("Recorded. Next comes"),
            "{}",
            outcome.err
        );
    }
    let mut acts = Vec::new();
    for ask in asked(&bench.acts) {
        assert_eq!(ask.parent, "sites/porto");
        acts.extend(ask.act);
    }
    assert_eq!(acts[0].deferred_until_date, Some(date(2026, 11, 27)));
    assert_eq!(acts[0].reason, "beads are ordered");
    assert_eq!(acts[1].kind(), CareActKind::Skipped);
    assert_eq!(acts[2].from_date, Some(date(2026, 11, 20)));
    assert_eq!(acts[2].until_date, Some(date(2026, 11, 22)));
    assert_eq!(acts[2].task(), TaskKind::Unspecified);
    assert!((acts[2].hours_hot - 31.5).abs() < 1e-9);
    assert_eq!(
        (acts[3].subject.as_str(), acts[3].rings_left),
        ("ringBatches/x7", 12)
    );
    assert_eq!(acts[4].act_time, Some(at("2026-11-20T18:00:00Z")));
    assert_eq!(acts[4].task(), TaskKind::Calibration);
    let listed = bench.said("care list").out;
    for piece in [
        "bead replacement: deferred",
        "Fri 20 Nov to Sun 22 Nov: 9 firings",
        "12 left",
    ] {
        assert!(listed.contains(piece), "{piece} in\n{listed}");
    }
    let nothing = bench.said("care use k2 --from today");
    assert_eq!(nothing.code, exit::USAGE);
}

#[test]
fn a_rule_is_set_from_words_and_the_rest_of_it_stays() {
    let bench = Bench::default();
    let line = "rule set calibration --on-day 31 --grace 2";
    let outcome = bench.said(line);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let rule = asked(&bench.rules)[0].rule.clone().expect("a rule");
    assert_eq!(rule.name, "sites/porto/scheduleRules/calibration");
    assert_eq!(
        rule.recurrence,
        "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1"
    );
    assert_eq!(rule.start_date, Some(date(2026, 11, 23)));
    assert_eq!(rule.grace_days, Some(2));
    assert!(rule.verify && rule.busy_interval_days == 14);
    assert_eq!(
        (
            rule.etag.as_str(),
            rule.set_at.as_str(),
            rule.words.as_str()
        ),
        ("", "", "")
    );

    let repeat = "--request-id 0198f3a0-0000-7000-8000-000000000001";
    for _ in 0..2 {
        bench.said(&format!(
            "rule set calibration --furnace k2 --every 3w --since-last {repeat}"
        ));
    }
    let rules = asked(&bench.rules);
    assert_eq!(rules[1], rules[2], "a repeat is the same request");
    let rule = rules[1].rule.clone().expect("a rule");
    assert_eq!(rule.name, format!("{K2}/scheduleRules/calibration"));
    assert_eq!(rule.plan(), PlanKind::SinceLast);

    let nothing = bench.said("rule set calibration");
    assert_eq!(nothing.code, exit::USAGE, "{}", nothing.err);
    let shown = bench.said("rule show calibration --network").out;
    assert!(shown.contains("set for the network"), "{shown}");
    assert!(shown.contains("common practice, no source"), "{shown}");
    let removed = bench.said("rule remove calibration --furnace k2");
    assert!(removed.err.contains("Removed."), "{}", removed.err);
    assert!(
        bench
            .said("rule show")
            .out
            .contains("every 2 weeks on Friday")
    );
}

#[test]
fn alerts_are_listed_acknowledged_and_snoozed() {
    let bench = Bench::default();
    let listed = bench.said("alert list");
    assert!(
        listed.out.contains("overdue  K2     open"),
        "{}",
        listed.out
    );
    let shown = bench.said("alert show a1").out;
    assert!(
        shown.contains("Do next             Fire a ring today."),
        "{shown}"
    );
    let acknowledged = bench.said_with("alert ack a1 --note", "a ring is in");
    assert!(
        acknowledged.out.contains("a ring is in"),
        "{}",
        acknowledged.out
    );
    assert!(
        acknowledged.err.contains("until its cause is mended"),
        "{}",
        acknowledged.err
    );
    bench.said_with("alert snooze a1 --for 4h --why", "it is hot");
    bench.said_with("alert snooze a1 --why later --until", "17:00");
    let snoozes = asked(&bench.snoozes);
    assert_eq!(snoozes[0].until_time, Some(at("2026-11-23T12:12:00Z")));
    assert_eq!(snoozes[0].note, "it is hot");
    assert_eq!(snoozes[1].until_time, Some(at("2026-11-23T17:00:00Z")));
    let lacking = bench.said("alert snooze a1 --why later");
    assert_eq!(lacking.code, exit::USAGE);
}

#[test]
fn the_secret_address_of_a_calendar_is_alone_on_stdout_and_warned_about() {
    let bench = Bench::default();
    let made = bench.said_with("calendar add --name", "screen at the bench");
    assert_eq!(made.out, "http://ringtrue.example:8080/calendar/5f2c.ics\n");
    assert!(made.err.contains("like a password"), "{}", made.err);
    assert!(
        made.err.contains("ringtrue calendar remove f1"),
        "{}",
        made.err
    );
    let again = bench.said("calendar add --name again");
    assert_eq!(again.out, "");
    assert!(again.err.contains("kept nowhere"), "{}", again.err);
    let listed = bench.said("calendar list").out;
    assert!(
        !listed.contains("5f2c") && listed.contains("screen at the bench"),
        "{listed}"
    );
    assert_eq!(bench.said("calendar remove f1").code, exit::DONE);
}

#[test]
fn mail_is_added_listed_and_ended_at_a_site_and_for_the_network() {
    let bench = Bench::default();
    let added = bench.said("mail add bench@porto.example --level manager --mode digest");
    assert!(added.out.contains("each working morning"), "{}", added.out);
    let listed = bench.said("mail list").out;
    assert!(
        unwrapped(&listed).contains("550 no such mailbox. Check the"),
        "{listed}"
    );
    for name in ["m1", "porto/m1", "mailSubscriptions/m2"] {
        let outcome = bench.said(&format!("mail remove {name}"));
        assert_eq!(outcome.code, exit::DONE, "{name}: {}", outcome.err);
    }
    let work = bench.said("work").out;
    assert!(work.contains("alerts") && work.contains("812"), "{work}");
}

#[test]
fn a_closure_is_added_to_those_that_are_there() {
    let bench = Bench::default();
    let outcome = bench.said_with(
        "site change porto --firing-time 14:30 --quiet off --closure",
        "2026-12-24..2027-01-02=holidays",
    );
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let ask = asked(&bench.sites).remove(0);
    let site = ask.site.expect("a site");
    assert_eq!(site.closures.len(), 2);
    assert_eq!(site.closures[1].until_date, Some(date(2027, 1, 2)));
    assert_eq!(
        ask.update_mask.expect("a mask").paths,
        [
            "closures",
            "firing_time",
            "quiet_from_time",
            "quiet_until_time"
        ]
    );
    let shown = bench.said("site show porto").out;
    for piece in [
        "Tue 8 Dec (public holiday)",
        "19:00 to 07:00",
        "Manager told             of alerts 1 day late",
        "35 days without a record",
    ] {
        assert!(shown.contains(piece), "{piece} in\n{shown}");
    }
}

fn watched(turns: Vec<bench::Turn>) -> Bench {
    let bench = Bench::default();
    bench.turns.lock().expect("not poisoned").extend(turns);
    bench
}

#[test]
fn a_watch_shows_changes_as_they_come_and_ends_when_it_may_not_see_them() {
    let bench = watched(vec![
        (
            vec![change("c1", AlertChangeKind::Raised)],
            Status::unavailable("draining"),
        ),
        (
            vec![
                change("c1", AlertChangeKind::Raised),
                change("c2", AlertChangeKind::Closed),
            ],
            Status::permission_denied("This site is not yours."),
        ),
    ]);
    let outcome = bench.said("watch --level manager --after c0");
    assert_eq!(outcome.code, exit::NOT_ALLOWED, "{}", outcome.err);
    let raised = "Mon 2026-11-23 08:00 WET  K2: calibration due, OVERDUE (raised)\n  \
                  The calibration of K2 was due on Friday 20 November.\n  Next: Fire a ring today.";
    assert!(outcome.out.starts_with(raised), "{}", outcome.out);
    assert_eq!(
        outcome.out.matches("(raised)").count(),
        1,
        "{}",
        outcome.out
    );
    assert_eq!(
        outcome.out.matches("(closed)").count(),
        1,
        "{}",
        outcome.out
    );
    for piece in [
        "Connection lost at 08:12 UTC (draining)",
        "Connected again",
        "not yours",
    ] {
        assert!(outcome.err.contains(piece), "{piece} in\n{}", outcome.err);
    }
    let watches = asked(&bench.watches);
    assert_eq!(
        (watches[0].after.as_str(), watches[1].after.as_str()),
        ("c0", "c1")
    );
    assert_eq!(watches[0].level(), AlertLevel::Manager);
}

#[test]
fn a_watch_whose_credential_is_not_taken_any_more_ends_with_7_and_the_way_on() {
    for (status, words) in [
        (
            Status::unauthenticated("this caller is not known"),
            "has no credential for http://127.0.0.1",
        ),
        (
            Status::permission_denied("this caller may not do this here"),
            "`ringtrue whoami` tells what you may do",
        ),
    ] {
        let bench = watched(vec![(
            vec![change("c1", AlertChangeKind::Raised)],
            status.clone(),
        )]);
        let outcome = bench.said("watch");
        assert_eq!(outcome.code, exit::NOT_ALLOWED, "{}", outcome.err);
        assert_eq!(asked(&bench.watches).len(), 1, "it was not tried again");
        assert!(outcome.err.contains(words), "{}", outcome.err);
    }
}

#[test]
fn a_program_is_given_one_object_a_line() {
    let bench = watched(vec![(
        vec![
            change("c1", AlertChangeKind::Raised),
            change("c2", AlertChangeKind::Closed),
        ],
        Status::not_found("no such site"),
    )]);
    let outcome = bench.said("watch --json");
    assert_eq!(outcome.code, exit::NOT_FOUND);
    let mut cursors = Vec::new();
    for line in outcome.out.lines() {
        let value: serde_json::Value = serde_json::from_str(line).expect("JSON");
        assert_eq!(value["change"]["alert"]["name"], alert().name);
        cursors.push(value["cursor"].as_str().expect("a cursor").to_owned());
    }
    assert_eq!(cursors, ["c1", "c2"]);
    let last: serde_json::Value = serde_json::from_str(&outcome.err).expect("JSON");
    assert_eq!(last["error"]["exitCode"], 5);
}

#[test]
fn a_command_runs_for_each_change_in_order_and_its_failure_stops_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let (log, state) = (folder.path().join("log"), folder.path().join("state"));
    let bench = watched(vec![
        (
            vec![
                change("c1", AlertChangeKind::Raised),
                change("c2", AlertChangeKind::Escalated),
                change("c3", AlertChangeKind::Closed),
            ],
            Status::not_found("no such site"),
        ),
        (Vec::new(), Status::not_found("no such site")),
    ]);
    let server = bench.serve();
    let command = format!(
        "echo $RINGTRUE_ALERT_CURSOR $RINGTRUE_ALERT_CHANGE >> {}; test $RINGTRUE_ALERT_CHANGE != escalated",
        log.display()
    );
    let state_text = state.display().to_string();
    let line = ["watch", "--state", &state_text, "--exec", &command];
    let outcome = in_process::run(server, 100, &line, None);
    assert_eq!(outcome.code, exit::NOT_FOUND, "{}", outcome.err);
    let ran = std::fs::read_to_string(&log).expect("the command ran");
    assert_eq!(ran, "c1 raised\nc2 escalated\nc3 closed\n");
    assert!(
        outcome
            .err
            .contains("The command for alerts/a1 ended with code 1. The watch goes on."),
        "{}",
        outcome.err
    );
    let kept = std::fs::read_to_string(&state).expect("a place is kept");
    let kept: serde_json::Value = serde_json::from_str(&kept).expect("JSON");
    assert_eq!(kept["cursor"], "c3");
    // Started again, it goes on behind the last change.
    in_process::run(server, 100, &line, None);
    let watches = asked(&bench.watches);
    assert_eq!(
        (watches[0].after.as_str(), watches[1].after.as_str()),
        ("", "c3")
    );
    let other = in_process::run(
        server,
        100,
        &["watch", "--everywhere", "--state", &state_text],
        None,
    );
    assert_eq!(other.code, exit::REFUSED, "{}", other.err);
}

#[test]
fn more_changes_than_can_wait_all_reach_their_command() {
    let folder = tempfile::tempdir().expect("a folder");
    let log = folder.path().join("log");
    let mut changes = Vec::new();
    let mut expected = Vec::new();
    for place in 0..150 {
        changes.push(change(&format!("c{place}"), AlertChangeKind::Updated));
        expected.push(format!("c{place}"));
    }
    let bench = watched(vec![(changes, Status::not_found("no such site"))]);
    let command = format!("echo $RINGTRUE_ALERT_CURSOR >> {}", log.display());
    let outcome = bench.said_with("watch --exec", &command);
    assert_eq!(outcome.code, exit::NOT_FOUND, "{}", outcome.err);
    let ran = std::fs::read_to_string(&log).expect("the command ran");
    assert_eq!(ran.lines().collect::<Vec<_>>(), expected);
}

#[test]
fn narrow_terminals_are_not_overrun() {
    for columns in [60, 44] {
        for line in [
            "due --all",
            "use k2 --programme standard",
            "alert list",
            "alert show a1",
            "rule show",
            "rule show calibration",
            "mail list",
            "calendar list",
            "work",
            "site show porto",
            "watch",
        ] {
            let bench = bench(vec![calibration(), purge()]);
            let end = Status::not_found("no such site");
            let turn = (vec![change("c1", AlertChangeKind::Raised)], end);
            bench.turns.lock().expect("not poisoned").push_back(turn);
            let outcome = bench.said_at(line, columns, None);
            assert_ne!(outcome.out, "", "{line}: {}", outcome.err);
            fits(&outcome.out, usize::from(columns));
        }
    }
}
