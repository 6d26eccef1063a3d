//! A primary and its hot standby by streaming replication, behind one address that can be moved from one to the other.

use rustix::process::Pid;
use sqlx::Connection as _;
use sqlx::postgres::PgConnection;

use super::installation::Installation;
use super::{Cluster, Database, Door, apart};
use crate::process::{PATIENCE, text};
use crate::proxy::Proxy;

/// How a primary answers a commit only when the standby has it on its disk and shows it to readers.
const TOGETHER: [(&str, &str); 2] = [
    ("synchronous_standby_names", "*"),
    ("synchronous_commit", "remote_apply"),
];

/// Two servers with the same records. A commit is acknowledged when both have it.
#[derive(Debug)]
pub struct Pair {
    forwarder: Proxy,
    // Ends before the primary, which would otherwise wait for it at its own end.
    standby: Cluster,
    primary: Cluster,
}

impl Pair {
    /// Starts both, and waits until the standby has everything that the primary has.
    pub fn start() -> Self {
        // From the first moment: a primary that is told later acknowledges some commits before it listens.
        let primary = Cluster::durable_with(&TOGETHER);
        let standby = Cluster::started(Some(primary.port), &[]);
        let pair = Self {
            forwarder: Proxy::to(primary.address()),
            standby,
            primary,
        };
        apart(pair.in_step());
        pair
    }

    /// The server that takes changes until it is killed.
    pub fn primary(&self) -> &Cluster {
        &self.primary
    }

    /// The server that only answers readers until it is promoted.
    pub fn standby(&self) -> &Cluster {
        &self.standby
    }

    /// The one address of both: it leads to the primary until it is switched.
    pub fn forwarder(&self) -> &Proxy {
        &self.forwarder
    }

    /// Makes a fresh database on the primary, and so on the standby.
    pub async fn database(&self) -> Database {
        self.primary.database().await
    }

    /// Gives a database's URLs at the one address.
    pub fn through(&self, database: &Database) -> Door {
        database.at(self.forwarder.addr())
    }

    /// Gives a database's URLs on the standby.
    pub fn on_standby(&self, database: &Database) -> Door {
        database.at(self.standby.address())
    }

    /// Kills every process of the primary at once.
    pub fn kill_primary(&mut self) -> Vec<Pid> {
        let processes = self.primary.processes();
        self.primary.kill();
        processes
    }

    /// Makes the standby take changes, and waits until it does. The address still leads to the primary.
    pub fn promote(&self) {
        let installation = Installation::found();
        let answer = installation
            .command(installation.programs.join("pg_ctl"))
            .args(["promote", "--wait", "--pgdata"])
            .arg(self.standby.postmaster.data())
            .arg(format!("--timeout={}", PATIENCE.as_secs()))
            .output()
            .expect("the program starts");
        assert!(
            answer.status.success(),
            "the standby was not promoted: {}{}",
            text(&answer.stdout),
            text(&answer.stderr)
        );
    }

    /// Kills the primary, promotes the standby, and makes the one address lead to it.
    pub fn fail_over(&mut self) {
        self.kill_primary();
        self.promote();
        self.forwarder.switch(self.standby.address());
    }

    async fn in_step(&self) {
        const SQL: &str = "SELECT count(*) FROM pg_stat_replication
             WHERE state = 'streaming' AND sync_state = 'sync' AND replay_lsn = pg_current_wal_lsn()";
        let mut admin = PgConnection::connect(&self.primary.admin_url())
            .await
            .expect("the superuser may come in");
        let looks = async {
            loop {
                let standbys: i64 = sqlx::query_scalar(SQL)
                    .fetch_one(&mut admin)
                    .await
                    .expect("the primary knows its standby");
                if standbys == 1 {
                    break;
                }
                tokio::time::sleep(std::time::Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(PATIENCE, looks)
            .await
            .expect("the standby follows");
        admin.close().await.expect("the server says goodbye");
    }
}
