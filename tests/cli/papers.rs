//! Completion scripts and manual pages.

use std::process::{Command, Stdio};

use ringtrue_tests::process::{command, text};

fn completions(shell: &str) -> String {
    let output = command("ringtrue")
        .args(["completions", shell])
        .output()
        .expect("the program starts");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    text(&output.stdout)
}

#[test]
fn completions_are_written_for_three_shells() {
    for shell in ["bash", "zsh", "fish"] {
        let script = completions(shell);
        for word in [
            "adjustment",
            "diameters",
            "ring-temperature",
            "chamber-empty",
            "since-last",
            "revoke-invitation",
            "before-after",
        ] {
            assert!(script.contains(word), "{shell} does not complete {word}");
        }
    }
}

#[test]
fn the_shell_at_hand_reads_its_completions() {
    use std::io::Write as _;
    // Only reads the script, runs nothing of it.
    let mut bash = Command::new("bash")
        .arg("-n")
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("bash, which tests/run is written for");
    let mut into = bash.stdin.take().expect("a pipe");
    into.write_all(completions("bash").as_bytes())
        .expect("read");
    drop(into);
    let output = bash.wait_with_output().expect("it ends");
    assert!(output.status.success(), "{}", text(&output.stderr));
}

#[test]
fn manual_pages_are_written_for_every_command() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = command("ringtrue")
        .arg("manual")
        .arg(folder.path())
        .output()
        .expect("the program starts");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    for page in [
        "ringtrue.1",
        "ringtrue-reading.1",
        "ringtrue-reading-add.1",
        "ringtrue-adjustment-confirm.1",
        "ringtrue-due.1",
        "ringtrue-use.1",
        "ringtrue-watch.1",
        "ringtrue-rule-set.1",
        "ringtrue-enrol.1",
        "ringtrue-whoami.1",
        "ringtrue-profile-use.1",
        "ringtrue-credential-invite.1",
        "ringtrue-credential-revoke-invitation.1",
        "ringtrue-group-set.1",
        "ringtrue-audit-export.1",
    ] {
        let page_text = std::fs::read_to_string(folder.path().join(page));
        let page_text = page_text.unwrap_or_else(|fault| panic!("{page}: {fault}"));
        assert!(page_text.contains(".SH NAME"), "{page}");
    }
    let first = std::fs::read_to_string(folder.path().join("ringtrue.1")).expect("the first page");
    assert!(
        first.contains("open questions"),
        "exit codes are told: {first}"
    );
}

#[test]
fn the_cautions_defer_to_the_maker_and_to_local_rules() {
    let output = command("ringtrue")
        .arg("cautions")
        .output()
        .expect("the program starts");
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0));
    assert!(shown.contains("maker's instructions"), "{shown}");
    assert!(shown.to_lowercase().contains("local"), "{shown}");
}
