//! The queue's own file: full disks, folders that cannot be written, damaged and foreign files, two programs at once.

use std::os::unix::process::CommandExt as _;
use std::process::{Command, Stdio};

use crate::cut_off::{CutOff, QUEUED, holds};
use crate::workplace::Outcome;

#[test]
fn a_full_disk_is_said_plainly_and_leaves_nothing_half_done() {
    let bench = CutOff::furnished();
    bench.way.close();
    assert_eq!(bench.said("care ring-fired k2").code, QUEUED);
    let before = std::fs::read(bench.folder().join("queue.db")).expect("a queue");
    // No file may grow: writing fails as on a full disk, and the signal that comes with it is ignored.
    let limited = |line: &str| -> Outcome {
        let program = bench.command(line);
        let mut shell = Command::new("sh");
        shell
            .arg("-c")
            .arg("trap '' XFSZ; ulimit -f 0; exec \"$0\" \"$@\"");
        shell.arg(program.get_program()).args(program.get_args());
        for (name, value) in program.get_envs() {
            match value {
                Some(value) => shell.env(name, value),
                None => shell.env_remove(name),
            };
        }
        shell.stdin(Stdio::null());
        shell.output().expect("a shell starts").into()
    };
    let note = "x".repeat(1900);
    let refused = limited(&format!("furnace event k2 --kind mains-work --note {note}"));
    assert_eq!(refused.code, Some(3), "{}\n{}", refused.out, refused.err);
    holds(
        &refused.err,
        &["cannot be", "NOTHING WAS KEPT: write the values down"],
    );
    assert!(!refused.out.contains("QUEUED"), "{}", refused.out);
    let after = std::fs::read(bench.folder().join("queue.db")).expect("a queue");
    assert_eq!(before, after);
    assert_eq!(bench.states(), ["waiting"]);
    let kept = bench.said("care ring-fired k2");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    bench.way.open();
    assert_eq!(bench.said("queue send").code, Some(0));
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    let bench = CutOff::furnished();
    bench.way.close();
    let home = tempfile::tempdir().expect("a folder");
    std::fs::write(home.path().join("queues"), "no folder").expect("written");
    let mut command = bench.command("care ring-fired porto/k2");
    command.env("RINGTRUE_HOME", home.path());
    let refused: Outcome = command.output().expect("it starts").into();
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    holds(
        &refused.err,
        &["cannot be written", "NOTHING WAS KEPT", "RINGTRUE_HOME"],
    );
    // Nowhere to keep anything: as it always was.
    let mut command = bench.command("care ring-fired porto/k2");
    command.env_remove("RINGTRUE_HOME");
    let nowhere: Outcome = command.output().expect("it starts").into();
    assert_eq!(nowhere.code, Some(8), "{}", nowhere.err);
    let mut command = bench.command("care ring-fired porto/k2 --offline");
    command.env_remove("RINGTRUE_HOME");
    let nowhere: Outcome = command.output().expect("it starts").into();
    assert_eq!(nowhere.code, Some(2), "{}", nowhere.err);
}

#[test]
fn a_damaged_or_foreign_file_is_refused_and_kept() {
    let bench = CutOff::furnished();
    assert_eq!(bench.said("care ring-fired k2 --offline").code, QUEUED);
    let path = bench.folder().join("queue.db");
    let whole = std::fs::read(&path).expect("a queue");
    let mut damaged = whole.clone();
    for byte in damaged.iter_mut().skip(4096).take(9000) {
        *byte = 0xa5;
    }
    let foreign =
        b"19.47 mm, written down by hand, and longer than the head of any database: keep it whole"
            .to_vec();
    for (bytes, words) in [
        (damaged, "is damaged"),
        (foreign, "is damaged"),
        (newer(&whole), "was written by a newer ringtrue"),
    ] {
        std::fs::write(&path, &bytes).expect("written");
        for line in ["care ring-fired k2 --offline", "queue list", "queue send"] {
            let refused = bench.said(line);
            assert_eq!(
                refused.code,
                Some(3),
                "{line}: {}\n{}",
                refused.out,
                refused.err
            );
            holds(&refused.err, &[words]);
        }
        assert_eq!(std::fs::read(&path).expect("kept"), bytes);
        // A server that answers needs no queue.
        let recorded = bench.said("care ring-fired k2");
        assert_eq!(recorded.code, Some(0), "{}", recorded.err);
    }
    std::fs::write(&path, &whole).expect("written");
    let sent = bench.said("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
}

/// The same file with a higher version: bytes 60 to 63 of its head (the database file format of SQLite, section 1.3).
fn newer(whole: &[u8]) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    bytes[60..64].copy_from_slice(&99_u32.to_be_bytes());
    bytes
}

#[test]
fn what_waits_for_one_server_goes_to_no_other() {
    let bench = CutOff::furnished();
    let other = crate::workplace::Workplace::furnished();
    let home = tempfile::tempdir().expect("a folder");
    let with_profile = |line: &str| -> Outcome {
        let mut command = bench.command(line);
        command
            .env("RINGTRUE_HOME", home.path())
            .env_remove("RINGTRUE_ENDPOINT");
        command.output().expect("it starts").into()
    };
    let here = format!("http://{}", bench.way.addr());
    with_profile(&format!("profile set bench --endpoint {here} --site porto")).done();
    with_profile("profile use bench").done();
    let kept = with_profile("care ring-fired k2 --offline --unchecked");
    assert_eq!(kept.code, QUEUED, "{}", kept.err);
    with_profile(&format!(
        "profile set bench --endpoint {}",
        other.endpoint()
    ))
    .done();
    for line in ["queue send", "care ring-fired k2 --offline --unchecked"] {
        let refused = with_profile(line);
        assert_eq!(refused.code, Some(3), "{line}: {}", refused.err);
        holds(
            &refused.err,
            &["goes to no other server", "queue send --moved"],
        );
    }
    let removed = with_profile("profile remove bench --yes");
    assert_eq!(removed.code, Some(3), "{}", removed.err);
    holds(&removed.err, &["not on record yet"]);
    with_profile(&format!("profile set bench --endpoint {here}")).done();
    let sent = with_profile("queue send");
    assert_eq!(sent.code, Some(0), "{}", sent.err);
    with_profile("profile remove bench --yes").done();
}

#[test]
fn two_programs_at_once_double_nothing_and_lose_nothing() {
    let bench = CutOff::with_two_furnaces();
    bench.way.close();
    let mut together = Vec::new();
    for n in 0..12 {
        let mut command = bench.command(&format!(
            "furnace event k{} --kind mains-work --note n{n}",
            2 + n % 2
        ));
        command
            .arg("--offline")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0);
        together.push(command.spawn().expect("it starts"));
    }
    for child in together {
        let kept: Outcome = child.wait_with_output().expect("it ends").into();
        assert_eq!(kept.code, QUEUED, "{}", kept.err);
    }
    bench.way.open();
    let mut senders = Vec::new();
    for _ in 0..4 {
        let mut command = bench.command("queue send");
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        senders.push(command.spawn().expect("it starts"));
    }
    for child in senders {
        let sent: Outcome = child.wait_with_output().expect("it ends").into();
        assert!([QUEUED, Some(0)].contains(&sent.code), "{}", sent.err);
    }
    bench.said("queue send").done();
    assert_eq!(bench.states(), ["sent"; 12]);
    let mut recorded = 0;
    for furnace in ["k2", "k3"] {
        let listed = bench
            .place
            .said(&format!("furnace events {furnace} --json"))
            .done();
        let listed: serde_json::Value = serde_json::from_str(&listed).expect("JSON");
        recorded += listed["events"].as_array().map_or(0, Vec::len);
    }
    assert_eq!(recorded, 12);
}
