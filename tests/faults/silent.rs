//! A database that is away or says nothing: the server says so, waits, and goes on by itself.

use std::sync::Arc;
use std::time::Duration;

use ringtrue_tests::laboratory::{ask, furnish, names_on_record};
use ringtrue_tests::postgresql::Cluster;
use ringtrue_tests::process::{PATIENCE, Server};
use ringtrue_tests::proxy::Proxy;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout};
use tonic::transport::{Channel, Endpoint};
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;

use crate::clients::{migrated, recorded, remote, served, verified};

/// What a balancer that knows no gRPC is told: the code of an answer over HTTP.
async fn healthz(address: &str) -> String {
    let mut connection = TcpStream::connect(address).await.expect("it listens");
    let ask = b"GET /healthz HTTP/1.1\r\nHost: local\r\nConnection: close\r\n\r\n";
    connection.write_all(ask).await.expect("it is sent");
    let mut answer = String::new();
    let read = connection.read_to_string(&mut answer).await;
    read.expect("it is answered");
    answer
        .split(' ')
        .nth(1)
        .expect("an answer has a code")
        .to_owned()
}

/// Where a server answers over HTTP.
fn http_of(server: &Server) -> String {
    let line = server.line_with(" http=");
    let (_, address) = line.split_once(" http=").expect("it was found by that");
    let address = address.split_whitespace().next();
    address.expect("the address follows").to_owned()
}

pub(crate) async fn becomes(channel: &Channel, wanted: ServingStatus) {
    let looks = async {
        loop {
            let mut health = HealthClient::new(channel.clone());
            let ask = HealthCheckRequest {
                service: String::new(),
            };
            let found = health.check(ask).await.expect("the server answers");
            if found.get_ref().status() == wanted {
                return;
            }
            sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(PATIENCE, looks)
        .await
        .unwrap_or_else(|_| panic!("health did not become {wanted:?}"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readiness_follows_a_database_that_goes_and_comes_back() {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let way = Proxy::to(cluster.address());
    let server = served(&database.at(way.addr()), None);
    let http = http_of(&server);
    furnish(&remote(server.endpoint()), 3).await;
    let channel = Endpoint::from_shared(server.endpoint())
        .expect("an address")
        .connect_lazy();
    becomes(&channel, ServingStatus::Serving).await;
    assert_eq!(healthz(&http).await, "200");

    way.close();
    becomes(&channel, ServingStatus::NotServing).await;
    assert_eq!(healthz(&http).await, "503");
    way.open();
    becomes(&channel, ServingStatus::Serving).await;
    assert_eq!(healthz(&http).await, "200");
    let near = Arc::new(vec![remote(server.endpoint())]);
    recorded(Arc::clone(&near), ask(0, 0), Arc::default()).await;

    // Nobody says that the way is dead, as when a machine loses its power.
    way.silence();
    let began = Instant::now();
    let mut stuck = JoinSet::new();
    stuck.spawn(recorded(Arc::clone(&near), ask(1, 0), Arc::default()));
    becomes(&channel, ServingStatus::NotServing).await;
    // The address leads to a machine that is well now; what was on the old one stays silent.
    way.forsake();
    becomes(&channel, ServingStatus::Serving).await;
    timeout(PATIENCE, stuck.join_all())
        .await
        .expect("it is answered in time");
    assert!(began.elapsed() < PATIENCE);
    recorded(near, ask(2, 0), Arc::default()).await;

    assert_eq!(names_on_record(&remote(server.endpoint())).await.len(), 3);
    server.stop();
    verified(&database);
}
