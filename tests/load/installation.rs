//! What is measured: one server or several, on a database of their own or on one that is named.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use anyhow::Context as _;
use ringtrue_store::{Location, Store};
use ringtrue_tests::postgresql::{Cluster, Database};

use crate::process::{RealServer, settle_disk};

/// Where the records are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Kept {
    /// In a new file of SQLite's.
    Sqlite,
    /// In a new cluster of the installed PostgreSQL, which syncs the disk.
    Postgresql,
    /// In a file or at an address that is there; migrated before.
    There(String),
}

impl FromStr for Kept {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Infallible> {
        Ok(match text {
            "sqlite" => Self::Sqlite,
            "postgresql" => Self::Postgresql,
            there => Self::There(there.to_owned()),
        })
    }
}

/// What is set up to be measured.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Wanted {
    /// Where the records are kept: `sqlite` and `postgresql` make a database of their own and remove it; an address
    /// `postgres://…` of a migrated database gets new sites, which stay there.
    #[arg(long, default_value = "sqlite")]
    pub(crate) database: Kept,
    /// Servers on that database; more than one only on PostgreSQL.
    #[arg(long, default_value_t = 1)]
    pub(crate) replicas: usize,
    /// Folder for a file of SQLite's; what is made in it is removed.
    #[arg(long, default_value = "target/load")]
    pub(crate) folder: PathBuf,
    /// The servers make no fits and look for no findings, so that nothing but the calls is measured: after very many
    /// readings were put there at once they would be at it for long.
    #[arg(long)]
    pub(crate) at_rest: bool,
    /// Settings of PostgreSQL for a cluster of its own, as in `postgresql.conf`, such as `shared_buffers=4GB`; the ones it
    /// comes with are for a very small machine.
    #[arg(long, value_name = "NAME=VALUE", value_parser = setting)]
    pub(crate) postgresql_setting: Vec<(String, String)>,
}

fn setting(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((name, value)) if !name.is_empty() => Ok((name.to_owned(), value.to_owned())),
        _ => Err("a setting is a name, an equals sign and a value".to_owned()),
    }
}

/// The database, so that it stays until the servers have ended.
#[derive(Debug)]
enum Place {
    File(tempfile::TempDir),
    Own {
        // The database first: its removal needs the cluster.
        database: Database,
        _cluster: Cluster,
    },
    There(String),
}

/// Servers that run, and their database.
pub(crate) struct Installation {
    // The servers first: they end before their database does.
    pub(crate) servers: Vec<RealServer>,
    /// How many are started.
    pub(crate) replicas: usize,
    at_rest: bool,
    place: Place,
}

impl Installation {
    /// Makes the database and starts the servers.
    pub(crate) async fn start(wanted: &Wanted) -> anyhow::Result<Self> {
        anyhow::ensure!(wanted.replicas > 0, "at least one server is needed");
        anyhow::ensure!(
            wanted.postgresql_setting.is_empty() || wanted.database == Kept::Postgresql,
            "only a cluster of its own takes settings; add --database postgresql"
        );
        let place = Place::made(wanted).await?;
        anyhow::ensure!(
            wanted.replicas == 1 || !place.is_file(),
            "several servers share a database on PostgreSQL only; add --database postgresql"
        );
        let mut installation = Self {
            servers: Vec::new(),
            replicas: wanted.replicas,
            at_rest: wanted.at_rest,
            place,
        };
        installation.start_servers()?;
        Ok(installation)
    }

    /// Starts the servers.
    pub(crate) fn start_servers(&mut self) -> anyhow::Result<()> {
        // A build or a measurement before may still be writing back; what is measured should not wait for it.
        settle_disk();
        for _ in 0..self.replicas {
            let server = RealServer::replica(&self.place.named(), self.at_rest)?;
            self.servers.push(server);
        }
        Ok(())
    }

    /// Ends the servers in good order; the database stays.
    pub(crate) fn stop_servers(&mut self) -> anyhow::Result<()> {
        for server in self.servers.drain(..) {
            server.stop()?;
        }
        Ok(())
    }

    /// The database's URL for somebody who may do everything there.
    pub(crate) fn administrators_url(&self) -> String {
        match &self.place {
            Place::Own { database, .. } => database.admin_url(),
            place if place.is_file() => format!("sqlite://{}", place.named()),
            place => place.named(),
        }
    }

    /// Copies its database within a cluster of its own; no server may be at work.
    pub(crate) async fn copied(&self) -> anyhow::Result<Database> {
        match &self.place {
            Place::Own { database, .. } => Ok(database.copied().await),
            _ => anyhow::bail!("only a database of its own cluster is copied"),
        }
    }

    /// Says in words what is measured.
    pub(crate) fn words(&self) -> String {
        let database = match &self.place {
            Place::File(_) => "SQLite",
            Place::Own { .. } => "PostgreSQL on this machine",
            Place::There(_) => "the named database",
        };
        match self.replicas {
            1 => format!("1 server on {database}"),
            more => format!("{more} servers on {database}"),
        }
    }

    /// Ends the servers in good order, then takes away what was made.
    pub(crate) fn stop(mut self) -> anyhow::Result<()> {
        self.stop_servers()?;
        drop(self.place);
        Ok(())
    }
}

impl Place {
    async fn made(wanted: &Wanted) -> anyhow::Result<Self> {
        match &wanted.database {
            Kept::Sqlite => Ok(Self::File(folder_in(&wanted.folder)?)),
            Kept::Postgresql => {
                let mut settings = Vec::new();
                for (name, value) in &wanted.postgresql_setting {
                    settings.push((name.as_str(), value.as_str()));
                }
                let cluster = Cluster::durable_with(&settings);
                let database = cluster.database().await;
                Store::migrate(Location::parse(&database.url()))
                    .await
                    .context("migrating")?;
                Ok(Self::Own {
                    database,
                    _cluster: cluster,
                })
            }
            Kept::There(name) => Ok(Self::There(name.clone())),
        }
    }

    fn is_file(&self) -> bool {
        matches!(Location::parse(&self.named()), Location::File(_))
    }

    /// What a server is told.
    fn named(&self) -> String {
        match self {
            Self::File(folder) => folder.path().join("ringtrue.db").display().to_string(),
            Self::Own { database, .. } => database.server_url(),
            Self::There(name) => name.clone(),
        }
    }
}

/// Makes a fresh folder for a database: on the disk that is measured, where the machine's temporary folder may not be.
pub(crate) fn folder_in(parent: &Path) -> anyhow::Result<tempfile::TempDir> {
    std::fs::create_dir_all(parent)?;
    Ok(tempfile::tempdir_in(parent)?)
}
