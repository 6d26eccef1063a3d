//! Rows of any table: read in the order of their keys, added up into one digest, whatever database they are in.

use sha2::{Digest as _, Sha256};
use sqlx::postgres::PgRow;
use sqlx::sqlite::SqliteRow;
use sqlx::{ColumnIndex, Decode, FromRow, Row, Type, TypeInfo as _, ValueRef as _};

use super::shape::{Kind, Table};
use crate::audit::hexadecimal;
use crate::database::{Connection, Value, query_as, query_scalar};

/// How many rows a table has.
pub(super) async fn count(connection: &mut Connection, table: &Table) -> Result<u64, sqlx::Error> {
    let rows: i64 = query_scalar(format!("SELECT COUNT(*) FROM {}", table.name))
        .fetch_one(connection)
        .await?;
    Ok(u64::try_from(rows).unwrap_or_default())
}

/// A row as its database gives it.
struct AnyRow(Vec<Value<'static>>);

/// Reads a column; nothing tells the kind of what is null, so it is a text here.
fn column<'r, R: Row>(row: &'r R, at: usize) -> Result<Value<'static>, sqlx::Error>
where
    usize: ColumnIndex<R>,
    String: Decode<'r, R::Database> + Type<R::Database>,
    i64: Decode<'r, R::Database> + Type<R::Database>,
    f64: Decode<'r, R::Database> + Type<R::Database>,
    bool: Decode<'r, R::Database> + Type<R::Database>,
    Vec<u8>: Decode<'r, R::Database> + Type<R::Database>,
{
    let raw = row.try_get_raw(at)?;
    if raw.is_null() {
        return Ok(Value::Text(None));
    }
    let kind = raw.type_info();
    Ok(match kind.name() {
        "TEXT" => Value::from(row.try_get_unchecked::<String, _>(at)?),
        "INTEGER" | "INT8" => Value::from(row.try_get_unchecked::<i64, _>(at)?),
        "REAL" | "FLOAT8" => Value::from(row.try_get_unchecked::<f64, _>(at)?),
        "BOOL" => Value::from(row.try_get_unchecked::<bool, _>(at)?),
        "BLOB" | "BYTEA" => Value::from(row.try_get_unchecked::<Vec<u8>, _>(at)?),
        other => {
            let words = format!("a value of the type {other}, which is not known here");
            return Err(sqlx::Error::Decode(words.into()));
        }
    })
}

impl<'r> FromRow<'r, SqliteRow> for AnyRow {
    fn from_row(row: &'r SqliteRow) -> Result<Self, sqlx::Error> {
        let values = (0..row.len()).map(|at| column(row, at));
        values.collect::<Result<_, _>>().map(Self)
    }
}

impl<'r> FromRow<'r, PgRow> for AnyRow {
    fn from_row(row: &'r PgRow) -> Result<Self, sqlx::Error> {
        let values = (0..row.len()).map(|at| column(row, at));
        values.collect::<Result<_, _>>().map(Self)
    }
}

/// Gives a value the kind of its column; what fits no kind exactly is an error, never another value.
fn fitted(value: Value<'static>, kind: Kind) -> Result<Value<'static>, sqlx::Error> {
    Ok(match (kind, value) {
        (Kind::Text, value @ Value::Text(_))
        | (Kind::Integer, value @ Value::Integer(_))
        | (Kind::Real, value @ Value::Real(_))
        | (Kind::Truth, value @ Value::Truth(_))
        | (Kind::Bytes, value @ Value::Bytes(_)) => value,
        (Kind::Integer, Value::Text(None)) => Value::Integer(None),
        (Kind::Real, Value::Text(None)) => Value::Real(None),
        (Kind::Truth, Value::Text(None)) => Value::Truth(None),
        (Kind::Bytes, Value::Text(None)) => Value::Bytes(None),
        (Kind::Truth, Value::Integer(Some(number @ (0 | 1)))) => Value::Truth(Some(number == 1)),
        (kind, value) => {
            let words = format!("{value:?} in a column of the kind {kind:?}");
            return Err(sqlx::Error::Decode(words.into()));
        }
    })
}

/// Reads a table from its first key to its last one.
pub(super) struct Reader<'t> {
    table: &'t Table,
    key: Vec<usize>,
    first: String,
    further: String,
    after: Option<Vec<Value<'static>>>,
}

impl<'t> Reader<'t> {
    pub(super) fn of(table: &'t Table) -> Self {
        let key = table.key();
        let names: Vec<&str> = key
            .iter()
            .map(|at| table.columns[*at].name.as_str())
            .collect();
        let names = names.join(", ");
        let places: Vec<String> = (1..=key.len()).map(|at| format!("${at}")).collect();
        let select = format!("SELECT {} FROM {}", table.listed(), table.name);
        Self {
            table,
            first: format!("{select} ORDER BY {names} LIMIT $1"),
            further: format!(
                "{select} WHERE ({names}) > ({}) ORDER BY {names} LIMIT ${}",
                places.join(", "),
                key.len() + 1
            ),
            key,
            after: None,
        }
    }

    /// The next rows; none after the last one.
    pub(super) async fn next(
        &mut self,
        connection: &mut Connection,
        most: i64,
    ) -> Result<Vec<Vec<Value<'static>>>, sqlx::Error> {
        let statement = match &self.after {
            None => query_as(self.first.clone()),
            Some(after) => after
                .iter()
                .cloned()
                .fold(query_as(self.further.clone()), |query, value| {
                    query.bind(value)
                }),
        };
        let rows: Vec<AnyRow> = statement.bind(most).fetch_all(connection).await?;
        let mut fitting = Vec::with_capacity(rows.len());
        for AnyRow(values) in rows {
            let columns = values.into_iter().zip(&self.table.columns);
            let row = columns.map(|(value, column)| fitted(value, column.kind));
            fitting.push(row.collect::<Result<Vec<_>, _>>()?);
        }
        if let Some(last) = fitting.last() {
            self.after = Some(self.key.iter().map(|at| last[*at].clone()).collect());
        }
        Ok(fitting)
    }
}

/// Adds rows up into a SHA-256: the names first, then each value with a letter for its kind and, where values differ
/// in length, its length. Numbers are little-endian.
pub(super) struct Summing(Sha256);

impl Summing {
    pub(super) fn of(table: &Table) -> Self {
        let mut sum = Self(Sha256::new());
        sum.text(&table.name);
        for column in &table.columns {
            sum.text(&column.name);
        }
        sum
    }

    fn text(&mut self, text: &str) {
        self.long(b't', text.as_bytes());
    }

    fn long(&mut self, letter: u8, bytes: &[u8]) {
        self.0.update([letter]);
        self.0.update((bytes.len() as u64).to_le_bytes());
        self.0.update(bytes);
    }

    fn short(&mut self, letter: u8, bytes: &[u8]) {
        self.0.update([letter]);
        self.0.update(bytes);
    }

    pub(super) fn add(&mut self, row: &[Value<'_>]) {
        self.0.update(b"|");
        for value in row {
            match value {
                Value::Text(Some(text)) => self.text(text),
                Value::Integer(Some(number)) => self.short(b'i', &number.to_le_bytes()),
                // SQLite keeps no sign of zero; adding zero takes it away and leaves all other bits.
                Value::Real(Some(number)) => {
                    self.short(b'r', &(number + 0.0).to_bits().to_le_bytes());
                }
                Value::Truth(Some(truth)) => self.short(b'b', &[u8::from(*truth)]),
                Value::Bytes(Some(bytes)) => self.long(b'x', bytes),
                Value::Text(None)
                | Value::Integer(None)
                | Value::Real(None)
                | Value::Truth(None)
                | Value::Bytes(None) => self.short(b'n', &[]),
            }
        }
    }

    /// Of all rows so far.
    pub(super) fn sha256(&self) -> String {
        hexadecimal(&self.0.clone().finalize())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(rows: &[&[Value<'_>]]) -> String {
        let table = Table {
            name: "t".to_owned(),
            columns: Vec::new(),
        };
        let mut sum = Summing::of(&table);
        for row in rows {
            sum.add(row);
        }
        sum.sha256()
    }

    #[test]
    fn values_that_differ_never_add_up_to_the_same() {
        let rows: [&[Value<'_>]; 11] = [
            &[],
            &[Value::from("")],
            &[Value::Text(None)],
            &[Value::from("a"), Value::from("b")],
            &[Value::from("ab"), Value::from("")],
            &[Value::from(1_i64)],
            &[Value::from(1.0)],
            &[Value::from(true)],
            &[Value::from(vec![1_u8])],
            &[Value::from(f64::from_bits(1.0_f64.to_bits() + 1))],
            &[Value::from(0_i64)],
        ];
        let sums: std::collections::BTreeSet<String> = rows.iter().map(|row| sum(&[row])).collect();
        assert_eq!(sums.len(), rows.len());
        let one = [Value::from("a")];
        assert_ne!(
            sum(&[&one, &one]),
            sum(&[&[one[0].clone(), one[0].clone()]])
        );
    }

    #[test]
    fn what_both_databases_take_for_the_same_adds_up_to_the_same() {
        assert_eq!(sum(&[&[Value::from(0.0)]]), sum(&[&[Value::from(-0.0)]]));
        assert_eq!(sum(&[&[Value::Text(None)]]), sum(&[&[Value::Real(None)]]));
    }

    #[test]
    fn a_value_of_another_kind_is_refused() {
        assert!(fitted(Value::from(2_i64), Kind::Truth).is_err());
        assert!(fitted(Value::from(1_i64), Kind::Real).is_err());
        assert!(fitted(Value::from("1"), Kind::Integer).is_err());
        let truth = fitted(Value::from(1_i64), Kind::Truth).expect("1 is true");
        assert!(matches!(truth, Value::Truth(Some(true))));
        let nothing = fitted(Value::Text(None), Kind::Bytes).expect("null is of any kind");
        assert!(matches!(nothing, Value::Bytes(None)));
    }
}
