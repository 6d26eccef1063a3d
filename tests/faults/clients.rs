//! Servers on PostgreSQL, and clients as laboratories run them: they send again, with the same request id, until a server
//! answers.

use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_remote::{Code, Remote, Settings};
use ringtrue_tests::laboratory::furnish;
use ringtrue_tests::postgresql::{Cluster, Database, Door};
use ringtrue_tests::process::{PATIENCE, Server, command, server_ran, text};
use ringtrue_tests::proxy::Proxy;
use tokio::time::{Instant, sleep};
use tonic::transport::{Channel, Endpoint};

/// Connections that a server may have.
pub(crate) const CONNECTIONS: usize = 6;

/// How long PostgreSQL may work on a statement of these servers, s.
pub(crate) const LONGEST_STATEMENT_S: u64 = 2;

/// Makes the tables of a database; `door` leads to its owner.
pub(crate) fn migrated(door: &Door) {
    let url = door.url();
    let output = server_ran(&["migrate".as_ref(), "--database".as_ref(), url.as_ref()]);
    assert!(output.status.success(), "{}", text(&output.stderr));
}

/// Starts a server on a database.
pub(crate) fn served(door: &Door, address: Option<&str>) -> Server {
    Server::started(serving(door, address))
}

/// Starts a server that looks for nothing and fits nothing by itself.
pub(crate) fn served_at_rest(door: &Door) -> Server {
    let mut command = serving(door, None);
    command
        .env("RINGTRUE_SERVER__FLEET__REFIT_EVERY_S", "0")
        .env("RINGTRUE_SERVER__ALERTS__LOOK_EVERY_S", "0");
    Server::started(command)
}

fn serving(door: &Door, address: Option<&str>) -> Command {
    let mut command = command("ringtrue-server");
    command
        .args(["serve", "--listen", address.unwrap_or("127.0.0.1:0")])
        .args(["--database", &door.server_url()])
        .env("RINGTRUE_SERVER__HTTP__LISTEN", "127.0.0.1:0")
        .env(
            "RINGTRUE_SERVER__HTTP__PUBLIC_URL",
            "https://ringtrue.example.org/",
        )
        .env(
            "RINGTRUE_SERVER__POSTGRES__CONNECTIONS",
            CONNECTIONS.to_string(),
        )
        .env(
            "RINGTRUE_SERVER__POSTGRES__LONGEST_STATEMENT_S",
            LONGEST_STATEMENT_S.to_string(),
        );
    command
}

/// A server that reaches its database by a way that can fail, with a laboratory in it.
pub(crate) struct Reached {
    // Dropped in this order.
    pub(crate) server: Server,
    pub(crate) way: Proxy,
    pub(crate) database: Database,
    _cluster: Cluster,
}

pub(crate) async fn reached(furnaces: usize) -> Reached {
    let cluster = Cluster::quick();
    let database = cluster.database().await;
    migrated(&database);
    let way = Proxy::to(cluster.address());
    let server = served(&database.at(way.addr()), None);
    furnish(&remote(server.endpoint()), furnaces).await;
    Reached {
        server,
        way,
        database,
        _cluster: cluster,
    }
}

impl Reached {
    /// A channel on which calls are made once.
    pub(crate) fn channel(&self) -> Channel {
        Endpoint::from_shared(self.server.endpoint())
            .expect("an address")
            .connect_lazy()
    }
}

/// Fails unless the records are as they were recorded, and gives what was said about them.
pub(crate) fn verified(door: &Door) -> String {
    let url = door.url();
    let output = server_ran(&["verify".as_ref(), "--database".as_ref(), url.as_ref()]);
    let said = text(&output.stdout);
    assert!(output.status.success(), "{said}{}", text(&output.stderr));
    assert!(said.contains("All as recorded."), "{said}");
    said
}

/// A client of an address whose calls are given up after a second, so that the other server is asked.
pub(crate) fn remote(endpoint: String) -> Remote {
    Remote::connect(Settings {
        endpoint,
        operator: Some("t1".to_owned()),
        deadline: Duration::from_secs(1),
        connect_timeout: Duration::from_secs(1),
        ..Settings::default()
    })
    .expect("an address")
}

/// Whether a client is right to send the same again.
pub(crate) fn is_to_be_repeated(code: Code) -> bool {
    matches!(
        code,
        Code::Unavailable
            | Code::Aborted
            | Code::DeadlineExceeded
            | Code::Cancelled
            | Code::Unknown
    )
}

/// Records one reading, at one server after the other until one answers; gives its name.
pub(crate) async fn recorded(
    remotes: Arc<Vec<Remote>>,
    request: v1::RecordReadingRequest,
    acknowledged: Arc<AtomicUsize>,
) -> String {
    let end = Instant::now() + 4 * PATIENCE;
    let mut tries = acknowledged.load(Ordering::SeqCst);
    loop {
        let remote = &remotes[tries % remotes.len()];
        match Box::pin(remote.record_reading(request.clone())).await {
            Ok(answer) => {
                acknowledged.fetch_add(1, Ordering::SeqCst);
                return answer.reading.expect("the answer holds the reading").name;
            }
            Err(failure) => {
                assert!(is_to_be_repeated(failure.code), "{failure:?}");
                assert!(Instant::now() < end, "no server came back: {failure:?}");
                tries += 1;
                sleep(Duration::from_millis(50)).await;
            }
        }
    }
}
