//! Many rows in one statement.
//!
//! SQLite takes them as one long list of values. PostgreSQL takes one array for each column, so that the
//! statement is the same for any number of rows and is prepared once.

use std::borrow::Cow;
use std::fmt::Write as _;

use sqlx::postgres::PgArguments;
use sqlx::{Arguments as _, AssertSqlSafe};

use super::connection::{Connection, Driver, Value, query};

/// A row that is being put together.
#[derive(Debug)]
pub(crate) struct NewRow<'q> {
    values: Vec<Value<'q>>,
}

impl<'q> NewRow<'q> {
    /// Gives the next column.
    pub(crate) fn push(&mut self, value: impl Into<Value<'q>>) -> &mut Self {
        self.values.push(value.into());
        self
    }
}

/// Runs a statement that begins with `head` and ends with `tail` and has the rows in between; none does
/// nothing. Gives how many were written. `each` gives the columns of one, always of the same kinds.
pub(crate) async fn insert_rows<'q, I: IntoIterator>(
    connection: &mut Connection,
    head: &str,
    tail: &str,
    items: I,
    mut each: impl FnMut(&mut NewRow<'q>, I::Item),
) -> Result<u64, sqlx::Error> {
    let mut rows: Vec<Vec<Value<'q>>> = Vec::new();
    for item in items {
        let mut row = NewRow { values: Vec::new() };
        each(&mut row, item);
        rows.push(row.values);
    }
    if rows.is_empty() {
        return Ok(0);
    }
    match connection.driver() {
        Driver::Postgres(driver, patience) => {
            let (sql, values) = columns(head, tail, rows)?;
            let statement = sqlx::query_with(AssertSqlSafe(sql), values).execute(driver);
            let done = patience.wait(statement).await?;
            Ok(done.rows_affected())
        }
        Driver::Sqlite(_) => {
            let mut statement = query(listed(head, tail, &rows));
            for value in rows.into_iter().flatten() {
                statement = statement.bind(value);
            }
            statement.execute(connection).await
        }
    }
}

/// The statement with all values in a list.
fn listed(head: &str, tail: &str, rows: &[Vec<Value<'_>>]) -> String {
    let mut sql = format!("{head} VALUES ");
    for (at, row) in rows.iter().enumerate() {
        sql.push_str(if at == 0 { "(" } else { ", (" });
        for column in 0..row.len() {
            sql.push_str(if column == 0 { "?" } else { ", ?" });
        }
        sql.push(')');
    }
    sql.push(' ');
    sql.push_str(tail);
    sql
}

/// One column of all rows.
enum Column<'q> {
    Text(Vec<Option<Cow<'q, str>>>),
    Integer(Vec<Option<i64>>),
    Real(Vec<Option<f64>>),
    Truth(Vec<Option<bool>>),
    Bytes(Vec<Option<Cow<'q, [u8]>>>),
}

impl<'q> Column<'q> {
    fn for_kind(value: &Value<'q>) -> Self {
        match value {
            Value::Text(_) => Self::Text(Vec::new()),
            Value::Integer(_) => Self::Integer(Vec::new()),
            Value::Real(_) => Self::Real(Vec::new()),
            Value::Truth(_) => Self::Truth(Vec::new()),
            Value::Bytes(_) => Self::Bytes(Vec::new()),
        }
    }

    fn kind(&self) -> &'static str {
        match self {
            Self::Text(_) => "TEXT",
            Self::Integer(_) => "BIGINT",
            Self::Real(_) => "DOUBLE PRECISION",
            Self::Truth(_) => "BOOLEAN",
            Self::Bytes(_) => "BYTEA",
        }
    }

    /// Fails when a value is of another kind than those before it.
    fn push(&mut self, value: Value<'q>) -> Result<(), sqlx::Error> {
        match (self, value) {
            (Self::Text(column), Value::Text(value)) => column.push(value),
            (Self::Integer(column), Value::Integer(value)) => column.push(value),
            (Self::Real(column), Value::Real(value)) => column.push(value),
            (Self::Truth(column), Value::Truth(value)) => column.push(value),
            (Self::Bytes(column), Value::Bytes(value)) => column.push(value),
            (column, value) => {
                return Err(sqlx::Error::Encode(
                    format!("{value:?} in a column of {}", column.kind()).into(),
                ));
            }
        }
        Ok(())
    }

    fn add_to(self, all: &mut PgArguments) -> Result<(), sqlx::Error> {
        match self {
            Self::Text(column) => {
                let column: Vec<Option<&str>> = column.iter().map(Option::as_deref).collect();
                all.add(column)
            }
            Self::Integer(column) => all.add(column),
            Self::Real(column) => all.add(column),
            Self::Truth(column) => all.add(column),
            Self::Bytes(column) => {
                let column: Vec<Option<&[u8]>> = column.iter().map(Option::as_deref).collect();
                all.add(column)
            }
        }
        .map_err(sqlx::Error::Encode)
    }
}

/// The statement with one array for each column, and the arrays.
fn columns(
    head: &str,
    tail: &str,
    rows: Vec<Vec<Value<'_>>>,
) -> Result<(String, PgArguments), sqlx::Error> {
    let mut columns: Vec<Column<'_>> = Vec::new();
    for row in rows {
        if columns.is_empty() {
            columns = row.iter().map(Column::for_kind).collect();
        }
        for (column, value) in columns.iter_mut().zip(row) {
            column.push(value)?;
        }
    }
    let mut sql = format!("{head} SELECT * FROM UNNEST(");
    for (at, column) in columns.iter().enumerate() {
        let comma = if at == 0 { "" } else { ", " };
        // Writing into a text cannot fail.
        let _ = write!(sql, "{comma}CAST(${} AS {}[])", at + 1, column.kind());
    }
    sql.push_str(") ");
    sql.push_str(tail);
    let mut values = PgArguments::default();
    for column in columns {
        column.add_to(&mut values)?;
    }
    Ok((sql, values))
}
