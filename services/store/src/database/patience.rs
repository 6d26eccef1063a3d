//! How long PostgreSQL is waited for.
//!
//! The database ends a statement that takes too long, but only if it is there. A machine that lost its power or its
//! network says nothing, and TCP notices after minutes or never. So the wait ends on this side too, a little later.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use sqlx::{Connection as _, PgConnection};

/// How much longer than the database's own limit an answer is waited for.
const MORE: Duration = Duration::from_secs(2);

/// Longest wait for a connection that is given back to say that it is well.
const WELL: Duration = Duration::from_secs(1);

/// The patience of one process with one database; clones share what it has learnt.
#[derive(Debug, Clone)]
pub(crate) struct Patience {
    /// None for work that takes its time.
    longest: Option<Duration>,
    /// Whether something was waited for in vain: since then no connection is trusted to answer.
    was_tried: Arc<AtomicBool>,
}

impl Patience {
    /// With a database that ends statements after a time.
    pub(crate) fn of(longest_statement: Option<Duration>) -> Self {
        Self {
            longest: longest_statement.map(|longest| longest + MORE),
            was_tried: Arc::default(),
        }
    }

    /// Waits for what the database says, and takes it for lost when it says nothing. The connection must not be used
    /// for anything else afterwards.
    pub(crate) async fn wait<T>(
        &self,
        answer: impl Future<Output = Result<T, sqlx::Error>>,
    ) -> Result<T, sqlx::Error> {
        // The driver's futures are large, and every statement's would be part of its caller's.
        let answer = Box::pin(answer);
        let Some(longest) = self.longest else {
            return answer.await;
        };
        let Ok(answered) = tokio::time::timeout(longest, answer).await else {
            self.was_tried.store(true, Ordering::Relaxed);
            return Err(silent());
        };
        answered
    }

    /// Says whether a connection that is given back may be used again. An error means that it is to be dropped at once:
    /// whoever waits for one that is dead would keep its place in the pool for ever.
    pub(crate) async fn tried(&self, connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
        if !self.was_tried.load(Ordering::Relaxed) {
            return Ok(true);
        }
        match tokio::time::timeout(WELL, connection.ping()).await {
            Ok(answered) => answered.map(|()| true),
            Err(_) => Err(silent()),
        }
    }
}

fn silent() -> sqlx::Error {
    sqlx::Error::Io(std::io::Error::new(
        std::io::ErrorKind::TimedOut,
        "the database says nothing",
    ))
}
