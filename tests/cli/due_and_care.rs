//! What is due, what was done about it, and whether a furnace may be used, through the real programs.

use serde_json::Value;

use crate::workplace::{Outcome, Workplace};

fn parsed(outcome: Outcome) -> Value {
    serde_json::from_str(&outcome.done()).expect("one JSON value and nothing else")
}

/// The calibration of K2 among what is due or comes.
fn calibration(place: &Workplace) -> Value {
    let due = parsed(place.said("due --all --furnace k2 --json"));
    let tasks = due["tasks"].as_array().expect("tasks").clone();
    tasks
        .into_iter()
        .find(|task| task["task"] == "TASK_KIND_CALIBRATION")
        .expect("a furnace in use is calibrated")
}

#[test]
fn a_furnace_that_was_calibrated_long_ago_is_overdue_and_says_what_to_do() {
    let place = Workplace::furnished();
    let line = "reading add k2 --batch x7 --diameters 19.47 --fired 2026-01-09T18:00:00Z \
                --measured 2026-01-10T08:00:00Z";
    place.said(line).done();
    let shown = place.said("due").done();
    assert!(shown.contains("K2: calibration, OVERDUE by"), "{shown}");
    for label in ["Do next", "Steps", "Rule", "Last done", "Record it", "Mind"] {
        assert!(shown.contains(label), "{label} in\n{shown}");
    }
    assert_eq!(calibration(&place)["state"], "DUE_STATE_OVERDUE");
    let used = place.said("use k2 --programme standard");
    assert_eq!(used.code, Some(10), "{}\n{}", used.out, used.err);
    assert!(used.out.contains("NOT FOR PATIENTS' WORK"), "{}", used.out);
    assert!(used.out.contains("OVERDUE by"), "{}", used.out);
}

#[test]
fn the_exit_code_says_the_same_as_the_answer() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.465 19.475", "").done();
    place.said("adjustment confirm k2 --setpoint 1481").done();
    let asked = place.said("use k2 --programme standard --json");
    let answer: Value = serde_json::from_str(&asked.out).expect("JSON");
    let expected = match answer["state"].as_str().expect("a state") {
        "USE_STATE_FIT" => 0,
        "USE_STATE_RESTRICTED" => 9,
        "USE_STATE_UNFIT" => 10,
        other => panic!("{other} is no answer"),
    };
    assert_eq!(asked.code, Some(expected), "{}", asked.err);
    assert_eq!(answer["setpointC"], 1481.0, "{answer}");
    assert!(
        !answer["caution"].as_str().unwrap_or_default().is_empty(),
        "{answer}"
    );
    let unknown = place.said("use k9");
    assert_eq!(unknown.code, Some(5), "{}", unknown.err);
}

#[test]
fn a_reading_makes_the_calibration_current_and_names_the_next_day() {
    let place = Workplace::furnished();
    place.reading("add", "19.47 19.465 19.475", "").done();
    place.said("adjustment confirm k2 --setpoint 1481").done();
    let task = calibration(&place);
    let state = task["state"].as_str().expect("a state");
    assert!(
        ["DUE_STATE_CURRENT", "DUE_STATE_DUE_SOON"].contains(&state),
        "{task}"
    );
    assert!(task["dueDate"]["year"].is_number(), "{task}");
    assert_eq!(task["timeZone"], "Europe/Lisbon");
}

#[test]
fn the_nearest_rule_holds_and_removing_it_brings_the_outer_one_back() {
    let place = Workplace::furnished();
    let built_in = place.said("rule show calibration").done();
    assert!(built_in.contains("built in"), "{built_in}");
    place
        .said("rule set calibration --every 2w --on friday")
        .done();
    let furnace = place
        .said("rule set calibration --furnace k2 --on-day 31 --verify true")
        .done();
    assert!(furnace.contains("set for this furnace"), "{furnace}");
    assert!(furnace.contains("BYSETPOS=-1"), "{furnace}");
    let rule = parsed(place.said("rule show calibration --furnace k2 --json"));
    assert_eq!(rule["verify"], true);
    let removed = place.said("rule remove calibration --furnace k2").done();
    assert!(removed.contains("set for the site"), "{removed}");
    assert!(removed.contains("FREQ=WEEKLY;INTERVAL=2"), "{removed}");
    let due = place.said("due --all --furnace k2").done();
    assert!(due.contains("calibration"), "{due}");
}

#[test]
fn a_rule_that_would_leave_a_furnace_uncalibrated_for_too_long_is_refused() {
    let place = Workplace::furnished();
    for line in [
        "rule set calibration --every 3m --on first-friday",
        "rule set calibration --off",
        "rule set calibration --rrule FREQ=NEVER",
    ] {
        let refused = place.said(line);
        assert_eq!(refused.code, Some(3), "{line}: {}", refused.err);
    }
    let rule = place.said("rule show calibration").done();
    assert!(rule.contains("built in"), "{rule}");
}

#[test]
fn a_purge_firing_is_recorded_with_the_chamber_empty_and_comes_again() {
    let place = Workplace::furnished();
    place
        .said("rule set purge-firing --every 4w --since-last")
        .done();
    let lacking = place.said("care done purge-firing k2");
    assert_eq!(lacking.code, Some(2), "{}", lacking.err);
    let done = place.said("care done purge-firing k2 --chamber-empty");
    assert!(done.err.contains("Recorded."), "{}", done.err);
    assert!(done.done().contains("chamber empty"));
    let listed = place.said("care list").done();
    assert!(listed.contains("purge firing: done"), "{listed}");
    let due = place.said("due --all --furnace k2").done();
    assert!(due.contains("purge firing"), "{due}");
}

#[test]
fn a_care_task_is_put_off_or_left_out_with_a_reason_but_no_calibration() {
    let place = Workplace::furnished();
    place
        .said("rule set bead-replacement --every 4w --since-last")
        .done();
    let deferred = place.said_with(
        "care defer bead-replacement k2 --until tomorrow --why",
        &["beads are ordered"],
    );
    assert!(deferred.done().contains("beads are ordered"));
    let skipped = place.said_with("care skip bead-replacement k2 --why", &["beads are new"]);
    assert!(skipped.done().contains("skipped"));
    let calibration = place.said("care skip calibration k2 --why hurry");
    assert_eq!(calibration.code, Some(2), "{}", calibration.err);
}

#[test]
fn a_fired_ring_waits_to_be_measured_and_a_repeat_records_it_once() {
    let place = Workplace::furnished();
    let line = "care ring-fired k2 --at now --json --request-id \
                01890a5d-ac96-774b-bcce-b302099a8057";
    let line = line.replace("--at now", "--at 2026-11-20T18:00:00Z");
    let first = parsed(place.said(&line));
    let again = parsed(place.said(&line));
    assert_eq!(first["act"]["name"], again["act"]["name"]);
    let listed = parsed(place.said("care list --json"));
    assert_eq!(listed["acts"].as_array().map(Vec::len), Some(1), "{listed}");
    let steps = calibration(&place)["steps"].clone();
    let fired = steps
        .as_array()
        .expect("steps")
        .iter()
        .find(|step| step["kind"] == "STEP_KIND_FIRE")
        .expect("a step")
        .clone();
    assert_eq!(fired["state"], "STEP_STATE_DONE", "{steps}");
}

#[test]
fn use_and_rings_that_were_counted_are_kept() {
    let place = Workplace::furnished();
    place
        .said("care use k2 --from yesterday --until today --firings 4 --hours 12,5")
        .done();
    place.said("care rings x7 --left 12").done();
    let listed = place.said("care list").done();
    for piece in ["4 firings, 12.5 h hot", "12 left"] {
        assert!(listed.contains(piece), "{piece} in\n{listed}");
    }
    let too_many = place.said("care use k2 --from today --firings 1000");
    assert_eq!(too_many.code, Some(3), "{}", too_many.err);
    assert!(
        too_many.err.contains("firings (--firings)"),
        "{}",
        too_many.err
    );
}

#[test]
fn the_calendar_of_a_site_is_set_and_shown() {
    let place = Workplace::furnished();
    place
        .said("site change porto --closure 2099-12-24..2099-12-31=holidays --quiet 20:00-06:30")
        .done();
    place
        .said("site change porto --closure 2099-12-08 --manager-after 2")
        .done();
    let shown = place.said("site show porto").done();
    for piece in [
        "Thu 24 Dec 2099 to Thu 31 Dec 2099 (holidays)",
        "Tue 8 Dec 2099",
        "20:00 to 06:30",
        "of alerts 2 days late",
    ] {
        assert!(shown.contains(piece), "{piece} in\n{shown}");
    }
    let dropped = place.said("site change porto --drop-closure 2099-12-08");
    assert!(!dropped.done().contains("Tue 8 Dec 2099"));
}

#[test]
fn what_is_due_fits_narrow_terminals() {
    let place = Workplace::furnished();
    for columns in [60_usize, 44] {
        for line in [
            "due --all",
            "use k2",
            "rule show",
            "rule show calibration",
            "alert list",
        ] {
            let output = place
                .command(line)
                .env("COLUMNS", columns.to_string())
                .output();
            let shown = Outcome::from(output.expect("the program starts"));
            for row in shown.out.lines() {
                // A command to copy is never broken.
                let to_copy = row.contains("ringtrue ") || row.starts_with("sites/");
                assert!(to_copy || row.chars().count() <= columns, "{line}: {row}");
            }
        }
    }
}

#[test]
fn a_calendars_secret_address_is_shown_once() {
    let place = Workplace::furnished();
    let made = place.said("calendar add --name bench");
    assert!(made.err.contains("like a password"), "{}", made.err);
    let address = made.done();
    let calendar = std::path::Path::new(address.trim()).extension();
    assert_eq!(
        calendar.and_then(|ending| ending.to_str()),
        Some("ics"),
        "{address}"
    );
    let listed = parsed(place.said("calendar list --json"));
    assert_eq!(listed["feeds"][0]["displayName"], "bench");
    let secret = address
        .trim()
        .rsplit('/')
        .next()
        .expect("a path")
        .to_owned();
    assert!(!listed.to_string().contains(&secret), "{listed}");
    let name = listed["feeds"][0]["name"].as_str().expect("a name");
    let removed = place.said(&format!("calendar remove {name}"));
    assert_eq!(removed.code, Some(0), "{}", removed.err);
}

#[test]
fn mail_is_subscribed_to_and_ended() {
    let place = Workplace::furnished();
    place
        .said("mail add bench@porto.example --level manager --mode digest")
        .done();
    let bad = place.said("mail add nobody");
    assert_eq!(bad.code, Some(3), "{}", bad.err);
    let listed = parsed(place.said("mail list --json"));
    let name = listed["subscriptions"][0]["name"].as_str().expect("a name");
    let ended = place.said(&format!("mail remove {name}"));
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    let empty = place.said("mail list");
    assert!(empty.err.contains("no subscriptions"), "{}", empty.err);
}
