//! An orderly end: no new work, work in progress finished, and a bound on all of it.

use std::time::{Duration, Instant};

use ringtrue_proto::v1::{GetSiteRequest, RecordReadingResponse};
use ringtrue_remote::{Code, Outcome, Remote};
use ringtrue_tests::process::Server;
use sqlx::sqlite::SqliteConnection;
use tokio::task::JoinHandle;
use tonic::transport::Endpoint;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;

use crate::laboratory::{Folder, ask, furnish, name, names_on_record, remote};

/// Keeps the server from writing, as a slow disk does.
async fn hold_up(folder: &Folder) -> SqliteConnection {
    let mut behind = folder.behind_its_back().await;
    sqlx::query("BEGIN IMMEDIATE")
        .execute(&mut behind)
        .await
        .expect("the write lock");
    behind
}

async fn let_go(mut behind: SqliteConnection) {
    sqlx::query("ROLLBACK")
        .execute(&mut behind)
        .await
        .expect("the write lock is given back");
}

/// Starts a recording, and comes back once the server has begun with it.
async fn recording(remote: &Remote) -> JoinHandle<Outcome<RecordReadingResponse>> {
    let client = remote.clone();
    #[expect(
        clippy::disallowed_methods,
        reason = "a call of the test's own, awaited at its end"
    )]
    let call = tokio::spawn(async move { client.record_reading(ask(0, 0)).await });
    // Calls on one connection are begun in their order, and reading does not wait for the writer.
    for _ in 0..2 {
        tokio::task::yield_now().await;
        let name = "sites/north".to_owned();
        remote.site(GetSiteRequest { name }).await.expect("a site");
    }
    assert!(!call.is_finished(), "nothing can be written now");
    call
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sigterm_finishes_calls_in_progress_tells_health_and_exits_with_0() {
    let folder = Folder::new();
    let mut server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 1).await;
    let channel = Endpoint::from_shared(server.endpoint())
        .expect("an address")
        .connect()
        .await
        .expect("connected");
    let mut health = HealthClient::new(channel)
        .watch(HealthCheckRequest {
            service: "ringtrue.v1.ReadingService".to_owned(),
        })
        .await
        .expect("health is told")
        .into_inner();
    let first = health.message().await.expect("told").expect("a status");
    assert_eq!(first.status(), ServingStatus::Serving);

    let behind = hold_up(&folder).await;
    let call = recording(&client).await;
    server.terminate();
    let next = health.message().await.expect("told").expect("a status");
    assert_eq!(next.status(), ServingStatus::NotServing);
    drop(health);
    assert!(server.runs(), "it ended with a call in progress");
    assert!(!call.is_finished());
    let newcomer = remote(&server);
    let refused = newcomer.readings(ringtrue_proto::v1::ListReadingsRequest {
        parent: "sites/north/furnaces/k0".to_owned(),
        ..ringtrue_proto::v1::ListReadingsRequest::default()
    });
    let refused = refused.await.expect_err("no new work is taken");
    assert_eq!(refused.code, Code::Unavailable);

    let_go(behind).await;
    let recorded = name(call.await.expect("the call ends"));
    assert_eq!(
        server.ended().code(),
        Some(0),
        "it said:\n{}",
        server.said()
    );
    assert!(server.said().contains("stopped"), "{}", server.said());

    let again = Server::serve(&folder.database());
    assert_eq!(names_on_record(&remote(&again)).await, [recorded]);
    again.stop();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_idle_client_does_not_hold_up_the_end() {
    let folder = Folder::new();
    let server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 1).await;
    let start = Instant::now();
    server.stop();
    let took = start.elapsed();
    assert!(took < Duration::from_secs(5), "the end took {took:?}");
    drop(client);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_signal_stops_at_once_and_says_that_work_was_cut_short() {
    let folder = Folder::new();
    let mut server = Server::serve(&folder.database());
    let client = remote(&server);
    furnish(&client, 1).await;
    let behind = hold_up(&folder).await;
    let call = recording(&client).await;
    server.terminate();
    server.line_with("asked to stop; finishing");
    assert!(server.runs());
    let start = Instant::now();
    server.terminate();
    // EX_TEMPFAIL of sysexits.h (BSD): work was cut short.
    assert_eq!(
        server.ended().code(),
        Some(75),
        "it said:\n{}",
        server.said()
    );
    let took = start.elapsed();
    assert!(took < Duration::from_secs(3), "the end took {took:?}");
    let cut = call
        .await
        .expect("the call ends")
        .expect_err("nothing was recorded");
    assert!(
        matches!(cut.code, Code::Unavailable | Code::Unknown | Code::Internal),
        "{cut:?}"
    );
    let_go(behind).await;

    let again = Server::serve(&folder.database());
    assert_eq!(names_on_record(&remote(&again)).await.len(), 0);
    again.stop();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn grace_that_runs_out_ends_the_server_with_75() {
    let folder = Folder::new();
    let mut server = Server::serve_with(&folder.database(), |command| {
        command.env("RINGTRUE_SERVER__DRAIN_S", "1");
    });
    let client = remote(&server);
    furnish(&client, 1).await;
    let behind = hold_up(&folder).await;
    let call = recording(&client).await;
    let start = Instant::now();
    server.terminate();
    assert_eq!(
        server.ended().code(),
        Some(75),
        "it said:\n{}",
        server.said()
    );
    let took = start.elapsed();
    assert!(
        took >= Duration::from_secs(1),
        "the grace was cut short: {took:?}"
    );
    assert!(took < Duration::from_secs(4), "the end took {took:?}");
    call.await
        .expect("the call ends")
        .expect_err("nothing was recorded");
    let_go(behind).await;
    let again = Server::serve(&folder.database());
    assert_eq!(names_on_record(&remote(&again)).await.len(), 0);
    again.stop();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn somebody_who_watches_health_and_never_hangs_up_does_not_hold_up_the_end() {
    let folder = Folder::new();
    let server = Server::serve(&folder.database());
    let channel = Endpoint::from_shared(server.endpoint())
        .expect("an address")
        .connect()
        .await
        .expect("connected");
    let mut health = HealthClient::new(channel)
        .watch(HealthCheckRequest::default())
        .await
        .expect("health is told")
        .into_inner();
    assert!(health.message().await.expect("told").is_some());
    let start = Instant::now();
    server.stop();
    let took = start.elapsed();
    assert!(took < Duration::from_secs(5), "the end took {took:?}");
    drop(health);
}
