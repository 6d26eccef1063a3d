//! Python as a second opinion: calendars, time zones and mail by programs that share nothing with ours.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Gives the interpreter that `tests/run` installs, with the libraries of `tests/tools/requirements.txt`.
pub fn python() -> PathBuf {
    let path = package().join(".tools/python/bin/python");
    assert!(
        path.exists(),
        "{} is missing: run tests/run once, its step \"python\" installs it",
        path.display()
    );
    path
}

/// Runs a Python program of this package, such as `calendar/expand.py`, gives it a text and returns what it printed.
pub fn asked(program: impl AsRef<Path>, text: &str) -> String {
    let program = package().join(program);
    let mut child = Command::new(python())
        .arg(&program)
        // Zones from the pinned package, never from the machine.
        .env("PYTHONTZPATH", "")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        // Servers of tests are on this machine, whatever proxy it has for others.
        .env("NO_PROXY", "*")
        .env("no_proxy", "*")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the interpreter starts");
    let mut input = child.stdin.take().expect("its input is a pipe");
    let answer = std::thread::scope(|scope| {
        scope.spawn(move || {
            // A program that fails closes its input early; its exit says more than that.
            drop(input.write_all(text.as_bytes()));
        });
        child
            .wait_with_output()
            .expect("the program can be waited for")
    });
    assert!(
        answer.status.success(),
        "{} failed, {}; what it said is above",
        program.display(),
        answer.status
    );
    String::from_utf8(answer.stdout).expect("the program prints UTF-8")
}

/// This package's folder, asked when the test runs: a target folder may serve several checkouts.
fn package() -> PathBuf {
    std::env::current_dir().expect("cargo starts a test in its package's folder")
}
