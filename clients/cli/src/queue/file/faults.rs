//! What can be wrong with a queue's file, in words that say what to do next.

use std::path::Path;

use rusqlite::ErrorCode;

use crate::failure::Stop;

/// The same with what it means for whoever has just typed something.
pub(super) fn not_kept(stop: &Stop) -> Stop {
    let words = stop.lines("").join(" ");
    Stop::Refused(format!(
        "{words} NOTHING WAS KEPT: write the values down on paper until that is mended."
    ))
}

pub(super) fn is_absence(fault: &std::io::Error) -> bool {
    matches!(
        fault.kind(),
        std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory
    )
}

pub(super) fn unusable(path: &Path, verb: &str, why: &str) -> Stop {
    Stop::Refused(format!(
        "The queue {} cannot be {verb}: {why}. Make room or mend its folder, or name another with RINGTRUE_HOME.",
        path.display()
    ))
}

pub(super) fn damaged(path: &Path, why: &str) -> Stop {
    Stop::Refused(format!(
        "The queue {} is damaged ({why}). It is not used and stays as it is: keep it, since what waits in it may still be \
         read. Move it away and run the command again; a new queue is then begun.",
        path.display()
    ))
}

pub(super) fn refused(path: &Path, fault: &rusqlite::Error) -> Stop {
    match fault.sqlite_error_code() {
        Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => {
            damaged(path, &fault.to_string())
        }
        Some(ErrorCode::DiskFull) => unusable(path, "written", "the disk is full"),
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
            unusable(path, "written", "it or its folder may not be written")
        }
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            unusable(path, "written", "another program holds it")
        }
        _ => unusable(path, "used", &fault.to_string()),
    }
}
