//! Waits for a server that is still working out where all furnaces of a very large network stand.

use std::time::Duration;

use ringtrue_remote::Failure;
use tokio::time::Instant;

use crate::failure::Stop;
use crate::session::Session;

/// What such a server answers.
const REASON: &str = "BEING_PREPARED";

/// Longest that is waited in all.
const LONGEST: Duration = Duration::from_mins(5);

/// Pause before the server is asked again when it names none.
const PAUSE: Duration = Duration::from_secs(1);

/// Asks until the answer is ready, and says meanwhile how far it is.
pub(super) async fn prepared<Answer>(
    session: &mut Session<'_, '_>,
    mut ask: impl AsyncFnMut() -> Result<Answer, Stop>,
) -> Result<Answer, Stop> {
    let end = Instant::now() + LONGEST;
    loop {
        let failure = match ask().await {
            Err(Stop::Failed { failure, .. })
                if failure.reason == REASON && Instant::now() < end =>
            {
                failure
            }
            ended => return ended,
        };
        session.say(&so_far(&failure))?;
        tokio::time::sleep(failure.retry_after.unwrap_or(PAUSE)).await;
    }
}

fn so_far(failure: &Failure) -> String {
    let count = |key| failure.metadata.get(key).map_or("", String::as_str);
    match (count("done_sites"), count("all_sites")) {
        (_, "" | "0") => "The server begins to work out where all furnaces stand.".to_owned(),
        (done, all) => {
            format!("The server is working out where all furnaces stand: {done} of {all} sites.")
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use ringtrue_remote::Code;

    use super::*;

    fn failure(metadata: &[(&str, &str)]) -> Failure {
        let mut known = BTreeMap::new();
        for (key, value) in metadata {
            known.insert((*key).to_owned(), (*value).to_owned());
        }
        Failure {
            code: Code::Unavailable,
            reason: REASON.to_owned(),
            message: String::new(),
            metadata: known,
            violations: Vec::new(),
            preconditions: Vec::new(),
            resource: None,
            retry_after: None,
        }
    }

    #[test]
    fn how_far_the_server_is_is_said_as_soon_as_it_is_known() {
        let begun = failure(&[("done_sites", "4200"), ("all_sites", "12500")]);
        assert!(so_far(&begun).ends_with("4200 of 12500 sites."));
        let waiting = failure(&[("done_sites", "0"), ("all_sites", "0")]);
        assert!(so_far(&waiting).contains("begins"));
        assert!(so_far(&failure(&[])).contains("begins"));
    }
}
