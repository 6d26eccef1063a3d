//! What somebody might attempt to get at what is not theirs.

mod bodies;
mod certificates;
mod changes;
mod headers;
mod names;
mod pages;
mod repeats;
mod streams;
mod trying;

use tonic::{Code, Status};

use crate::scene::FOREIGN;

/// Whether an answer shows anything of the other site.
fn leaks(answer: &[u8]) -> bool {
    let text = String::from_utf8_lossy(answer);
    text.contains(FOREIGN) || text.contains("sites/south")
}

/// Whether a refusal is one that the server means: it says what is wrong and is no fault of the server's.
fn is_meant(status: &Status) -> bool {
    matches!(
        status.code(),
        Code::InvalidArgument
            | Code::NotFound
            | Code::PermissionDenied
            | Code::FailedPrecondition
            | Code::AlreadyExists
    )
}
