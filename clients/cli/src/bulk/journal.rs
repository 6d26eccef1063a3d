//! What is known of an import that is under way, so that the same command goes on where it was.
//!
//! It is a small database beside this program's other files, named after server, kind, file and how it is read. It
//! holds which rows are at fault and which parts the server acknowledged, and is removed at the end. Losing it costs
//! time only: every record is known to the server by its own id. What is needed for finding doubles in the file lies in
//! temporary tables, on the disk and not in memory.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, params};

use crate::failure::Stop;
use crate::profile::kept;

/// The tables; `seen` is gone when the program ends.
const SCHEMA: &str = "
PRAGMA journal_mode = WAL;
PRAGMA synchronous = NORMAL;
PRAGMA temp_store = FILE;
PRAGMA cache_size = -8192;
CREATE TABLE IF NOT EXISTS checked (records INTEGER NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS bad (row INTEGER PRIMARY KEY) STRICT;
CREATE TABLE IF NOT EXISTS part (number INTEGER PRIMARY KEY, recorded INTEGER NOT NULL) STRICT;
CREATE TEMP TABLE seen (row INTEGER PRIMARY KEY, identity TEXT NOT NULL, furnace INTEGER, start INTEGER,
    until INTEGER) STRICT;
";

/// What is known of an import.
pub(crate) struct Journal {
    path: Option<PathBuf>,
    connection: Connection,
    furnaces: std::collections::HashMap<String, i64>,
}

/// Two rows that cannot both be right.
pub(crate) struct Clash {
    /// The later row.
    pub(crate) row: u64,
    /// The earlier one.
    pub(crate) with: u64,
}

fn broken(fault: &rusqlite::Error) -> Stop {
    Stop::Refused(format!(
        "What this import is at cannot be kept: {fault}. See that there is room on the disk."
    ))
}

impl Journal {
    /// Opens the journal of an import, or begins one; without a folder it is gone when the program ends.
    pub(crate) fn opened(folder: Option<&Path>, name: &str) -> Result<Self, Stop> {
        let (path, connection) = match folder {
            Some(folder) => {
                kept::folder(folder)?;
                let path = folder.join(format!("{name}.db"));
                let connection = Connection::open(&path).map_err(|fault| broken(&fault))?;
                (Some(path), connection)
            }
            // An empty name is a database on the disk that nobody else sees.
            None => (None, Connection::open("").map_err(|fault| broken(&fault))?),
        };
        connection
            .execute_batch(SCHEMA)
            .map_err(|fault| broken(&fault))?;
        Ok(Journal {
            path,
            connection,
            furnaces: std::collections::HashMap::new(),
        })
    }

    /// Whether it outlives the program.
    pub(crate) fn is_kept(&self) -> bool {
        self.path.is_some()
    }

    /// How many records the file has, when all of it was checked already.
    pub(crate) fn checked(&self) -> Result<Option<u64>, Stop> {
        let row = self
            .connection
            .query_row("SELECT records FROM checked", [], |row| {
                row.get::<_, i64>(0)
            });
        match row {
            Ok(records) => Ok(Some(records.unsigned_abs())),
            Err(rusqlite::Error::QueryReturnedNoRows) => Ok(None),
            Err(fault) => Err(broken(&fault)),
        }
    }

    /// Forgets what an earlier check found, and begins another.
    pub(crate) fn begin_check(&self) -> Result<(), Stop> {
        self.all(
            "DELETE FROM checked; DELETE FROM bad; DELETE FROM part; DELETE FROM temp.seen; BEGIN",
        )
    }

    /// Keeps that all of the file was checked.
    pub(crate) fn end_check(&self, records: u64) -> Result<(), Stop> {
        self.connection
            .execute(
                "INSERT INTO checked (records) VALUES (?1)",
                [records.cast_signed()],
            )
            .map_err(|fault| broken(&fault))?;
        self.all("COMMIT; DROP TABLE temp.seen")
    }

    /// Keeps that a record is there and keeps a furnace busy.
    pub(crate) fn saw(
        &mut self,
        row: u64,
        identity: &str,
        busy: Option<(String, i64, i64)>,
    ) -> Result<(), Stop> {
        let (furnace, start, until) = match busy {
            Some((furnace, start, until)) => {
                let next = i64::try_from(self.furnaces.len()).unwrap_or(i64::MAX);
                let number = *self.furnaces.entry(furnace).or_insert(next);
                (Some(number), Some(start), Some(until))
            }
            None => (None, None, None),
        };
        let mut statement = self
            .connection
            .prepare_cached("INSERT INTO temp.seen VALUES (?1, ?2, ?3, ?4, ?5)")
            .map_err(|fault| broken(&fault))?;
        statement
            .execute(params![row.cast_signed(), identity, furnace, start, until])
            .map_err(|fault| broken(&fault))?;
        Ok(())
    }

    /// Keeps that a record is at fault.
    pub(crate) fn is_bad(&self, row: u64) -> Result<(), Stop> {
        let mut statement = self
            .connection
            .prepare_cached("INSERT OR IGNORE INTO bad (row) VALUES (?1)")
            .map_err(|fault| broken(&fault))?;
        statement
            .execute([row.cast_signed()])
            .map_err(|fault| broken(&fault))?;
        Ok(())
    }

    /// How many records are at fault.
    pub(crate) fn bad_count(&self) -> Result<u64, Stop> {
        self.connection
            .query_row("SELECT count(*) FROM bad", [], |row| row.get::<_, i64>(0))
            .map(i64::unsigned_abs)
            .map_err(|fault| broken(&fault))
    }

    /// Whether a record is at fault.
    pub(crate) fn has_bad(&self, row: u64) -> Result<bool, Stop> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT EXISTS (SELECT 1 FROM bad WHERE row = ?1)")
            .map_err(|fault| broken(&fault))?;
        statement
            .query_row([row.cast_signed()], |row| row.get(0))
            .map_err(|fault| broken(&fault))
    }

    /// Tells every record that an earlier row of the file has already.
    pub(crate) fn doubles(&self, tell: impl FnMut(Clash) -> Result<(), Stop>) -> Result<(), Stop> {
        let sorted = "SELECT identity, row FROM temp.seen ORDER BY identity, row";
        let mut before: Option<(String, i64)> = None;
        self.walked(sorted, tell, |row| {
            let (identity, number): (String, i64) = (row.get(0)?, row.get(1)?);
            if let Some((same, first)) = &before
                && *same == identity
            {
                return Ok(Some(Clash {
                    row: number.unsigned_abs(),
                    with: first.unsigned_abs(),
                }));
            }
            before = Some((identity, number));
            Ok(None)
        })
    }

    /// Tells every record whose furnace is busy with an earlier good row of the file.
    pub(crate) fn overlaps(&self, tell: impl FnMut(Clash) -> Result<(), Stop>) -> Result<(), Stop> {
        let sorted = "SELECT furnace, start, until, row FROM temp.seen
            WHERE furnace IS NOT NULL AND row NOT IN (SELECT row FROM bad) ORDER BY furnace, start, row";
        let mut running: Option<(i64, i64, i64)> = None;
        self.walked(sorted, tell, |row| {
            let (furnace, start): (i64, i64) = (row.get(0)?, row.get(1)?);
            let (until, number): (i64, i64) = (row.get(2)?, row.get(3)?);
            let own = (furnace, until, number);
            match running {
                Some((same, end, other)) if same == furnace && start < end => {
                    // The one that stands earlier in the file is the one that stays.
                    if number < other {
                        running = Some(own);
                    }
                    Ok(Some(Clash {
                        row: number.max(other).unsigned_abs(),
                        with: number.min(other).unsigned_abs(),
                    }))
                }
                _ => {
                    running = Some(own);
                    Ok(None)
                }
            }
        })
    }

    fn walked(
        &self,
        sql: &str,
        mut tell: impl FnMut(Clash) -> Result<(), Stop>,
        mut look: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<Option<Clash>>,
    ) -> Result<(), Stop> {
        let mut statement = self
            .connection
            .prepare(sql)
            .map_err(|fault| broken(&fault))?;
        let mut rows = statement.query([]).map_err(|fault| broken(&fault))?;
        while let Some(row) = rows.next().map_err(|fault| broken(&fault))? {
            if let Some(clash) = look(row).map_err(|fault| broken(&fault))? {
                tell(clash)?;
            }
        }
        Ok(())
    }

    /// How many records of a part were recorded, when it was acknowledged already.
    pub(crate) fn acknowledged(&self, part: u64) -> Result<Option<u64>, Stop> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT recorded FROM part WHERE number = ?1")
            .map_err(|fault| broken(&fault))?;
        let found = statement.query_row([part.cast_signed()], |row| row.get::<_, i64>(0));
        match found {
            Ok(recorded) => Ok(Some(recorded.unsigned_abs())),
            Err(rusqlite::Error::QueryReturnedNoRows) => Ok(None),
            Err(fault) => Err(broken(&fault)),
        }
    }

    /// Keeps that a part was acknowledged.
    pub(crate) fn acknowledge(&self, part: u64, recorded: u64) -> Result<(), Stop> {
        let mut statement = self
            .connection
            .prepare_cached("INSERT OR REPLACE INTO part (number, recorded) VALUES (?1, ?2)")
            .map_err(|fault| broken(&fault))?;
        statement
            .execute(params![part.cast_signed(), recorded.cast_signed()])
            .map_err(|fault| broken(&fault))?;
        Ok(())
    }

    /// Removes it: the import is at its end.
    pub(crate) fn removed(self) -> Result<(), Stop> {
        let Journal {
            path, connection, ..
        } = self;
        connection.close().map_err(|(_, fault)| broken(&fault))?;
        if let Some(path) = path {
            let removed = std::fs::remove_file(&path);
            removed.map_err(|fault| super::unusable(&path, "removed", &fault))?;
        }
        Ok(())
    }

    fn all(&self, sql: &str) -> Result<(), Stop> {
        self.connection
            .execute_batch(sql)
            .map_err(|fault| broken(&fault))
    }
}
