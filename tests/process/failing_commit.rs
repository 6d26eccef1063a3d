//! A commit that fails reaches the caller as an error, nothing of it is kept, and the server goes on.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::process::{Server, command, program, text, verified};
use rustix::process::{Resource, Rlimit, prlimit};
use tokio::task::JoinSet;

use crate::laboratory::{Folder, ask, at_setpoint, furnish, name, names_on_record, remote};

/// A setpoint whose readings break a foreign key that is looked at only at the commit, °C.
const TRAPPED_C: f64 = 1490.0;

/// Sets the trap. It is made by the file's owner, not by the server.
async fn set_trap(folder: &Folder) {
    let mut behind = folder.behind_its_back().await;
    sqlx::raw_sql(
        "CREATE TABLE trap (reading TEXT NOT NULL REFERENCES site (id) DEFERRABLE INITIALLY DEFERRED) STRICT;
         CREATE TRIGGER spring AFTER INSERT ON reading WHEN NEW.setpoint_c = 1490.0
         BEGIN INSERT INTO trap VALUES ('no such site'); END;",
    )
    .execute(&mut behind)
    .await
    .expect("a trap");
}

/// Takes the trap away again: `verify` tells of it as a schema that is not ours.
async fn take_trap_away(folder: &Folder) {
    let mut behind = folder.behind_its_back().await;
    sqlx::raw_sql("DROP TRIGGER spring; DROP TABLE trap;")
        .execute(&mut behind)
        .await
        .expect("no trap");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_constraint_broken_at_the_commit_is_told_and_the_next_reading_is_kept() {
    let folder = Folder::new();
    let server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 2).await;
    set_trap(&folder).await;
    let failure = client
        .record_reading(at_setpoint(ask(0, 0), TRAPPED_C))
        .await
        .expect_err("the trap");
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Internal, "STORE_FAILED")
    );
    assert!(
        failure
            .message
            .contains("nothing was acknowledged: try again"),
        "{}",
        failure.message
    );
    assert!(
        !failure.message.contains("FOREIGN KEY"),
        "the database's words are not for callers"
    );
    assert_eq!(names_on_record(&client).await.len(), 0);
    let kept = name(client.record_reading(ask(1, 0)).await);
    assert_eq!(names_on_record(&client).await, [kept]);
    assert!(
        server.said().contains("FOREIGN KEY"),
        "the log tells the cause: {}",
        server.said()
    );
    server.stop();
    assert_eq!(verified(&folder.database()).status.code(), Some(1));
    take_trap_away(&folder).await;
    assert_eq!(verified(&folder.database()).status.code(), Some(0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_bad_reading_in_a_group_does_not_fail_the_others() {
    const FURNACES: usize = 24;
    let folder = Folder::new();
    let server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, FURNACES).await;
    set_trap(&folder).await;
    // While somebody else writes, readings queue up and are then recorded as a group.
    let mut behind = folder.behind_its_back().await;
    sqlx::query("BEGIN IMMEDIATE")
        .execute(&mut behind)
        .await
        .expect("the write lock");
    let mut calls = JoinSet::new();
    for furnace in 0..FURNACES {
        let client = client.clone();
        let bad = furnace % 8 == 5;
        let request = if bad {
            at_setpoint(ask(furnace, 0), TRAPPED_C)
        } else {
            ask(furnace, 0)
        };
        calls.spawn(async move { (bad, client.record_reading(request).await) });
    }
    for _ in 0..3 {
        tokio::task::yield_now().await;
        let site = v1::GetSiteRequest {
            name: "sites/north".to_owned(),
        };
        client.site(site).await.expect("reading waits for nobody");
    }
    sqlx::query("ROLLBACK")
        .execute(&mut behind)
        .await
        .expect("the write lock is given back");
    let mut kept = Vec::new();
    let mut failed = 0;
    for (bad, outcome) in calls.join_all().await {
        if bad {
            assert_eq!(outcome.expect_err("the trap").code, Code::Internal);
            failed += 1;
        } else {
            kept.push(name(outcome));
        }
    }
    assert_eq!(failed, 3);
    server.line_with("a group of readings was not stored; trying them one by one");
    let mut on_record = names_on_record(&client).await;
    on_record.sort_unstable();
    kept.sort_unstable();
    assert_eq!(on_record, kept);
    server.stop();
    take_trap_away(&folder).await;
    assert_eq!(verified(&folder.database()).status.code(), Some(0));
}

/// Limits how long any file of the server may grow, bytes; none takes the limit away.
fn limit_files(server: &Server, bytes: Option<u64>) {
    let limit = Rlimit {
        current: bytes,
        maximum: None,
    };
    prlimit(Some(server.pid()), Resource::Fsize, limit).expect("the process is ours");
}

/// Starts a server that is told of a file too large by its write failing, and not by being ended.
fn serve_without_the_signal(folder: &Folder) -> Server {
    let mut shell = command("ringtrue-server");
    shell = {
        let mut wrapped = std::process::Command::new("sh");
        wrapped
            .args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"])
            .arg(shell.get_program());
        wrapped
            .args(["serve", "--listen", "127.0.0.1:0", "--database"])
            .arg(folder.database());
        wrapped
    };
    assert!(program("ringtrue-server").exists());
    Server::started(shell)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_room_on_the_disk_nothing_is_acknowledged_and_with_room_it_goes_on() {
    const FURNACES: usize = 80;
    let folder = Folder::new();
    let mut server = serve_without_the_signal(&folder);
    let client = remote(&server);
    furnish(&client, FURNACES).await;
    let mut kept = vec![name(client.record_reading(ask(0, 0)).await)];

    let log = folder.path().join("ringtrue.db-wal");
    let now = std::fs::metadata(&log).expect("a write-ahead log").len();
    limit_files(&server, Some(now + 60_000));
    let mut refused = Vec::new();
    for furnace in 1..FURNACES {
        match client.record_reading(ask(furnace, 0)).await {
            Ok(answer) => {
                assert!(refused.is_empty(), "recorded after the disk was full");
                kept.push(answer.reading.expect("the answer holds the reading").name);
            }
            Err(failure) => {
                assert_eq!(
                    (failure.code, failure.reason.as_str()),
                    (Code::Internal, "STORE_FAILED")
                );
                refused.push(furnace);
            }
        }
        if refused.len() == 3 {
            break;
        }
    }
    assert_eq!(refused.len(), 3, "the disk was never full");
    assert!(server.runs());
    let mut on_record = names_on_record(&client).await;
    on_record.sort_unstable();
    kept.sort_unstable();
    assert_eq!(
        on_record, kept,
        "what was acknowledged and what is on record differ"
    );

    limit_files(&server, None);
    for furnace in refused {
        // The same request id as before.
        kept.push(name(client.record_reading(ask(furnace, 0)).await));
    }
    let mut on_record = names_on_record(&client).await;
    on_record.sort_unstable();
    kept.sort_unstable();
    assert_eq!(on_record, kept);
    server.stop();
    let verified = verified(&folder.database());
    assert_eq!(
        verified.status.code(),
        Some(0),
        "{}",
        text(&verified.stdout)
    );
}
