//! What this computer has seen of furnaces, programmes, batches and gauges, for when no server can be asked.
//!
//! It lies beside the queue in a file of its own: losing it costs nothing but comfort, so nothing here fails a command,
//! and a file that cannot be read is begun anew.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use prost::Message;
use ringtrue_proto::v1::{Furnace, Gauge, Programme, RingBatch, RingTable, Site};
use rusqlite::{Connection, OpenFlags, params};

use crate::profile::kept;

/// Name of the file in its folder.
const NAME: &str = "known.db";
/// Longest wait for another process; without it the command goes on.
const PATIENCE: Duration = Duration::from_millis(500);

/// The table; its name changes with its columns. Moments are microseconds since 1970 UTC.
const SCHEMA: &str = "CREATE TABLE IF NOT EXISTS seen_1 (
    kind TEXT NOT NULL, name TEXT NOT NULL, body BLOB NOT NULL, seen_us INTEGER NOT NULL, PRIMARY KEY (kind, name)
) STRICT, WITHOUT ROWID";

/// What can be known.
pub(crate) trait Knowable: Message + Default + Clone {
    /// The word of the file.
    const KIND: &'static str;
    /// Its resource name.
    fn name(&self) -> &str;
    /// What is kept of it, given what was known before.
    fn kept(&self, _before: Option<Self>) -> Self {
        self.clone()
    }
}

impl Knowable for Site {
    const KIND: &'static str = "site";
    fn name(&self) -> &str {
        &self.name
    }
}

impl Knowable for Furnace {
    const KIND: &'static str = "furnace";
    fn name(&self) -> &str {
        &self.name
    }
}

impl Knowable for Programme {
    const KIND: &'static str = "programme";
    fn name(&self) -> &str {
        &self.name
    }
}

impl Knowable for Gauge {
    const KIND: &'static str = "gauge";
    fn name(&self) -> &str {
        &self.name
    }
}

impl Knowable for RingBatch {
    const KIND: &'static str = "batch";
    fn name(&self) -> &str {
        &self.name
    }
    /// Lists come without the lines of tables; a table never changes, so those known before are kept.
    fn kept(&self, before: Option<Self>) -> Self {
        let mut batch = self.clone();
        let earlier = before.map(|before| before.tables).unwrap_or_default();
        for table in &mut batch.tables {
            if table.entries.is_empty() {
                let same = |other: &&RingTable| (other.hold_min - table.hold_min).abs() < 1e-9;
                if let Some(known) = earlier.iter().find(same) {
                    table.entries.clone_from(&known.entries);
                }
            }
        }
        batch
    }
}

/// What was seen, and when.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Seen<T> {
    /// It.
    pub(crate) it: T,
    /// When the server said so, by this computer's clock.
    pub(crate) at: Timestamp,
}

/// What this computer knows of one server.
#[derive(Debug)]
pub(crate) struct Known(Connection);

impl Known {
    /// Opens what is known; none when nothing is.
    pub(crate) fn found(folder: &Path) -> Option<Self> {
        let path = folder.join(NAME);
        path.exists().then(|| Self::opened(&path)).flatten()
    }

    /// Opens it, or begins anew.
    pub(crate) fn made(folder: &Path) -> Option<Self> {
        kept::folder(folder).ok()?;
        let path: PathBuf = folder.join(NAME);
        Self::opened(&path).or_else(|| {
            // Whatever it is, it was only a copy of what the server knows.
            std::fs::remove_file(&path).ok()?;
            Self::opened(&path)
        })
    }

    fn opened(path: &Path) -> Option<Self> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NOFOLLOW;
        let connection = Connection::open_with_flags(path, flags).ok()?;
        connection.busy_timeout(PATIENCE).ok()?;
        // What is lost is seen again.
        connection.pragma_update(None, "synchronous", "OFF").ok()?;
        connection.execute_batch(SCHEMA).ok()?;
        Some(Known(connection))
    }

    /// Keeps what the server just said. With a prefix of names it said all there is below it: what else was known
    /// there is forgotten.
    pub(crate) fn keep<T: Knowable>(
        &mut self,
        things: &[T],
        all_below: Option<&str>,
        at: Timestamp,
    ) {
        // Without it the command goes on all the same.
        drop(self.kept(things, all_below, at));
    }

    fn kept<T: Knowable>(
        &mut self,
        things: &[T],
        all_below: Option<&str>,
        at: Timestamp,
    ) -> rusqlite::Result<()> {
        let mut bodies = Vec::new();
        for thing in things {
            let before = self.one::<T>(thing.name()).map(|seen| seen.it);
            bodies.push((thing.name(), thing.kept(before).encode_to_vec()));
        }
        let change = self.0.transaction()?;
        if let Some(prefix) = all_below {
            change.execute(
                "DELETE FROM seen_1 WHERE kind = ?1 AND substr(name, 1, length(?2)) = ?2",
                params![T::KIND, prefix],
            )?;
        }
        for (name, body) in bodies {
            change.execute(
                "INSERT OR REPLACE INTO seen_1 (kind, name, body, seen_us) VALUES (?1, ?2, ?3, ?4)",
                params![T::KIND, name, body, at.as_microsecond()],
            )?;
        }
        change.commit()
    }

    /// One thing by its name.
    pub(crate) fn one<T: Knowable>(&self, name: &str) -> Option<Seen<T>> {
        self.below::<T>(name)
            .into_iter()
            .find(|seen| seen.it.name() == name)
    }

    /// All things whose names begin so, in order of their names.
    pub(crate) fn below<T: Knowable>(&self, prefix: &str) -> Vec<Seen<T>> {
        self.read(prefix).unwrap_or_default()
    }

    fn read<T: Knowable>(&self, prefix: &str) -> rusqlite::Result<Vec<Seen<T>>> {
        let mut statement = self.0.prepare(
            "SELECT body, seen_us FROM seen_1 WHERE kind = ?1 AND substr(name, 1, length(?2)) = ?2 ORDER BY name",
        )?;
        let rows = statement.query_map(params![T::KIND, prefix], |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, i64>(1)?))
        })?;
        let mut seen = Vec::new();
        for row in rows {
            let (body, at) = row?;
            if let (Ok(it), Ok(at)) = (T::decode(body.as_slice()), Timestamp::from_microsecond(at))
            {
                seen.push(Seen { it, at });
            }
        }
        Ok(seen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::RingTableEntry;

    fn at(text: &str) -> Timestamp {
        text.parse().expect("a moment")
    }

    fn furnace(id: &str) -> Furnace {
        Furnace {
            name: format!("sites/porto/furnaces/{id}"),
            ..Furnace::default()
        }
    }

    #[test]
    fn what_is_no_longer_there_is_forgotten_only_when_all_was_said() {
        let folder = tempfile::tempdir().expect("a folder");
        let place = folder.path().join("queues");
        assert!(Known::found(&place).is_none());
        let mut known = Known::made(&place).expect("made");
        let monday = at("2026-11-23T08:00:00Z");
        known.keep(&[furnace("k1"), furnace("k2")], None, monday);
        known.keep(&[furnace("k2")], None, at("2026-11-24T08:00:00Z"));
        assert_eq!(known.below::<Furnace>("sites/porto/").len(), 2);
        let one = known.one::<Furnace>("sites/porto/furnaces/k1");
        assert_eq!(one.map(|seen| seen.at), Some(monday));
        known.keep(&[furnace("k2")], Some("sites/porto/"), monday);
        assert_eq!(known.below::<Furnace>("sites/porto/").len(), 1);
        assert!(known.one::<Furnace>("sites/porto/furnaces/k").is_none());
        assert!(known.one::<Programme>("sites/porto/furnaces/k2").is_none());
    }

    #[test]
    fn a_list_without_lines_of_tables_leaves_those_known_before() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut known = Known::made(folder.path()).expect("made");
        let entry = RingTableEntry {
            diameter_mm: 19.47,
            temperature_c: 1519.0,
        };
        let table = |entries| RingTable {
            hold_min: 120.0,
            entries,
            ..RingTable::default()
        };
        let batch = |entries| RingBatch {
            name: "ringBatches/x7".to_owned(),
            tables: vec![table(entries)],
            ..RingBatch::default()
        };
        let now = at("2026-11-23T08:00:00Z");
        known.keep(&[batch(vec![entry])], None, now);
        known.keep(&[batch(Vec::new())], Some("ringBatches/"), now);
        let found = known.one::<RingBatch>("ringBatches/x7").expect("known");
        assert_eq!(found.it.tables[0].entries, [entry]);
    }

    #[test]
    fn a_file_that_cannot_be_read_is_begun_anew() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(
            folder.path().join(NAME),
            "this is no database, whatever its name says",
        )
        .expect("written");
        let mut known = Known::made(folder.path()).expect("begun anew");
        known.keep(&[furnace("k1")], None, at("2026-11-23T08:00:00Z"));
        assert_eq!(known.below::<Furnace>("sites/").len(), 1);
    }
}
