//! `ringtrue batch`: ring batches and their tables.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use ringtrue_proto::v1::add_ring_table_request::Source;
use ringtrue_proto::v1::{
    AddRingTableRequest, CreateRingBatchRequest, GetRingBatchRequest, ListRingBatchesRequest,
    ListRingBatchesResponse, RingBatch, RingBatchState, RingTableFile, SetRingBatchStateRequest,
};
use ringtrue_remote::Failure;

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::quantity::{self, brief, fixed};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output, words};

/// Largest table file that is sent, bytes.
const LARGEST_FILE_BYTES: u64 = 1 << 20;

/// What to do with batches.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the batches.
    List(Limit),
    /// Shows a batch and its tables.
    Show {
        /// Batch, for example x7.
        batch: String,
        /// Shows every line of the tables.
        #[arg(long)]
        entries: bool,
    },
    /// Adds a batch from table files, one per hold time.
    Import {
        /// Table files; the hold may stand behind the name: x7-120.csv:120.
        #[arg(required = true, value_name = "FILE[:HOLD]")]
        files: Vec<String>,
        /// Hold of the table, min; once per file, in their order.
        #[arg(long = "hold", value_name = "MIN", value_parser = quantity::number,
              allow_hyphen_values = true)]
        holds: Vec<f64>,
        /// Code printed on the package.
        #[arg(long, value_name = "CODE")]
        code: String,
        /// Id of the new batch, for example x7; made up when left out.
        #[arg(long, value_name = "ID")]
        id: Option<String>,
        /// Last day on which the rings may be fired, as printed, for example 2027-03-31.
        #[arg(long, value_name = "DAY", value_parser = moment::day)]
        expiry: Option<ringtrue_proto::Date>,
        /// Expanded uncertainty (k = 2) of the table, °C, when the papers state one.
        #[arg(long, value_name = "C", value_parser = quantity::number, allow_hyphen_values = true)]
        uncertainty: Option<f64>,
        /// Where the table comes from and how it is traceable.
        #[arg(long, value_name = "TEXT")]
        provenance: Option<String>,
        /// Checks and shows everything, stores nothing.
        #[arg(long)]
        dry_run: bool,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Adds a table for another hold time to a batch.
    AddTable {
        /// Batch, for example x7.
        batch: String,
        /// Table file; the hold may stand behind the name: x7-60.csv:60.
        #[arg(value_name = "FILE[:HOLD]")]
        file: String,
        /// Hold of the table, min.
        #[arg(long, value_name = "MIN", value_parser = quantity::number,
              allow_hyphen_values = true)]
        hold: Option<f64>,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Puts a doubtful batch on hold; it takes no readings until released.
    Hold(Move),
    /// Releases a batch that was on hold.
    Release {
        /// Batch, for example x7.
        batch: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        why: Option<String>,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Withdraws a batch for good; its records stay.
    Withdraw(Move),
}

/// A change of a batch's state that needs a reason.
#[derive(Debug, Args)]
pub(crate) struct Move {
    /// Batch, for example x7.
    batch: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    why: String,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List(limit) => list(limit.limit, session).await,
        Ask::Show { batch, entries } => {
            let name = names::batch(&batch).map_err(Stop::Usage)?;
            let answer = session
                .remote
                .ring_batch(GetRingBatchRequest { name })
                .await?;
            let batch = answer.ring_batch.unwrap_or_default();
            session.learn(std::slice::from_ref(&batch));
            show(&batch, entries, session)
        }
        Ask::Import {
            files,
            holds,
            code,
            id,
            expiry,
            uncertainty,
            provenance,
            dry_run,
            repeat,
        } => {
            let batch = RingBatch {
                code,
                stated_expanded_uncertainty_c: uncertainty,
                expiry_date: expiry,
                provenance: provenance.unwrap_or_default(),
                ..RingBatch::default()
            };
            let files = paired(&files, &holds)?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateRingBatchRequest {
                ring_batch: Some(batch),
                table_files: read(&files)?,
                ring_batch_id: id.unwrap_or_default(),
                request_id: request_id.clone(),
                validate_only: dry_run,
            };
            let answer = session.remote.create_ring_batch(ask).await;
            let answer = answer.map_err(|failure| refused(failure, &request_id, &files))?;
            show(&answer.ring_batch.unwrap_or_default(), false, session)?;
            session.say(if dry_run {
                "Checked. Nothing was stored; leave --dry-run out to store it."
            } else {
                "Stored. Compare a few lines with the paper that came with the rings \
                 (`ringtrue batch show --entries`)."
            })
        }
        Ask::AddTable {
            batch,
            file,
            hold,
            repeat,
        } => {
            let holds: Vec<f64> = hold.into_iter().collect();
            let files = paired(&[file], &holds)?;
            let Some(table_file) = read(&files)?.pop() else {
                return Err(Stop::Usage("FILE is missing.".to_owned()));
            };
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = AddRingTableRequest {
                name: names::batch(&batch).map_err(Stop::Usage)?,
                source: Some(Source::TableFile(table_file)),
                request_id: request_id.clone(),
            };
            let answer = session.remote.add_ring_table(ask).await;
            let answer = answer.map_err(|failure| refused(failure, &request_id, &files))?;
            show(&answer.ring_batch.unwrap_or_default(), false, session)
        }
        Ask::Hold(ask) => {
            set_state(
                &ask.batch,
                RingBatchState::OnHold,
                ask.why,
                &ask.repeat,
                session,
            )
            .await
        }
        Ask::Release { batch, why, repeat } => {
            let why = why.unwrap_or_default();
            set_state(&batch, RingBatchState::Released, why, &repeat, session).await
        }
        Ask::Withdraw(ask) => {
            set_state(
                &ask.batch,
                RingBatchState::Withdrawn,
                ask.why,
                &ask.repeat,
                session,
            )
            .await
        }
    }
}

/// Pairs each file with its hold: behind its name, or from `--hold` in order.
fn paired(files: &[String], holds: &[f64]) -> Result<Vec<(PathBuf, f64)>, Stop> {
    let mut pairs = Vec::new();
    let mut left = holds.iter();
    for file in files {
        let behind = match file.rsplit_once(':') {
            Some((path, hold)) => quantity::number(hold).ok().map(|hold| (path, hold)),
            None => None,
        };
        if let Some((path, hold)) = behind {
            pairs.push((PathBuf::from(path), hold));
        } else if let Some(hold) = left.next() {
            pairs.push((PathBuf::from(file), *hold));
        } else {
            return Err(Stop::Usage(format!(
                "The hold of {file} is missing. Give --hold MIN once per file, or write {file}:120."
            )));
        }
    }
    if left.next().is_some() {
        return Err(Stop::Usage(
            "There are more --hold than files. Give --hold once per file.".to_owned(),
        ));
    }
    Ok(pairs)
}

fn read(files: &[(PathBuf, f64)]) -> Result<Vec<RingTableFile>, Stop> {
    let mut tables = Vec::new();
    for (path, hold) in files {
        let unreadable =
            |error: std::io::Error| Stop::Refused(format!("{}: {error}", path.display()));
        let size = std::fs::metadata(path).map_err(unreadable)?.len();
        if size > LARGEST_FILE_BYTES {
            return Err(too_large(path, size));
        }
        let content = std::fs::read(path).map_err(unreadable)?;
        let size = u64::try_from(content.len()).unwrap_or(u64::MAX);
        if size > LARGEST_FILE_BYTES {
            return Err(too_large(path, size));
        }
        tables.push(RingTableFile {
            hold_min: *hold,
            content,
        });
    }
    Ok(tables)
}

fn too_large(path: &Path, size: u64) -> Stop {
    Stop::Refused(format!(
        "{}: {size} bytes are too many for a ring table; at most {LARGEST_FILE_BYTES} are taken. \
         Check that this is the right file.",
        path.display()
    ))
}

/// Puts file name and row before each fault, as compilers do, so that editors can jump there.
fn refused(mut failure: Box<Failure>, request_id: &str, files: &[(PathBuf, f64)]) -> Stop {
    let mut located = Vec::new();
    let mut others = Vec::new();
    for violation in failure.violations {
        match file_of(&violation.field, files) {
            Some(path) => located.push(at_row(path, &violation.description)),
            None => others.push(violation),
        }
    }
    failure.violations = others;
    if !located.is_empty() {
        located.insert(0, "The table was not taken; nothing was stored:".to_owned());
        failure.message = located.join("\n");
    }
    Stop::of_change(failure, request_id)
}

fn file_of<'f>(field: &str, files: &'f [(PathBuf, f64)]) -> Option<&'f Path> {
    let rest = field.strip_prefix("table_file")?;
    let place = match rest.strip_prefix("s[") {
        Some(digits) => digits.split(']').next()?.parse::<usize>().ok()?,
        None => 0,
    };
    files.get(place).map(|(path, _)| path.as_path())
}

fn at_row(path: &Path, description: &str) -> String {
    let numbered = || {
        let rest = description.strip_prefix("Row ")?;
        let (row, text) = rest.split_once(": ")?;
        row.parse::<usize>().ok().map(|row| (row, text))
    };
    match numbered() {
        Some((row, text)) => format!("{}:{row}: {text}", path.display()),
        None => format!("{}: {description}", path.display()),
    }
}

async fn set_state(
    batch: &str,
    state: RingBatchState,
    reason: String,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = SetRingBatchStateRequest {
        name: names::batch(batch).map_err(Stop::Usage)?,
        state: state.into(),
        reason,
        request_id: request_id.clone(),
    };
    let answer = session.remote.set_ring_batch_state(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    show(&answer.ring_batch.unwrap_or_default(), false, session)
}

/// Gives the batches and the token of what is left.
pub(crate) async fn all(
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<RingBatch>, String), Stop> {
    let remote = session.remote.clone();
    let found = gathered(limit, async |page_size, page_token| {
        let ask = ListRingBatchesRequest {
            page_size,
            page_token,
        };
        let page = remote.ring_batches(ask).await?;
        Ok((page.ring_batches, page.next_page_token))
    })
    .await?;
    session.learn(&found.0);
    Ok(found)
}

async fn list(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let (ring_batches, next_page_token) = all(limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListRingBatchesResponse {
            ring_batches,
            next_page_token,
        };
        return session.show_json("ListRingBatchesResponse", &whole);
    }
    let mut rows = Vec::new();
    for batch in &ring_batches {
        let mut holds = Vec::new();
        for table in &batch.tables {
            holds.push(brief(table.hold_min, 1));
        }
        rows.push(vec![
            names::id(&batch.name).to_owned(),
            batch.code.clone(),
            words::word(words::BATCH_STATES, batch.state()).to_owned(),
            if holds.is_empty() {
                String::new()
            } else {
                format!("{} min", holds.join(", "))
            },
            batch
                .expiry_date
                .as_ref()
                .map(moment::shown_day)
                .unwrap_or_default(),
        ]);
    }
    let headings = ["id", "code", "state", "tables for", "last day"];
    shown_list("batches", &headings, &rows, more, session)
}

fn show(batch: &RingBatch, entries: bool, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("RingBatch", batch);
    }
    let lines = [
        ("Batch", batch.name.clone()),
        ("Code", batch.code.clone()),
        (
            "State",
            words::word(words::BATCH_STATES, batch.state()).to_owned(),
        ),
        ("Why", batch.state_reason.clone()),
        (
            "Stated uncertainty",
            batch
                .stated_expanded_uncertainty_c
                .map(|u| format!("±{} °C (k = 2)", brief(u, 1)))
                .unwrap_or_default(),
        ),
        (
            "Last day",
            batch
                .expiry_date
                .as_ref()
                .map(moment::shown_day)
                .unwrap_or_default(),
        ),
        ("Provenance", batch.provenance.clone()),
        ("Version", batch.etag.clone()),
    ];
    let columns = session.world.columns;
    session.show(&output::card(&lines, columns))?;
    let mut rows = Vec::new();
    for table in &batch.tables {
        rows.push(vec![
            format!("{} min", brief(table.hold_min, 1)),
            format!(
                "{} to {} mm",
                fixed(table.smallest_diameter_mm, 2),
                fixed(table.largest_diameter_mm, 2)
            ),
            format!(
                "{} to {} °C",
                brief(table.lowest_temperature_c, 1),
                brief(table.highest_temperature_c, 1)
            ),
            format!("{} mm", brief(table.step_mm, 4)),
            table.entries.len().to_string(),
        ]);
    }
    if !rows.is_empty() {
        let headings = ["hold", "diameters", "temperatures", "step", "lines"];
        let drawn = output::table(&headings, &rows, columns);
        session.show(&format!("\n{drawn}"))?;
    }
    if !entries {
        return Ok(());
    }
    for table in &batch.tables {
        let mut rows = Vec::new();
        for entry in &table.entries {
            rows.push(vec![
                format!("{} mm", fixed(entry.diameter_mm, 3)),
                format!("{} °C", brief(entry.temperature_c, 1)),
            ]);
        }
        let drawn = output::table(&["diameter", "temperature"], &rows, columns);
        let hold = brief(table.hold_min, 1);
        session.show(&format!("\nTable for a hold of {hold} min\n{drawn}"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files() -> Vec<(PathBuf, f64)> {
        vec![
            (PathBuf::from("a.csv"), 120.0),
            (PathBuf::from("b.csv"), 60.0),
        ]
    }

    #[test]
    fn holds_stand_behind_the_file_or_come_in_order() {
        let names = |texts: &[&str]| texts.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>();
        let shown = |pairs: Vec<(PathBuf, f64)>| {
            let mut words = Vec::new();
            for (path, hold) in pairs {
                words.push(format!("{} {}", path.display(), brief(hold, 1)));
            }
            words.join(", ")
        };
        let pairs = paired(&names(&["a.csv:120", "b.csv"]), &[60.0]).expect("paired");
        assert_eq!(shown(pairs), "a.csv 120, b.csv 60");
        let pairs = paired(&names(&["a.csv", "b.csv"]), &[120.0, 60.0]).expect("paired");
        assert_eq!(shown(pairs), "a.csv 120, b.csv 60");
        assert!(paired(&names(&["a.csv"]), &[]).is_err());
        assert!(paired(&names(&["a.csv:120"]), &[60.0]).is_err());
    }

    #[test]
    fn faults_are_shown_with_file_and_row() {
        let path = file_of("table_files[1].content", &files()).map(Path::to_path_buf);
        assert_eq!(path, Some(PathBuf::from("b.csv")));
        assert_eq!(file_of("ring_batch.code", &files()), None);
        let single = file_of("table_file.content", &files()).map(Path::to_path_buf);
        assert_eq!(single, Some(PathBuf::from("a.csv")));
        assert_eq!(
            at_row(
                Path::new("b.csv"),
                "Row 12: the same diameter stands twice."
            ),
            "b.csv:12: the same diameter stands twice."
        );
        assert_eq!(
            at_row(Path::new("b.csv"), "No header."),
            "b.csv: No header."
        );
    }

    #[test]
    fn a_file_beyond_one_mebibyte_is_refused_here() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("large.csv");
        std::fs::write(&path, vec![b'1'; (1 << 20) + 1]).expect("written");
        let stop = read(&[(path, 120.0)]).expect_err("too large");
        assert_eq!(stop.code(), 3);
        let text = stop.lines("").join("");
        assert!(text.contains("right file"), "{text}");
        assert!(read(&[(folder.path().join("none.csv"), 120.0)]).is_err());
    }
}
