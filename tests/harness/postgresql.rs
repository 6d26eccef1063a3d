//! PostgreSQL as it is: throw-away clusters of the installed server, and databases in them.
//!
//! A cluster lives in a temporary folder and on a free loopback port, is nobody else's, and is ended by a small shell
//! program (`postgresql/watch.sh`) that notices when the test process is gone, however it went. The machine's own
//! clusters are never touched.

mod database;
mod installation;
mod pair;
mod postmaster;

use std::collections::HashMap;
use std::hash::{BuildHasher as _, RandomState};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use rustix::process::Pid;
use sqlx::postgres::PgConnection;
use sqlx::{AssertSqlSafe, Connection as _};
use tokio::sync::OnceCell;

pub use database::{Database, Door};
pub use pair::Pair;
use postmaster::Postmaster;

use crate::process::PATIENCE;

/// The superuser, as a new cluster has it.
pub const ADMIN: &str = "postgres";
/// The role that owns every database of a cluster, and so may create in it.
pub const MIGRATOR: &str = "ringtrue_migrator";
/// The role that a server signs in as; it owns nothing.
pub const SERVER: &str = "ringtrue_server";
/// A role without a login that [`SERVER`] may take on.
pub const SCOPED: &str = "ringtrue_scoped";

/// The roles as an administrator makes them.
const ROLES: &str = include_str!("../../deploy/postgresql/roles.sql");

/// Below the ports that Linux gives out by itself, so that nobody gets ours while its server is down.
const PORTS: std::ops::Range<u16> = 15_000..32_000;

/// Another process may take a port between our look at it and our server's.
const MOST_STARTS: usize = 5;

/// Longest that a database's removal may take; it happens on drop, where nothing can fail any more.
const REMOVAL: Duration = Duration::from_secs(10);

/// What every cluster is told.
const ALWAYS: [(&str, &str); 5] = [
    ("listen_addresses", "127.0.0.1"),
    ("unix_socket_directories", ""),
    ("max_connections", "200"),
    ("timezone", "UTC"),
    // Inside the cluster's folder, so that it goes with it: POSIX segments of a killed server stay in /dev/shm.
    ("dynamic_shared_memory_type", "mmap"),
];

/// What a cluster is told whose records need not outlive the machine.
const HASTE: [(&str, &str); 2] = [("fsync", "off"), ("full_page_writes", "off")];

/// Gives the path of one of PostgreSQL's programs.
pub fn program(name: &str) -> PathBuf {
    installation::Installation::found().programs.join(name)
}

static OF_THIS_PROCESS: OnceLock<Cluster> = OnceLock::new();

/// A PostgreSQL server with records of its own; dropping it ends the server and removes its folder.
#[derive(Debug)]
pub struct Cluster {
    postmaster: Postmaster,
    port: u16,
    templates: Mutex<HashMap<String, Arc<OnceCell<()>>>>,
}

impl Cluster {
    /// Starts a cluster that does not sync the disk, for tests of behaviour.
    pub fn quick() -> Self {
        let cluster = Self::started(None, &HASTE);
        cluster.prepare();
        cluster
    }

    /// Starts a cluster that syncs the disk as a real one does, for faults and benchmarks, with more settings of
    /// `postgresql.conf`.
    pub fn durable_with(settings: &[(&str, &str)]) -> Self {
        let cluster = Self::started(None, settings);
        cluster.prepare();
        cluster
    }

    /// Gives the one quick cluster of this test process, made when it is first asked for.
    ///
    /// It ends shortly after the process does. Never kill or stop it: other tests work in it.
    pub fn shared() -> &'static Self {
        OF_THIS_PROCESS.get_or_init(Self::quick)
    }

    /// Starts a server on a fresh cluster, or on a copy of the one that serves at a port.
    fn started(original: Option<u16>, settings: &[(&str, &str)]) -> Self {
        for _ in 0..MOST_STARTS {
            let port = free_port();
            let at = port.to_string();
            let mut arguments = Vec::new();
            for (name, value) in ALWAYS
                .iter()
                .chain(settings)
                .chain(&[("port", at.as_str())])
            {
                arguments.push("-c".to_owned());
                arguments.push(format!("{name}={value}"));
            }
            match Postmaster::start(original, &arguments) {
                Ok(postmaster) => {
                    return Self {
                        postmaster,
                        port,
                        templates: Mutex::default(),
                    };
                }
                Err(log) if log.contains("could not bind") => {}
                Err(log) => panic!("PostgreSQL did not start; it said:\n{log}"),
            }
        }
        panic!("{MOST_STARTS} ports were taken by others before PostgreSQL could have them");
    }

    /// Makes the roles. A primary whose standby is not there yet would never acknowledge a commit, so this one is local.
    fn prepare(&self) {
        let roles = format!("SET synchronous_commit = local; {ROLES}");
        apart(async {
            let mut admin = self.admin().await;
            execute(&mut admin, &roles).await;
            admin.close().await.expect("the server says goodbye");
        });
    }

    /// Makes a fresh, empty database.
    pub async fn database(&self) -> Database {
        self.database_from("template1").await
    }

    /// Makes a database that begins as a copy of a [template](Self::template).
    pub async fn database_like(&self, template: &str) -> Database {
        self.database_from(&template_name(template)).await
    }

    async fn database_from(&self, template: &str) -> Database {
        let name = drawn_name();
        let database = Database::new(self.address(), &name);
        let statement = format!("CREATE DATABASE {name} OWNER {MIGRATOR} TEMPLATE {template}");
        let mut admin = self.admin().await;
        execute(&mut admin, &statement).await;
        admin.close().await.expect("the server says goodbye");
        database
    }

    /// Makes a template once: an empty database that `make` fills through the owner's URL. Whoever asks for it again,
    /// or at the same time, gets the one that is there.
    ///
    /// `make` has to close its connections: a database in use cannot be copied.
    pub async fn template(&self, name: &str, make: impl AsyncFnOnce(String)) {
        let once = {
            let mut templates = self
                .templates
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            Arc::clone(templates.entry(name.to_owned()).or_default())
        };
        once.get_or_init(async || {
            let name = template_name(name);
            let mut admin = self.admin().await;
            // What is left of somebody whose `make` failed.
            let remove = format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)");
            execute(&mut admin, &remove).await;
            let create = format!("CREATE DATABASE {name} OWNER {MIGRATOR}");
            execute(&mut admin, &create).await;
            admin.close().await.expect("the server says goodbye");
            make(Door::new(self.address(), &name).url()).await;
        })
        .await;
    }

    /// Gives the address at which the server answers.
    pub fn address(&self) -> SocketAddr {
        SocketAddr::from((Ipv4Addr::LOCALHOST, self.port))
    }

    /// Gives the superuser's URL of the database that every cluster begins with.
    pub fn admin_url(&self) -> String {
        Door::new(self.address(), "postgres").admin_url()
    }

    /// Gives the folder in which everything of the cluster lies.
    pub fn folder(&self) -> &Path {
        self.postmaster.folder()
    }

    /// Gives what the server wrote to its log so far.
    pub fn log(&self) -> String {
        self.postmaster.log()
    }

    /// Gives the ids of the server's processes, its first one at the front.
    pub fn processes(&self) -> Vec<Pid> {
        self.postmaster.processes()
    }

    /// Kills every process of the server as a power cut would end it: nothing in it can act on that.
    pub fn kill(&mut self) {
        self.postmaster.kill();
    }

    /// Stops the server in good order, putting its clients out; its records stay for [`start_again`](Self::start_again).
    pub fn stop(&mut self) {
        self.postmaster.stop();
    }

    /// Starts the server again on the same records and port after it was killed or stopped.
    pub fn start_again(&mut self) {
        if let Err(log) = self.postmaster.start_again() {
            panic!("PostgreSQL did not start again; it said:\n{log}");
        }
    }

    /// Waits until the server takes connections; after the death of a backend it recovers first.
    pub async fn answers(&self) {
        let url = self.admin_url();
        let attempts = async {
            while let Err(_recovering) = PgConnection::connect(&url).await {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(PATIENCE, attempts)
            .await
            .expect("the server takes connections");
    }

    async fn admin(&self) -> PgConnection {
        PgConnection::connect(&self.admin_url())
            .await
            .expect("the superuser may come in")
    }
}

fn template_name(name: &str) -> String {
    let plain =
        |letter: char| letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '_';
    assert!(
        name.chars().all(plain),
        "`{name}`: a template is named in small letters, digits and `_`"
    );
    format!("template_{name}")
}

async fn execute(connection: &mut PgConnection, statements: &str) {
    sqlx::raw_sql(AssertSqlSafe(statements.to_owned()))
        .execute(connection)
        .await
        .unwrap_or_else(|error| panic!("{statements}: {error}"));
}

/// Finds a loopback port that nobody listens on.
fn free_port() -> u16 {
    loop {
        let within = draw() % u64::from(PORTS.end - PORTS.start);
        let port = PORTS.start + u16::try_from(within).expect("there are fewer ports");
        if TcpListener::bind((Ipv4Addr::LOCALHOST, port)).is_ok() {
            return port;
        }
    }
}

/// Names a database. Drawn, not counted: it is removed by its name, at a port that may by then be another cluster's.
fn drawn_name() -> String {
    format!("drawn_{:016x}", draw())
}

/// Draws a number that no other test process draws: the standard library seeds its hashers from the system.
fn draw() -> u64 {
    RandomState::new().hash_one(())
}

/// Waits for a future in a thread and runtime of its own, wherever the caller runs.
fn apart<T: Send>(work: impl Future<Output = T> + Send) -> T {
    std::thread::scope(|scope| {
        let thread = scope.spawn(|| {
            tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .expect("a runtime can be made")
                .block_on(work)
        });
        match thread.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}
