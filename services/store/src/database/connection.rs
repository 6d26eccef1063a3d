//! A connection to either database, and the statements that run on it.
//!
//! Every statement is written once. A [`Query`] collects its values before it is known on which database it
//! will run; there are five kinds of them, so that no generics are needed. [`super::dialect`] has the few
//! words that differ.

use std::borrow::Cow;

use sqlx::pool::PoolConnection;
use sqlx::postgres::{PgArguments, PgConnection, PgRow};
use sqlx::query::Query as Statement;
use sqlx::sqlite::{SqliteArguments, SqliteConnection, SqliteRow};
use sqlx::{
    Arguments as _, AssertSqlSafe, Connection as _, FromRow, Postgres, Sqlite, Transaction,
};

use super::borrowed::Borrowed;
use super::dialect;
use super::patience::Patience;
use crate::error::has_outdated_plan;

/// A connection, alone or in a transaction.
#[derive(Debug)]
pub(crate) enum Connection {
    /// SQLite's writer, or one opened for a purpose of its own.
    Sqlite(Box<SqliteConnection>),
    /// One of SQLite's readers.
    SqliteReader(PoolConnection<Sqlite>),
    /// A reader that sees one moment.
    SqliteSnapshot(Transaction<'static, Sqlite>),
    /// One of PostgreSQL's: reads statement by statement, or is a transaction that is undone when it is dropped.
    Postgres(Borrowed),
}

/// The driver's connection behind a [`Connection`].
pub(crate) enum Driver<'c> {
    Sqlite(&'c mut SqliteConnection),
    Postgres(&'c mut PgConnection, Patience),
}

impl Connection {
    pub(crate) fn driver(&mut self) -> Driver<'_> {
        match self {
            Self::Sqlite(own) => Driver::Sqlite(own),
            Self::SqliteReader(pooled) => Driver::Sqlite(pooled),
            Self::SqliteSnapshot(open) => Driver::Sqlite(open),
            Self::Postgres(borrowed) => {
                let (driver, patience) = borrowed.driver();
                Driver::Postgres(driver, patience)
            }
        }
    }

    pub(crate) fn is_sqlite(&self) -> bool {
        match self {
            Self::Sqlite(_) | Self::SqliteReader(_) | Self::SqliteSnapshot(_) => true,
            Self::Postgres(_) => false,
        }
    }

    fn is_in_transaction(&self) -> bool {
        match self {
            Self::SqliteSnapshot(_) => true,
            Self::Postgres(borrowed) => borrowed.is_in_transaction(),
            Self::Sqlite(_) | Self::SqliteReader(_) => false,
        }
    }

    /// Makes what was written durable; nothing is left to do for a connection that is in no transaction.
    pub(crate) async fn commit(self) -> Result<(), sqlx::Error> {
        match self {
            Self::SqliteSnapshot(open) => open.commit().await,
            Self::Postgres(open) if open.is_in_transaction() => open.commit().await,
            Self::Sqlite(_) | Self::SqliteReader(_) | Self::Postgres(_) => Ok(()),
        }
    }

    /// Ends a reading transaction, or gives the connection back.
    pub(crate) async fn finish(self) -> Result<(), sqlx::Error> {
        match self {
            Self::SqliteSnapshot(open) => open.rollback().await,
            Self::Postgres(open) if open.is_in_transaction() => open.roll_back().await,
            Self::Sqlite(_) | Self::SqliteReader(_) | Self::Postgres(_) => Ok(()),
        }
    }
}

/// A value of a statement. What is null has a kind too: PostgreSQL asks for it.
#[derive(Debug, Clone)]
pub(crate) enum Value<'q> {
    Text(Option<Cow<'q, str>>),
    Integer(Option<i64>),
    Real(Option<f64>),
    Truth(Option<bool>),
    Bytes(Option<Cow<'q, [u8]>>),
}

macro_rules! values {
    ($($from:ty => $kind:ident($value:ident, $some:expr);)*) => { $(
        impl<'q> From<$from> for Value<'q> {
            fn from($value: $from) -> Self {
                Value::$kind($some)
            }
        }
    )* };
}

values! {
    &'q str => Text(text, Some(Cow::Borrowed(text)));
    &'q String => Text(text, Some(Cow::Borrowed(text)));
    String => Text(text, Some(Cow::Owned(text)));
    Option<&'q str> => Text(text, text.map(Cow::Borrowed));
    Option<&'q String> => Text(text, text.map(|text| Cow::Borrowed(text.as_str())));
    Option<String> => Text(text, text.map(Cow::Owned));
    &'q Option<String> => Text(text, text.as_deref().map(Cow::Borrowed));
    i64 => Integer(number, Some(number));
    &i64 => Integer(number, Some(*number));
    i32 => Integer(number, Some(i64::from(number)));
    u32 => Integer(number, Some(i64::from(number)));
    Option<i64> => Integer(number, number);
    f64 => Real(number, Some(number));
    Option<f64> => Real(number, number);
    bool => Truth(truth, Some(truth));
    Vec<u8> => Bytes(bytes, Some(Cow::Owned(bytes)));
    &'q [u8] => Bytes(bytes, Some(Cow::Borrowed(bytes)));
    &'q Vec<u8> => Bytes(bytes, Some(Cow::Borrowed(bytes)));
}

/// What a row is read into, from either database.
pub(crate) trait Row:
    for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin
{
}

impl<T> Row for T where T: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin
{}

/// A statement with its values.
#[derive(Debug)]
pub(crate) struct Query<'q> {
    sql: Cow<'static, str>,
    values: Vec<Value<'q>>,
}

/// Begins a statement; its values follow in order, as `$1`, `$2` and so on.
pub(crate) fn query<'q>(sql: impl Into<Cow<'static, str>>) -> Query<'q> {
    Query {
        sql: sql.into(),
        values: Vec::new(),
    }
}

fn sqlite_values(values: Vec<Value<'_>>) -> Result<SqliteArguments, sqlx::Error> {
    let mut all = SqliteArguments::default();
    for value in values {
        match value {
            Value::Text(text) => all.add(text.map(Cow::into_owned)),
            Value::Integer(number) => all.add(number),
            Value::Real(number) => all.add(number),
            Value::Truth(truth) => all.add(truth),
            Value::Bytes(bytes) => all.add(bytes.map(Cow::into_owned)),
        }
        .map_err(sqlx::Error::Encode)?;
    }
    Ok(all)
}

fn postgres_values(values: &[Value<'_>]) -> Result<PgArguments, sqlx::Error> {
    let mut all = PgArguments::default();
    for value in values {
        match value {
            Value::Text(text) => all.add(text.as_deref()),
            Value::Integer(number) => all.add(*number),
            Value::Real(number) => all.add(*number),
            Value::Truth(truth) => all.add(*truth),
            Value::Bytes(bytes) => all.add(bytes.as_deref()),
        }
        .map_err(sqlx::Error::Encode)?;
    }
    Ok(all)
}

impl<'q> Query<'q> {
    /// Gives the next value.
    pub(crate) fn bind(mut self, value: impl Into<Value<'q>>) -> Self {
        self.values.push(value.into());
        self
    }

    fn for_sqlite(self) -> Result<Statement<'static, Sqlite, SqliteArguments>, sqlx::Error> {
        let values = sqlite_values(self.values)?;
        Ok(match dialect::for_sqlite(self.sql) {
            Cow::Borrowed(sql) => sqlx::query_with(sql, values),
            Cow::Owned(sql) => sqlx::query_with(AssertSqlSafe(sql), values),
        })
    }

    fn for_postgres(&self) -> Result<Statement<'static, Postgres, PgArguments>, sqlx::Error> {
        let values = postgres_values(&self.values)?;
        Ok(match dialect::for_postgres(self.sql.clone()) {
            Cow::Borrowed(sql) => sqlx::query_with(sql, values),
            Cow::Owned(sql) => sqlx::query_with(AssertSqlSafe(sql), values),
        })
    }

    /// Runs it and gives how many rows it wrote.
    pub(crate) async fn execute(self, connection: &mut Connection) -> Result<u64, sqlx::Error> {
        match connection.driver() {
            Driver::Sqlite(driver) => {
                let done = self.for_sqlite()?.execute(driver).await?;
                Ok(done.rows_affected())
            }
            Driver::Postgres(driver, patience) => {
                let done = patience.wait(self.for_postgres()?.execute(driver)).await?;
                Ok(done.rows_affected())
            }
        }
    }

    async fn all<T: Row>(self, connection: &mut Connection) -> Result<Vec<T>, sqlx::Error> {
        let is_alone = !connection.is_in_transaction();
        match connection.driver() {
            Driver::Sqlite(driver) => {
                let rows = self.for_sqlite()?.fetch_all(driver).await?;
                rows.iter().map(T::from_row).collect()
            }
            Driver::Postgres(driver, patience) => {
                let asked = self.for_postgres()?.fetch_all(&mut *driver);
                let rows = match patience.wait(asked).await {
                    Err(fault) if has_outdated_plan(&fault) => {
                        // A migration added a column while this server is at work: its statements are made anew.
                        patience.wait(driver.clear_cached_statements()).await?;
                        if !is_alone {
                            return Err(fault);
                        }
                        patience
                            .wait(self.for_postgres()?.fetch_all(driver))
                            .await?
                    }
                    asked => asked?,
                };
                rows.iter().map(T::from_row).collect()
            }
        }
    }
}

/// A statement whose rows are read.
#[derive(Debug)]
pub(crate) struct RowQuery<'q>(Query<'q>);

/// Begins a statement whose rows are read.
pub(crate) fn query_as<'q>(sql: impl Into<Cow<'static, str>>) -> RowQuery<'q> {
    RowQuery(query(sql))
}

impl<'q> RowQuery<'q> {
    /// Gives the next value.
    pub(crate) fn bind(self, value: impl Into<Value<'q>>) -> Self {
        Self(self.0.bind(value))
    }

    /// All its rows.
    pub(crate) async fn fetch_all<T: Row>(
        self,
        connection: &mut Connection,
    ) -> Result<Vec<T>, sqlx::Error> {
        self.0.all(connection).await
    }

    /// The one row of a statement that always gives one.
    pub(crate) async fn fetch_one<T: Row>(
        self,
        connection: &mut Connection,
    ) -> Result<T, sqlx::Error> {
        let rows = self.0.all(connection).await?;
        rows.into_iter().next().ok_or(sqlx::Error::RowNotFound)
    }
}

/// A statement whose only column is read.
#[derive(Debug)]
pub(crate) struct ScalarQuery<'q>(Query<'q>);

/// Begins a statement whose only column is read.
pub(crate) fn query_scalar<'q>(sql: impl Into<Cow<'static, str>>) -> ScalarQuery<'q> {
    ScalarQuery(query(sql))
}

impl<'q> ScalarQuery<'q> {
    /// Gives the next value.
    pub(crate) fn bind(self, value: impl Into<Value<'q>>) -> Self {
        Self(self.0.bind(value))
    }

    /// Its column of all rows.
    pub(crate) async fn fetch_all<T>(
        self,
        connection: &mut Connection,
    ) -> Result<Vec<T>, sqlx::Error>
    where
        (T,): Row,
    {
        let rows: Vec<(T,)> = self.0.all(connection).await?;
        Ok(rows.into_iter().map(|(value,)| value).collect())
    }

    /// Its column of the one row of a statement that always gives one.
    pub(crate) async fn fetch_one<T>(self, connection: &mut Connection) -> Result<T, sqlx::Error>
    where
        (T,): Row,
    {
        let rows = self.fetch_all(connection).await?;
        rows.into_iter().next().ok_or(sqlx::Error::RowNotFound)
    }
}
