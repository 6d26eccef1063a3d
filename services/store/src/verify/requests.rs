//! The answers kept for repeats of requests, against the audit entries that hold them.

use super::{Fault, Verified};
use crate::Error;
use crate::database::{Connection, query_scalar};

/// Checks that every answer points to an entry about the same resource at the same moment.
pub(super) async fn check(
    connection: &mut Connection,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str = "SELECT r.id FROM request AS r WHERE r.id > $1 AND (length(r.digest) <> 64
            OR NOT EXISTS (SELECT 1 FROM audit AS a WHERE a.site_id = r.site_id AND a.seq = r.seq
                AND a.subject = r.subject AND a.at = r.answered_at))
        ORDER BY r.id LIMIT $2";
    let mut after = String::new();
    loop {
        let wrong: Vec<String> = query_scalar(SQL)
            .bind(&after)
            .bind(super::PAGE)
            .fetch_all(&mut *connection)
            .await?;
        let Some(last) = wrong.last() else { break };
        after.clone_from(last);
        for id in wrong {
            verified.faults.push(Fault::AnswerAltered { id });
        }
    }
    Ok(())
}
