//! How far a copy got, kept in its target: a table that is there only while the copy is not whole.

use std::collections::BTreeMap;

use super::fault::{CopyFault, Side};
use super::rows::count;
use super::shape::Table;
use super::{Over, Seen, scope};
use crate::database::{Connection, Value, insert_rows, query, query_as, query_scalar};
use crate::{Error, Store, Tx};

/// The table. It has a row for each table that has rows in the target, and one without a name for the source.
pub(super) const TABLE: &str = "copy_under_way";

/// What a database has before anybody recorded anything, and what servers leave in it by themselves.
const OF_NO_RECORD: [&str; 8] = [
    "reference_version",
    "fleet_change",
    "access_version",
    "site_agenda",
    "work_lease",
    "work_run",
    "change_log",
    "change_place",
];

/// Up to where a table is copied.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Reached {
    pub(super) rows: u64,
    /// Of those rows.
    pub(super) sha256: String,
}

/// How far each table is copied.
#[derive(Debug)]
pub(super) struct Progress(BTreeMap<String, Reached>);

pub(super) async fn is_unfinished(connection: &mut Connection) -> Result<bool, sqlx::Error> {
    const IN_FILE: &str = "SELECT COUNT(*) FROM sqlite_master WHERE name = $1";
    const ON_POSTGRES: &str = "SELECT COUNT(to_regclass($1))";
    let sql = if connection.is_sqlite() {
        IN_FILE
    } else {
        ON_POSTGRES
    };
    let found: i64 = query_scalar(sql).bind(TABLE).fetch_one(connection).await?;
    Ok(found > 0)
}

/// Fails when a copy into the database was not brought to its end.
pub(crate) async fn refuse_unfinished(store: &Store) -> Result<(), Error> {
    let mut reader = store.reader(&scope(), None).await?;
    if is_unfinished(&mut reader).await? {
        return Err(Error::CopyUnfinished);
    }
    Ok(())
}

/// What tells an installation from others: the hash of its first audit entry, which holds ids and moments of its own.
async fn identity(connection: &mut Connection) -> Result<String, sqlx::Error> {
    const SQL: &str = "SELECT hash FROM audit WHERE seq = 1 ORDER BY at, site_id LIMIT 1";
    let first: Vec<String> = query_scalar(SQL).fetch_all(connection).await?;
    Ok(first.into_iter().next().unwrap_or_default())
}

impl Progress {
    /// How far an interrupted copy of the source got; none when the target is empty. Fails when it is neither.
    pub(super) async fn read(
        target: &mut Seen,
        source: &mut Seen,
    ) -> Result<Option<Self>, CopyFault> {
        const SQL: &str = "SELECT name, copied, sha256 FROM copy_under_way";
        let failed = Side::Target.failed();
        if !is_unfinished(&mut target.connection)
            .await
            .map_err(&failed)?
        {
            for table in &target.tables {
                let rows = count(&mut target.connection, table)
                    .await
                    .map_err(&failed)?;
                if rows > 0 && !OF_NO_RECORD.contains(&table.name.as_str()) {
                    return Err(CopyFault::NotEmpty {
                        table: table.name.clone(),
                        rows,
                    });
                }
            }
            return Ok(None);
        }
        let kept: Vec<(String, i64, String)> = query_as(SQL)
            .fetch_all(&mut target.connection)
            .await
            .map_err(&failed)?;
        let mut kept: BTreeMap<String, Reached> = kept
            .into_iter()
            .map(|(name, rows, sha256)| {
                let rows = u64::try_from(rows).unwrap_or_default();
                (name, Reached { rows, sha256 })
            })
            .collect();
        let own = identity(&mut source.connection)
            .await
            .map_err(Side::Source.failed())?;
        match kept.remove("") {
            Some(of) if of.sha256 == own => Ok(Some(Self(kept))),
            _ => Err(CopyFault::OfAnother),
        }
    }

    /// Begins with a target that has nothing in it, whatever was in it before: it was empty, or holds a part of a
    /// copy.
    pub(super) async fn begin(target: &Store, source: &mut Seen) -> Result<Self, CopyFault> {
        let own = identity(&mut source.connection)
            .await
            .map_err(Side::Source.failed())?;
        let mut tx = begin(target).await?;
        emptied(tx.connection(), &source.tables, &own)
            .await
            .map_err(Side::Target.failed())?;
        tx.commit().await.map_err(Side::Target.fault())?;
        Ok(Self(BTreeMap::new()))
    }

    pub(super) fn of(&self, table: &str) -> Reached {
        self.0.get(table).cloned().unwrap_or_default()
    }

    /// Rows that are copied.
    pub(super) fn rows(&self) -> u64 {
        self.0.values().map(|reached| reached.rows).sum()
    }

    /// Puts rows into the target, with how far the copy got by them.
    pub(super) async fn store(
        &mut self,
        target: &Store,
        table: &Table,
        rows: Vec<Vec<Value<'static>>>,
        reached: Reached,
    ) -> Result<(), CopyFault> {
        const STEP: &str = "UPDATE copy_under_way SET copied = $1, sha256 = $2
            WHERE name = $3 AND copied = $4";
        let before = self.of(&table.name);
        let failed = Side::Target.failed_at(table);
        let head = format!("INSERT INTO {} ({})", table.name, table.listed());
        let mut tx = begin(target).await?;
        let stepped = query(STEP)
            .bind(integer(reached.rows))
            .bind(&reached.sha256)
            .bind(&table.name)
            .bind(integer(before.rows))
            .execute(tx.connection())
            .await
            .map_err(&failed)?;
        if stepped != 1 {
            return Err(CopyFault::Together);
        }
        insert_rows(tx.connection(), &head, "", rows, |new, row| {
            for value in row {
                new.push(value);
            }
        })
        .await
        .map_err(&failed)?;
        tx.commit().await.map_err(Side::Target.fault())?;
        self.0.insert(table.name.clone(), reached);
        Ok(())
    }
}

fn integer(rows: u64) -> i64 {
    i64::try_from(rows).unwrap_or(i64::MAX)
}

async fn begin(target: &Store) -> Result<Tx, CopyFault> {
    target
        .begin_over("copy", &scope(), Over::Nothing)
        .await
        .map_err(Side::Target.fault())
}

async fn emptied(
    connection: &mut Connection,
    tables: &[Table],
    identity: &str,
) -> Result<(), sqlx::Error> {
    const MAKE: &str = "CREATE TABLE IF NOT EXISTS copy_under_way (
        name TEXT NOT NULL PRIMARY KEY, copied BIGINT NOT NULL, sha256 TEXT NOT NULL)";
    query(MAKE).execute(connection).await?;
    query(format!("DELETE FROM {TABLE}"))
        .execute(connection)
        .await?;
    if connection.is_sqlite() {
        // Those that refer to others first.
        for table in tables.iter().rev() {
            query(format!("DELETE FROM {}", table.name))
                .execute(connection)
                .await?;
        }
    } else {
        let names: Vec<&str> = tables.iter().map(|table| table.name.as_str()).collect();
        query(format!("TRUNCATE {}", names.join(", ")))
            .execute(connection)
            .await?;
    }
    let rows = tables
        .iter()
        .map(|table| (table.name.as_str(), ""))
        .chain([("", identity)]);
    let head = format!("INSERT INTO {TABLE} (name, copied, sha256)");
    insert_rows(connection, &head, "", rows, |new, (name, sha256)| {
        new.push(name).push(0_i64).push(sha256);
    })
    .await?;
    Ok(())
}

/// Ends a copy that is whole: from now on the target may be served.
pub(super) async fn end(target: &Store, tables: &[Table]) -> Result<(), CopyFault> {
    let failed = Side::Target.failed();
    let mut tx = begin(target).await?;
    if !tx.connection().is_sqlite() {
        // Otherwise the first servers would choose their plans blindly, until the database looked by itself.
        for table in tables {
            query(format!("ANALYZE {}", table.name))
                .execute(tx.connection())
                .await
                .map_err(&failed)?;
        }
    }
    query(format!("DROP TABLE {TABLE}"))
        .execute(tx.connection())
        .await
        .map_err(&failed)?;
    tx.commit().await.map_err(Side::Target.fault())
}
