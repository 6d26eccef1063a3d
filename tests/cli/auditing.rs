//! Who did what, and what proves it: the audit chains on the command line.

use ringtrue_tests::process::{eventually, server_ran, text};
use serde_json::Value;

use crate::access::Computer;
use crate::workplace::Workplace;

#[test]
fn a_change_is_told_with_who_when_where_and_only_what_it_changed() {
    let place = Workplace::furnished();
    let manager = Computer::enrolled(&place, "--role site-manager --site porto");
    manager
        .said("furnace change k2 --tolerance 8 --operator cd")
        .done();
    let listed = manager.said("audit list --limit 1000").done();
    for words in [
        "furnace.update",
        // Who furnished the laboratory, beside the server, and who changed it.
        "this computer, t1",
        "cd, credential",
        "127.0.0.1",
        "WE",
        "sites/porto/furnaces/k2",
    ] {
        assert!(listed.contains(words), "{words} in\n{listed}");
    }
    let about = place
        .said("audit list --about sites/porto/furnaces/k2 --before-after")
        .done();
    let changed: Vec<&str> = about
        .lines()
        .filter(|line| line.starts_with("  - ") || line.starts_with("  + "))
        .skip_while(|line| line.starts_with("  + "))
        .collect();
    assert!(
        changed
            .iter()
            .any(|line| line.contains("tolerance") && line.ends_with("8.0")),
        "{about}"
    );
    assert!(
        !changed.iter().any(|line| line.contains("display_name")),
        "what stayed is not told: {about}"
    );
    let nothing = place.said("audit list --from 2030-01-01");
    assert_eq!(nothing.code, Some(0), "{}", nothing.err);
    assert!(nothing.err.contains("no entries"), "{}", nothing.err);
    // The network's own chain has the batch.
    let network = place.said("audit list --network").done();
    assert!(network.contains("ringBatches/x7"), "{network}");
}

#[test]
fn a_chain_is_exported_whole_to_a_new_file() {
    let place = Workplace::furnished();
    let file = place.folder().join("porto.ndjson");
    let shown = file.display().to_string();
    let exported = place.said_with("audit export", &[&shown]);
    assert_eq!(exported.code, Some(0), "{}", exported.err);
    let lines = std::fs::read_to_string(&file).expect("written");
    let entries: Vec<Value> = lines
        .lines()
        .map(|line| serde_json::from_str(line).expect("one object a line"))
        .collect();
    assert!(entries.len() >= 4, "{lines}");
    for (place, entry) in entries.iter().enumerate() {
        assert_eq!(entry["seq"], (place + 1).to_string());
        if place > 0 {
            assert_eq!(entry["previous"], entries[place - 1]["hash"]);
        }
    }
    assert!(exported.err.contains(&format!("{} entries", entries.len())));
    let again = place.said_with("audit export", &[&shown]);
    assert_eq!(again.code, Some(3));
    assert!(again.err.contains("stays as it is"), "{}", again.err);
    let kept = std::fs::read_to_string(&file).expect("still there");
    assert_eq!(kept, lines);
    assert!(!place.folder().join("porto.ndjson.part").exists());
}

#[test]
fn checkpoints_are_kept_in_a_file_that_the_server_can_be_held_to() {
    let place = Workplace::with_key(&[("RINGTRUE_SERVER__AUDIT__CHECKPOINT_EVERY_S", "1")]);
    eventually("a checkpoint", || {
        let listed = place.said("audit checkpoints --json").done();
        listed.contains("signedJson")
    });
    let listed = place.said("audit checkpoints").done();
    assert!(listed.contains("good"), "{listed}");
    let file = place.folder().join("checkpoints.ndjson");
    let shown = file.display().to_string();
    let keep = || place.said_with("audit checkpoints", &[&shown]);
    let kept = keep();
    assert_eq!(kept.code, Some(0), "{}", kept.err);
    assert!(kept.err.contains("Each holds the hash"), "{}", kept.err);
    assert!(!kept.err.contains("not signed"), "{}", kept.err);
    let before = std::fs::read_to_string(&file).expect("kept");
    place.said("furnace change k2 --tolerance 8").done();
    eventually("one more checkpoint", || {
        keep().done();
        std::fs::read_to_string(&file)
            .expect("kept")
            .lines()
            .count()
            > before.lines().count()
    });
    let whole = std::fs::read_to_string(&file).expect("kept");
    assert!(whole.starts_with(&before), "what was kept stays");
    let database = place.folder().join("ringtrue.db");
    let arguments = [
        "verify".as_ref(),
        "--database".as_ref(),
        database.as_os_str(),
        "--witness".as_ref(),
        file.as_os_str(),
    ];
    let verified = server_ran(&arguments);
    assert_eq!(
        verified.status.code(),
        Some(0),
        "{}",
        text(&verified.stdout)
    );

    // As if the server's records had been written anew.
    let last = whole.lines().last().expect("a line");
    let last: Value = serde_json::from_str(last).expect("JSON");
    let hash = last["hash"].as_str().expect("a hash");
    std::fs::write(&file, whole.replace(hash, &"0".repeat(64))).expect("written");
    let refused = keep();
    assert_eq!(refused.code, Some(3), "{}", refused.err);
    assert!(
        refused.err.contains("does NOT have checkpoint"),
        "{}",
        refused.err
    );
    // A number that the server never reached.
    let number = format!(
        "\"number\":\"{}\"",
        last["number"].as_str().unwrap_or_default()
    );
    std::fs::write(&file, whole.replace(&number, "\"number\":\"90000\"")).expect("written");
    assert_eq!(keep().code, Some(3));
}
