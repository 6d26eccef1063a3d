//! The folder of one server's database, and the laboratory in it.

use std::path::{Path, PathBuf};

use sqlx::Connection as _;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use tempfile::TempDir;

pub(crate) use ringtrue_tests::laboratory::{
    ask, at_setpoint, furnish, name, names_on_record, remote,
};

/// A folder for one server's database; gone when dropped.
pub(crate) struct Folder(TempDir);

impl Folder {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder for the test"))
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn database(&self) -> PathBuf {
        self.0.path().join("ringtrue.db")
    }

    /// A connection behind the server's back, as somebody with a database program has.
    pub(crate) async fn behind_its_back(&self) -> SqliteConnection {
        let options = SqliteConnectOptions::new()
            .filename(self.database())
            .foreign_keys(false);
        SqliteConnection::connect_with(&options)
            .await
            .expect("a second connection")
    }
}
