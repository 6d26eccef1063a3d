//! One database of a cluster: the ways in, and the backends at work in it.

use std::net::SocketAddr;
use std::ops::Deref;

use rustix::process::{Pid, Signal, kill_process};
use sqlx::postgres::PgConnection;
use sqlx::{AssertSqlSafe, Connection as _};

use super::{ADMIN, Cluster, MIGRATOR, REMOVAL, SERVER, apart, drawn_name, execute};

/// The URLs by which a database is reached at some address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Door {
    address: SocketAddr,
    name: String,
}

impl Door {
    pub(super) fn new(address: SocketAddr, name: &str) -> Self {
        Self {
            address,
            name: name.to_owned(),
        }
    }

    /// Gives the URL of the database's owner, who makes its tables.
    pub fn url(&self) -> String {
        self.url_of(MIGRATOR)
    }

    /// Gives the URL of the role that a server signs in as.
    pub fn server_url(&self) -> String {
        self.url_of(SERVER)
    }

    /// Gives the superuser's URL.
    pub fn admin_url(&self) -> String {
        self.url_of(ADMIN)
    }

    /// Gives the same database's URLs at another address, such as a proxy's.
    pub fn at(&self, address: SocketAddr) -> Self {
        Self::new(address, &self.name)
    }

    /// Gives the database's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    fn url_of(&self, role: &str) -> String {
        format!("postgres://{role}@{}/{}", self.address, self.name)
    }
}

/// A database with an unused name; dropping it removes it, whoever is still connected.
///
/// It does not keep its cluster alive: once that is gone, so is the database.
#[derive(Debug)]
pub struct Database {
    door: Door,
}

impl Database {
    pub(super) fn new(address: SocketAddr, name: &str) -> Self {
        Self {
            door: Door::new(address, name),
        }
    }

    /// Makes a fresh, empty database in the cluster of this test process.
    pub async fn fresh() -> Self {
        Cluster::shared().database().await
    }

    /// Makes a database in the cluster of this test process that begins as a copy of a template, which is made first
    /// if it is not there; see [`Cluster::template`].
    pub async fn like(template: &str, make: impl AsyncFnOnce(String)) -> Self {
        let cluster = Cluster::shared();
        cluster.template(template, make).await;
        cluster.database_like(template).await
    }

    /// Makes a database that begins as a copy of this one, in which nobody may be at work.
    pub async fn copied(&self) -> Self {
        let name = drawn_name();
        let statement = format!(
            "CREATE DATABASE {name} OWNER {MIGRATOR} TEMPLATE {}",
            self.name()
        );
        let mut admin = self.admin().await;
        execute(&mut admin, &statement).await;
        admin.close().await.expect("the server says goodbye");
        Self::new(self.address, &name)
    }

    /// Gives the process ids of the clients' backends in this database, in the order in which they came.
    pub async fn backends(&self) -> Vec<i32> {
        const SQL: &str = "SELECT pid FROM pg_stat_activity
             WHERE datname = $1 AND backend_type = 'client backend' ORDER BY backend_start, pid";
        let mut admin = self.admin().await;
        let found = sqlx::query_scalar(SQL)
            .bind(self.name())
            .fetch_all(&mut admin)
            .await
            .expect("the server knows its backends");
        admin.close().await.expect("the server says goodbye");
        found
    }

    /// Says whether somebody in this database waits for a lock of the program's own, such as a site's.
    pub async fn is_waited_in(&self) -> bool {
        const SQL: &str = "SELECT COUNT(*) > 0 FROM pg_stat_activity
             WHERE datname = $1 AND wait_event_type = 'Lock' AND wait_event = 'advisory'";
        let mut admin = self.admin().await;
        let found = sqlx::query_scalar(SQL)
            .bind(self.name())
            .fetch_one(&mut admin)
            .await
            .expect("the server knows who waits");
        admin.close().await.expect("the server says goodbye");
        found
    }

    /// Asks a backend to end, as an administrator does: its client's session is lost, and no other.
    pub async fn terminate_backend(&self, pid: i32) {
        let mut admin = self.admin().await;
        let ended: bool = sqlx::query_scalar("SELECT pg_terminate_backend($1, 10000)")
            .bind(pid)
            .fetch_one(&mut admin)
            .await
            .expect("the superuser may end a backend");
        assert!(ended, "backend {pid} did not end");
        admin.close().await.expect("the server says goodbye");
    }

    /// Kills a backend with signal 9. The server takes this for corrupted memory: it ends all sessions of the whole
    /// cluster and recovers from its log. Only in a cluster of one's own; [`Cluster::answers`] waits for the recovery.
    pub fn kill_backend(&self, pid: i32) {
        let pid = Pid::from_raw(pid).expect("process ids are above zero");
        kill_process(pid, Signal::KILL).expect("the backend is there and ours");
    }

    /// Connects as superuser beside the database, not in it: so that the look is not among what it sees.
    async fn admin(&self) -> PgConnection {
        PgConnection::connect(&Door::new(self.address, "postgres").admin_url())
            .await
            .expect("the superuser may come in")
    }
}

impl Deref for Database {
    type Target = Door;

    fn deref(&self) -> &Door {
        &self.door
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        let beside = Door::new(self.address, "postgres").admin_url();
        let remove = format!("DROP DATABASE IF EXISTS {} WITH (FORCE)", self.name());
        let removal = async {
            let mut admin = PgConnection::connect(&beside).await?;
            sqlx::raw_sql(AssertSqlSafe(remove))
                .execute(&mut admin)
                .await?;
            admin.close().await
        };
        // The cluster may be gone already, killed, or a standby; then there is nothing left to remove here.
        drop(apart(async {
            tokio::time::timeout(REMOVAL, removal).await
        }));
    }
}
