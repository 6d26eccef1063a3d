//! A technician's week, through the door of the program: arguments and answers in, words and exit
//! code out.

mod desk;
mod dialogue;
mod in_process;
mod signing;
mod thinking;

use std::collections::VecDeque;

use desk::{Desk, K2};
use in_process::{Outcome, run};
use ringtrue::{Conversation, Left, exit};
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::{Reading, RecordReadingRequest};
use tonic::Status;

/// One question as a person sees it.
#[derive(Debug)]
struct Asked {
    question: String,
    help: String,
    preset: Option<String>,
}

/// A person whose answers are known beforehand.
#[derive(Default)]
struct Script {
    answers: VecDeque<String>,
    asked: Vec<Asked>,
}

impl Script {
    fn of(answers: &[&str]) -> Self {
        Script {
            answers: answers.iter().map(|answer| (*answer).to_owned()).collect(),
            asked: Vec::new(),
        }
    }

    fn next(&mut self, question: &str, help: &str, preset: Option<&str>) -> Result<String, Left> {
        self.asked.push(Asked {
            question: question.to_owned(),
            help: help.to_owned(),
            preset: preset.map(str::to_owned),
        });
        self.answers.pop_front().ok_or(Left)
    }
}

impl Conversation for Script {
    fn text(&mut self, question: &str, help: &str, preset: Option<&str>) -> Result<String, Left> {
        let answer = self.next(question, help, preset)?;
        match preset {
            Some(preset) if answer.is_empty() => Ok(preset.to_owned()),
            _ => Ok(answer),
        }
    }

    fn secret(&mut self, question: &str, help: &str) -> Result<String, Left> {
        self.next(question, help, None)
    }

    fn choice(&mut self, question: &str, options: &[String]) -> Result<usize, Left> {
        let answer = self.next(question, "", None)?;
        options
            .iter()
            .position(|option| option.contains(&answer))
            .ok_or(Left)
    }

    fn agreement(&mut self, question: &str) -> Result<bool, Left> {
        Ok(self.next(question, "", None)? == "y")
    }
}

/// Runs a command line, 100 columns wide.
fn ran(desk: &Desk, line: &[&str], script: Option<&mut Script>) -> Outcome {
    let person = script.map(|script| script as &mut dyn Conversation);
    run(desk.serve(), 100, line, person)
}

const COMPLETE: &[&str] = &[
    "reading",
    "add",
    "k2",
    "--batch",
    "x7",
    "--fired",
    "friday 18:00",
    "--diameters",
    "19,47",
    "19.46",
    "19,48",
];

fn asked(desk: &Desk) -> Vec<RecordReadingRequest> {
    desk.readings.lock().expect("not poisoned").clone()
}

fn diameters(reading: Option<&Reading>) -> Vec<String> {
    let mut texts = Vec::new();
    if let Some(Method::Rings(measured)) = reading.and_then(|reading| reading.method.as_ref()) {
        for ring in &measured.rings {
            for diameter in &ring.diameters_mm {
                texts.push(format!("{diameter:.2}"));
            }
        }
    }
    texts
}

#[test]
fn a_complete_command_line_is_recorded_in_one_call_and_told_what_to_do() {
    let desk = Desk::default();
    let outcome = ran(&desk, COMPLETE, None);

    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.starts_with("ENTER 1481 °C"), "{}", outcome.out);
    assert!(
        outcome.out.contains("ringtrue adjustment confirm k2"),
        "{}",
        outcome.out
    );
    assert!(
        outcome.err.contains("Programme standard, the only one."),
        "{}",
        outcome.err
    );
    assert!(
        outcome
            .err
            .contains("Gauge caliper-1, the only one in use."),
        "{}",
        outcome.err
    );
    let asks = asked(&desk);
    assert_eq!(asks.len(), 1);
    assert_eq!(asks[0].parent, K2);
    assert!(!asks[0].validate_only);
    let reading = asks[0].reading.as_ref().expect("a reading");
    assert_eq!(diameters(Some(reading)), ["19.47", "19.46", "19.48"]);
    assert_eq!(reading.performed_by, "AB");
    // Friday 20 November 2026, 18:00 in Lisbon (UTC in winter).
    assert_eq!(
        reading.fire_time.as_ref().map(|at| at.seconds),
        Some(1_795_197_600)
    );
    assert_eq!(
        reading.measure_time.as_ref().map(|at| at.seconds),
        Some(1_795_421_520)
    );
}

#[test]
fn a_repeat_with_the_shown_request_id_says_exactly_the_same() {
    let desk = Desk::default();
    desk.refusals
        .lock()
        .expect("not poisoned")
        .push_back(Status::deadline_exceeded("too slow"));
    let lost = ran(&desk, COMPLETE, None);
    assert_eq!(lost.code, exit::UNREACHABLE, "{}", lost.err);
    let first = asked(&desk).remove(0);
    assert!(
        lost.err
            .contains(&format!("--request-id {}", first.request_id)),
        "{}",
        lost.err
    );

    let mut again = COMPLETE.to_vec();
    again.extend(["--request-id", &first.request_id]);
    let outcome = ran(&desk, &again, None);

    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(asked(&desk)[1], first);
}

#[test]
fn what_is_missing_is_named_by_its_flag_when_nobody_can_be_asked() {
    let desk = Desk::default();
    for (line, flag) in [
        (vec!["reading", "add"], "FURNACE"),
        (vec!["reading", "add", "k2"], "--fired"),
        (
            vec!["reading", "add", "k2", "--fired", "now"],
            "--diameters",
        ),
        (
            vec![
                "reading",
                "add",
                "k2",
                "--fired",
                "now",
                "--diameters",
                "19.47",
            ],
            "--batch",
        ),
        (vec!["adjustment", "confirm", "k2"], "--setpoint"),
    ] {
        let outcome = ran(&desk, &line, None);
        assert_eq!(outcome.code, exit::USAGE, "{line:?}");
        assert!(outcome.err.contains(flag), "{line:?}: {}", outcome.err);
        assert_eq!(outcome.out, "");
    }
    assert!(asked(&desk).is_empty());
}

#[test]
fn a_doubtful_value_is_not_recorded_until_it_is_confirmed() {
    let desk = Desk::default();
    let mut line = COMPLETE[..8].to_vec();
    line.extend(["19.74", "19.46"]);
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::QUESTIONS, "{}", outcome.err);
    assert!(
        outcome
            .err
            .contains("ring 1, diameter 1: Did you read 19.47 mm?"),
        "{}",
        outcome.err
    );
    assert!(
        outcome.err.contains("--confirm DIGITS_SWAPPED"),
        "{}",
        outcome.err
    );
    assert_eq!(outcome.out, "");

    line.extend(["--confirm", "DIGITS_SWAPPED"]);
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
}

#[test]
fn a_preview_changes_nothing_and_says_so() {
    let desk = Desk::default();
    let mut line = COMPLETE.to_vec();
    line[1] = "preview";
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.starts_with("PREVIEW ONLY."), "{}", outcome.out);
    assert!(
        outcome.err.contains("Nothing was recorded."),
        "{}",
        outcome.err
    );
    assert!(asked(&desk).iter().all(|ask| ask.validate_only));
}

#[test]
fn a_question_at_a_terminal_is_settled_by_typing_the_value_again() {
    let desk = Desk::default();
    let mut line = COMPLETE[..8].to_vec();
    line.extend(["19.74", "19.46"]);
    let mut script = Script::of(&["Type it again", "19,47", "y"]);
    let outcome = ran(&desk, &line, Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome.err.contains("Did you read 19.47 mm?"),
        "{}",
        outcome.err
    );
    let asks = asked(&desk);
    let recorded = asks.last().expect("recorded");
    assert_eq!(diameters(recorded.reading.as_ref()), ["19.47", "19.46"]);
    assert!(
        recorded
            .reading
            .as_ref()
            .expect("a reading")
            .answered_questions
            .is_empty()
    );
}

#[test]
fn a_question_at_a_terminal_is_confirmed_as_typed() {
    let desk = Desk::default();
    let mut line = COMPLETE[..8].to_vec();
    line.extend(["19.74", "19.46"]);
    let mut script = Script::of(&["right as typed", "y"]);
    let outcome = ran(&desk, &line, Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let asks = asked(&desk);
    let recorded = asks
        .last()
        .expect("recorded")
        .reading
        .clone()
        .expect("a reading");
    assert_eq!(recorded.answered_questions, ["DIGITS_SWAPPED"]);
}

#[test]
fn whoever_says_no_records_nothing() {
    let desk = Desk::default();
    let mut line = COMPLETE[..8].to_vec();
    line.extend(["19.74", "19.46"]);
    let mut script = Script::of(&["right as typed", "n"]);
    let outcome = ran(&desk, &line, Some(&mut script));
    assert_eq!(outcome.code, exit::OTHER);
    assert!(
        outcome.err.contains("Nothing was changed."),
        "{}",
        outcome.err
    );
    assert!(asked(&desk).iter().all(|ask| ask.validate_only));
}

#[test]
fn a_thermocouple_takes_the_place_of_rings() {
    let desk = Desk::default();
    let line = [
        "reading",
        "add",
        "k2",
        "--fired",
        "yesterday 18:00",
        "--thermocouple-type",
        "B",
        "--emf-mv",
        "10,099",
        "--correction",
        "-0,5",
        "--uncertainty",
        "2",
    ];
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let asks = asked(&desk);
    let reading = asks[0].reading.clone().expect("a reading");
    assert_eq!(reading.measure_time, reading.fire_time);
    let Some(Method::Thermocouple(measured)) = reading.method else {
        panic!("a thermocouple was given");
    };
    assert_eq!(format!("{}", measured.correction_c), "-0.5");

    let without_type = [
        "reading", "add", "k2", "--fired", "now", "--emf-mv", "10,099",
    ];
    let outcome = ran(&desk, &without_type, None);
    assert_eq!(outcome.code, exit::USAGE);
    assert!(
        outcome.err.contains("--thermocouple-type"),
        "{}",
        outcome.err
    );
}

#[test]
fn json_is_all_there_is_on_stdout() {
    let desk = Desk::default();
    let mut line = COMPLETE.to_vec();
    line.push("--json");
    let outcome = ran(&desk, &line, None);
    let value: serde_json::Value = serde_json::from_str(&outcome.out).expect("one JSON document");
    assert_eq!(value["name"], format!("{K2}/readings/r1"));
    assert_eq!(value["evaluation"]["advice"], "ADVICE_ADJUST");
    assert_eq!(
        value["evaluation"]["advisedSetpointC"],
        serde_json::json!(1481.0)
    );

    let outcome = ran(&desk, &["furnace", "list", "--json"], None);
    let value: serde_json::Value = serde_json::from_str(&outcome.out).expect("one JSON document");
    assert_eq!(value["furnaces"].as_array().map(Vec::len), Some(3));
}

#[test]
fn pages_are_followed_up_to_the_limit() {
    let desk = Desk::default();
    let outcome = ran(&desk, &["furnace", "list"], None);
    for id in ["k1", "k2", "k3"] {
        assert!(outcome.out.contains(id), "{}", outcome.out);
    }
    let outcome = ran(&desk, &["furnace", "list", "--limit", "2"], None);
    assert!(!outcome.out.contains("k3"), "{}", outcome.out);
    assert!(
        outcome.err.contains("There are more furnaces"),
        "{}",
        outcome.err
    );
}

#[test]
fn a_furnace_is_shown_with_offset_programmes_and_latest_readings() {
    let desk = Desk::default();
    let outcome = ran(&desk, &["furnace", "show", "k2"], None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for piece in [
        "1600 °C",
        "+18.6 ± 6.2 °C at 1500 °C",
        "standard",
        "enter 1481 °C",
    ] {
        assert!(outcome.out.contains(piece), "{piece} in\n{}", outcome.out);
    }
}

#[test]
fn a_reading_is_shown_with_its_budget() {
    let desk = Desk::default();
    let outcome = ran(
        &desk,
        &["reading", "show", "--furnace", "k2", "--budget"],
        None,
    );
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    for piece in ["Uncertainty budget", "Bias of the gauge", "86 %", "±7.1 °C"] {
        assert!(outcome.out.contains(piece), "{piece} in\n{}", outcome.out);
    }
}

#[test]
fn an_adjustment_is_read_back_from_the_panel() {
    let desk = Desk::default();
    let line = [
        "adjustment",
        "confirm",
        "k2",
        "--programme",
        "standard",
        "--setpoint",
        "1481",
        "--reading",
        "r1",
    ];
    let mut script = Script::of(&["1841", "corrected the panel", "1481"]);
    let outcome = ran(&desk, &line, Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome
            .err
            .contains("The panel shows 1841 °C, not 1481 °C."),
        "{}",
        outcome.err
    );
    assert!(
        outcome.out.contains("As found    1500 °C"),
        "{}",
        outcome.out
    );
    assert!(
        outcome.out.contains("As left     1481 °C"),
        "{}",
        outcome.out
    );
    let asks = desk.adjustments.lock().expect("not poisoned").clone();
    let adjustment = asks[0].adjustment.clone().expect("an adjustment");
    assert_eq!(adjustment.reading, format!("{K2}/readings/r1"));
    assert_eq!(adjustment.programme, format!("{K2}/programmes/standard"));
    assert_eq!(format!("{}", adjustment.setpoint_c), "1481");
}

#[test]
fn faults_of_a_table_file_are_shown_with_file_and_row() {
    let desk = Desk::default();
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x7.csv");
    std::fs::write(&path, "mm;C\n19,47;1519\n19,47;1520\n").expect("written");
    let path = path.to_string_lossy().into_owned();
    let line = ["batch", "import", &path, "--hold", "120", "--code", "X7"];
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::REFUSED);
    let expected = format!("{path}:3: the same diameter stands twice.");
    assert!(outcome.err.contains(&expected), "{}", outcome.err);
}

#[test]
fn a_server_that_is_not_there_is_named() {
    let desk = Desk::default();
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port on loopback");
    let address = format!("http://{}", listener.local_addr().expect("a bound address"));
    drop(listener);
    let line = ["site", "list", "--endpoint", &address, "--deadline", "0,3"];
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::UNREACHABLE);
    assert!(outcome.err.contains(&address), "{}", outcome.err);
    let mut line = line.to_vec();
    line.push("--json");
    let outcome = ran(&desk, &line, None);
    let value: serde_json::Value = serde_json::from_str(&outcome.err).expect("one JSON document");
    assert_eq!(value["error"]["code"], "UNAVAILABLE");
    assert_eq!(value["error"]["exitCode"], 8);
}

#[test]
fn a_negative_number_is_taken_as_a_number_wherever_one_is_wanted() {
    let desk = Desk::default();
    let mut line = COMPLETE[..7].to_vec();
    line.extend(["--diameters", "19.47", "-3", "-3,5", "--zero", "-0,01"]);
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let sent = asked(&desk).remove(0).reading;
    assert_eq!(diameters(sent.as_ref()), ["19.47", "-3.00", "-3.50"]);

    // Whether the value makes sense is the server's to say, not the parser's.
    for flag in ["--setpoint", "--ring-temperature"] {
        let mut line = COMPLETE.to_vec();
        line.extend([flag, "-1,5"]);
        let outcome = ran(&desk, &line, None);
        assert_eq!(outcome.code, exit::DONE, "{flag}: {}", outcome.err);
    }
    for line in [
        "furnace change k2 --tolerance -3",
        "furnace change k2 --maximum -3,5",
        "furnace change k2 --step -1",
    ] {
        let words: Vec<&str> = line.split(' ').collect();
        let outcome = ran(&desk, &words, None);
        assert_eq!(outcome.code, exit::DONE, "{line}: {}", outcome.err);
    }
}

#[test]
fn a_flag_behind_the_diameters_is_no_diameter() {
    let desk = Desk::default();
    let mut line = COMPLETE.to_vec();
    line.extend(["--position", "left"]);
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    let sent = asked(&desk).remove(0).reading;
    assert_eq!(diameters(sent.as_ref()), ["19.47", "19.46", "19.48"]);
}

#[test]
fn a_version_is_understood_with_and_without_its_quotes() {
    let desk = Desk::default();
    for version in ["7", "\"7\"", " \"7\" "] {
        let line = ["furnace", "change", "k2", "--step", "5", "--etag", version];
        let outcome = ran(&desk, &line, None);
        assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    }
    assert_eq!(
        *desk.etags.lock().expect("not poisoned"),
        ["\"7\"", "\"7\"", "\"7\""]
    );
    let nothing = ["furnace", "change", "k2", "--step", "5", "--etag", "\"\""];
    let outcome = ran(&desk, &nothing, None);
    assert_eq!(outcome.code, exit::USAGE, "{}", outcome.err);
}

#[test]
fn a_narrow_terminal_shows_a_block_for_each_furnace_and_reading() {
    let desk = Desk::default();
    let outcome = run(desk.serve(), 44, &["furnace", "show", "k2"], None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(
        outcome.out.contains("\nadvice: enter 1481 °C\n"),
        "{}",
        outcome.out
    );
    for line in outcome.out.lines() {
        assert!(line.chars().count() <= 44, "{line}");
    }
    let outcome = run(desk.serve(), 44, COMPLETE, None);
    for line in outcome.out.lines() {
        // A command to copy is never broken.
        let to_copy = line.trim_start().starts_with("ringtrue ");
        assert!(to_copy || line.chars().count() <= 44, "{line}");
    }
}

#[test]
fn a_reading_of_another_hold_says_once_why_it_is_not_evaluated_and_what_to_fire() {
    let desk = Desk::default();
    let mut line = COMPLETE.to_vec();
    line.extend(["--programme", "quick"]);
    let outcome = ran(&desk, &line, None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert!(outcome.out.starts_with("NOT EVALUATED"), "{}", outcome.out);
    for once in [
        "The table reads   1519.0 °C, but for a hold of 120 min",
        "Fire a programme with a hold of 120 min at the peak.",
        "Differences between positions",
    ] {
        assert_eq!(
            outcome.out.matches(once).count(),
            1,
            "{once} in\n{}",
            outcome.out
        );
    }
    for never in ["±", "What would help most"] {
        assert!(!outcome.out.contains(never), "{never} in\n{}", outcome.out);
    }
}
