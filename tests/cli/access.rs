//! Who may do what, from the first code to the last revocation: the real program and a real server.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;

use ringtrue_tests::process::command;
use serde_json::Value;

use crate::watching::Watch;
use crate::workplace::{Outcome, Workplace};

/// Another computer that reaches the same server.
pub(crate) struct Computer {
    home: tempfile::TempDir,
}

impl Computer {
    fn new() -> Self {
        let home = tempfile::tempdir().expect("a folder");
        Self { home }
    }

    /// Gives a command that knows of the server what this computer keeps.
    pub(crate) fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .env("RINGTRUE_HOME", self.home.path())
            .env("COLUMNS", "100");
        command
    }

    /// Runs a command line whose arguments hold no blanks.
    pub(crate) fn said(&self, line: &str) -> Outcome {
        let output = self.command(line).output();
        output.expect("the program starts").into()
    }

    /// Enrols with a code that was made for these flags.
    pub(crate) fn enrolled(place: &Workplace, flags: &str) -> Self {
        let computer = Self::new();
        let code = place
            .said(&format!("credential invite --name bench {flags}"))
            .done();
        let line = format!("enrol {} --code {}", place.endpoint(), code.trim());
        computer.said(&line).done();
        computer
    }

    /// Who the server says this is.
    fn who(&self) -> Value {
        let shown = self.said("whoami --json").done();
        serde_json::from_str(&shown).expect("JSON")
    }

    /// Name of this computer's credential.
    pub(crate) fn credential(&self) -> String {
        let name = self.who()["credential"]["name"].clone();
        name.as_str().expect("a name").to_owned()
    }

    fn token(&self) -> String {
        let file = self.home.path().join("profiles/local/token");
        let text = std::fs::read_to_string(file).expect("a token");
        text.trim().to_owned()
    }
}

fn mode(path: &Path) -> u32 {
    let metadata = std::fs::metadata(path).expect("it is there");
    metadata.permissions().mode() & 0o777
}

#[test]
fn a_bench_enrols_with_a_code_and_does_what_a_technician_may() {
    let place = Workplace::furnished();
    let bench = Computer::enrolled(&place, "--role technician --site porto");
    for (file, expected) in [("", 0o700), ("token", 0o600), ("profile.toml", 0o600)] {
        let path = bench.home.path().join("profiles/local").join(file);
        assert_eq!(mode(&path), expected, "{}", path.display());
    }
    let who = bench.who();
    assert_eq!(who["credential"]["grant"]["role"], "ROLE_TECHNICIAN");
    assert_eq!(who["sites"][0], "sites/porto");
    let shown = bench.said("whoami --operator ab").done();
    for words in ["technician", "porto", "not encrypted", "Until", "ab"] {
        assert!(shown.contains(words), "{words} in\n{shown}");
    }
    // The profile knows the site; nothing of the workplace's own settings is there.
    bench.said("furnace show k2 --operator ab").done();
    let refused = bench.said("furnace change k2 --tolerance 9 --operator ab");
    assert_eq!(refused.code, Some(7), "{}", refused.err);
    assert!(
        refused.err.contains("`ringtrue whoami` tells"),
        "{}",
        refused.err
    );
    let refused = bench.said("credential list");
    assert_eq!(refused.code, Some(7), "{}", refused.err);
}

#[test]
fn a_code_is_good_once_and_a_revoked_one_never() {
    let place = Workplace::furnished();
    let line = "credential invite --name bench --role technician --site porto --json";
    let made: Value = serde_json::from_str(&place.said(line).done()).expect("JSON");
    let code = made["code"].as_str().expect("a code").to_owned();
    let (first, second) = (Computer::new(), Computer::new());
    let enrol = format!("enrol {} --code {code}", place.endpoint());
    first.said(&enrol).done();
    let again = second.said(&enrol);
    assert_eq!(again.code, Some(7), "{}", again.err);
    assert!(again.err.contains("cannot be used"), "{}", again.err);
    assert!(!again.err.contains(&code), "{}", again.err);
    let listed = place.said("credential invitations").done();
    assert!(listed.contains("used"), "{listed}");

    let made: Value = serde_json::from_str(&place.said(line).done()).expect("JSON");
    let name = made["enrolment"]["name"].as_str().expect("a name");
    let id = name.trim_start_matches("enrolments/");
    place
        .said(&format!("credential revoke-invitation {id}"))
        .done();
    let code = made["code"].as_str().expect("a code");
    let revoked = second.said(&format!("enrol {} --code {code}", place.endpoint()));
    assert_eq!(revoked.code, Some(7), "{}", revoked.err);
    let files = std::fs::read_dir(second.home.path().join("profiles")).map_or(0, Iterator::count);
    assert_eq!(files, 0, "nothing is left of it");
}

#[test]
fn a_rotated_secret_works_and_the_old_one_only_as_long_as_it_was_said() {
    let place = Workplace::furnished();
    let bench = Computer::enrolled(&place, "--role technician --site porto");
    let before = bench.token();
    bench.said("credential rotate --overlap 0").done();
    let after = bench.token();
    assert_ne!(before, after);
    bench.who();
    let as_before = |line: &str| -> Outcome {
        let mut command = bench.command(line);
        command.env("RINGTRUE_TOKEN", &before);
        command.output().expect("the program starts").into()
    };
    let old = as_before("whoami");
    assert_eq!(old.code, Some(7), "{}", old.err);
    assert!(old.err.contains("RINGTRUE_TOKEN"), "{}", old.err);
    bench.said("credential rotate").done();
    let mut overlapping = bench.command("whoami");
    overlapping.env("RINGTRUE_TOKEN", &after);
    Outcome::from(overlapping.output().expect("the program starts")).done();
    // A token for a program is rotated by its name, and shown once.
    let id = bench.credential();
    let rotated = place.said(&format!("credential rotate {id}")).done();
    assert!(rotated.starts_with("rt1.") && rotated.lines().count() == 1);
    let lost = bench.said("whoami");
    assert_eq!(lost.code, Some(7), "{}", lost.err);
    assert!(lost.err.contains("ringtrue enrol"), "{}", lost.err);
}

#[test]
fn a_revoked_credential_is_refused_at_once_and_ends_a_watch_with_words() {
    let place = Workplace::furnished();
    let bench = Computer::enrolled(&place, "--role technician --site porto");
    let watch = Watch::started(bench.command("watch"));
    watch.says("Watching alerts of porto");
    let id = bench.credential();
    let shown = place
        .said_with(
            &format!("credential revoke {id}"),
            &["--why", "laptop lost"],
        )
        .done();
    assert!(shown.contains("revoked"), "{shown}");
    watch.says("ringtrue enrol");
    assert_eq!(watch.ended(), Some(7));
    let refused = bench.said("furnace list");
    assert_eq!(refused.code, Some(7), "{}", refused.err);
    let listed = place.said("credential list").done();
    assert!(
        !listed.contains(id.trim_start_matches("credentials/")),
        "{listed}"
    );
    let listed = place.said("credential list --ended").done();
    assert!(listed.contains("revoked"), "{listed}");
}

#[test]
fn support_sees_the_sites_of_its_group_and_loses_them_with_it() {
    let place = Workplace::furnished();
    place
        .said("site add --id lima --name Lima --time-zone America/Lima --calibration-day monday")
        .done();
    let set = "group set north porto --name North";
    place.said(set).done();
    let desk = Computer::enrolled(&place, "--role support --group north --person ab");
    assert_eq!(desk.who()["sites"], serde_json::json!(["sites/porto"]));
    place.said("group set north porto lima").done();
    let listed = place.said("group list").done();
    assert!(
        listed.contains("North") && listed.contains("porto"),
        "{listed}"
    );
    let sites = desk.who()["sites"].as_array().map(Vec::len);
    assert_eq!(sites, Some(2));
    let shown = desk.said("whoami").done();
    assert!(
        shown.contains("group north") && shown.contains("person ab"),
        "{shown}"
    );
    place.said("group remove north").done();
    assert!(desk.who()["sites"].as_array().is_none_or(Vec::is_empty));
}

#[test]
fn a_program_is_given_a_token_alone_on_stdout_and_does_what_was_permitted() {
    let place = Workplace::furnished();
    let line = "credential add --name cases --program --site porto --permit read --days 30";
    let made = place.said(line);
    assert!(made.err.contains("shown once"), "{}", made.err);
    let token = made.done();
    assert_eq!(token.lines().count(), 1);
    let as_program = |line: &str| -> Outcome {
        let mut command = place.command(line);
        command.env("RINGTRUE_TOKEN", token.trim());
        command.output().expect("the program starts").into()
    };
    as_program("furnace list --site porto").done();
    let refused = as_program("furnace event k2 --kind moved --site porto");
    assert_eq!(refused.code, Some(7), "{}", refused.err);
    assert!(!refused.err.contains(token.trim()), "{}", refused.err);
    let refused = place.said("credential add --name cases --role quality --permit read");
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    assert!(refused.err.contains("permissions"), "{}", refused.err);
}
