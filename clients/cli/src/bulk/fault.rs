//! What is wrong with rows: gathered within bounds, shown, and written whole into a file when asked for.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::cell::Wrong;
use super::made;
use crate::failure::Stop;

/// Most faults that are shown.
const SHOWN: usize = 100;

/// What is wrong with a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    /// Row of the file, 1 for the first (of CSV the one that names the columns).
    pub(crate) row: u64,
    /// Column or field; empty when it is about the whole row.
    pub(crate) column: String,
    /// Code in UPPER_SNAKE_CASE.
    pub(crate) reason: String,
    /// What is wrong and what to do.
    pub(crate) words: String,
}

impl Fault {
    /// A fault of a cell.
    pub(crate) fn of(row: u64, column: &str, wrong: Wrong) -> Self {
        Fault {
            row,
            column: column.to_owned(),
            reason: wrong.reason.to_owned(),
            words: wrong.words,
        }
    }

    /// The line for a person.
    pub(crate) fn line(&self) -> String {
        let column = if self.column.is_empty() {
            String::new()
        } else {
            format!(", {}", self.column)
        };
        format!("row {}{column}: {} ({})", self.row, self.words, self.reason)
    }

    /// The same for programs.
    pub(crate) fn json(&self) -> Value {
        json!({"row": self.row, "column": self.column, "reason": self.reason, "problem": self.words})
    }
}

/// All faults of a file: the first ones by row, and how many.
#[derive(Debug, Default)]
pub(crate) struct Faults {
    first: Vec<Fault>,
    /// How many there are.
    pub(crate) count: u64,
    all: Option<(PathBuf, csv::Writer<BufWriter<File>>)>,
}

impl Faults {
    /// Begins, with a file for all of them where one is wanted.
    pub(crate) fn begun(file: Option<&PathBuf>) -> Result<Self, Stop> {
        let all = match file {
            Some(path) => {
                let mut writer = csv::Writer::from_writer(made(path)?);
                let head = writer.write_record(["row", "column", "reason", "problem"]);
                head.map_err(|fault| unwritten(path, &fault.to_string()))?;
                Some((path.clone(), writer))
            }
            None => None,
        };
        Ok(Faults {
            all,
            ..Faults::default()
        })
    }

    /// Notes one.
    pub(crate) fn note(&mut self, fault: Fault) -> Result<(), Stop> {
        self.count += 1;
        if let Some((path, writer)) = &mut self.all {
            let written = writer.write_record([
                fault.row.to_string().as_str(),
                &fault.column,
                &fault.reason,
                &fault.words,
            ]);
            written.map_err(|fault| unwritten(path, &fault.to_string()))?;
        }
        // Answers come in any order: those of the first rows are kept.
        let place = self.first.partition_point(|one| one.row <= fault.row);
        if place < SHOWN {
            self.first.insert(place, fault);
            self.first.truncate(SHOWN);
        }
        Ok(())
    }

    /// The first ones, by row.
    pub(crate) fn first(&self) -> &[Fault] {
        &self.first
    }

    /// How many are not among the first ones.
    pub(crate) fn further(&self) -> u64 {
        self.count
            .saturating_sub(u64::try_from(self.first.len()).unwrap_or(0))
    }

    /// Ends the file of all of them; gives its path.
    pub(crate) fn ended(&mut self) -> Result<Option<PathBuf>, Stop> {
        let Some((path, mut writer)) = self.all.take() else {
            return Ok(None);
        };
        let flushed = writer.flush();
        flushed.map_err(|fault| unwritten(&path, &fault.to_string()))?;
        Ok(Some(path))
    }
}

fn unwritten(path: &Path, fault: &str) -> Stop {
    Stop::Refused(format!("{} cannot be written: {fault}.", path.display()))
}
