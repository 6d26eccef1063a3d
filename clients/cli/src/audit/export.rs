//! A whole chain in a file, one entry on each line.

use std::fs::{File, OpenOptions};
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

use ringtrue_proto::v1::{AuditEntry, ListAuditEntriesRequest};

use super::called;
use crate::failure::Stop;
use crate::output;
use crate::session::Session;

/// Entries of one page.
const PAGE: i32 = 1000;

/// Pages between two words of progress.
const PAGES_SAID: usize = 10;

/// Writes a chain to a file that must not be there yet. It appears under its name once it is whole.
pub(super) async fn export(
    parent: &str,
    file: &Path,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if file.exists() {
        return Err(Stop::Refused(format!(
            "{} is there already and stays as it is. Name another file.",
            file.display()
        )));
    }
    let mut beside = file.as_os_str().to_owned();
    beside.push(".part");
    let beside = PathBuf::from(beside);
    let written = written(parent, &beside, session).await;
    let links = match written {
        Ok(links) => links,
        Err(stop) => {
            // Half a chain must not be taken for a whole one.
            drop(std::fs::remove_file(&beside));
            return Err(stop);
        }
    };
    std::fs::rename(&beside, file).map_err(|fault| unwritable(file, &fault))?;
    let chain = called(parent);
    if let Some(break_at) = links.broken_at {
        return Err(Stop::Refused(format!(
            "{} holds the chain of {chain} as the server gave it, but it is BROKEN at entry {break_at}: that entry does \
             not follow the one before. Keep the file, and run `ringtrue-server verify` on the server.",
            file.display()
        )));
    }
    session.say(&format!(
        "{} entries of {chain} are in {}; each holds the hash of the one before.",
        links.count,
        file.display()
    ))
}

async fn written(
    parent: &str,
    beside: &Path,
    session: &mut Session<'_, '_>,
) -> Result<Links, Stop> {
    let made = created(beside).map_err(|fault| unwritable(beside, &fault))?;
    let mut into = BufWriter::new(made);
    let mut links = Links::default();
    let mut page_token = String::new();
    let mut pages = 0;
    loop {
        let ask = ListAuditEntriesRequest {
            parent: parent.to_owned(),
            page_size: PAGE,
            page_token,
            ..ListAuditEntriesRequest::default()
        };
        let page = session.remote.audit_entries(ask).await?;
        for entry in &page.entries {
            links.take(entry);
            let line = output::json_line("AuditEntry", entry)?;
            writeln!(into, "{line}").map_err(|fault| unwritable(beside, &fault))?;
        }
        pages += 1;
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
        if pages % PAGES_SAID == 0 && !session.json {
            session.say(&format!("{} entries so far ...", links.count))?;
        }
    }
    let file = into
        .into_inner()
        .map_err(|fault| unwritable(beside, fault.error()))?;
    file.sync_all()
        .map_err(|fault| unwritable(beside, &fault))?;
    Ok(links)
}

/// Makes a file that only its owner may read: chains tell who works when.
fn created(path: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    options.open(path)
}

pub(super) fn unwritable(file: &Path, fault: &std::io::Error) -> Stop {
    Stop::Refused(format!(
        "{} cannot be written: {fault}. Name a file in a folder that you may write into.",
        file.display()
    ))
}

/// Whether each entry follows the one before.
#[derive(Debug, Default)]
struct Links {
    count: u64,
    last: Option<(i64, String)>,
    broken_at: Option<i64>,
}

impl Links {
    fn take(&mut self, entry: &AuditEntry) {
        let follows = match &self.last {
            Some((seq, hash)) => seq.checked_add(1) == Some(entry.seq) && *hash == entry.previous,
            None => entry.seq == 1 && entry.previous.is_empty(),
        };
        if !follows && self.broken_at.is_none() {
            self.broken_at = Some(entry.seq);
        }
        self.count += 1;
        self.last = Some((entry.seq, entry.hash.clone()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(seq: i64, previous: &str, hash: &str) -> AuditEntry {
        AuditEntry {
            seq,
            previous: previous.to_owned(),
            hash: hash.to_owned(),
            ..AuditEntry::default()
        }
    }

    #[test]
    fn a_gap_or_a_changed_hash_is_found() {
        let broken_at = |entries: &[AuditEntry]| {
            let mut links = Links::default();
            for entry in entries {
                links.take(entry);
            }
            links.broken_at
        };
        let (one, two) = (entry(1, "", "a"), entry(2, "a", "b"));
        let whole = [one.clone(), two.clone(), entry(3, "b", "c")];
        assert_eq!(broken_at(&whole), None);
        let cases = [
            (vec![two.clone()], 2),
            (vec![one.clone(), entry(3, "a", "c")], 3),
            (vec![one.clone(), entry(2, "x", "b"), entry(3, "y", "c")], 2),
            (vec![one.clone(), one], 1),
        ];
        for (entries, at) in cases {
            assert_eq!(broken_at(&entries), Some(at), "{entries:?}");
        }
    }
}
