//! What a person at a terminal is asked, in which order, and what comes of the answers.

use ringtrue::exit;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::{Reading, Ring, RingMeasurement};

use crate::desk::Desk;
use crate::{Script, asked, diameters, ran};

/// Answers up to the first ring's place: furnace, end of firing, setpoint, batch, ring temperature,
/// zero.
const BEFORE_THE_RING: [&str; 6] = ["k2", "friday 18:00", "", "X7", "", ""];

fn talked(desk: &Desk, answers: &[&str]) -> (String, Script) {
    let mut script = Script::of(answers);
    let outcome = ran(desk, &["reading", "add"], Some(&mut script));
    assert_eq!(
        outcome.code,
        exit::DONE,
        "{}\n{:?}",
        outcome.err,
        script.asked
    );
    assert!(script.answers.is_empty(), "{:?}", script.answers);
    (outcome.err, script)
}

fn recorded(desk: &Desk) -> Reading {
    let asks = asked(desk);
    let last = asks.last().expect("recorded");
    assert!(!last.validate_only);
    last.reading.clone().expect("a reading")
}

fn rings(reading: &Reading) -> RingMeasurement {
    match &reading.method {
        Some(Method::Rings(measured)) => measured.clone(),
        other => panic!("rings were measured, not {other:?}"),
    }
}

fn places(rings: &[Ring]) -> Vec<&str> {
    rings.iter().map(|ring| ring.position.as_str()).collect()
}

#[test]
fn at_a_terminal_everything_is_asked_for_step_by_step() {
    let desk = Desk::default();
    let (said, _) = talked(
        &desk,
        &[
            "k2",
            "soon",        // not a moment
            "today 18:00", // ten hours ahead
            "friday 18:00",
            "148", // no setpoint
            "1500",
            "X7",
            "22,5",
            "7", // no gauge shows that when closed
            "0,00",
            "", // centre
            "19,47",
            "19,64", // 0.17 mm away: asked again
            "19,46",
            "1948", // no ring
            "19.48",
            "", // no more diameters
            "A12",
            "", // no more rings
            "y",
        ],
    );
    for words in [
        "`soon` is not understood",
        "Monday 23 November 2026 18:00 WET is still to come",
        "148 °C is not a setpoint; type 900 to 1800 °C, or nothing",
        "7 mm is not what a closed gauge shows",
        "19.47 mm taken. Mean of 1: 19.470 mm",
        "19.64 mm is 0.17 mm from the mean of the others",
        "19.46 mm taken. Mean of 2: 19.465 mm",
        "1948 mm is no ring",
        "To be recorded",
        "Friday 20 November 2026 18:00 WET",
        "centre #A12: 19.47  19.46  19.48 mm",
    ] {
        assert!(said.contains(words), "{words} in\n{said}");
    }
    let reading = recorded(&desk);
    assert_eq!(diameters(Some(&reading)), ["19.47", "19.46", "19.48"]);
    assert_eq!(
        reading.setpoint_c.map(|set| set.to_string()),
        Some("1500".to_owned())
    );
    let measured = rings(&reading);
    assert_eq!(
        measured.ring_temperature_c.map(|warm| warm.to_string()),
        Some("22.5".to_owned())
    );
    assert_eq!(
        measured.zero_mm.map(|zero| zero.to_string()),
        Some("0".to_owned())
    );
    assert_eq!(measured.rings[0].serial_number, "A12");
}

#[test]
fn the_setpoint_is_asked_after_the_firing_and_todays_is_not_offered() {
    let desk = Desk::default();
    let mut answers = BEFORE_THE_RING.to_vec();
    answers.extend(["", "19,47", "", "", "", "y"]);
    let (_, script) = talked(&desk, &answers);
    let place = |words: &str| {
        let found = script
            .asked
            .iter()
            .position(|asked| asked.question.contains(words));
        found.unwrap_or_else(|| panic!("{words} in {:?}", script.asked))
    };
    let setpoint = place("controller set to");
    assert!(place("When did the firing end?") < setpoint);
    assert_eq!(script.asked[setpoint].preset, None);
    assert!(
        script.asked[setpoint]
            .help
            .contains("the setpoint in force at that firing is taken"),
        "{:?}",
        script.asked[setpoint]
    );
    // Not given: the server takes the one in force when the firing ended.
    assert_eq!(recorded(&desk).setpoint_c, None);
}

#[test]
fn what_is_not_known_is_skipped_with_an_empty_line() {
    let desk = Desk::default();
    let mut answers = BEFORE_THE_RING.to_vec();
    answers.extend(["", "19,47", "", "", "", "y"]);
    talked(&desk, &answers);
    let measured = rings(&recorded(&desk));
    assert_eq!(measured.ring_temperature_c, None);
    assert_eq!(measured.zero_mm, None);
    assert_eq!(measured.rings[0].serial_number, "");
    assert_eq!(places(&measured.rings), ["centre"]);
}

#[test]
fn a_number_is_no_place_in_the_chamber() {
    let desk = Desk::default();
    let mut answers = BEFORE_THE_RING.to_vec();
    answers.extend([
        "19,47", // where it was?
        "left",
        "19,47",
        "",
        "19,47", // no number printed on a ring
        "",
        "19.46 19.47", // where the second one was?
        "right",
        "19,46",
        "",
        "",
        "",
        "y",
    ]);
    let (said, _) = talked(&desk, &answers);
    assert_eq!(
        said.matches("19,47 looks like a diameter").count(),
        2,
        "{said}"
    );
    assert!(said.contains("19.46 19.47 looks like a diameter"), "{said}");
    let measured = rings(&recorded(&desk));
    assert_eq!(places(&measured.rings), ["left", "right"]);
    assert_eq!(measured.rings[0].serial_number, "");
}

#[test]
fn a_further_ring_that_is_none_is_left_with_an_empty_line() {
    let desk = Desk::default();
    let mut answers = BEFORE_THE_RING.to_vec();
    answers.extend(["", "", "19,47", "", "", "left", "", "y"]);
    let (said, _) = talked(&desk, &answers);
    // The first ring is needed, the second is not.
    assert!(said.contains("At least one diameter is needed"), "{said}");
    assert!(said.contains("No left ring, then."), "{said}");
    assert_eq!(places(&rings(&recorded(&desk)).rings), ["centre"]);
}

#[test]
fn a_setpoint_is_asked_for_when_the_programme_was_named_too() {
    let desk = Desk::default();
    let mut script = Script::of(&[
        "friday 18:00",
        "1481",
        "X7",
        "",
        "",
        "",
        "19,47",
        "",
        "",
        "",
        "y",
    ]);
    let line = ["reading", "add", "k2", "--programme", "standard"];
    let outcome = ran(&desk, &line, Some(&mut script));
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(
        recorded(&desk).setpoint_c.map(|set| set.to_string()),
        Some("1481".to_owned())
    );
}
