//! Checkpoints: listed, and kept in a file on another computer than the server's.

use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::Path;

use jiff::tz::TimeZone;
use ringtrue_proto::v1::{AuditCheckpoint, ListAuditCheckpointsRequest};
use ringtrue_remote::{Sealed, sealed};

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
    let most = limit.min(1000);
    let ask = ListAuditCheckpointsRequest {
        page_size: i32::try_from(most).unwrap_or(PAGE),
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
            signature(checkpoint, &answer.public_key).to_owned(),
            checkpoint.key_id.clone(),
            checkpoint.hash.chars().take(DIGITS).collect(),
        ]);
    }
    let more = answer.checkpoints.len() >= most;
    let headings = ["no.", "made", "chains", "signature", "key", "hash"];
    shown_list("checkpoints", &headings, &rows, more, session)
}

fn signature(checkpoint: &AuditCheckpoint, public_key: &[u8]) -> &'static str {
    if checkpoint.signed_json.is_empty() {
        return "not yours to check";
    }
    match sealed(checkpoint, public_key) {
        Sealed::Well => "good",
        Sealed::Unsigned => "none",
        Sealed::Otherwise => "another key's",
        Sealed::Badly => "WRONG",
    }
}

/// What a file keeps of the last checkpoint.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Last {
    number: i64,
    hash: String,
    key_id: String,
}

/// Adds the checkpoints that are new to a file. Each must hold the hash of the one before, and be what its key signed.
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
    still_there(&last, session).await?;
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
    let (mut count, mut unchecked) = (0, 0);
    loop {
        let ask = ListAuditCheckpointsRequest {
            after_number: last.number,
            page_size: PAGE,
            ..ListAuditCheckpointsRequest::default()
        };
        let page = session.remote.audit_checkpoints(ask).await?;
        if page.checkpoints.is_empty() {
            break;
        }
        for checkpoint in &page.checkpoints {
            last = follows(&last, checkpoint, &page.public_key)?;
            if sealed(checkpoint, &page.public_key) != Sealed::Well {
                unchecked += 1;
            }
            let line = output::json_line("AuditCheckpoint", checkpoint)?;
            writeln!(into, "{line}").map_err(|fault| unwritable(file, &fault))?;
            count += 1;
        }
    }
    into.sync_all().map_err(|fault| unwritable(file, &fault))?;
    if session.json {
        let text = serde_json::json!({
            "added": count,
            "withoutCheckedSignature": unchecked,
            "lastNumber": last.number,
        });
        return session.show(&text.to_string());
    }
    session.say(&match count {
        0 if last.number == 0 => "There are no checkpoints yet.".to_owned(),
        0 => format!("Nothing new since checkpoint {}.", last.number),
        count => format!(
            "{count} added; the last is {}. Each holds the hash of the one before.",
            last.number
        ),
    })?;
    if unchecked > 0 {
        session.say(&format!(
            "{unchecked} of them are not signed with the server's present key; what proves them is that they are kept \
             here."
        ))?;
    }
    Ok(())
}

/// Makes sure that the server still has the last checkpoint kept: what was cut off shows in nothing else.
async fn still_there(last: &Last, session: &Session<'_, '_>) -> Result<(), Stop> {
    if last.number == 0 {
        return Ok(());
    }
    let ask = ListAuditCheckpointsRequest {
        after_number: last.number - 1,
        page_size: 1,
        ..ListAuditCheckpointsRequest::default()
    };
    let page = session.remote.audit_checkpoints(ask).await?;
    let there = page.checkpoints.first();
    if there.is_some_and(|there| there.number == last.number && there.hash == last.hash) {
        return Ok(());
    }
    Err(Stop::Refused(format!(
        "The server does NOT have checkpoint {} any more as it is kept here: its newest records were cut off or written \
         anew, or an older copy was put in their place. Keep the file as it is, and look into the server: \
         `ringtrue-server verify --witness FILE` tells more.",
        last.number
    )))
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
    let keep = "Keep the file as it is, and look into the server.";
    if sealed(checkpoint, public_key) == Sealed::Badly {
        return Err(Stop::Refused(format!(
            "Checkpoint {number} is NOT what was signed; it was not added. {keep}"
        )));
    }
    if !last.key_id.is_empty() && last.key_id != checkpoint.key_id {
        let now = match checkpoint.key_id.as_str() {
            "" => "not signed".to_owned(),
            key_id => format!("signed with key {key_id}"),
        };
        return Err(Stop::Refused(format!(
            "Checkpoint {number} is {now}, those kept with key {}; it was not added. If the key was changed on purpose, \
             begin a new file; else look into the server.",
            last.key_id
        )));
    }
    let text: serde_json::Value = serde_json::from_str(&checkpoint.signed_json).unwrap_or_default();
    let previous = text["previous"].as_str();
    let goes_on = last.number.checked_add(1) == Some(number) && previous == Some(&last.hash);
    if !goes_on {
        return Err(Stop::Refused(format!(
            "Checkpoint {number} does NOT follow checkpoint {} that is kept here: the chain of checkpoints was cut or \
             written anew. {keep}",
            last.number
        )));
    }
    Ok(Last {
        number,
        hash: checkpoint.hash.clone(),
        key_id: checkpoint.key_id.clone(),
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
    match (number, part("hash"), text.ends_with('\n')) {
        (Some(number), Some(hash), true) => Ok(Last {
            number,
            hash,
            key_id: part("keyId").unwrap_or_default(),
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

    /// Checkpoint of a number after another, without a signature.
    fn checkpoint(number: i64, previous: &str) -> AuditCheckpoint {
        let signed_json = serde_json::json!({ "number": number, "previous": previous }).to_string();
        AuditCheckpoint {
            number,
            hash: ringtrue_remote::hex(&ringtrue_remote::sha256(signed_json.as_bytes())),
            signed_json,
            ..AuditCheckpoint::default()
        }
    }

    #[test]
    fn only_a_checkpoint_that_follows_the_last_one_kept_is_added() {
        let first = checkpoint(1, "");
        let last = follows(&Last::default(), &first, &[]).expect("the first");
        let second = checkpoint(2, &first.hash);
        assert!(follows(&last, &second, &[]).is_ok());
        let signed_before = Last {
            key_id: "ab".to_owned(),
            ..last.clone()
        };
        let mut changed = second.clone();
        changed.signed_json.push(' ');
        let mut hidden = second.clone();
        hidden.signed_json.clear();
        for (last, bad, words) in [
            (&last, checkpoint(3, &first.hash), "does NOT follow"),
            (&last, checkpoint(2, "elsewhere"), "does NOT follow"),
            (&Last::default(), second.clone(), "does NOT follow"),
            (&last, changed, "is NOT what was signed"),
            (&last, hidden, "you may not see all chains"),
            (
                &signed_before,
                second,
                "is not signed, those kept with key ab",
            ),
        ] {
            let refused = follows(last, &bad, &[]).expect_err(words);
            let told = refused.lines("").join("");
            assert!(told.contains(words), "{words} in {told}");
        }
    }
}
