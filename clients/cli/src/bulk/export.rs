//! `ringtrue export`: writes what an import reads, the oldest first.

use std::io::{BufWriter, Write};
use std::path::PathBuf;

use clap::Args;

use ringtrue_proto::v1::{Firing, Furnace, Gauge, ListSitesRequest, Reading, RingBatch, Site};
use rusqlite::{Connection, params};

use super::record::{Record, Wanted};
use super::{Dialect, Form, Format, Kind, made};
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::{moment, names, output};

/// Most sites that are gone through.
const MOST_SITES: usize = 100_000;

/// What to export, and where to.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Kind of records.
    kind: Kind,
    #[command(flatten)]
    form: Form,
    /// File to write; it must not be there yet. Without it, stdout.
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Readings and firings of this furnace alone.
    #[arg(long, value_name = "FURNACE")]
    furnace: Option<String>,
    /// Firings that ended at this moment or later, with its offset.
    #[arg(long, value_name = "MOMENT")]
    from: Option<String>,
    /// Firings that ended before this moment.
    #[arg(long, value_name = "MOMENT")]
    until: Option<String>,
}

/// Exports records. Without `--site`, of every site that one may see.
///
/// # Errors
/// [`Stop`] when a flag does not fit, the server refuses, or the file cannot be written.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let of_furnaces = matches!(ask.kind, Kind::Readings | Kind::Firings);
    if ask.furnace.is_some() && !of_furnaces {
        return Err(Stop::Usage(
            "--furnace goes with readings and firings.".to_owned(),
        ));
    }
    if (ask.from.is_some() || ask.until.is_some()) && ask.kind != Kind::Firings {
        return Err(Stop::Usage(
            "--from and --until go with firings.".to_owned(),
        ));
    }
    match ask.kind {
        Kind::Sites => Box::pin(exported::<Site>(&ask, session)).await,
        Kind::Furnaces => Box::pin(exported::<Furnace>(&ask, session)).await,
        Kind::Batches => Box::pin(exported::<RingBatch>(&ask, session)).await,
        Kind::Gauges => Box::pin(exported::<Gauge>(&ask, session)).await,
        Kind::Readings => Box::pin(exported::<Reading>(&ask, session)).await,
        Kind::Firings => Box::pin(exported::<Firing>(&ask, session)).await,
    }
}

async fn exported<T: Record>(ask: &Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let dialect = ask.form.settled(ask.output.as_deref())?;
    let mut wanted = Vec::new();
    for site in sites(ask, session).await? {
        wanted.push(Wanted {
            site,
            furnace: match &ask.furnace {
                Some(furnace) => session.named(furnace, names::FURNACE).await?,
                None => String::new(),
            },
            from: bound(ask.from.as_deref())?,
            until: bound(ask.until.as_deref())?,
        });
    }
    let target: Box<dyn Write + '_> = match &ask.output {
        Some(path) => Box::new(made(path)?),
        None => Box::new(BufWriter::new(&mut *session.world.out)),
    };
    let mut writer = Writer::<'_, T>::begun(target, dialect)?;
    let mut count: u64 = 0;
    for wanted in wanted {
        // Readings and firings are listed latest first, and an import wants the earliest first.
        if matches!(ask.kind, Kind::Readings | Kind::Firings) {
            let spool = Spool::new()?;
            let mut token = String::new();
            loop {
                let (page, next) = T::page(session.remote.clone(), wanted.clone(), token).await?;
                spool.keep(&page)?;
                if next.is_empty() {
                    break;
                }
                token = next;
            }
            count += spool.backwards(|record: T| writer.write(record))?;
            continue;
        }
        let mut token = String::new();
        loop {
            let (page, next) = T::page(session.remote.clone(), wanted.clone(), token).await?;
            for record in page {
                writer.write(record)?;
                count += 1;
            }
            if next.is_empty() {
                break;
            }
            token = next;
        }
    }
    writer.ended()?;
    if session.json {
        return Ok(());
    }
    session.say(&format!("Written: {count} {}.", ask.kind.word()))
}

fn bound(text: Option<&str>) -> Result<Option<prost_types::Timestamp>, Stop> {
    let Some(text) = text else {
        return Ok(None);
    };
    match moment::absolute(text) {
        Some(at) => Ok(Some(moment::sent(at))),
        None => Err(Stop::Usage(format!(
            "`{text}` is not a moment with its offset; write it like 2026-03-04T14:00:00Z."
        ))),
    }
}

/// The sites to go through; an empty name where records belong to none.
async fn sites(ask: &Ask, session: &mut Session<'_, '_>) -> Result<Vec<String>, Stop> {
    if let Some(site) = &session.site {
        let site = names::site(site).map_err(Stop::Usage)?;
        return Ok(vec![if ask.kind == Kind::Batches {
            String::new()
        } else {
            site
        }]);
    }
    if matches!(ask.kind, Kind::Sites | Kind::Batches) {
        return Ok(vec![String::new()]);
    }
    if let Some(furnace) = &ask.furnace {
        let furnace = session.named(furnace, names::FURNACE).await?;
        return Ok(vec![names::site_of(&furnace).to_owned()]);
    }
    let remote = session.remote.clone();
    let (sites, _) = gathered(MOST_SITES, async |page_size, page_token| {
        let ask = ListSitesRequest {
            page_size,
            page_token,
        };
        let page = remote.sites(ask).await?;
        Ok((page.sites, page.next_page_token))
    })
    .await?;
    Ok(sites.into_iter().map(|site| site.name).collect())
}

/// Writes records in the form of a file.
struct Writer<'w, T: Record> {
    form: Shape<'w>,
    dialect: Dialect,
    kind: std::marker::PhantomData<T>,
}

enum Shape<'w> {
    Csv(Box<csv::Writer<Box<dyn Write + 'w>>>),
    Lines(Box<dyn Write + 'w>),
}

fn unwritten(fault: csv::Error) -> Stop {
    match fault.into_kind() {
        csv::ErrorKind::Io(fault) => Stop::from(fault),
        other => Stop::Broken(format!("a row cannot be written: {other:?}")),
    }
}

impl<'w, T: Record> Writer<'w, T> {
    fn begun(target: Box<dyn Write + 'w>, dialect: Dialect) -> Result<Self, Stop> {
        let form = match dialect.format {
            Format::Ndjson => Shape::Lines(target),
            Format::Csv => {
                let mut writer = csv::WriterBuilder::new()
                    .delimiter(dialect.delimiter)
                    // RFC 4180, section 2: lines end with CRLF.
                    .terminator(csv::Terminator::CRLF)
                    .from_writer(target);
                let names = T::COLUMNS.iter().map(|column| column.name);
                writer.write_record(names).map_err(unwritten)?;
                Shape::Csv(Box::new(writer))
            }
        };
        Ok(Writer {
            form,
            dialect,
            kind: std::marker::PhantomData,
        })
    }

    fn write(&mut self, mut record: T) -> Result<(), Stop> {
        record.emptied();
        match &mut self.form {
            Shape::Lines(target) => {
                let line = output::json_line(T::MESSAGE, &record)?;
                writeln!(target, "{line}")?;
            }
            Shape::Csv(writer) => {
                for row in 0..record.row_count() {
                    let cells = T::COLUMNS.iter().map(|column| {
                        if row > 0 && !column.further {
                            return String::new();
                        }
                        (column.write)(&record, row, self.dialect.decimal)
                    });
                    writer.write_record(cells).map_err(unwritten)?;
                }
            }
        }
        Ok(())
    }

    fn ended(self) -> Result<(), Stop> {
        match self.form {
            Shape::Csv(mut writer) => writer.flush()?,
            Shape::Lines(mut target) => target.flush()?,
        }
        Ok(())
    }
}

/// Records on their way to be turned round: on the disk, as there may be millions.
struct Spool(Connection);

impl Spool {
    fn new() -> Result<Self, Stop> {
        // An empty name is a database on the disk that nobody else sees and that is gone with the program.
        let connection = Connection::open("").map_err(|fault| full(&fault))?;
        connection
            .execute_batch("CREATE TABLE record (place INTEGER PRIMARY KEY, bytes BLOB NOT NULL) STRICT; BEGIN")
            .map_err(|fault| full(&fault))?;
        Ok(Spool(connection))
    }

    fn keep<T: Record>(&self, records: &[T]) -> Result<(), Stop> {
        let mut statement = self
            .0
            .prepare_cached("INSERT INTO record (bytes) VALUES (?1)")
            .map_err(|fault| full(&fault))?;
        for record in records {
            statement
                .execute(params![record.encode_to_vec()])
                .map_err(|fault| full(&fault))?;
        }
        Ok(())
    }

    fn backwards<T: Record>(
        &self,
        mut write: impl FnMut(T) -> Result<(), Stop>,
    ) -> Result<u64, Stop> {
        let mut statement = self
            .0
            .prepare("SELECT bytes FROM record ORDER BY place DESC")
            .map_err(|fault| full(&fault))?;
        let mut rows = statement.query([]).map_err(|fault| full(&fault))?;
        let mut count = 0;
        while let Some(row) = rows.next().map_err(|fault| full(&fault))? {
            let bytes: Vec<u8> = row.get(0).map_err(|fault| full(&fault))?;
            let record = T::decode(bytes.as_slice());
            write(record.map_err(|fault| Stop::Broken(format!("a record was damaged: {fault}")))?)?;
            count += 1;
        }
        Ok(count)
    }
}

fn full(fault: &rusqlite::Error) -> Stop {
    Stop::Refused(format!(
        "Records cannot be set aside: {fault}. See that there is room on the disk."
    ))
}
