//! Words that the servers of one database send each other, so that none has to ask again and again.
//!
//! A word only wakes. What happened is in the tables, and whoever missed the word finds it there a little later:
//! PostgreSQL keeps no word for a listener that is away.

use std::time::Duration;

use sqlx::postgres::{PgListener, PgPool};

use super::connection::{Connection, query};
use super::patience::Patience;
use crate::Error;

/// After so long without a word it is asked whether the database is still there: whoever only listens never notices that
/// the other end is gone.
const QUIET: Duration = Duration::from_secs(15);

/// What a server hears of the others, and of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// The log of alerts has grown.
    Alerts,
    /// Who may do what has changed.
    Access,
    /// The change feed has grown.
    Changes,
    /// The connection was lost and made again: anything may have happened meanwhile.
    Anything,
}

const ALERTS: &str = "ringtrue_alerts";
const ACCESS: &str = "ringtrue_access";
const CHANGES: &str = "ringtrue_changes";

/// Says a word to all servers when the transaction commits, and not before. On SQLite there is nobody else.
pub(crate) async fn say(connection: &mut Connection, word: Word) -> Result<(), Error> {
    const SQL: &str = "SELECT pg_notify($1, '')";
    let channel = match word {
        Word::Alerts => ALERTS,
        Word::Access => ACCESS,
        Word::Changes => CHANGES,
        Word::Anything => return Ok(()),
    };
    if !connection.is_sqlite() {
        query(SQL).bind(channel).execute(connection).await?;
    }
    Ok(())
}

/// Hears what is said on the database from when it was made.
#[derive(Debug)]
pub struct Listener {
    ears: PgListener,
    patience: Patience,
}

impl Listener {
    /// Listens on a pool that is this one's alone: when the other end is gone, the driver keeps the connection for as
    /// long as it says goodbye in vain, and nobody may wait for that.
    pub(super) async fn on(pool: PgPool, patience: &Patience) -> Result<Self, Error> {
        let listening = async {
            let mut ears = PgListener::connect_with(&pool).await?;
            ears.listen_all([ALERTS, ACCESS, CHANGES]).await?;
            Ok(ears)
        };
        Ok(Self {
            ears: patience.wait(listening).await?,
            patience: patience.clone(),
        })
    }

    /// Waits for the next word. After an error it is of no more use.
    pub async fn heard(&mut self) -> Result<Word, Error> {
        loop {
            let Ok(heard) = tokio::time::timeout(QUIET, self.ears.try_recv()).await else {
                // Words that come meanwhile are kept.
                let asked = sqlx::query("SELECT 1").execute(&mut self.ears);
                self.patience.wait(asked).await?;
                continue;
            };
            let Some(notification) = heard? else {
                return Ok(Word::Anything);
            };
            match notification.channel() {
                ALERTS => return Ok(Word::Alerts),
                ACCESS => return Ok(Word::Access),
                CHANGES => return Ok(Word::Changes),
                _ => {}
            }
        }
    }
}
