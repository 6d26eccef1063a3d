//! The floor: the same rows, put into the same schema on the same disk with the same durability, by one
//! loop that does nothing else.

use std::io::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use ringtrue_store::Store;
use sqlx::sqlite::{
    SqliteArguments, SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqliteRow,
    SqliteSynchronous,
};
use sqlx::{AssertSqlSafe, Column as _, Connection as _, Row as _, TypeInfo as _, ValueRef as _};

/// The tables that a recording writes, in the order in which it writes them.
const TABLES: [&str; 5] = [
    "reading",
    "evaluation",
    "tracked_offset",
    "audit",
    "request",
];

/// What the bare loop copies first, so that its rows have what they refer to.
const BEFORE: [&str; 6] = [
    "site",
    "furnace",
    "programme",
    "gauge",
    "ring_batch",
    "ring_table",
];

#[derive(Debug, Clone)]
enum Value {
    Null,
    Integer(i64),
    Real(f64),
    Text(String),
    Bytes(Vec<u8>),
}

#[derive(Debug, Clone)]
struct Table {
    name: &'static str,
    columns: Vec<String>,
    rows: Vec<Vec<Value>>,
}

/// The rows of many recordings.
#[derive(Debug, Clone)]
pub(crate) struct Rows {
    before: Vec<Table>,
    recorded: Vec<Table>,
}

fn options(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
}

impl Rows {
    /// Reads back what the server stored for `readings` recordings.
    pub(crate) async fn of(database: &Path, readings: usize) -> anyhow::Result<Self> {
        let mut connection = SqliteConnection::connect_with(&options(database)).await?;
        let mut before = Vec::new();
        for name in BEFORE {
            before.push(table(&mut connection, name, "1 = 1").await?);
        }
        let mut recorded = Vec::new();
        for name in TABLES {
            let only = match name {
                "audit" => "action = 'reading.record'",
                "request" => "method LIKE '%RecordReading%'",
                _ => "1 = 1",
            };
            let mut table = table(&mut connection, name, only).await?;
            if name == "tracked_offset" {
                // One row a furnace is left of the many that were written; the loop writes as many.
                let distinct = table.rows.clone();
                table.rows = distinct.iter().cycle().take(readings).cloned().collect();
            } else {
                table.rows.truncate(readings);
            }
            anyhow::ensure!(
                table.rows.len() == readings,
                "{name} has {} rows",
                table.rows.len()
            );
            recorded.push(table);
        }
        Ok(Self { before, recorded })
    }

    /// The first of them.
    pub(crate) fn first(&self, readings: usize) -> Self {
        let mut first = self.clone();
        for table in &mut first.recorded {
            table.rows.truncate(readings);
        }
        first
    }
}

async fn table(
    connection: &mut SqliteConnection,
    name: &'static str,
    only: &str,
) -> anyhow::Result<Table> {
    let sql = format!("SELECT * FROM {name} WHERE {only}");
    let rows: Vec<SqliteRow> = sqlx::query(AssertSqlSafe(sql))
        .fetch_all(&mut *connection)
        .await?;
    let columns = rows.first().map_or_else(Vec::new, |row| {
        row.columns()
            .iter()
            .map(|column| column.name().to_owned())
            .collect()
    });
    let mut values = Vec::with_capacity(rows.len());
    for row in &rows {
        let mut one = Vec::with_capacity(columns.len());
        for at in 0..columns.len() {
            let raw = row.try_get_raw(at)?;
            let kind = raw.type_info().name().to_owned();
            one.push(if raw.is_null() {
                Value::Null
            } else if kind == "INTEGER" {
                Value::Integer(row.try_get(at)?)
            } else if kind == "REAL" {
                Value::Real(row.try_get(at)?)
            } else if kind == "BLOB" {
                Value::Bytes(row.try_get(at)?)
            } else {
                Value::Text(row.try_get(at)?)
            });
        }
        values.push(one);
    }
    Ok(Table {
        name,
        columns,
        rows: values,
    })
}

/// Puts the rows into a fresh database, `group` recordings in a transaction; gives recordings a second.
pub(crate) async fn insert(folder: &Path, rows: &Rows, group: usize) -> anyhow::Result<f64> {
    let file = folder.join(format!("bare-{group}.db"));
    Store::migrate(&file).await?;
    let mut connection = SqliteConnection::connect_with(&options(&file)).await?;
    for table in &rows.before {
        for row in &table.rows {
            put(&mut connection, table, row).await?;
        }
    }
    let readings = rows.recorded.first().map_or(0, |table| table.rows.len());
    let start = Instant::now();
    let mut at = 0;
    while at < readings {
        let end = (at + group).min(readings);
        sqlx::query("BEGIN IMMEDIATE")
            .execute(&mut connection)
            .await?;
        for number in at..end {
            for table in &rows.recorded {
                put(&mut connection, table, &table.rows[number]).await?;
            }
        }
        sqlx::query("COMMIT").execute(&mut connection).await?;
        at = end;
    }
    let elapsed = start.elapsed();
    connection.close().await?;
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    Ok(readings as f64 / elapsed.as_secs_f64())
}

/// The same through the C library that Python carries, without a driver's threads in between.
pub(crate) async fn insert_by_c(
    folder: &Path,
    database: &Path,
    readings: usize,
    group: usize,
) -> anyhow::Result<f64> {
    let file = folder.join(format!("bare-c-{group}.db"));
    Store::migrate(&file).await?;
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("load/bare.py");
    let output = std::process::Command::new("python3")
        .arg(program)
        .args([database, file.as_path()])
        .args([readings.to_string(), group.to_string()])
        .stderr(std::process::Stdio::inherit())
        .output()?;
    anyhow::ensure!(output.status.success(), "load/bare.py failed");
    Ok(String::from_utf8(output.stdout)?.trim().parse()?)
}

async fn put(
    connection: &mut SqliteConnection,
    table: &Table,
    row: &[Value],
) -> anyhow::Result<()> {
    let verb = if table.name == "tracked_offset" {
        "REPLACE"
    } else {
        "INSERT"
    };
    let places: Vec<String> = (1..=row.len()).map(|at| format!("${at}")).collect();
    let sql = format!(
        "{verb} INTO {} ({}) VALUES ({})",
        table.name,
        table.columns.join(", "),
        places.join(", ")
    );
    let mut query = sqlx::query::<sqlx::Sqlite>(AssertSqlSafe(sql));
    for value in row {
        query = bound(query, value);
    }
    query.execute(connection).await?;
    Ok(())
}

type Query<'q> = sqlx::query::Query<'q, sqlx::Sqlite, SqliteArguments>;

fn bound<'q>(query: Query<'q>, value: &Value) -> Query<'q> {
    match value {
        Value::Null => query.bind(None::<String>),
        Value::Integer(number) => query.bind(*number),
        Value::Real(number) => query.bind(*number),
        Value::Text(text) => query.bind(text.clone()),
        Value::Bytes(bytes) => query.bind(bytes.clone()),
    }
}

/// Median time of a small write that is on the disk when it returns.
pub(crate) fn fsync_probe(folder: &Path) -> anyhow::Result<Duration> {
    const WRITES: usize = 101;
    let mut file = std::fs::File::create(folder.join("probe"))?;
    let mut times = Vec::with_capacity(WRITES);
    for _ in 0..WRITES {
        let start = Instant::now();
        file.write_all(&[0x5A; 4096])?;
        file.sync_data()?;
        times.push(start.elapsed());
    }
    times.sort_unstable();
    Ok(times[WRITES / 2])
}
