//! Somebody alters the database with another program: `verify` exits with 1 and names what was altered.

use ringtrue_tests::process::{Server, server_ran, text, verified};

use crate::laboratory::{Folder, ask, furnish, name, remote};

/// A database with three readings whose server has stopped; gives the name of the first.
async fn recorded() -> (Folder, String) {
    let folder = Folder::new();
    let server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 1).await;
    let first = name(client.record_reading(ask(0, 2)).await);
    for firing in [1, 0] {
        name(client.record_reading(ask(0, firing)).await);
    }
    server.stop();
    let untouched = verified(&folder.database());
    assert_eq!(
        untouched.status.code(),
        Some(0),
        "{}",
        text(&untouched.stdout)
    );
    (folder, first)
}

/// Damages one row and gives what `verify` says of it.
async fn verified_after(folder: &Folder, damage: &'static str) -> String {
    let mut behind = folder.behind_its_back().await;
    let done = sqlx::query(damage)
        .execute(&mut behind)
        .await
        .expect("damaged");
    assert_eq!(done.rows_affected(), 1, "{damage}");
    drop(behind);
    let output = verified(&folder.database());
    let said = text(&output.stdout);
    assert_eq!(output.status.code(), Some(1), "{damage}: {said}");
    assert!(said.contains("restore the last good backup"), "{said}");
    said
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_altered_reading_is_named() {
    let (folder, first) = recorded().await;
    let damage = "UPDATE reading SET measurement = replace(measurement, '19.47', '19.56')
        WHERE fired_at = (SELECT MIN(fired_at) FROM reading)";
    let said = verified_after(&folder, damage).await;
    assert!(
        said.contains(&format!("FAULT: {first} was altered after it was recorded")),
        "{said}"
    );
    assert!(
        said.contains(&format!("the evaluation of {first} does not follow")),
        "{said}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_altered_audit_entry_is_named() {
    let (folder, _) = recorded().await;
    let damage = "UPDATE audit SET actor = 'local:t9' WHERE site_id = 'north' AND seq = 2";
    let said = verified_after(&folder, damage).await;
    assert!(
        said.contains("FAULT: audit entry 2 of chain `north` was altered"),
        "{said}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_deleted_reading_is_named() {
    let (folder, first) = recorded().await;
    let damage = "DELETE FROM reading WHERE fired_at = (SELECT MIN(fired_at) FROM reading)";
    let said = verified_after(&folder, damage).await;
    assert!(
        said.contains(&format!("FAULT: {first} was recorded but is gone")),
        "{said}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_deleted_audit_entry_is_named() {
    let (folder, _) = recorded().await;
    let said = verified_after(
        &folder,
        "DELETE FROM audit WHERE site_id = 'north' AND seq = 2",
    )
    .await;
    assert!(
        said.contains("FAULT: chain `north` is broken before entry 3"),
        "{said}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_value_that_cannot_be_read_back_is_named_too() {
    let (folder, _) = recorded().await;
    let damage = "UPDATE furnace SET state = 'molten' WHERE id = 'k0'";
    let mut behind = folder.behind_its_back().await;
    sqlx::query(damage)
        .execute(&mut behind)
        .await
        .expect("damaged");
    drop(behind);
    let output = verified(&folder.database());
    assert_eq!(output.status.code(), Some(1));
    let said = text(&output.stdout) + &text(&output.stderr);
    assert!(said.contains("k0"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rebuilding_mends_what_was_derived_and_only_that() {
    let (folder, _) = recorded().await;
    let mut behind = folder.behind_its_back().await;
    sqlx::query("UPDATE tracked_offset SET components = 77")
        .execute(&mut behind)
        .await
        .expect("damaged");
    drop(behind);
    let file = folder.database();
    let rebuild = || server_ran(&["rebuild".as_ref(), "--database".as_ref(), file.as_os_str()]);
    let output = rebuild();
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(
        text(&output.stderr).contains("1 furnaces worked out again, 1 differed"),
        "{}",
        text(&output.stderr)
    );
    let output = rebuild();
    assert!(
        text(&output.stderr).contains("0 differed"),
        "{}",
        text(&output.stderr)
    );
    assert_eq!(verified(&folder.database()).status.code(), Some(0));
    // What cannot be read any more is worked out again too, the fit of the network included.
    let mut behind = folder.behind_its_back().await;
    for damage in [
        "UPDATE tracked_offset SET document = x'00'",
        "UPDATE fleet_fit SET solution = x'FF'",
        "UPDATE site_fit SET document = x'FF'",
    ] {
        let done = sqlx::query(damage)
            .execute(&mut behind)
            .await
            .expect("damaged");
        assert_eq!(done.rows_affected(), 1, "{damage}");
    }
    drop(behind);
    let output = rebuild();
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let mut behind = folder.behind_its_back().await;
    let mended: i64 = sqlx::query_scalar(
        "SELECT LENGTH(t.document) > 1 AND LENGTH(f.solution) > 1 AND LENGTH(s.document) > 1
         FROM tracked_offset AS t, fleet_fit AS f, site_fit AS s",
    )
    .fetch_one(&mut behind)
    .await
    .expect("one furnace, one fit, one site");
    assert_eq!(mended, 1);
}
