//! Never late: an invented year of two hundred laboratories in twelve time zones, played on a real database file by
//! the server's real code, killed at fifty random moments, beside one that runs through, and beside a second
//! opinion that shares nothing with the server.
//!
//! The program is `main.rs` here, the second opinion `oracle.py`. Both years are played once, at the same time; every
//! test looks at something else in them.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use ringtrue_tests::process::{text, verified};
use ringtrue_tests::python::asked;
use serde_json::{Value, json};
use tempfile::TempDir;

/// Laboratories, as the program has them.
const SITES: usize = 200;

/// How often the program is killed.
const KILLS: usize = 50;

/// Where the kills fall: numbers of steps, some less than the year has.
const KILLED_UP_TO: usize = 3_500;

/// Where the dice for the kills start.
const SEED: u64 = 7;

/// Both years.
struct Played {
    folder: TempDir,
    killed: Value,
    clean: Value,
    /// Kills that met a running program.
    kills: usize,
}

impl Played {
    fn killed_database(&self) -> PathBuf {
        self.folder.path().join("killed.db")
    }
}

/// Plays both years once, whichever test comes first.
fn played() -> &'static Played {
    static PLAYED: OnceLock<Played> = OnceLock::new();
    PLAYED.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a temporary folder can be made");
        let (kills, ()) = std::thread::scope(|scope| {
            let killed = scope.spawn(|| killed_year(&folder.path().join("killed.db")));
            let clean = scope.spawn(|| clean_year(&folder.path().join("clean.db")));
            (
                killed.join().expect("the killed year ends"),
                clean.join().expect("the other year ends"),
            )
        });
        let exported = |name: &str| {
            let text = std::fs::read(folder.path().join(name)).expect("the year was written out");
            serde_json::from_slice(&text).expect("it is JSON")
        };
        Played {
            killed: exported("killed.json"),
            clean: exported("clean.json"),
            folder,
            kills,
        }
    })
}

fn program(database: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_year"))
        .arg("--database")
        .arg(database)
        .arg("--export")
        .arg(database.with_extension("json"))
        .args(["--sites", &SITES.to_string()])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

fn clean_year(database: &Path) {
    let mut child = program(database);
    let mut stdout = child.stdout.take().expect("its output is a pipe");
    std::io::copy(&mut stdout, &mut std::io::sink()).expect("its output is read to the end");
    let status = child.wait().expect("it was started here");
    assert!(status.success(), "the year failed: {status}");
}

/// Starts the program again and again, and kills it each time a little after it has reached a step.
fn killed_year(database: &Path) -> usize {
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let mut targets: Vec<usize> = (0..KILLS)
        .map(|_| random.random_range(0..KILLED_UP_TO))
        .collect();
    targets.sort_unstable();
    let mut kills = 0;
    for target in targets {
        let mut child = program(database);
        let stdout = child.stdout.take().expect("its output is a pipe");
        let reached = BufReader::new(stdout)
            .lines()
            .map_while(Result::ok)
            .any(|line| line.parse().is_ok_and(|step: usize| step >= target));
        assert!(reached, "the program ended before step {target}");
        // Anywhere in the steps after it: the moment of the kill, not a wait for something.
        std::thread::sleep(Duration::from_micros(random.random_range(0..60_000)));
        child.kill().expect("the process is ours");
        let status = child.wait().expect("a killed process ends");
        kills += usize::from(!status.success());
    }
    clean_year(database);
    kills
}

/// The words of each reading's deed by its name, which is new in every run.
fn readings(year: &Value) -> HashMap<&str, &str> {
    records(year)
        .filter(|record| record["what"] == "reading")
        .filter_map(|record| Some((record["name"].as_str()?, record["words"].as_str()?)))
        .collect()
}

/// Everything the people did.
fn records(year: &Value) -> impl Iterator<Item = &Value> {
    list(&year["journal"]).flat_map(|line| list(&line["records"]))
}

fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().expect("a list").iter()
}

fn count(value: &Value) -> u64 {
    value.as_u64().expect("a count")
}

/// Changes of alerts by cause, without what is new in every run.
fn by_cause(year: &Value) -> BTreeMap<String, Vec<Value>> {
    let readings = readings(year);
    let mut all: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for change in list(&year["changes"]) {
        let cause = change["cause"].as_str().expect("every alert has a cause");
        let cause = match cause.split_once('/') {
            Some((kind, rest)) if readings.contains_key(rest) => {
                format!("{kind} of {}", readings[rest])
            }
            _ => cause.to_owned(),
        };
        let mut change = change.clone();
        let fields = change.as_object_mut().expect("an object");
        for field in ["seq", "id", "cause"] {
            fields.remove(field);
        }
        all.entry(cause).or_default().push(change);
    }
    all
}

/// What the people did, without what is new in every run.
fn done(year: &Value) -> Vec<Value> {
    let readings = readings(year);
    let mut all: Vec<Value> = records(year).cloned().collect();
    for record in &mut all {
        let fields = record.as_object_mut().expect("an object");
        fields.remove("name");
        if let Some(why) = fields.get_mut("refused") {
            // It names the alert.
            *why = json!(true);
        }
        if let Some(Value::String(cause)) = fields.get_mut("cause")
            && let Some((_, rest)) = cause.split_once('/')
            && let Some(words) = readings.get(rest)
        {
            *cause = (*words).to_owned();
        }
    }
    all
}

#[test]
fn a_year_killed_fifty_times_alerts_what_an_untroubled_year_alerts() {
    let played = played();
    assert_eq!(played.kills, KILLS, "a kill met no running program");
    let steps = list(&played.killed["steps"]).count();
    assert!(steps > KILLED_UP_TO, "{steps} steps");
    let (killed, clean) = (done(&played.killed), done(&played.clean));
    assert!(killed.len() > 15_000, "{} deeds", killed.len());
    for (one, other) in killed.iter().zip(&clean) {
        assert_eq!(one, other, "the people did something else");
    }
    assert_eq!(killed.len(), clean.len());
    let (killed, clean) = (by_cause(&played.killed), by_cause(&played.clean));
    let causes: BTreeSet<&String> = killed.keys().chain(clean.keys()).collect();
    assert!(causes.len() > 9_000, "{} causes", causes.len());
    for cause in causes {
        assert_eq!(killed.get(cause), clean.get(cause), "{cause}");
    }
}

#[test]
fn every_alert_of_a_killed_year_is_raised_once_and_its_log_has_no_gap() {
    let mut ids: BTreeMap<&str, &str> = BTreeMap::new();
    let mut raised: BTreeSet<&str> = BTreeSet::new();
    let mut revisions: HashMap<&str, u64> = HashMap::new();
    for (number, change) in list(&played().killed["changes"]).enumerate() {
        assert_eq!(count(&change["seq"]), number as u64 + 1, "a gap in the log");
        let id = change["id"].as_str().expect("an id");
        let cause = change["cause"].as_str().expect("a cause");
        assert_eq!(
            *ids.entry(cause).or_insert(id),
            id,
            "{cause} has two alerts"
        );
        if change["change"] == "raised" {
            assert!(raised.insert(id), "{cause} was raised twice");
        }
        let revision = revisions.entry(id).or_default();
        *revision += 1;
        assert_eq!(count(&change["revision"]), *revision, "{cause}");
    }
    assert_eq!(
        raised.len(),
        ids.len(),
        "an id is that of two causes, or an alert was never raised"
    );
    assert!(ids.len() > 9_000, "{} alerts", ids.len());
}

#[test]
fn a_second_opinion_finds_no_due_date_missed_and_every_rise_in_its_moment() {
    let answer = asked("year/oracle.py", &played().killed.to_string());
    let answer: Value = serde_json::from_str(&answer).expect("it prints JSON");
    let counts = &answer["counts"];
    writeln!(
        std::io::stderr(),
        "compared with the second opinion: {counts}"
    )
    .expect("the standard error can be written to");
    assert_eq!(answer["twice"], json!([]), "alerted twice");
    assert_eq!(
        (&answer["n_differences"], &answer["differences"]),
        (&json!(0), &json!([])),
        "of {counts}"
    );
    assert_eq!(counts["sites"], SITES);
    assert_eq!(counts["zones"], 12);
    for (what, least) in [
        ("rounds", 4_000),
        ("rounds_alerted", 3_500),
        ("alerts", 9_000),
        ("stages", 20_000),
        ("rises", 8_000),
        ("closings", 9_000),
        ("changes", 35_000),
        ("near_clock_changes", 150),
    ] {
        assert!(count(&counts[what]) >= least, "too few {what}: {counts}");
    }
}

#[test]
fn looks_follow_what_changes_and_not_the_size_of_the_network() {
    let year = &played().clean;
    let steps = list(&year["steps"]).count();
    let looked: u64 = list(&year["journal"])
        .map(|line| count(&line["sites"]))
        .sum();
    let changes: u64 = list(&year["journal"])
        .map(|line| count(&line["changes"]))
        .sum();
    let all = (SITES * steps) as u64;
    assert!(changes > 30_000, "{changes} changes");
    assert!(looked < all / 10, "{looked} sites looked at of {all}");
    // A record, a foreseen moment or a day's turn asks for each look, and most of them change something.
    assert!(looked < 2 * changes, "{looked} looks for {changes} changes");
}

#[test]
fn a_database_killed_fifty_times_is_as_recorded() {
    let verified = verified(&played().killed_database());
    let said = text(&verified.stdout);
    assert_eq!(verified.status.code(), Some(0), "{said}");
    assert!(said.contains("All as recorded."), "{said}");
}
