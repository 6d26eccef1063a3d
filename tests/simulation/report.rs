//! What was measured, as tables for people or as JSON for programs, and beside each goal whether it
//! was reached.

use std::io::Write;

use serde_json::{Value, json};

/// One table: a name and figures in every row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Table {
    pub(crate) title: String,
    pub(crate) columns: Vec<&'static str>,
    pub(crate) rows: Vec<(String, Vec<f64>)>,
}

/// What a figure should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Wanted {
    AtMost(f64),
    AtLeast(f64),
    Between(f64, f64),
}

/// A figure with what it should be.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Goal {
    pub(crate) what: String,
    pub(crate) found: f64,
    pub(crate) wanted: Wanted,
}

/// Everything a run found.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Report {
    pub(crate) tables: Vec<Table>,
    pub(crate) goals: Vec<Goal>,
}

impl Goal {
    /// Gives a goal with the figure found.
    pub(crate) fn new(what: &str, found: f64, wanted: Wanted) -> Self {
        Goal {
            what: what.to_owned(),
            found,
            wanted,
        }
    }

    /// Tells whether it was reached; a figure that is no number reaches nothing.
    pub(crate) fn is_reached(&self) -> bool {
        match self.wanted {
            Wanted::AtMost(most) => self.found <= most,
            Wanted::AtLeast(least) => self.found >= least,
            Wanted::Between(least, most) => (least..=most).contains(&self.found),
        }
    }

    fn wanted_in_words(&self) -> String {
        match self.wanted {
            Wanted::AtMost(most) => format!("at most {most}"),
            Wanted::AtLeast(least) => format!("at least {least}"),
            Wanted::Between(least, most) => format!("{least} to {most}"),
        }
    }
}

impl Report {
    /// Adds what another run found.
    pub(crate) fn extend(&mut self, other: Report) {
        self.tables.extend(other.tables);
        self.goals.extend(other.goals);
    }

    /// Writes tables for people.
    pub(crate) fn write_text(&self, out: &mut impl Write) -> std::io::Result<()> {
        for table in &self.tables {
            writeln!(out, "\n{}", table.title)?;
            write!(out, "{:<52}", "")?;
            for column in &table.columns {
                write!(out, " {column:>13}")?;
            }
            writeln!(out)?;
            for (name, figures) in &table.rows {
                write!(out, "{name:<52}")?;
                for figure in figures {
                    if figure.is_nan() {
                        write!(out, " {:>13}", "-")?;
                    } else {
                        write!(out, " {figure:>13.3}")?;
                    }
                }
                writeln!(out)?;
            }
        }
        if !self.goals.is_empty() {
            writeln!(out, "\nGoals")?;
        }
        for goal in &self.goals {
            let reached = if goal.is_reached() {
                "reached"
            } else {
                "MISSED"
            };
            writeln!(
                out,
                "{reached:<8} {:.3} ({}): {}",
                goal.found,
                goal.wanted_in_words(),
                goal.what
            )?;
        }
        Ok(())
    }

    /// Gives the same as JSON.
    pub(crate) fn json(&self) -> Value {
        let mut tables = Vec::new();
        for table in &self.tables {
            let mut rows = Vec::new();
            for (name, figures) in &table.rows {
                rows.push(json!({ "name": name, "figures": figures }));
            }
            tables.push(json!({ "title": table.title, "columns": table.columns, "rows": rows }));
        }
        let mut goals = Vec::new();
        for goal in &self.goals {
            goals.push(json!({
                "what": goal.what,
                "found": goal.found,
                "wanted": goal.wanted_in_words(),
                "reached": goal.is_reached(),
            }));
        }
        json!({ "tables": tables, "goals": goals })
    }
}

/// Gives the value that a share of all values stays below; not a number when there are none.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut below = 0.0;
    let step = 1.0 / count(sorted.len());
    for value in &sorted {
        below += step;
        if below > share + 1e-12 {
            return *value;
        }
    }
    sorted.last().copied().unwrap_or(f64::NAN)
}

/// Gives the mean; not a number when there are no values.
pub(crate) fn mean(values: &[f64]) -> f64 {
    let mut sum = 0.0;
    for value in values {
        sum += value;
    }
    sum / count(values.len())
}

/// A count as a number to calculate with.
#[expect(clippy::cast_precision_loss, reason = "counts here are far below 2^52")]
pub(crate) fn count(of: usize) -> f64 {
    of as f64
}
