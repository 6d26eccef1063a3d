//! The database that a test works in: a file of SQLite's, or a database of its own on PostgreSQL when the tests are run
//! a second time with `RINGTRUE_TESTS_ON=postgresql`. Nothing else about a test changes.

use std::path::Path;

use ringtrue_store::{Address, Location, Store, Verified};
use sqlx::{AnyConnection, Connection as _, Executor as _};
use tempfile::TempDir;

use crate::postgresql::Database;

/// Says on which database this run of the tests works.
const CHOICE: &str = "RINGTRUE_TESTS_ON";

/// The migrated database that every fresh one is a copy of.
const TEMPLATE: &str = "migrated";

/// Connections of one store: many tests run side by side.
const CONNECTIONS: u32 = 6;

/// A database of a test; gone when dropped.
#[derive(Debug)]
pub enum TestDatabase {
    /// A file in a folder of its own.
    File(TempDir),
    /// A database of the cluster of this test process, and a folder for what else a test writes.
    Postgresql(Database, TempDir),
}

/// Whether this run of the tests works on PostgreSQL.
pub fn is_on_postgresql() -> bool {
    #[expect(
        clippy::disallowed_methods,
        reason = "the choice is made by whoever runs the tests"
    )]
    let choice = std::env::var(CHOICE);
    match choice.as_deref() {
        Ok("postgresql") => true,
        Ok("sqlite") | Err(_) => false,
        Ok(other) => panic!("{CHOICE} is `{other}`; it may be sqlite or postgresql"),
    }
}

/// Where a database of PostgreSQL's is, with few connections.
pub fn location(url: &str) -> Location {
    match Location::parse(url) {
        Location::Postgres(address) => Location::Postgres(Address {
            connections: CONNECTIONS,
            ..address
        }),
        file @ Location::File(_) => file,
    }
}

impl TestDatabase {
    /// Makes a database of the kind that this run works on, migrated and empty.
    pub async fn fresh() -> Self {
        if is_on_postgresql() {
            Self::on_postgresql().await
        } else {
            Self::in_file()
        }
    }

    /// Makes a folder for a file of SQLite's, whatever this run works on.
    pub fn in_file() -> Self {
        Self::File(tempfile::tempdir().expect("a temporary folder can be made"))
    }

    /// Makes a database on PostgreSQL, migrated and empty, whatever this run works on.
    pub async fn on_postgresql() -> Self {
        let database = Database::like(TEMPLATE, async |url| {
            Store::migrate(Location::parse(&url))
                .await
                .expect("the owner may migrate");
        })
        .await;
        let folder = tempfile::tempdir().expect("a temporary folder can be made");
        Self::Postgresql(database, folder)
    }

    /// Makes a copy of it, in which nobody may be at work.
    pub async fn copied(&self) -> Self {
        match self {
            Self::File(_) => {
                let copy = Self::in_file();
                std::fs::copy(self.named(), copy.named()).expect("the file is copied");
                copy
            }
            Self::Postgresql(database, _) => {
                let folder = tempfile::tempdir().expect("a temporary folder can be made");
                Self::Postgresql(database.copied().await, folder)
            }
        }
    }

    /// A folder that is this test's alone.
    pub fn folder(&self) -> &Path {
        match self {
            Self::File(folder) | Self::Postgresql(_, folder) => folder.path(),
        }
    }

    /// What a server is told to find it.
    pub fn named(&self) -> String {
        match self {
            Self::File(folder) => folder.path().join("ringtrue.db").display().to_string(),
            Self::Postgresql(database, _) => database.server_url(),
        }
    }

    /// Where it is for a server.
    pub fn location(&self) -> Location {
        location(&self.named())
    }

    /// Where it is for whoever owns it: who migrates and verifies.
    pub fn owners_location(&self) -> Location {
        match self {
            Self::File(_) => self.location(),
            Self::Postgresql(database, _) => location(&database.url()),
        }
    }

    /// What a verification finds, run by whoever owns it: on PostgreSQL it makes tables to compare with.
    pub async fn verified(&self) -> Verified {
        let store = Store::open(self.owners_location())
            .await
            .expect("the owner may open it");
        let verified = store.verify().await.expect("it can be read");
        store.close().await.expect("closed");
        verified
    }

    /// A connection behind the store's back, as somebody with a database program has, to whom no key is sacred.
    pub async fn behind_its_back(&self) -> AnyConnection {
        sqlx::any::install_default_drivers();
        let (url, without_keys) = match self {
            Self::File(_) => (
                format!("sqlite://{}", self.named()),
                "PRAGMA foreign_keys = OFF",
            ),
            Self::Postgresql(database, _) => (
                database.admin_url(),
                "SET session_replication_role = replica",
            ),
        };
        let mut connection = AnyConnection::connect(&url)
            .await
            .expect("a connection behind the store's back");
        connection
            .execute(without_keys)
            .await
            .expect("keys are not looked at");
        connection
    }
}
