//! The load program on real servers, for some seconds each: it ends without errors, and its figures add up.

use std::ffi::OsStr;
use std::path::Path;
use std::process::{Command, Output};

use ringtrue_tests::process::{program, text};
use serde_json::Value;

const OPERATIONS: [&str; 11] = [
    "record",
    "preview",
    "readings",
    "history",
    "use",
    "due",
    "alerts",
    "standings",
    "overview",
    "pages",
    "walk",
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

/// Runs the load program with a folder for what it makes.
fn load(folder: &Path, arguments: &[&str], files: &[(&str, &Path)]) -> Output {
    // The load program looks for the server's beside itself.
    program("ringtrue-server");
    let mut command = Command::new(env!("CARGO_BIN_EXE_load"));
    command.args(arguments);
    command.args([OsStr::new("--folder"), folder.join("made").as_os_str()]);
    for (flag, file) in files {
        command.arg(flag).arg(file);
    }
    command.output().expect("the load program starts")
}

fn read(file: &Path) -> Value {
    let figures = std::fs::read(file).expect("the figures are written");
    serde_json::from_slice(&figures).expect("the figures are JSON")
}

#[test]
fn a_mix_of_three_seconds_ends_without_errors_and_its_figures_add_up() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let (json, plot) = (
        folder.path().join("mix.json"),
        folder.path().join("mix.svg"),
    );
    let mix = "mix --rate 20,40 --seconds 3 --warm-up 1 --sites 3 --furnaces 2 --readings-before 2 --connections 2 --watchers 3";
    let words: Vec<&str> = mix.split(' ').collect();
    let run = load(
        folder.path(),
        &words,
        &[("--json", &json), ("--plot", &plot)],
    );
    let said = text(&run.stdout);
    assert!(run.status.success(), "{said}\n{}", text(&run.stderr));

    let report = read(&json);
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
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let run = load(folder.path(), &["mix", "--replicas", "2"], &[]);
    assert!(!run.status.success());
    let said = text(&run.stderr);
    assert!(said.contains("--database postgresql"), "{said}");
}

/// Fills stores to two sizes and measures every operation on them.
fn sizes_are_measured_on(database: &str) {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let json = folder.path().join("sizes.json");
    let sizes = "sizes --readings 20 220 --sites 2 --furnaces 2 --readings-before 2 --connections 2 --calls 6 --database";
    let mut words: Vec<&str> = sizes.split(' ').collect();
    words.push(database);
    let run = load(folder.path(), &words, &[("--json", &json)]);
    let said = text(&run.stdout);
    assert!(run.status.success(), "{said}\n{}", text(&run.stderr));
    assert!(said.contains("220 readings beside 20"), "{said}");
    let report = read(&json);
    let measured = report["sizes"].as_array().expect("there are sizes");
    assert_eq!(measured.len(), 2, "{said}");
    for (size, readings) in measured.iter().zip([20, 220]) {
        assert_eq!(count(size, "readings"), readings, "{said}");
        let figures = operations(&size["operations"]);
        assert_eq!(figures.len(), 9, "{said}");
        assert!(number(size, "first_overview_s") > 0.0, "{said}");
        for one in figures {
            assert_eq!(count(one, "calls"), 6, "{said}");
            assert!(number(&one["latency_ms"], "p50") > 0.0, "{said}");
        }
    }
    let bytes = |place: usize| count(&measured[place], "bytes");
    // Each reading that was put there takes some kilobytes.
    assert!(bytes(1) > bytes(0) + 200 * 1000, "{report}");
}

#[test]
fn a_file_is_filled_to_the_wanted_sizes_and_measured() {
    sizes_are_measured_on("sqlite");
}

#[test]
fn a_database_on_postgresql_is_filled_to_the_wanted_sizes_and_measured() {
    sizes_are_measured_on("postgresql");
}

#[test]
fn a_soak_watches_every_server_and_the_database() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let (json, plot) = (
        folder.path().join("soak.json"),
        folder.path().join("soak.svg"),
    );
    let soak = "soak --minutes 0.07 --rate 20 --look-every-s 1 --database postgresql --replicas 2 --sites 2 \
                --furnaces 2 --readings-before 2 --connections 2 --watchers 2";
    let words: Vec<&str> = soak.split_whitespace().collect();
    let run = load(
        folder.path(),
        &words,
        &[("--json", &json), ("--plot", &plot)],
    );
    let said = text(&run.stdout);
    assert!(run.status.success(), "{said}\n{}", text(&run.stderr));
    let report = read(&json);
    assert_eq!(count(&report, "servers"), 2, "{said}");
    let all = &report["total"]["all"];
    assert_eq!(count(all, "offered"), count(all, "completed"), "{said}");
    assert!(count(all, "offered") > 30, "{said}");
    for (name, least) in [
        ("memory of server 1", 5.0),
        ("memory of server 2", 5.0),
        ("open files of server 1", 5.0),
        ("open files of server 2", 5.0),
        ("connections", 2.0),
        ("database", 1.0),
    ] {
        let watched = &report["watched"][name];
        let points = watched["points"].as_array().expect("it was watched");
        assert!(points.len() >= 3, "{name}: {watched}");
        let (first, last) = (number(watched, "first"), number(watched, "last"));
        let max = number(watched, "max");
        assert!(first >= least && max >= first && max >= last, "{watched}");
    }
    let picture = std::fs::read_to_string(&plot).expect("the picture is written");
    for words in ["<svg", "memory of server 2", "time / min", "latency, p99"] {
        assert!(
            picture.contains(words),
            "`{words}` is missing in the picture"
        );
    }
}

#[test]
fn recording_is_measured_beside_pgbench() {
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let bench = "beside-pgbench --in-flight 4 --seconds 1 --rounds 1 --replicas 1,2";
    let words: Vec<&str> = bench.split(' ').collect();
    let run = load(folder.path(), &words, &[]);
    let said = text(&run.stdout);
    assert!(run.status.success(), "{said}\n{}", text(&run.stderr));
    for name in [
        "  pgbench, the same rows ",
        "  pgbench, without the row",
        "  RecordReading, 1 server ",
        "  RecordReading, 2 servers ",
    ] {
        let line = said.lines().find(|line| line.starts_with(name));
        let line = line.unwrap_or_else(|| panic!("`{name}` is missing in:\n{said}"));
        let rate = line
            .split(" /s")
            .next()
            .and_then(|left| left.split(' ').next_back());
        let rate: f64 = rate
            .and_then(|rate| rate.parse().ok())
            .expect("a rate stands there");
        assert!(rate > 1.0, "{line}");
    }
    assert!(said.contains("of pgbench with the same rows"), "{said}");
}
