//! The load program's mix on a real server, for some seconds: it ends without errors, and its figures add up.

use std::process::Command;

use ringtrue_tests::process::{program, text};
use serde_json::Value;

const OPERATIONS: [&str; 9] = [
    "record",
    "preview",
    "readings",
    "history",
    "use",
    "due",
    "alerts",
    "standings",
    "overview",
];

fn number(value: &Value, key: &str) -> f64 {
    let found = value[key].as_f64();
    found.unwrap_or_else(|| panic!("`{key}` is missing in {value}"))
}

fn count(value: &Value, key: &str) -> u64 {
    let found = value[key].as_u64();
    found.unwrap_or_else(|| panic!("`{key}` is missing in {value}"))
}

/// The operations that were asked for, without all together.
fn operations(figures: &Value) -> Vec<&Value> {
    let asked = OPERATIONS.iter().map(|name| &figures[*name]);
    asked.filter(|one| !one.is_null()).collect()
}

#[test]
fn a_mix_of_three_seconds_ends_without_errors_and_its_figures_add_up() {
    // The load program looks for the server's beside itself.
    program("ringtrue-server");
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let (json, plot) = (
        folder.path().join("mix.json"),
        folder.path().join("mix.svg"),
    );
    let run = Command::new(env!("CARGO_BIN_EXE_load"))
        .args(["mix", "--rate", "20,40", "--seconds", "3", "--warm-up", "1"])
        .args(["--sites", "3", "--furnaces", "2", "--readings", "2"])
        .args(["--connections", "2", "--watchers", "3"])
        .arg("--folder")
        .arg(folder.path().join("made"))
        .arg("--json")
        .arg(&json)
        .arg("--plot")
        .arg(&plot)
        .output()
        .expect("the load program starts");
    let said = text(&run.stdout);
    assert!(run.status.success(), "{said}\n{}", text(&run.stderr));

    let report = std::fs::read(&json).expect("the figures are written");
    let report: Value = serde_json::from_slice(&report).expect("the figures are JSON");
    let steps = report["steps"].as_array().expect("there are steps");
    assert_eq!(steps.len(), 2, "{said}");
    let mut offered = 0;
    for (step, rate) in steps.iter().zip([20.0, 40.0]) {
        let all = &step["operations"]["all"];
        assert_eq!(all["errors"], serde_json::json!({}), "{said}");
        assert_eq!(count(all, "offered"), count(all, "completed"), "{said}");
        let parts = operations(&step["operations"]);
        assert!(parts.len() >= 4, "{said}");
        let sum: u64 = parts.iter().map(|one| count(one, "offered")).sum();
        assert_eq!(sum, count(all, "offered"), "{said}");
        offered += sum;
        // Three seconds of a Poisson process: five standard deviations to each side.
        let (wanted, spread) = (3.0 * rate, 5.0 * f64::sqrt(3.0 * rate));
        let found = number(step, "offered_per_s") * 3.0;
        assert!((found - wanted).abs() < spread, "{found} of {wanted}");
        let latency = &all["latency_ms"];
        let mut before = 0.0;
        for key in ["p50", "p90", "p99", "p99.9", "max"] {
            assert!(number(latency, key) >= before, "{latency}");
            before = number(latency, key);
        }
        assert!(before > 0.0, "{latency}");
        let worst = parts.iter().map(|one| number(&one["latency_ms"], "max"));
        assert!((worst.fold(0.0, f64::max) - before).abs() < 1e-9, "{said}");
    }
    assert_eq!(count(&report["total"]["all"], "offered"), offered, "{said}");
    assert_eq!(count(&report["streams"], "opened"), 3, "{said}");
    assert_eq!(count(&report["streams"], "ended_by_server"), 0, "{said}");
    for words in ["step 2 of 2", "all steps", "p99.9", "record"] {
        assert!(said.contains(words), "`{words}` is missing in:\n{said}");
    }
    let picture = std::fs::read_to_string(&plot).expect("the picture is written");
    for words in ["<svg", "20 /s", "40 /s", "percentile", "/ ms"] {
        assert!(
            picture.contains(words),
            "`{words}` is missing in the picture"
        );
    }
    let left = std::fs::read_dir(folder.path().join("made")).expect("the folder stays");
    assert_eq!(left.count(), 0, "the database was left behind");
}

#[test]
fn several_servers_on_one_file_are_refused() {
    program("ringtrue-server");
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let run = Command::new(env!("CARGO_BIN_EXE_load"))
        .args(["mix", "--replicas", "2", "--folder"])
        .arg(folder.path())
        .output()
        .expect("the load program starts");
    assert!(!run.status.success());
    let said = text(&run.stderr);
    assert!(said.contains("--database postgresql"), "{said}");
}
