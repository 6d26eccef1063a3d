//! `ringtrue import` and `ringtrue export`: whole files of records, as CSV or as lines of JSON.

mod cell;
mod columns;
mod crew;
mod export;
mod fault;
mod import;
mod journal;
mod parts;
mod progress;
mod record;
mod records;
mod rows;

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::failure::Stop;

pub(crate) use cell::Decimal;
pub(crate) use export::{Ask as ExportAsk, carry_out as exported};
pub(crate) use import::{Ask as ImportAsk, carry_out as imported};

/// Examples of imports, as the help gives them.
pub(crate) const IMPORT_EXAMPLES: &str = "\
Examples:
  ringtrue import firings march.csv --dry-run       checks every row, stores nothing
  ringtrue import firings march.csv                 all rows, or none when one is wrong
  ringtrue import firings march.csv --keep-good --rejected rest.csv
  ringtrue import furnaces k.csv --site porto --delimiter ';' --decimal comma
Every row is checked first, by the server too. What was begun goes on with the same
command after any break, and nothing is recorded twice: each record is known by its
own id. `ringtrue export KIND` writes the columns that an import reads.";

/// Examples of exports, as the help gives them.
pub(crate) const EXPORT_EXAMPLES: &str = "\
Examples:
  ringtrue export furnaces --site porto > furnaces.csv
  ringtrue export firings --site porto --from 2026-01-01T00:00:00Z --output firings.ndjson";

/// What is imported or exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Kind {
    /// Laboratories.
    Sites,
    /// Furnaces.
    Furnaces,
    /// Ring batches with their tables.
    Batches,
    /// Calipers and micrometers.
    Gauges,
    /// Calibration firings.
    Readings,
    /// Production firings.
    Firings,
}

impl Kind {
    /// The word on the command line.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Kind::Sites => "sites",
            Kind::Furnaces => "furnaces",
            Kind::Batches => "batches",
            Kind::Gauges => "gauges",
            Kind::Readings => "readings",
            Kind::Firings => "firings",
        }
    }
}

/// The form of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// Comma-separated values (RFC 4180), UTF-8, the first row names the columns.
    Csv,
    /// A record as JSON on each line.
    Ndjson,
}

/// How a file is written.
#[derive(Debug, Clone, Args)]
pub(crate) struct Form {
    /// Form of the file; by its ending (.csv, .ndjson, .jsonl) when not given.
    #[arg(long, value_name = "FORM")]
    pub(crate) format: Option<Format>,
    /// What separates the columns of CSV: one character, or `tab`.
    #[arg(long, value_name = "CHARACTER", default_value = ",", value_parser = delimiter)]
    pub(crate) delimiter: u8,
    /// Mark before the decimals of numbers in CSV.
    #[arg(long, value_name = "MARK", default_value = "point")]
    pub(crate) decimal: Decimal,
}

/// How a file is written, settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Dialect {
    /// CSV or lines of JSON.
    pub(crate) format: Format,
    /// What separates columns of CSV.
    pub(crate) delimiter: u8,
    /// Mark before decimals in CSV.
    pub(crate) decimal: Decimal,
}

impl Form {
    /// Settles the form of a file.
    ///
    /// # Errors
    /// [`Stop::Usage`] when neither a flag nor the name's ending says it.
    pub(crate) fn settled(&self, file: Option<&Path>) -> Result<Dialect, Stop> {
        let ending = file.and_then(Path::extension).unwrap_or_default();
        let ending = ending.to_string_lossy().to_lowercase();
        let format = match (self.format, ending.as_str()) {
            (Some(format), _) => format,
            (None, "csv" | "txt" | "tsv") => Format::Csv,
            (None, "ndjson" | "jsonl") => Format::Ndjson,
            (None, _) if file.is_none() => Format::Csv,
            (None, _) => {
                return Err(Stop::Usage(
                    "The file's ending does not tell its form. Say --format csv or --format ndjson."
                        .to_owned(),
                ));
            }
        };
        if self.decimal == Decimal::Comma && self.delimiter == b',' && format == Format::Csv {
            return Err(Stop::Usage(
                "With --decimal comma something else must separate the columns: --delimiter ';' or tab."
                    .to_owned(),
            ));
        }
        Ok(Dialect {
            format,
            delimiter: self.delimiter,
            decimal: self.decimal,
        })
    }
}

fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        _ if text == "tab" || text == "\\t" => Ok(b'\t'),
        [one] if one.is_ascii_punctuation() && *one != b'"' || *one == b'\t' => Ok(*one),
        _ => Err("one of , ; | : or `tab`".to_owned()),
    }
}

/// Says why a file cannot be used.
fn unusable(path: &Path, what: &str, fault: &std::io::Error) -> Stop {
    Stop::Refused(format!("{} cannot be {what}: {fault}.", path.display()))
}

/// Makes a file that must not be there yet, so that nobody's work is overwritten.
fn made(path: &PathBuf) -> Result<std::io::BufWriter<std::fs::File>, Stop> {
    let file = std::fs::File::options()
        .write(true)
        .create_new(true)
        .open(path);
    match file {
        Ok(file) => Ok(std::io::BufWriter::new(file)),
        Err(fault) if fault.kind() == std::io::ErrorKind::AlreadyExists => {
            Err(Stop::Refused(format!(
                "{} is there already. Name another file, or move it away.",
                path.display()
            )))
        }
        Err(fault) => Err(unusable(path, "written", &fault)),
    }
}
