//! The file that holds every checkpoint away from the database.

use std::path::Path;

use ringtrue_tests::process::{Server, eventually, server_ran, text};
use serde_json::Value;

use crate::laboratory::{Folder, ask, furnish, remote};

/// A server that makes checkpoints every second and keeps them in a file.
fn with_witness(folder: &Folder, witness: &Path) -> Server {
    Server::serve_with(&folder.database(), |command| {
        command
            .env("RINGTRUE_SERVER__AUDIT__CHECKPOINT_EVERY_S", "1")
            .env("RINGTRUE_SERVER__AUDIT__WITNESS", witness);
    })
}

/// The numbers of the checkpoints in a witness file; empty while there is none.
fn numbers(witness: &Path) -> Vec<i64> {
    let text = std::fs::read_to_string(witness).unwrap_or_default();
    let number = |line: &str| {
        let one: Value = serde_json::from_str(line).expect("one object a line");
        one["number"].as_i64().expect("a number")
    };
    text.lines().map(number).collect()
}

fn without_gaps(witness: &Path) -> bool {
    let numbers = numbers(witness);
    !numbers.is_empty() && (1..).zip(&numbers).all(|(wanted, found)| wanted == *found)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_witness_file_that_could_not_be_written_to_lacks_nothing_afterwards() {
    let folder = Folder::new();
    let elsewhere = folder.path().join("elsewhere");
    let witness = elsewhere.join("checkpoints.ndjson");
    let server = with_witness(&folder, &witness);
    let remote = remote(&server);
    furnish(&remote, 1).await;
    server.line_with("checkpoints were not written to the witness file");
    remote
        .record_reading(ask(0, 0))
        .await
        .expect("recorded all the same");
    // Whoever looks after the server is told which piece of work fails, and why.
    let mut told = None;
    while told.is_none() {
        let work = remote
            .background_work(ringtrue_proto::v1::ListBackgroundWorkRequest {})
            .await
            .expect("listed")
            .work;
        told = work
            .into_iter()
            .find(|work| work.name == "witness" && work.failure_count > 0);
    }
    let told = told.expect("found");
    assert!(told.last_failure.contains("checkpoints.ndjson"), "{told:?}");

    std::fs::create_dir(&elsewhere).expect("made");
    eventually("all checkpoints are in the file", || without_gaps(&witness));
    server.stop();

    // As if it had been killed while it wrote a line.
    let whole = std::fs::read_to_string(&witness).expect("read");
    let torn = format!("{whole}{{\"number\":{}", 99);
    std::fs::write(&witness, torn).expect("written");
    let server = with_witness(&folder, &witness);
    let remote = crate::laboratory::remote(&server);
    remote.record_reading(ask(0, 1)).await.expect("recorded");
    server.stop();
    assert!(without_gaps(&witness), "{:?}", numbers(&witness));
    let now = std::fs::read_to_string(&witness).expect("read");
    assert!(now.starts_with(&whole) && now.len() > whole.len(), "{now}");
    let database = folder.database();
    let proved = server_ran(&[
        "verify".as_ref(),
        "--database".as_ref(),
        database.as_os_str(),
        "--witness".as_ref(),
        witness.as_os_str(),
    ]);
    assert_eq!(proved.status.code(), Some(0), "{}", text(&proved.stdout));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_that_was_set_back_is_found_out_by_its_witness() {
    let folder = Folder::new();
    let witness = folder.path().join("checkpoints.ndjson");
    let server = with_witness(&folder, &witness);
    furnish(&remote(&server), 1).await;
    server.stop();
    let backup = folder.path().join("backup.db");
    std::fs::copy(folder.database(), &backup).expect("copied");
    let server = with_witness(&folder, &witness);
    remote(&server)
        .record_reading(ask(0, 0))
        .await
        .expect("recorded");
    server.stop();
    let held = std::fs::read_to_string(&witness).expect("read");

    std::fs::copy(&backup, folder.database()).expect("set back");
    let server = with_witness(&folder, &witness);
    let line = server.line_with("checkpoints were not written to the witness file");
    assert!(
        line.contains("restored from a backup, or altered"),
        "{line}"
    );
    server.stop();
    let after = std::fs::read_to_string(&witness).expect("read");
    assert_eq!(after, held, "evidence stays as it is");
}
