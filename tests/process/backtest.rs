//! Looking back: the real program goes through the demonstration's year and through a database with nothing
//! in it, and changes neither.

use std::ffi::OsStr;
use std::path::Path;
use std::process::Output;

use ringtrue_tests::process::{command, server_ran, text};

use crate::laboratory::Folder;

fn backtested(file: &Path, more: &[&str]) -> Output {
    let mut arguments: Vec<&OsStr> =
        vec!["backtest".as_ref(), "--database".as_ref(), file.as_os_str()];
    for argument in more {
        arguments.push(argument.as_ref());
    }
    server_ran(&arguments)
}

fn document(file: &Path, more: &[&str]) -> serde_json::Value {
    let mut arguments = vec!["--json"];
    arguments.extend(more);
    let output = backtested(file, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn rms_c(document: &serde_json::Value, rule: &str) -> f64 {
    let rules = document["rules"].as_array().expect("a list of rules");
    let found = rules.iter().find(|one| one["rule"] == rule);
    found
        .and_then(|one| one["rms_c"].as_f64())
        .expect("the rule was judged")
}

#[test]
fn the_demonstrations_year_is_judged_the_same_way_twice() {
    let folder = Folder::new();
    let home = folder.path().join("demo");
    let made = command("ringtrue-server")
        .args(["demo", "--once", "--listen", "127.0.0.1:0", "--folder"])
        .arg(&home)
        .output()
        .expect("the server's program starts");
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    let file = home.join("ringtrue.db");
    let before = std::fs::read(&file).expect("a database");

    let whole = document(&file, &[]);
    assert_eq!(document(&file, &[]), whole);
    assert!(rms_c(&whole, "fleet") < rms_c(&whole, "plain"), "{whole}");
    assert!(
        rms_c(&whole, "fleet-beyond-band") < rms_c(&whole, "plain"),
        "{whole}"
    );
    assert!(rms_c(&whole, "confirmed").is_finite());

    let one = document(&file, &["--site", "alder"]);
    assert_eq!(one["sites"], 1);
    assert_eq!(one["readings"], whole["readings"]);

    let shown = backtested(&file, &[]);
    assert_eq!(shown.status.code(), Some(0), "{}", text(&shown.stderr));
    let words = text(&shown.stdout);
    assert!(words.contains("What it cannot show."), "{words}");
    let last = words.trim_end().rsplit("\n\n").next();
    assert!(
        last.is_some_and(|last| last.starts_with("Next: ") && last.ends_with('.')),
        "{words}"
    );
    let after = std::fs::read(&file).expect("a database");
    assert!(after == before, "looking back wrote into the file");
}

#[test]
fn a_network_without_history_is_told_so() {
    let folder = Folder::new();
    let file = folder.database();
    let missing = backtested(&file, &[]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(text(&missing.stderr).contains("there is no database"));

    let made = server_ran(&[
        OsStr::new("migrate"),
        OsStr::new("--database"),
        file.as_os_str(),
    ]);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    let refused = backtested(&file, &["--json"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(refused.stdout.is_empty());
    let words = text(&refused.stderr);
    assert!(
        words.contains("no reading that counts is on record"),
        "{words}"
    );
    let unknown = backtested(&file, &["--site", "nowhere"]);
    assert_eq!(unknown.status.code(), Some(1));
    let words = text(&unknown.stderr);
    assert!(words.contains("sites/nowhere does not exist"), "{words}");
    let turned = backtested(&file, &["--from", "2026-02-01", "--until", "2026-01-01"]);
    assert_eq!(turned.status.code(), Some(64));
    let words = text(&turned.stderr);
    assert!(words.contains("--from lies after --until"), "{words}");
}
