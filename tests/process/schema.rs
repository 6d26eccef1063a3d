//! The database's form: made, found up to date, and left alone when it is of a newer program.

use std::ffi::OsStr;

use ringtrue_tests::process::{Server, server_ran, text, verified};
use sqlx::Connection as _;

use crate::laboratory::{Folder, furnish, remote};

fn migrated(folder: &Folder) -> std::process::Output {
    let file = folder.database();
    server_ran(&[
        OsStr::new("migrate"),
        OsStr::new("--database"),
        file.as_os_str(),
    ])
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn migrate_makes_a_database_that_can_be_served() {
    let folder = Folder::new();
    let made = migrated(&folder);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    assert!(
        text(&made.stderr).contains("up to date"),
        "{}",
        text(&made.stderr)
    );
    let mut behind = folder.behind_its_back().await;
    let tables: i64 =
        sqlx::query_scalar("SELECT COUNT(*) FROM sqlite_master WHERE name = 'reading'")
            .fetch_one(&mut behind)
            .await
            .expect("a schema");
    assert_eq!(tables, 1);
    drop(behind);
    assert_eq!(
        migrated(&folder).status.code(),
        Some(0),
        "migrating again does no harm"
    );
    let server = Server::serve(&folder.database());
    furnish(&remote(&server), 1).await;
    server.stop();
    assert_eq!(verified(&folder.database()).status.code(), Some(0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_of_a_newer_program_is_refused_and_left_as_it_is() {
    let folder = Folder::new();
    migrated(&folder);
    let mut behind = folder.behind_its_back().await;
    sqlx::query(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'of tomorrow', true, x'00', 1)",
    )
    .execute(&mut behind)
    .await
    .expect("a later migration");
    behind.close().await.expect("closed");
    let before = std::fs::read(folder.database()).expect("a file");
    let file = folder.database();
    for verb in ["serve", "migrate", "verify", "rebuild"] {
        let mut arguments = vec![OsStr::new(verb), OsStr::new("--database"), file.as_os_str()];
        if verb == "serve" {
            arguments.extend(["--listen", "127.0.0.1:0"].map(OsStr::new));
        }
        let refused = server_ran(&arguments);
        assert_eq!(
            refused.status.code(),
            Some(1),
            "{verb}: {}",
            text(&refused.stderr)
        );
        let words = text(&refused.stderr);
        assert!(
            words.contains("newer version of this program"),
            "{verb}: {words}"
        );
    }
    let after = std::fs::read(folder.database()).expect("a file");
    assert!(
        after == before,
        "a program that is too old wrote into the file"
    );
}

#[test]
fn verifying_what_is_not_there_makes_nothing() {
    let folder = Folder::new();
    let refused = verified(&folder.database());
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains("there is no database"),
        "{}",
        text(&refused.stderr)
    );
    assert!(!folder.database().exists());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn verifying_a_file_that_is_not_ours_fails_and_leaves_it_as_it_is() {
    let folder = Folder::new();
    std::fs::write(folder.database(), "").expect("an empty file");
    let refused = verified(&folder.database());
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains("not a database of this program"),
        "{}",
        text(&refused.stderr)
    );
    assert_eq!(std::fs::read(folder.database()).expect("a file"), b"");

    let mut behind = folder.behind_its_back().await;
    sqlx::query("CREATE TABLE audit (note TEXT)")
        .execute(&mut behind)
        .await
        .expect("a table of another program");
    behind.close().await.expect("closed");
    let before = std::fs::read(folder.database()).expect("a file");
    let refused = verified(&folder.database());
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains("not a database of this program"),
        "{}",
        text(&refused.stderr)
    );
    assert!(std::fs::read(folder.database()).expect("a file") == before);
}
