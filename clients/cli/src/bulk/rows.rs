//! Reads a file row by row: never more of it in memory than one record.

use std::cell::Cell as Counter;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read, Seek as _, SeekFrom};
use std::path::Path;
use std::rc::Rc;

use csv::{ByteRecord, ReaderBuilder};
use prost_reflect::{DescriptorPool, DeserializeOptions, DynamicMessage, MessageDescriptor};

use super::cell::{Cell, Decimal, Wrong};
use super::columns::{Column, Need};
use super::fault::Fault;
use super::record::Record;
use super::{Dialect, Format, unusable};
use crate::failure::Stop;

/// Longest row or line, bytes. Without a bound an open quote would take the rest of the file for one cell.
const LONGEST_BYTES: u64 = 8 << 20;

/// A record as it stands in the file, with what is wrong with it.
#[derive(Debug, Clone)]
pub(crate) struct Item<T> {
    /// Its first row.
    pub(crate) row: u64,
    /// The record.
    pub(crate) record: T,
    /// What is wrong with it before the server sees it.
    pub(crate) faults: Vec<Fault>,
    /// Its rows as they stand in the file, where they are kept.
    pub(crate) raw: Vec<Raw>,
}

/// A row as it stands in the file.
#[derive(Debug, Clone)]
pub(crate) enum Raw {
    /// Of CSV.
    Cells(ByteRecord),
    /// A line.
    Line(Vec<u8>),
}

/// Counts what is read, and fails when a record does not end.
struct Counted {
    file: File,
    all: Rc<Counter<u64>>,
    since: Rc<Counter<u64>>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.since.get() > LONGEST_BYTES {
            return Err(std::io::Error::other(format!(
                "a row of it is longer than {} MiB; is a quote left open, or is it another kind of file",
                LONGEST_BYTES >> 20
            )));
        }
        let count = self.file.read(buffer)?;
        let more = u64::try_from(count).unwrap_or(0);
        self.all.set(self.all.get() + more);
        self.since.set(self.since.get() + more);
        Ok(count)
    }
}

enum Source {
    Csv(Box<csv::Reader<Counted>>),
    Lines(BufReader<Counted>),
}

/// A file of records, open for reading.
pub(crate) struct Rows<T: Record> {
    path: std::path::PathBuf,
    source: Source,
    decimal: Decimal,
    site: Option<String>,
    keep_raw: bool,
    /// Which column stands where.
    places: Vec<Option<usize>>,
    /// The row that names the columns.
    pub(crate) header: ByteRecord,
    pending: Option<Item<T>>,
    cells: ByteRecord,
    line: Vec<u8>,
    row: u64,
    /// Line breaks within cells so far.
    breaks: u64,
    /// Whether rows end with CR and LF.
    ends_with_cr: bool,
    /// Bytes of the file when no line break ends its last row.
    open_end: Option<u64>,
    all: Rc<Counter<u64>>,
    since: Rc<Counter<u64>>,
    descriptor: MessageDescriptor,
}

impl<T: Record> Rows<T> {
    /// Opens a file and reads the names of its columns.
    ///
    /// # Errors
    /// [`Stop::Refused`] when it cannot be read, or its columns are not those of the records.
    pub(crate) fn opened(
        path: &Path,
        dialect: Dialect,
        site: Option<String>,
        keep_raw: bool,
    ) -> Result<Self, Stop> {
        let file = File::open(path).map_err(|fault| unusable(path, "read", &fault))?;
        let ends_with_cr = ends_with_cr(path).map_err(|fault| unusable(path, "read", &fault))?;
        let open_end = open_end(path).map_err(|fault| unusable(path, "read", &fault))?;
        let (all, since) = (Rc::new(Counter::new(0)), Rc::new(Counter::new(0)));
        let counted = Counted {
            file,
            all: Rc::clone(&all),
            since: Rc::clone(&since),
        };
        let source = match dialect.format {
            Format::Csv => Source::Csv(Box::new(
                ReaderBuilder::new()
                    .delimiter(dialect.delimiter)
                    .flexible(true)
                    .has_headers(false)
                    .buffer_capacity(1 << 16)
                    .from_reader(counted),
            )),
            Format::Ndjson => Source::Lines(BufReader::with_capacity(1 << 16, counted)),
        };
        let mut rows = Rows {
            path: path.to_owned(),
            source,
            decimal: dialect.decimal,
            site,
            keep_raw,
            places: Vec::new(),
            header: ByteRecord::new(),
            pending: None,
            cells: ByteRecord::new(),
            line: Vec::new(),
            row: 0,
            breaks: 0,
            ends_with_cr,
            open_end,
            all,
            since,
            descriptor: descriptor(T::MESSAGE)?,
        };
        if dialect.format == Format::Csv {
            if !rows.has_cells()? {
                return Err(Stop::Refused(format!(
                    "{} is empty: its first row names the columns.",
                    path.display()
                )));
            }
            rows.header = rows.cells.clone();
            rows.places = places::<T>(&rows.header)
                .map_err(|lines| Stop::Refused(format!("{}:\n{lines}", path.display())))?;
        }
        Ok(rows)
    }

    /// How much of the file was read, bytes.
    pub(crate) fn read_bytes(&self) -> u64 {
        self.all.get()
    }

    /// The next record; none at the end.
    ///
    /// # Errors
    /// [`Stop::Refused`] when the file cannot be read on.
    pub(crate) fn next(&mut self) -> Result<Option<Item<T>>, Stop> {
        if matches!(self.source, Source::Lines(_)) {
            return self.next_line();
        }
        loop {
            if !self.has_cells()? {
                return Ok(self.pending.take().map(|item| self.completed(item)));
            }
            let belongs_above = self.places.first().is_some_and(|place| {
                place.is_some_and(|at| {
                    self.cells
                        .get(at)
                        .is_some_and(|cell| cell.trim_ascii().is_empty())
                })
            }) && T::COLUMNS.iter().any(|column| column.further);
            if let (Some(_), true) = (&mut self.pending, belongs_above) {
                let (record, faults) = self.record_of_cells(true);
                let raw = self.keep_raw.then(|| Raw::Cells(self.cells.clone()));
                if let Some(pending) = &mut self.pending {
                    pending.record.absorb(record);
                    pending.faults.extend(faults);
                    pending.raw.extend(raw);
                }
            } else {
                let (record, faults) = self.record_of_cells(false);
                let raw = self.keep_raw.then(|| Raw::Cells(self.cells.clone()));
                let item = Item {
                    row: self.row,
                    record,
                    faults,
                    raw: raw.into_iter().collect(),
                };
                if let Some(before) = self.pending.replace(item) {
                    return Ok(Some(self.completed(before)));
                }
            }
        }
    }

    /// Reads the next row of CSV and says whether there was one.
    fn has_cells(&mut self) -> Result<bool, Stop> {
        let Source::Csv(reader) = &mut self.source else {
            return Ok(false);
        };
        self.since.set(0);
        let read = reader.read_byte_record(&mut self.cells);
        let found =
            read.map_err(|fault| Stop::Refused(format!("{}: {fault}.", self.path.display())))?;
        if found {
            // A row is what a spreadsheet shows as one: empty lines are some, a line break within a cell begins none.
            for byte in self.cells.as_slice() {
                self.breaks += u64::from(*byte == b'\n');
            }
            // Of CR and LF the reader leaves the latter for the next row.
            let position = reader.position();
            let is_behind = !self.ends_with_cr && Some(position.byte()) != self.open_end;
            let line = position.line();
            self.row = line.saturating_sub(self.breaks + u64::from(is_behind));
        }
        Ok(found)
    }

    fn record_of_cells(&self, further: bool) -> (T, Vec<Fault>) {
        let (mut record, mut faults) = (T::default(), Vec::new());
        let row = self.row;
        if self.cells.len() != self.header.len() {
            faults.push(fault(row, "", "WRONG_WIDTH", format!(
                "has {} cells where the first row names {} columns; see that cells with a separator stand in quotes",
                self.cells.len(),
                self.header.len()
            )));
            return (record, faults);
        }
        for (column, place) in T::COLUMNS.iter().zip(&self.places) {
            let bytes = place.and_then(|at| self.cells.get(at)).unwrap_or_default();
            let Ok(text) = std::str::from_utf8(bytes) else {
                faults.push(fault(
                    row,
                    column.name,
                    "NOT_UTF8",
                    "is not UTF-8; save the file with that encoding".to_owned(),
                ));
                continue;
            };
            if text.trim().is_empty() {
                if column.need == Need::Needed && (!further || column.further) {
                    faults.push(fault(
                        row,
                        column.name,
                        "MISSING",
                        "is empty; every record needs it".to_owned(),
                    ));
                }
                continue;
            }
            if further && !column.further {
                faults.push(fault(row, column.name, "NOT_OF_A_FURTHER_ROW", format!(
                    "the row belongs to the one above, as `{}` is empty; leave this empty as well",
                    T::COLUMNS.first().map_or("", |first| first.name)
                )));
                continue;
            }
            let cell = Cell {
                text,
                decimal: self.decimal,
            };
            if let Err(wrong) = (column.read)(&mut record, &cell) {
                faults.push(Fault::of(row, column.name, wrong));
            }
        }
        (record, faults)
    }

    fn next_line(&mut self) -> Result<Option<Item<T>>, Stop> {
        loop {
            let Source::Lines(reader) = &mut self.source else {
                return Ok(None);
            };
            self.since.set(0);
            self.line.clear();
            let read = reader.read_until(b'\n', &mut self.line);
            let count = read.map_err(|fault| unusable(&self.path, "read", &fault))?;
            if count == 0 {
                return Ok(None);
            }
            self.row += 1;
            let line = self.line.trim_ascii();
            // A mark of the byte order is no part of what is said (RFC 8259, section 8.1).
            let line = match line.strip_prefix(b"\xef\xbb\xbf") {
                Some(rest) if self.row == 1 => rest,
                _ => line,
            };
            if line.is_empty() {
                continue;
            }
            let (record, faults) = match record_of_json(line, &self.descriptor) {
                Ok(mut record) => {
                    T::emptied(&mut record);
                    (record, Vec::new())
                }
                Err((field, words)) => (
                    T::default(),
                    vec![fault(self.row, &field, "NOT_A_RECORD", words)],
                ),
            };
            let raw = self.keep_raw.then(|| Raw::Line(line.to_vec()));
            let item = Item {
                row: self.row,
                record,
                faults,
                raw: raw.into_iter().collect(),
            };
            return Ok(Some(self.completed(item)));
        }
    }

    /// Spells names out, once all rows of a record are read.
    fn completed(&self, mut item: Item<T>) -> Item<T> {
        if item.faults.is_empty()
            && let Err((column, wrong)) = item.record.spelled_out(self.site.as_deref())
        {
            item.faults.push(Fault::of(item.row, column, wrong));
        }
        item
    }
}

/// Whether the first line of a file ends with CR and LF.
fn ends_with_cr(path: &Path) -> std::io::Result<bool> {
    let mut beginning = Vec::new();
    File::open(path)?
        .take(1 << 16)
        .read_to_end(&mut beginning)?;
    let line = beginning.split(|byte| *byte == b'\n').next();
    Ok(line.is_some_and(|line| line.len() < beginning.len() && line.ends_with(b"\r")))
}

/// The length of a file whose last byte is no line break.
fn open_end(path: &Path) -> std::io::Result<Option<u64>> {
    let mut file = File::open(path)?;
    let bytes = file.metadata()?.len();
    let mut last = [b'\n'];
    if bytes > 0 {
        file.seek(SeekFrom::End(-1))?;
        file.read_exact(&mut last)?;
    }
    Ok((last[0] != b'\n').then_some(bytes))
}

fn fault(row: u64, column: &str, reason: &'static str, words: String) -> Fault {
    Fault::of(row, column, Wrong { reason, words })
}

/// Finds where each column stands.
fn places<T: Record>(header: &ByteRecord) -> Result<Vec<Option<usize>>, String> {
    let columns: &[Column<T>] = T::COLUMNS;
    let mut lines = Vec::new();
    let mut places = vec![None; columns.len()];
    for (at, name) in header.iter().enumerate() {
        let name = String::from_utf8_lossy(name);
        let name = name.trim();
        match columns.iter().position(|column| column.name == name) {
            Some(column) if places[column].is_some() => {
                lines.push(format!("the column `{name}` is there twice"));
            }
            Some(column) => places[column] = Some(at),
            None => lines.push(format!("the column `{name}` is not known")),
        }
    }
    for (column, place) in columns.iter().zip(&places) {
        if column.need == Need::Needed && place.is_none() {
            lines.push(format!("the column `{}` is missing", column.name));
        }
    }
    if lines.is_empty() {
        return Ok(places);
    }
    let names: Vec<&str> = columns.iter().map(|column| column.name).collect();
    lines.push(format!(
        "The columns are {}. Is the separator right (--delimiter)?",
        names.join(", ")
    ));
    Err(lines.join("\n"))
}

/// The description of a message.
pub(crate) fn descriptor(message: &str) -> Result<MessageDescriptor, Stop> {
    let broken = || Stop::Broken("the protocol's own description cannot be read".to_owned());
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).map_err(|_| broken())?;
    pool.get_message_by_name(&format!("ringtrue.v1.{message}"))
        .ok_or_else(broken)
}

fn record_of_json<T: Record>(
    line: &[u8],
    descriptor: &MessageDescriptor,
) -> Result<T, (String, String)> {
    let mut json = serde_json::Deserializer::from_slice(line);
    let mut track = serde_path_to_error::Track::new();
    let read = DynamicMessage::deserialize_with_options(
        descriptor.clone(),
        serde_path_to_error::Deserializer::new(&mut json, &mut track),
        &DeserializeOptions::new(),
    );
    let message = read.map_err(|fault| {
        let path = track.path().to_string();
        let field = if path == "." { String::new() } else { path };
        (
            field,
            format!(
                "{fault}; the fields are those of {} in `proto/ringtrue/v1`",
                T::MESSAGE
            ),
        )
    })?;
    json.end().map_err(|fault| {
        (
            String::new(),
            format!("{fault}; one record stands on each line"),
        )
    })?;
    message
        .transcode_to()
        .map_err(|fault| (String::new(), fault.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bulk::record::differing;
    use proptest::prelude::*;
    use ringtrue_proto::v1::{Firing, FiringCase, FiringOutcome, FiringSegment};

    fn rows_of(text: &[u8], dialect: Dialect) -> Vec<Item<Firing>> {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("rows.csv");
        std::fs::write(&path, text).expect("written");
        let mut rows = Rows::<Firing>::opened(&path, dialect, None, false).expect("it opens");
        let mut items = Vec::new();
        while let Some(item) = rows.next().expect("it is read") {
            items.push(item);
        }
        items
    }

    const POINT: Dialect = Dialect {
        format: Format::Csv,
        delimiter: b',',
        decimal: Decimal::Point,
    };

    /// Rows are those that RFC 4180, section 2, describes: ended by CRLF (or LF alone), the last with or without, cells
    /// in quotes with line breaks in them.
    #[test]
    fn rows_are_numbered_as_a_spreadsheet_does() {
        let text = "external_id,programme,start_time,end_time,note\n\
            a,,,,\n\nb,,,,\"one\ntwo\"\nc,,,,\n";
        let crlf = text.replace('\n', "\r\n");
        for text in [text, text.trim_end(), crlf.as_str(), crlf.trim_end()] {
            let items = rows_of(text.as_bytes(), POINT);
            let found: Vec<(&str, u64)> = items
                .iter()
                .map(|item| (item.record.external_id.as_str(), item.row))
                .collect();
            assert_eq!(found, [("a", 2), ("b", 4), ("c", 5)], "{text:?}");
        }
    }

    prop_compose! {
        fn any_firing()(
            external_id in "[ -~é\\\n\";]{1,40}[a-z0-9]",
            setpoint_c in proptest::option::of(-1e4..1e4_f64),
            (start, lasts) in (0_i64..4_000_000_000, 0_i64..200_000),
            micros in 0_i32..1_000_000,
            outcome in 0_i32..5,
            cases in proptest::collection::vec(("[A-Za-z0-9_./:#-]{1,12}", 0_i32..100), 0..5),
            segments in proptest::collection::vec((0.0..1800.0_f64, 0.0..2880.0_f64), 0..4),
            note in "[ -~é,;\"\r\n]{0,40}[a-z]?",
        ) -> Firing {
            let moment = |seconds, nanos| Some(prost_types::Timestamp { seconds, nanos });
            Firing {
                external_id: format!("x{external_id}"),
                programme: "sites/a/furnaces/b/programmes/c".to_owned(),
                setpoint_c,
                start_time: moment(start, micros * 1000),
                end_time: moment(start + lasts, 0),
                outcome: FiringOutcome::try_from(outcome).unwrap_or_default().into(),
                cases: cases.into_iter().map(|(case_id, units)| FiringCase { case_id, units }).collect(),
                segments: segments
                    .into_iter()
                    .map(|(indicated_c, duration_min)| FiringSegment { indicated_c, duration_min })
                    .collect(),
                note: if note.trim().is_empty() { String::new() } else { note },
                ..Firing::default()
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_written_as_csv_is_read_as_it_was(
            firings in proptest::collection::vec(any_firing(), 1..6),
            comma in any::<bool>(),
        ) {
            let decimal = if comma { Decimal::Comma } else { Decimal::Point };
            let dialect = Dialect { format: Format::Csv, delimiter: b';', decimal };
            let mut writer = csv::WriterBuilder::new()
                .delimiter(b';')
                .terminator(csv::Terminator::CRLF)
                .from_writer(Vec::new());
            writer.write_record(Firing::COLUMNS.iter().map(|column| column.name)).expect("written");
            for firing in &firings {
                let cells = Firing::COLUMNS.iter().map(|column| (column.write)(firing, 0, decimal));
                writer.write_record(cells).expect("written");
            }
            let items = rows_of(&writer.into_inner().expect("whole"), dialect);
            prop_assert_eq!(items.len(), firings.len());
            for (item, firing) in items.iter().zip(&firings) {
                prop_assert_eq!(&item.faults, &Vec::new());
                prop_assert_eq!(&item.record, firing);
                prop_assert_eq!(differing(firing, &item.record), None);
            }
        }
    }
}
