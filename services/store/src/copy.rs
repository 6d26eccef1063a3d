//! Moving a whole installation from one database to another, SQLite's or PostgreSQL's, and proving that both are
//! equal.
//!
//! The source is read in one snapshot, table by table, what is referred to before what refers to it, each in the
//! order of its key. The target keeps how far it got ([`progress`]) in the same transaction as the rows, so a copy
//! that was interrupted goes on where it stood. While that is kept there, nobody serves the target. In the end every
//! table of the target is read once more and its count and SHA-256 are compared with the source's ([`rows`]).
//!
//! What tables and columns there are is asked of the databases themselves ([`shape`]): a new one needs nothing here.

mod fault;
mod progress;
mod rows;
mod shape;

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;

use crate::database::{self, Connection, Over, query, query_as, query_scalar};
use crate::{Location, Store};

pub use fault::{CopyFault, Side};
pub(crate) use progress::refuse_unfinished;
use progress::{Progress, Reached};
use rows::{Reader, Summing};
use shape::Table;

/// How many rows go over at a time: few enough for SQLite's 32 766 values in a statement.
const BATCH: i64 = 500;

/// A table after the copy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CopiedTable {
    /// Its name.
    pub name: String,
    /// As the source has it.
    pub from: Sum,
    /// As it was read back from the target.
    pub to: Sum,
}

impl CopiedTable {
    /// Whether both sides hold the same.
    pub fn is_equal(&self) -> bool {
        self.from == self.to
    }
}

/// What a table holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Sum {
    /// How many rows.
    pub rows: u64,
    /// SHA-256 over all of them in the order of their keys, hexadecimal.
    pub sha256: String,
}

/// A copy that was made, and what the comparison found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copied {
    /// Every table, in the order in which they were copied.
    pub tables: Vec<CopiedTable>,
    /// Audit entries that were made on the source after the copy began, and so are not in it.
    pub entries_behind: u64,
}

impl Copied {
    /// Whether every table is equal.
    pub fn is_equal(&self) -> bool {
        self.tables.iter().all(CopiedTable::is_equal)
    }

    /// Whether the target took the place of the source: it is equal, and nothing was left behind.
    pub fn is_whole(&self, wish: CopyWish) -> bool {
        self.is_equal() && (self.entries_behind == 0 || wish.rehearses)
    }
}

/// How far a copy has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CopyStep<'a> {
    /// It goes on with a copy that was interrupted after so many rows.
    GoesOn {
        /// Rows that are in the target.
        rows: u64,
    },
    /// The source was written to since the copy was interrupted: it begins anew.
    BeginsAnew,
    /// Rows of a table were copied, or found copied.
    Copied(Place<'a>),
    /// Rows of a table were read back from the target.
    Compared(Place<'a>),
}

/// A place on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place<'a> {
    /// The table.
    pub table: &'a str,
    /// Rows of it that are done.
    pub rows: u64,
    /// Rows that it has.
    pub of: u64,
    /// Rows of all tables that are done.
    pub all_rows: u64,
    /// Rows of all tables.
    pub of_all: u64,
}

/// How a copy is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CopyWish {
    /// What time it is.
    pub now: Timestamp,
    /// Servers may be at work on the source: what they record meanwhile stays behind.
    pub rehearses: bool,
}

impl Store {
    /// Copies everything from one database to another and compares them. `told` hears how far it has come.
    ///
    /// Nothing is changed in the source, nor in a target that is refused.
    pub async fn copy(
        from: &Location,
        to: &Location,
        wish: CopyWish,
        told: &mut (dyn FnMut(CopyStep<'_>) + Send),
    ) -> Result<Copied, CopyFault> {
        if is_same_file(from, to) {
            return Err(CopyFault::SameFile);
        }
        let source = Self::open_existing(from.clone())
            .await
            .map_err(Side::Source.fault())?;
        let copied = match copied(&source, to, wish, told).await {
            // The source is as it was; a copy that is not whole may be continued.
            Err(fault) => Err(fault),
            Ok((target, copied)) => {
                let closed = target.close().await;
                closed.map_err(Side::Target.fault()).map(|()| copied)
            }
        };
        let closed = source.close().await;
        let copied = copied?;
        closed.map_err(Side::Source.fault())?;
        Ok(copied)
    }
}

fn is_same_file(from: &Location, to: &Location) -> bool {
    let (Location::File(from), Location::File(to)) = (from, to) else {
        return false;
    };
    matches!((from.canonicalize(), to.canonicalize()), (Ok(from), Ok(to)) if from == to)
}

fn scope() -> Scope {
    Scope::for_work("copy")
}

/// A snapshot of one side, and its tables.
struct Seen {
    connection: Connection,
    tables: Vec<Table>,
    level: i64,
}

impl Seen {
    async fn of(store: &Store, side: Side) -> Result<Self, CopyFault> {
        let mut connection = store.snapshot(&scope(), None).await.map_err(side.fault())?;
        // Nothing is asked of one side while the other one is at work.
        if !connection.is_sqlite() {
            query("SELECT set_config('idle_in_transaction_session_timeout', '0', true)")
                .execute(&mut connection)
                .await
                .map_err(side.failed())?;
        }
        if !owns_it(&mut connection).await.map_err(side.failed())? {
            return Err(CopyFault::NotTheOwner { side });
        }
        let level = query_scalar("SELECT MAX(version) FROM _sqlx_migrations WHERE success")
            .fetch_one(&mut connection)
            .await
            .map_err(side.failed())?;
        let tables = shape::tables(&mut connection)
            .await
            .map_err(side.failed())?;
        Ok(Self {
            connection,
            tables,
            level,
        })
    }

    async fn end(self, side: Side) -> Result<(), CopyFault> {
        self.connection.finish().await.map_err(side.failed())
    }
}

/// Whether all rows are shown to whoever is connected: row-level security hides none from the owner.
async fn owns_it(connection: &mut Connection) -> Result<bool, sqlx::Error> {
    const OWNS: &str = "SELECT pg_has_role(CURRENT_USER, relowner, 'USAGE') FROM pg_class
        WHERE oid = to_regclass('audit')";
    if connection.is_sqlite() {
        return Ok(true);
    }
    query_scalar(OWNS).fetch_one(connection).await
}

async fn copied(
    source: &Store,
    to: &Location,
    wish: CopyWish,
    told: &mut (dyn FnMut(CopyStep<'_>) + Send),
) -> Result<(Store, Copied), CopyFault> {
    let mut seen = Seen::of(source, Side::Source).await?;
    if !wish.rehearses {
        refuse_served(&mut seen.connection, wish.now, Side::Source).await?;
    }
    let entries = entries(&mut seen.connection)
        .await
        .map_err(Side::Source.failed())?;
    let target = open_target(to).await.map_err(Side::Target.fault())?;
    let result = whole_copy(source, &target, &mut seen, wish, entries, told).await;
    // Nothing was written there. Its connection has done nothing for as long as the target was compared, and may have
    // been cut on the way; the copy is as good without it.
    drop(seen.end(Side::Source).await);
    match result {
        Ok(copied) => Ok((target, copied)),
        Err(fault) => {
            // The fault says more than one of closing would.
            drop(target.close().await);
            Err(fault)
        }
    }
}

async fn whole_copy(
    source: &Store,
    target: &Store,
    seen: &mut Seen,
    wish: CopyWish,
    entries_before: i64,
    told: &mut (dyn FnMut(CopyStep<'_>) + Send),
) -> Result<Copied, CopyFault> {
    let mut opposite = Seen::of(target, Side::Target).await?;
    // Nobody serves an unfinished copy; leases in it are the source's.
    let is_unfinished = progress::is_unfinished(&mut opposite.connection)
        .await
        .map_err(Side::Target.failed())?;
    if !wish.rehearses && !is_unfinished {
        refuse_served(&mut opposite.connection, wish.now, Side::Target).await?;
    }
    let agreed = if opposite.level == seen.level {
        shape::agree(&seen.tables, &opposite.tables)
            .map_err(|table| CopyFault::OtherShape { table })
    } else {
        Err(CopyFault::OtherLevel {
            source: seen.level,
            target: opposite.level,
        })
    };
    let standing = match agreed {
        Ok(()) => Progress::read(&mut opposite, seen).await,
        Err(fault) => Err(fault),
    };
    opposite.end(Side::Target).await?;
    let standing = standing?;
    let mut counts = Vec::with_capacity(seen.tables.len());
    for table in &seen.tables {
        let rows = rows::count(&mut seen.connection, table)
            .await
            .map_err(Side::Source.failed())?;
        counts.push(rows);
    }
    let mut copying = Copying {
        target,
        counts,
        told,
    };
    let mut progress = match standing {
        Some(progress) => {
            (copying.told)(CopyStep::GoesOn {
                rows: progress.rows(),
            });
            progress
        }
        None => Progress::begin(target, seen).await?,
    };
    let mut sums = copying.everything(seen, &mut progress).await?;
    if sums.is_none() {
        (copying.told)(CopyStep::BeginsAnew);
        progress = Progress::begin(target, seen).await?;
        sums = copying.everything(seen, &mut progress).await?;
    }
    // What was just begun holds nothing that could differ.
    let sums = sums.ok_or(CopyFault::Together)?;
    let tables = copying.compared(&seen.tables, sums).await?;
    let mut later = source
        .reader(&scope(), None)
        .await
        .map_err(Side::Source.fault())?;
    let entries_after = entries(&mut later).await.map_err(Side::Source.failed())?;
    let copied = Copied {
        tables,
        entries_behind: u64::try_from(entries_after - entries_before).unwrap_or_default(),
    };
    if copied.is_whole(wish) {
        progress::end(target, &seen.tables).await?;
    }
    Ok(copied)
}

/// How many audit entries there are: every record has one.
async fn entries(connection: &mut Connection) -> Result<i64, sqlx::Error> {
    query_scalar("SELECT COUNT(*) FROM audit")
        .fetch_one(connection)
        .await
}

/// Fails when a server holds a lease: each holds one for as long as it is at work.
async fn refuse_served(
    connection: &mut Connection,
    now: Timestamp,
    side: Side,
) -> Result<(), CopyFault> {
    const HELD: &str = "SELECT name, until FROM work_lease WHERE until > $1 ORDER BY until DESC";
    let held: Vec<(String, i64)> = query_as(HELD)
        .bind(now.as_microsecond())
        .fetch_all(connection)
        .await
        .map_err(side.failed())?;
    match held.into_iter().next() {
        None => Ok(()),
        Some((work, until)) => Err(CopyFault::Served {
            side,
            work,
            until: Timestamp::from_microsecond(until).unwrap_or(Timestamp::MAX),
        }),
    }
}

/// Opens the target, which is made when it is not there.
async fn open_target(to: &Location) -> Result<Store, crate::Error> {
    let is_new = match to {
        Location::File(file) => std::fs::metadata(file).map_or(true, |found| found.len() == 0),
        Location::Postgres(address) => database::is_bare(address).await?,
    };
    if is_new {
        Store::migrate_even_unfinished(to.clone()).await?;
    }
    Store::open_existing_even_unfinished(to.clone()).await
}

/// A copy under way.
struct Copying<'c> {
    target: &'c Store,
    /// Rows of each table of the source.
    counts: Vec<u64>,
    told: &'c mut (dyn FnMut(CopyStep<'_>) + Send),
}

impl Copying<'_> {
    /// Copies what is not copied yet and gives what the source holds; none when it is not what was copied before.
    async fn everything(
        &mut self,
        seen: &mut Seen,
        progress: &mut Progress,
    ) -> Result<Option<Vec<Sum>>, CopyFault> {
        let mut sums = Vec::with_capacity(seen.tables.len());
        for at in 0..seen.tables.len() {
            match self.table(seen, at, progress).await? {
                Some(sum) => sums.push(sum),
                None => return Ok(None),
            }
        }
        Ok(Some(sums))
    }

    async fn table(
        &mut self,
        seen: &mut Seen,
        at: usize,
        progress: &mut Progress,
    ) -> Result<Option<Sum>, CopyFault> {
        let table = &seen.tables[at];
        let before = progress.of(&table.name);
        let mut summing = Summing::of(table);
        let mut reader = Reader::of(table);
        let mut rows = 0;
        loop {
            let batch = reader
                .next(&mut seen.connection, BATCH)
                .await
                .map_err(Side::Source.failed_at(table))?;
            if batch.is_empty() {
                break;
            }
            let mut new = Vec::new();
            for row in batch {
                summing.add(&row);
                rows += 1;
                if rows == before.rows && summing.sha256() != before.sha256 {
                    return Ok(None);
                }
                if rows > before.rows {
                    new.push(row);
                }
            }
            if !new.is_empty() {
                let reached = Reached {
                    rows,
                    sha256: summing.sha256(),
                };
                progress.store(self.target, table, new, reached).await?;
            }
            let place = place(&self.counts, &seen.tables, at, rows);
            (self.told)(CopyStep::Copied(place));
        }
        if rows < before.rows {
            return Ok(None);
        }
        Ok(Some(Sum {
            rows,
            sha256: summing.sha256(),
        }))
    }

    /// Reads the target and puts both sides beside each other.
    async fn compared(
        &mut self,
        tables: &[Table],
        sums: Vec<Sum>,
    ) -> Result<Vec<CopiedTable>, CopyFault> {
        let snapshot = self.target.snapshot(&scope(), None).await;
        let mut connection = snapshot.map_err(Side::Target.fault())?;
        let mut compared = Vec::with_capacity(tables.len());
        for (at, (table, from)) in tables.iter().zip(sums).enumerate() {
            let failed = Side::Target.failed_at(table);
            let mut summing = Summing::of(table);
            let mut reader = Reader::of(table);
            let mut rows = 0;
            loop {
                let batch = reader.next(&mut connection, BATCH).await.map_err(&failed)?;
                if batch.is_empty() {
                    break;
                }
                for row in &batch {
                    summing.add(row);
                    rows += 1;
                }
                let place = place(&self.counts, tables, at, rows);
                (self.told)(CopyStep::Compared(place));
            }
            compared.push(CopiedTable {
                name: table.name.clone(),
                from,
                to: Sum {
                    rows,
                    sha256: summing.sha256(),
                },
            });
        }
        connection.finish().await.map_err(Side::Target.failed())?;
        Ok(compared)
    }
}

fn place<'t>(counts: &[u64], tables: &'t [Table], at: usize, rows: u64) -> Place<'t> {
    Place {
        table: &tables[at].name,
        rows,
        of: counts[at],
        all_rows: counts[..at].iter().sum::<u64>() + rows,
        of_all: counts.iter().sum(),
    }
}
