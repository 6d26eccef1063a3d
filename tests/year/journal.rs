//! How far the year has come, beside the database: a line for each moment, written when all of it was done.
//!
//! A killed program goes on after the last whole line. What it had begun of the moment after it does again.

use std::fs::{File, OpenOptions};
use std::io::{Seek as _, Write as _};
use std::path::Path;

use anyhow::Context as _;
use serde_json::Value;

/// The journal of a year.
#[derive(Debug)]
pub(crate) struct Journal {
    file: File,
    /// The lines, in order; each is about the moment of its number.
    pub(crate) lines: Vec<Value>,
}

impl Journal {
    /// Opens it, or begins one; half a line at its end is cut off.
    pub(crate) fn open(path: &Path) -> anyhow::Result<Self> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(fault) => return Err(fault).context("reading the journal"),
        };
        let whole = text.rfind('\n').map_or(0, |at| at + 1);
        let lines: Result<Vec<Value>, _> =
            text[..whole].lines().map(serde_json::from_str).collect();
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(path)?;
        file.set_len(u64::try_from(whole)?)?;
        file.seek(std::io::SeekFrom::End(0))?;
        Ok(Self {
            file,
            lines: lines.context("a whole line is JSON")?,
        })
    }

    /// Adds a line in one write.
    pub(crate) fn add(&mut self, line: Value) -> anyhow::Result<()> {
        let mut text = line.to_string();
        text.push('\n');
        self.file.write_all(text.as_bytes())?;
        self.lines.push(line);
        Ok(())
    }
}
