//! Checkpoints: listed, and kept in a file on another computer than the server's.

use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::Path;

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    AuditCheckpoint, ListAuditCheckpointsRequest, ListAuditCheckpointsResponse,
};
use ringtrue_remote::{hex, is_signed};

use super::export::unwritable;
use crate::failure::Stop;
use crate::session::Session;
use crate::site::shown_list;
use crate::{moment, output};

/// Checkpoints of one page.
const PAGE: i32 = 1000;

/// Digits of a hash that are shown.
const DIGITS: usize = 16;

/// Lists checkpoints.
pub(super) async fn list(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListAuditCheckpointsRequest {
        after_number: 0,
        page_size: i32::try_from(limit.min(1000)).unwrap_or(PAGE),
        ..ListAuditCheckpointsRequest::default()
    };
    let answer = session.remote.audit_checkpoints(ask).await?;
    if session.json {
        return session.show_json("ListAuditCheckpointsResponse", &answer);
    }
    let mut rows = Vec::new();
    for checkpoint in &answer.checkpoints {
        let made = moment::received(checkpoint.time.as_ref());
        rows.push(vec![
            checkpoint.number.to_string(),
            made.map(|at| moment::brief(at, &TimeZone::UTC))
                .unwrap_or_default(),
            checkpoint.heads.len().to_string(),
            proved(checkpoint, &answer.public_key).to_owned(),
            checkpoint.key_id.clone(),
            checkpoint.hash.chars().take(DIGITS).collect(),
        ]);
    }
    let more = answer.checkpoints.len() >= limit.min(1000);
    let headings = ["no.", "made", "chains", "signature", "key", "hash"];
    shown_list("checkpoints", &headings, &rows, more, session)
}

fn proved(checkpoint: &AuditCheckpoint, public_key: &[u8]) -> &'static str {
    if checkpoint.signed_json.is_empty() {
        "not yours to check"
    } else if is_signed(checkpoint, public_key) {
        "good"
    } else {
        "WRONG"
    }
}

/// What a file keeps of the last checkpoint.
#[derive(Debug, Default, PartialEq, Eq)]
struct Last {
    number: i64,
    hash: String,
    key_id: String,
}

/// Adds the checkpoints that are new to a file. Each must be signed, and hold the hash of the one before.
pub(super) async fn kept(file: &Path, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(fault) => {
            let shown = file.display();
            return Err(Stop::Refused(format!("{shown} cannot be read: {fault}.")));
        }
    };
    let mut last = last(&text, file)?;
    let first = last.number;
    let mut options = OpenOptions::new();
    options.append(true).create(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    let mut into = options
        .open(file)
        .map_err(|fault| unwritable(file, &fault))?;
    let mut count = 0;
    loop {
        let ask = ListAuditCheckpointsRequest {
            after_number: last.number,
            page_size: PAGE,
            ..ListAuditCheckpointsRequest::default()
        };
        let page = session.remote.audit_checkpoints(ask).await?;
        if first == 0 && last.number == 0 {
            unsigned(&page)?;
        }
        if page.checkpoints.is_empty() {
            break;
        }
        for checkpoint in &page.checkpoints {
            last = follows(&last, checkpoint, &page.public_key)?;
            let line = output::json_line("AuditCheckpoint", checkpoint)?;
            writeln!(into, "{line}").map_err(|fault| unwritable(file, &fault))?;
            count += 1;
        }
    }
    into.sync_all().map_err(|fault| unwritable(file, &fault))?;
    if session.json {
        let text = serde_json::json!({ "added": count, "lastNumber": last.number });
        return session.show(&text.to_string());
    }
    session.say(&match count {
        0 if last.number == 0 => "There are no checkpoints yet.".to_owned(),
        0 => format!("Nothing new since checkpoint {}.", last.number),
        count => format!(
            "{count} added; the last is {}. All are signed with key {}, and each holds the hash of the one before.",
            last.number, last.key_id
        ),
    })
}

/// Refuses a server that signs none.
fn unsigned(page: &ListAuditCheckpointsResponse) -> Result<(), Stop> {
    if page.public_key.is_empty() {
        return Err(Stop::Refused(
            "This server signs no checkpoints; whoever runs it can have it do so (see deploy/README.md).".to_owned(),
        ));
    }
    Ok(())
}

/// Makes sure that a checkpoint follows the last one kept.
fn follows(last: &Last, checkpoint: &AuditCheckpoint, public_key: &[u8]) -> Result<Last, Stop> {
    let number = checkpoint.number;
    if checkpoint.signed_json.is_empty() {
        return Err(Stop::Refused(
            "Checkpoints prove something only whole, and you may not see all chains. Have somebody keep them who reads \
             the whole network: quality control, an auditor or an administrator."
                .to_owned(),
        ));
    }
    if !is_signed(checkpoint, public_key) {
        return Err(Stop::Refused(format!(
            "Checkpoint {number} is NOT what the server's key signed; it was not added. Keep the file as it is, and look \
             into the server."
        )));
    }
    let key_id = hex(&ringtrue_remote::sha256(public_key))
        .chars()
        .take(DIGITS)
        .collect::<String>();
    if !last.key_id.is_empty() && last.key_id != key_id {
        return Err(Stop::Refused(format!(
            "Checkpoint {number} is signed with key {key_id}, those kept with {}. If the key was changed on purpose, \
             begin a new file; else look into the server.",
            last.key_id
        )));
    }
    let goes_on = last.number == 0 || checkpoint.signed_json.contains(&last.hash);
    if !goes_on || Some(number) != last.number.checked_add(1) && last.number != 0 {
        return Err(Stop::Refused(format!(
            "Checkpoint {number} does NOT follow checkpoint {} that is kept here: the chain of checkpoints was cut or \
             written anew. Keep the file as it is, and look into the server.",
            last.number
        )));
    }
    Ok(Last {
        number,
        hash: checkpoint.hash.clone(),
        key_id,
    })
}

/// Finds the last checkpoint of a file; nothing of an empty one.
fn last(text: &str, file: &Path) -> Result<Last, Stop> {
    let Some(line) = text.lines().rfind(|line| !line.trim().is_empty()) else {
        return Ok(Last::default());
    };
    let value: serde_json::Value = serde_json::from_str(line).unwrap_or_default();
    let part = |name: &str| value[name].as_str().map(str::to_owned);
    // Canonical JSON writes 64-bit numbers as texts.
    let number = part("number").and_then(|number| number.parse().ok());
    match (number, part("hash"), part("keyId"), text.ends_with('\n')) {
        (Some(number), Some(hash), Some(key_id), true) => Ok(Last {
            number,
            hash,
            key_id,
        }),
        _ => Err(Stop::Refused(format!(
            "The last line of {} is no checkpoint. Name another file, or take that line away.",
            file.display()
        ))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_checkpoint_of_a_file_is_found_and_anything_else_is_refused() {
        let file = Path::new("checkpoints.ndjson");
        let read = |text: &str| last(text, file).map_err(|stop| stop.lines("").join("\n"));
        assert_eq!(read(""), Ok(Last::default()));
        let lines = "{\"number\":\"1\",\"hash\":\"a\",\"keyId\":\"k\"}\n\
                     {\"number\":\"2\",\"hash\":\"b\",\"keyId\":\"k\"}\n";
        let expected = Last {
            number: 2,
            hash: "b".to_owned(),
            key_id: "k".to_owned(),
        };
        assert_eq!(read(lines), Ok(expected));
        for bad in ["notes\n", &lines[..lines.len() - 4], lines.trim_end()] {
            let refused = read(bad).expect_err(bad);
            assert!(refused.contains("is no checkpoint"), "{refused}");
        }
    }

    #[test]
    fn a_checkpoint_that_nobody_signed_is_not_kept() {
        let checkpoint = AuditCheckpoint {
            number: 1,
            signed_json: "{}".to_owned(),
            ..AuditCheckpoint::default()
        };
        let refused = follows(&Last::default(), &checkpoint, &[0; 32]).expect_err("unsigned");
        assert!(
            refused
                .lines("")
                .join("")
                .contains("NOT what the server's key signed")
        );
    }
}
