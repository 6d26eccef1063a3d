//! What tables and columns a database has, as its own catalogue says.

use std::collections::{BTreeMap, BTreeSet};

use crate::database::{Connection, query_as};

/// Columns that are true or false. PostgreSQL says so itself; SQLite knows numbers only. One that is missing here
/// makes both sides disagree.
const TRUTHS: [&str; 17] = [
    "accepts_assumed_hold_correction",
    "full_compensation",
    "in_use",
    "setpoint_reported",
    "hours_reported",
    "counts",
    "may_drift",
    "verify",
    "is_removed",
    "chamber_was_empty",
    "unsubscribed",
    "is_deleted",
    "is_revoked",
    "whole_network",
    "is_shared",
    "is_ordered",
    "is_active",
];

/// What is about a database itself and not about what is kept in it.
const OF_THE_DATABASE: [&str; 3] = [
    "_sqlx_migrations",
    "schema_compatibility",
    super::progress::TABLE,
];

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Integer,
    Real,
    Truth,
    Bytes,
}

impl Kind {
    fn of(declared: &str, column: &str) -> Option<Self> {
        Some(match declared {
            "TEXT" | "text" => Self::Text,
            "INTEGER" if TRUTHS.contains(&column) => Self::Truth,
            "INTEGER" | "bigint" => Self::Integer,
            "REAL" | "double precision" => Self::Real,
            "boolean" => Self::Truth,
            "BLOB" | "bytea" => Self::Bytes,
            _ => return None,
        })
    }
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Column {
    pub(super) name: String,
    pub(super) kind: Kind,
    /// Its place in the key, from 1; 0 when it is not in it.
    key: i64,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Table {
    pub(super) name: String,
    pub(super) columns: Vec<Column>,
}

impl Table {
    /// Places of the columns of the key, in its order.
    pub(super) fn key(&self) -> Vec<usize> {
        let mut key: Vec<usize> = (0..self.columns.len())
            .filter(|at| self.columns[*at].key > 0)
            .collect();
        key.sort_by_key(|at| self.columns[*at].key);
        key
    }

    /// All columns as a list.
    pub(super) fn listed(&self) -> String {
        let names: Vec<&str> = self.columns.iter().map(|one| one.name.as_str()).collect();
        names.join(", ")
    }
}

/// Table, column, type, place in the key.
type Declared = (String, String, String, i64);

/// Gives the tables, what is referred to before what refers to it.
pub(super) async fn tables(connection: &mut Connection) -> Result<Vec<Table>, sqlx::Error> {
    const IN_FILE: &str = "SELECT m.name, c.name, c.type, c.pk
        FROM sqlite_master AS m, pragma_table_info(m.name) AS c
        WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%' ORDER BY m.name, c.cid";
    const REFERRING_IN_FILE: &str = "SELECT DISTINCT m.name, f.\"table\"
        FROM sqlite_master AS m, pragma_foreign_key_list(m.name) AS f WHERE m.type = 'table'";
    const ON_POSTGRES: &str = "SELECT CAST(t.relname AS TEXT), CAST(a.attname AS TEXT),
            format_type(a.atttypid, a.atttypmod), CAST(COALESCE(array_position(
                string_to_array(CAST(i.indkey AS TEXT), ' '), CAST(a.attnum AS TEXT)), 0) AS BIGINT)
        FROM pg_class AS t JOIN pg_attribute AS a ON a.attrelid = t.oid AND a.attnum > 0 AND NOT a.attisdropped
        LEFT JOIN pg_index AS i ON i.indrelid = t.oid AND i.indisprimary
        WHERE t.relnamespace = to_regnamespace('public') AND t.relkind IN ('r', 'p') AND NOT t.relispartition
        ORDER BY t.relname, a.attnum";
    const REFERRING_ON_POSTGRES: &str = "SELECT DISTINCT CAST(t.relname AS TEXT), CAST(r.relname AS TEXT)
        FROM pg_constraint AS c JOIN pg_class AS t ON t.oid = c.conrelid JOIN pg_class AS r ON r.oid = c.confrelid
        WHERE c.contype = 'f' AND t.relnamespace = to_regnamespace('public')";
    let (declared, referring) = if connection.is_sqlite() {
        (IN_FILE, REFERRING_IN_FILE)
    } else {
        (ON_POSTGRES, REFERRING_ON_POSTGRES)
    };
    let declared: Vec<Declared> = query_as(declared).fetch_all(connection).await?;
    let referring: Vec<(String, String)> = query_as(referring).fetch_all(connection).await?;
    Ok(in_order(put_together(declared)?, &referring))
}

fn put_together(declared: Vec<Declared>) -> Result<Vec<Table>, sqlx::Error> {
    let mut tables: Vec<Table> = Vec::new();
    for (table, column, kind, key) in declared {
        if OF_THE_DATABASE.contains(&table.as_str()) {
            continue;
        }
        let Some(kind) = Kind::of(&kind, &column) else {
            let words = format!("{table}.{column} is of the type {kind}, which is not known here");
            return Err(sqlx::Error::Decode(words.into()));
        };
        if tables.last().is_none_or(|last| last.name != table) {
            tables.push(Table {
                name: table,
                columns: Vec::new(),
            });
        }
        if let Some(last) = tables.last_mut() {
            last.columns.push(Column {
                name: column,
                kind,
                key,
            });
        }
    }
    Ok(tables)
}

/// Puts tables that others refer to before those; by name otherwise. None of ours refer to each other in a ring; if
/// some did, they would come last.
fn in_order(tables: Vec<Table>, referring: &[(String, String)]) -> Vec<Table> {
    let mut waiting: BTreeMap<String, Table> = tables
        .into_iter()
        .map(|table| (table.name.clone(), table))
        .collect();
    let mut ordered = Vec::with_capacity(waiting.len());
    loop {
        let blocked: BTreeSet<&str> = referring
            .iter()
            .filter(|(from, to)| from != to && waiting.contains_key(to))
            .map(|(from, _)| from.as_str())
            .collect();
        let next = waiting.keys().find(|name| !blocked.contains(name.as_str()));
        let Some(table) = next.cloned().and_then(|name| waiting.remove(&name)) else {
            ordered.extend(waiting.into_values());
            return ordered;
        };
        ordered.push(table);
    }
}

/// Fails with the first table that has not the same columns and key on both sides.
pub(super) fn agree(source: &[Table], target: &[Table]) -> Result<(), String> {
    let target: BTreeMap<&str, &Table> = target
        .iter()
        .map(|table| (table.name.as_str(), table))
        .collect();
    for table in source {
        if target.get(table.name.as_str()) != Some(&table) || table.key().is_empty() {
            return Err(table.name.clone());
        }
    }
    let known: BTreeSet<&str> = source.iter().map(|table| table.name.as_str()).collect();
    match target.keys().find(|name| !known.contains(*name)) {
        Some(name) => Err((*name).to_owned()),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(name: &str) -> Table {
        Table {
            name: name.to_owned(),
            columns: vec![Column {
                name: "id".to_owned(),
                kind: Kind::Text,
                key: 1,
            }],
        }
    }

    #[test]
    fn what_is_referred_to_comes_first() {
        let refers = |from: &str, to: &str| (from.to_owned(), to.to_owned());
        let referring = [
            refers("a", "c"),
            refers("b", "a"),
            refers("c", "d"),
            refers("d", "d"),
        ];
        let ordered = in_order(["a", "b", "c", "d"].map(table).to_vec(), &referring);
        let names: Vec<&str> = ordered.iter().map(|one| one.name.as_str()).collect();
        assert_eq!(names, ["d", "c", "a", "b"]);
    }

    #[test]
    fn a_table_or_column_that_one_side_lacks_is_named() {
        let both = [table("a"), table("b")];
        assert_eq!(agree(&both, &both), Ok(()));
        assert_eq!(agree(&both, &both[..1]), Err("b".to_owned()));
        assert_eq!(agree(&both[..1], &both), Err("b".to_owned()));
        let mut other = both.clone();
        other[0].columns[0].kind = Kind::Integer;
        assert_eq!(agree(&both, &other), Err("a".to_owned()));
    }
}
