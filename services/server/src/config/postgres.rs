//! The settings of a database on PostgreSQL; a file of SQLite's needs none.

use std::time::Duration;

use ringtrue_store::{Address, Location};

use super::deliveries::Secret;
use super::layers::Given;
use super::within;

/// How a database on PostgreSQL is used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Postgres {
    /// The most connections of this server. All servers together stay below `max_connections` of PostgreSQL.
    pub connections: u32,
    /// PostgreSQL ends a statement of this server that takes longer, in seconds.
    pub longest_statement_s: u64,
    /// The password of the user in the address; empty when the address has it or none is asked for.
    pub password: Secret,
}

impl Default for Postgres {
    fn default() -> Self {
        Self {
            connections: 16,
            longest_statement_s: 10,
            password: Secret::default(),
        }
    }
}

impl Postgres {
    pub(super) fn given(given: &mut Given) -> Self {
        let default = Self::default();
        let connections = given.whole("postgres.connections", default.connections.into());
        Self {
            connections: u32::try_from(connections).unwrap_or(u32::MAX),
            longest_statement_s: given
                .whole("postgres.longest_statement_s", default.longest_statement_s),
            password: Secret::new(given.secret("postgres.password").unwrap_or_default()),
        }
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        let connections = self.connections.into();
        within(
            "postgres.connections",
            connections,
            // One listens, one serves callers of some sites, one all others.
            3,
            1_000,
            "connections",
            faults,
        );
        let longest = self.longest_statement_s;
        within(
            "postgres.longest_statement_s",
            longest,
            1,
            3_600,
            "seconds",
            faults,
        );
    }

    pub(super) fn effective(&self) -> String {
        let lines = [
            "\n[postgres]".to_owned(),
            format!("connections = {}", self.connections),
            format!("longest_statement_s = {}", self.longest_statement_s),
            if self.password.is_empty() {
                "password = \"\"".to_owned()
            } else {
                "# password = \"***\" from RINGTRUE_SERVER__POSTGRES__PASSWORD".to_owned()
            },
        ];
        lines.join("\n")
    }

    /// Where the database is that the settings name; a path stays a path.
    pub(super) fn location(&self, database: &str) -> Location {
        match Location::parse(database) {
            Location::Postgres(address) => Location::Postgres(Address {
                password: (!self.password.is_empty()).then(|| self.password.reveal().to_owned()),
                connections: self.connections,
                longest_statement: Some(Duration::from_secs(self.longest_statement_s)),
                ..address
            }),
            file @ Location::File(_) => file,
        }
    }
}
