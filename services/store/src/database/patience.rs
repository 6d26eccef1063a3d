//! How long PostgreSQL is waited for.
//!
//! The database ends a statement that takes too long, but only if it is there. A machine that lost its power or its
//! network says nothing, and TCP notices after minutes or never. So the wait ends on this side too, a little later.

use std::time::Duration;

/// How much longer than the database's own limit an answer is waited for.
const MORE: Duration = Duration::from_secs(2);

/// The patience with one database.
#[derive(Debug, Clone)]
pub(crate) struct Patience {
    /// None for work that takes its time.
    longest: Option<Duration>,
}

impl Patience {
    /// With a database that ends statements after a time.
    pub(crate) fn of(longest_statement: Option<Duration>) -> Self {
        Self {
            longest: longest_statement.map(|longest| longest + MORE),
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
        match tokio::time::timeout(longest, answer).await {
            Ok(answered) => answered,
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
