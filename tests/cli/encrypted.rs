//! Enrolling at a server beyond this machine: encrypted, and known by the pin of its authority.

use std::collections::{BTreeMap, VecDeque};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

use ringtrue::{Conversation, Left, World};
use ringtrue_tests::process::{Server, command, server_ran, text};
use serde_json::Value;
use tempfile::TempDir;

use crate::workplace::Outcome;

/// A server as `ringtrue-server setup` makes it, at a free port.
struct Installation {
    folder: TempDir,
    server: Server,
    pin: String,
}

impl Installation {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let installed = folder.path().join("server");
        let arguments = [
            "setup".as_ref(),
            "--folder".as_ref(),
            installed.as_os_str(),
            "--name".as_ref(),
            "localhost".as_ref(),
            "--listen".as_ref(),
            "127.0.0.1:0".as_ref(),
        ];
        let made = server_ran(&arguments);
        let said = text(&made.stdout);
        assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
        let pin = said
            .lines()
            .find_map(|line| line.strip_prefix("Pin of the authority: "))
            .expect("the pin is said");
        let mut serve = command("ringtrue-server");
        serve
            .args(["serve", "--config"])
            .arg(installed.join("server.toml"));
        Self {
            server: Server::started(serve),
            pin: pin.to_owned(),
            folder,
        }
    }

    fn endpoint(&self) -> String {
        let port = self.server.address.rsplit(':').next().unwrap_or_default();
        format!("https://localhost:{port}")
    }

    /// A code for an administrator, made by the server's own program.
    fn code(&self) -> String {
        let settings = self.folder.path().join("server").join("server.toml");
        let arguments = [
            "enrol-administrator".as_ref(),
            "--person".as_ref(),
            "ab".as_ref(),
            "--config".as_ref(),
            settings.as_os_str(),
        ];
        let made = server_ran(&arguments);
        assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
        text(&made.stdout).trim().to_owned()
    }

    fn authority(&self) -> PathBuf {
        self.folder.path().join("server/tls/authority.pem")
    }
}

/// Another computer.
struct Computer(TempDir);

impl Computer {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder"))
    }

    fn command(&self, line: &str) -> Command {
        let mut command = command("ringtrue");
        command
            .args(line.split_whitespace())
            .env("RINGTRUE_HOME", self.0.path())
            // Authorities of the machine that runs the tests count for nothing here.
            .env("SSL_CERT_FILE", self.0.path().join("none.pem"))
            .env("SSL_CERT_DIR", self.0.path().join("none"))
            .env("COLUMNS", "100");
        command
    }

    fn said(&self, line: &str) -> Outcome {
        let output = self.command(line).output();
        output.expect("the program starts").into()
    }

    fn profiles(&self) -> usize {
        let folder = std::fs::read_dir(self.0.path().join("profiles"));
        folder.map_or(0, Iterator::count)
    }
}

/// A person at the terminal who says yes or no.
struct Person {
    answers: VecDeque<bool>,
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
        self.answers.pop_front().ok_or(Left)
    }
}

/// Runs a command line with somebody at the terminal.
fn talked(home: &Path, line: &str, answers: &[bool]) -> (u8, String, Vec<String>) {
    let mut person = Person {
        answers: answers.iter().copied().collect(),
        asked: Vec::new(),
    };
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let home = home.to_string_lossy().into_owned();
    let mut world = World {
        out: &mut out,
        err: &mut err,
        conversation: Some(&mut person),
        now: jiff::Timestamp::UNIX_EPOCH,
        environment: BTreeMap::from([("RINGTRUE_HOME".to_owned(), home)]),
        columns: 100,
        colour: false,
    };
    let mut arguments = vec![OsString::from("ringtrue")];
    arguments.extend(line.split_whitespace().map(OsString::from));
    let code = ringtrue::run(arguments, &mut world);
    (code, text(&err), person.asked)
}

#[test]
fn with_the_right_pin_a_computer_enrols_and_knows_the_server_from_then_on() {
    let installation = Installation::new();
    let (endpoint, code) = (installation.endpoint(), installation.code());
    let computer = Computer::new();
    // As people type it.
    let pin = installation.pin.to_lowercase().replace('-', "");
    let enrolled = computer.said(&format!("enrol {endpoint} --code {code} --pin {pin}"));
    assert_eq!(enrolled.code, Some(0), "{}", enrolled.err);
    let kept = computer.0.path().join("profiles/local/authority.pem");
    let kept = std::fs::read_to_string(kept).expect("the authority is kept");
    let authority = std::fs::read_to_string(installation.authority()).expect("made");
    assert_eq!(kept.trim(), authority.trim());
    let shown = computer.said("whoami").done();
    for words in ["administrator", "the whole network", "encrypted", "pinned"] {
        assert!(shown.contains(words), "{words} in\n{shown}");
    }
    // Whom it lets in next is given the same pin.
    computer
        .said("site add --id porto --name Porto --time-zone Europe/Lisbon --calibration-day friday")
        .done();
    let invite = "credential invite --name bench --role technician --site porto";
    let invited = computer.said(invite);
    let command = format!("  ringtrue enrol {endpoint} --pin {}\n", installation.pin);
    assert!(invited.err.contains(&command), "{}", invited.err);
    let bench = Computer::new();
    let code = invited.done();
    let line = format!("{} --code {}", command.trim(), code.trim());
    let line = line.trim_start_matches("ringtrue ");
    bench.said(line).done();
    let who: Value = serde_json::from_str(&bench.said("whoami --json").done()).expect("JSON");
    assert_eq!(who["encrypted"], true);
    assert_eq!(who["credential"]["grant"]["role"], "ROLE_TECHNICIAN");
}

#[test]
fn with_another_pin_or_none_nothing_secret_is_sent_and_the_code_stays_good() {
    let installation = Installation::new();
    let (endpoint, code) = (installation.endpoint(), installation.code());
    let computer = Computer::new();
    let line = format!("enrol {endpoint} --code {code}");
    let wrong = computer.said(&format!("{line} --pin 0000-0000-0000-0000"));
    assert_eq!(wrong.code, Some(3), "{}", wrong.err);
    assert!(wrong.err.contains("Do not go on"), "{}", wrong.err);
    let none = computer.said(&line);
    assert_eq!(none.code, Some(3), "{}", none.err);
    assert!(none.err.contains("--pin PIN"), "{}", none.err);
    let odd = computer.said(&format!("{line} --pin 1234"));
    assert_eq!(odd.code, Some(2), "{}", odd.err);
    assert_eq!(computer.profiles(), 0, "nothing was begun");
    let right = computer.said(&format!("{line} --pin {}", installation.pin));
    assert_eq!(right.code, Some(0), "{}", right.err);
}

#[test]
fn a_person_compares_the_pin_that_is_shown() {
    let installation = Installation::new();
    let (endpoint, code) = (installation.endpoint(), installation.code());
    let computer = Computer::new();
    let line = format!("enrol {endpoint} --code {code}");
    let (refused, err, asked) = talked(computer.0.path(), &line, &[false]);
    assert_eq!(refused, 3, "{err}");
    assert!(
        err.contains(&installation.pin) && err.contains("localhost"),
        "{err}"
    );
    assert!(asked[0].contains("administrator's sheet"), "{asked:?}");
    assert_eq!(computer.profiles(), 0);
    let (done, err, _) = talked(computer.0.path(), &line, &[true]);
    assert_eq!(done, 0, "{err}");
}

#[test]
fn an_authority_that_the_system_trusts_needs_no_pin() {
    let installation = Installation::new();
    let (endpoint, code) = (installation.endpoint(), installation.code());
    let computer = Computer::new();
    let trusting = |line: &str| -> Outcome {
        let mut command = computer.command(line);
        command.env("SSL_CERT_FILE", installation.authority());
        command.output().expect("the program starts").into()
    };
    let enrolled = trusting(&format!("enrol {endpoint} --code {code}"));
    assert_eq!(enrolled.code, Some(0), "{}", enrolled.err);
    assert!(
        enrolled.err.contains("no pin is needed"),
        "{}",
        enrolled.err
    );
    let shown = trusting("whoami").done();
    assert!(shown.contains("that this system trusts"), "{shown}");
    // Nothing was pinned, so that elsewhere the same server proves nothing.
    let elsewhere = computer.said("whoami");
    assert_ne!(elsewhere.code, Some(0), "{}", elsewhere.out);
}

#[test]
fn another_server_under_the_same_address_gets_no_token() {
    let (installation, other) = (Installation::new(), Installation::new());
    let computer = Computer::new();
    let enrol = format!(
        "enrol {} --code {} --pin {}",
        installation.endpoint(),
        installation.code(),
        installation.pin
    );
    computer.said(&enrol).done();
    // The profile's authority vouches for the address, so that it may move; whoever answers must prove it.
    let moved = computer.said(&format!("profile set --endpoint {}", other.endpoint()));
    assert_eq!(moved.code, Some(0), "{}", moved.err);
    let refused = computer.said("whoami");
    assert_eq!(refused.code, Some(8), "{}", refused.err);
    assert!(refused.err.contains("does not trust"), "{}", refused.err);
    let back = format!("profile set --endpoint {}", installation.endpoint());
    computer.said(&back).done();
    computer.said("whoami").done();
}

#[test]
fn a_program_is_known_by_its_certificate_alone() {
    let installation = Installation::new();
    let endpoint = installation.endpoint();
    let administrator = Computer::new();
    let enrol = format!(
        "enrol {endpoint} --code {} --pin {}",
        installation.code(),
        installation.pin
    );
    administrator.said(&enrol).done();
    let installed = installation.folder.path().join("server");
    let certificate = installation.folder.path().join("cases");
    let arguments = [
        "client-certificate".as_ref(),
        "--folder".as_ref(),
        installed.as_os_str(),
        "--name".as_ref(),
        "cases".as_ref(),
        "--out".as_ref(),
        certificate.as_os_str(),
    ];
    let made = server_ran(&arguments);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    let (pem, key) = (
        certificate.with_extension("pem"),
        certificate.with_extension("key"),
    );
    let program = Computer::new();
    let set = format!(
        "profile set cases --endpoint {endpoint} --authority {} --identity {}",
        installation.authority().display(),
        pem.display()
    );
    let without_key = program.said(&set);
    assert_eq!(without_key.code, Some(2), "{}", without_key.err);
    program
        .said(&format!("{set} --identity-key {}", key.display()))
        .done();
    let unknown = program.said("whoami --profile cases");
    assert_eq!(unknown.code, Some(7), "{}", unknown.err);
    assert!(
        unknown.err.contains("client certificate of profile cases"),
        "{}",
        unknown.err
    );
    let add = format!(
        "credential add --name cases --program --network --permit read --certificate {} --certificate-only",
        pem.display()
    );
    let added = administrator.said(&add);
    assert!(added.err.contains("there is no token"), "{}", added.err);
    added.done();
    let known = program.said("whoami --profile cases").done();
    assert!(known.contains("a client certificate"), "{known}");
    assert!(known.contains("integration"), "{known}");
}
