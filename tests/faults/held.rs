//! What somebody holds for long, as a server does whose network is gone: others go on meanwhile.

use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_proto::v1;
use ringtrue_proto::v1::operations_service_client::OperationsServiceClient;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_store::{Error, Location, Over, Store};
use ringtrue_tests::laboratory::{self, ask, furnish, furnish_site};
use ringtrue_tests::postgresql::{Cluster, Door};
use ringtrue_tests::process::PATIENCE;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep};
use tonic::transport::Endpoint;
use tonic::{Code, Status};

use crate::clients::{migrated, served, served_at_rest, verified};

/// Sends a recording once; gives the reading's name.
async fn sent(endpoint: String, request: v1::RecordReadingRequest) -> Result<String, Status> {
    let channel = Endpoint::from_shared(endpoint)
        .expect("an address")
        .connect_lazy();
    let mut client = ReadingServiceClient::new(channel);
    let recorded = client.record_reading(request).await?.into_inner().reading;
    Ok(recorded.expect("the answer holds the reading").name)
}

/// The same reading of a site's furnace of the same name.
fn in_the_south(mut request: v1::RecordReadingRequest) -> v1::RecordReadingRequest {
    let moved = |name: &mut String| *name = name.replace("sites/north/", "sites/south/");
    let reading = request.reading.as_mut().expect("a reading");
    moved(&mut reading.programme);
    if let Some(v1::reading::Method::Rings(rings)) = &mut reading.method {
        moved(&mut rings.gauge);
    }
    moved(&mut request.parent);
    "019abcde-0000-7000-8000-000000000001".clone_into(&mut request.request_id);
    request
}

/// The database as one more server sees it.
async fn opened(database: &Door) -> Store {
    let opened = Store::open(&Location::parse(&database.server_url())).await;
    opened.expect("the database answers")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_site_that_is_held_for_long_keeps_no_other_from_recording() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let server = served_at_rest(&database);
    let near = laboratory::remote(&server);
    furnish(&near, 2).await;
    furnish_site(&near, "south", 1).await;
    let store = opened(&database).await;
    let north = SiteId::new("north").expect("an id");
    let held = store
        .begin_over("test", &Scope::for_work("test"), Over::Sites(&[north]))
        .await
        .expect("the site is free");

    // The first waits by itself; the other two gather behind it, for one transaction.
    let (mut northern, mut southern) = (JoinSet::new(), JoinSet::new());
    let began = Instant::now();
    northern.spawn(sent(server.endpoint(), ask(0, 0)));
    while !database.is_waited_in().await {
        assert!(began.elapsed() < PATIENCE, "nobody waits for the site");
        sleep(Duration::from_millis(10)).await;
    }
    northern.spawn(sent(server.endpoint(), ask(1, 0)));
    southern.spawn(sent(server.endpoint(), in_the_south(ask(0, 0))));
    for refused in northern.join_all().await {
        let code = refused.as_ref().map_err(Status::code);
        assert_eq!(code, Err(Code::Aborted), "{refused:?}");
    }
    for recorded in southern.join_all().await {
        let name = recorded.expect("recorded");
        assert!(name.starts_with("sites/south/"), "{name}");
    }

    // They were one group.
    server.line_with("waited in vain");

    held.roll_back().await.expect("undone");
    let again = sent(server.endpoint(), ask(1, 0)).await;
    assert!(again.is_ok(), "{again:?}");
    store.close().await.expect("closed");
    server.stop();
    verified(&database);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn background_work_is_noted_while_somebody_holds_the_whole_network() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let store = opened(&database).await;
    let scope = Scope::for_work("test");
    let held = store.begin_over("test", &scope, Over::Scope).await;
    let held = held.expect("nobody is at work");
    let server = served(&database, None);
    let channel = Endpoint::from_shared(server.endpoint())
        .expect("an address")
        .connect_lazy();
    let mut client = OperationsServiceClient::new(channel);
    let began = Instant::now();
    loop {
        let ask = v1::ListBackgroundWorkRequest {};
        let answer = client.list_background_work(ask).await.expect("answered");
        let work = answer.into_inner().work;
        if work.iter().any(|one| one.run_count > 0) {
            break;
        }
        assert!(began.elapsed() < PATIENCE, "nothing was noted: {work:?}");
        sleep(Duration::from_millis(100)).await;
    }
    held.roll_back().await.expect("undone");
    store.close().await.expect("closed");
    server.stop();
    verified(&database);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_keeps_others_behind_waits_less_long() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    // Without a limit for statements: it is the wait for a lock that ends.
    let store = opened(&database).await;
    let scope = Scope::for_work("test");
    let north = SiteId::new("north").expect("an id");
    let held = store.begin_over("test", &scope, Over::Site(&north)).await;
    let held = held.expect("the site is free");
    let waits = async |over: Over<'_>| {
        let began = Instant::now();
        let refused = store.begin_over("test", &scope, over).await;
        assert!(matches!(refused, Err(Error::Conflict(_))), "{refused:?}");
        began.elapsed()
    };
    // One after the other: they would wait for each other too.
    let one = waits(Over::Site(&north)).await;
    let some = waits(Over::Sites(std::slice::from_ref(&north))).await;
    let all = waits(Over::Scope).await;
    assert!(some < all && all < one, "{some:?} {all:?} {one:?}");
    held.roll_back().await.expect("undone");
    store.close().await.expect("closed");
}
