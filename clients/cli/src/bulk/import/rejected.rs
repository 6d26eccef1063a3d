//! The rows that were left out, in a file of the same form, to be mended and imported.

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::PathBuf;

use csv::ByteRecord;

use crate::bulk::rows::{Item, Raw};
use crate::bulk::{Dialect, Format, made};
use crate::failure::Stop;

enum Writer {
    Csv(Box<csv::Writer<BufWriter<File>>>),
    Lines(BufWriter<File>),
}

/// A file of rows that were left out; none where nobody wants it.
pub(super) struct Rejected(Option<(PathBuf, Writer)>);

impl Rejected {
    /// Begins it, with the row that names the columns.
    pub(super) fn begun(
        path: Option<&PathBuf>,
        dialect: Dialect,
        header: &ByteRecord,
    ) -> Result<Self, Stop> {
        let Some(path) = path else {
            return Ok(Rejected(None));
        };
        let file = made(path)?;
        let writer = match dialect.format {
            Format::Ndjson => Writer::Lines(file),
            Format::Csv => {
                let mut writer = csv::WriterBuilder::new()
                    .delimiter(dialect.delimiter)
                    .flexible(true)
                    .from_writer(file);
                let written = writer.write_byte_record(header);
                written.map_err(|fault| unwritten(path, &fault.to_string()))?;
                Writer::Csv(Box::new(writer))
            }
        };
        Ok(Rejected(Some((path.clone(), writer))))
    }

    /// Takes the rows of a record.
    pub(super) fn take<T>(&mut self, item: &Item<T>) -> Result<(), Stop> {
        let Some((path, writer)) = &mut self.0 else {
            return Ok(());
        };
        for raw in &item.raw {
            let written = match (&mut *writer, raw) {
                (Writer::Csv(writer), Raw::Cells(cells)) => writer
                    .write_byte_record(cells)
                    .map_err(|fault| fault.to_string()),
                (Writer::Lines(writer), Raw::Line(line)) => writer
                    .write_all(line)
                    .and_then(|()| writer.write_all(b"\n"))
                    .map_err(|fault| fault.to_string()),
                _ => Ok(()),
            };
            written.map_err(|fault| unwritten(path, &fault))?;
        }
        Ok(())
    }

    /// Ends it.
    pub(super) fn ended(self) -> Result<(), Stop> {
        let Some((path, writer)) = self.0 else {
            return Ok(());
        };
        let flushed = match writer {
            Writer::Csv(mut writer) => writer.flush(),
            Writer::Lines(mut writer) => writer.flush(),
        };
        flushed.map_err(|fault| unwritten(&path, &fault.to_string()))
    }
}

fn unwritten(path: &std::path::Path, fault: &str) -> Stop {
    Stop::Refused(format!("{} cannot be written: {fault}.", path.display()))
}
