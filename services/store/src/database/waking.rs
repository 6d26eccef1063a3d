//! Words that the servers of one database send each other, so that none has to ask again and again.
//!
//! A word only wakes. What happened is in the tables, and whoever missed the word finds it there a little later:
//! PostgreSQL keeps no word for a listener that is away.

use sqlx::postgres::{PgListener, PgPool};

use super::connection::{Connection, query};
use crate::Error;

/// What a server hears of the others, and of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// The log of alerts has grown.
    Alerts,
    /// Who may do what has changed.
    Access,
    /// The connection was lost and made again: anything may have happened meanwhile.
    Anything,
}

const ALERTS: &str = "ringtrue_alerts";
const ACCESS: &str = "ringtrue_access";

/// Says a word to all servers when the transaction commits, and not before. On SQLite there is nobody else.
pub(crate) async fn say(connection: &mut Connection, word: Word) -> Result<(), Error> {
    const SQL: &str = "SELECT pg_notify($1, '')";
    let channel = match word {
        Word::Alerts => ALERTS,
        Word::Access => ACCESS,
        Word::Anything => return Ok(()),
    };
    if !connection.is_sqlite() {
        query(SQL).bind(channel).execute(connection).await?;
    }
    Ok(())
}

/// Hears what is said on the database from when it was made.
#[derive(Debug)]
pub struct Listener(PgListener);

impl Listener {
    pub(super) async fn on(pool: &PgPool) -> Result<Self, Error> {
        let mut listener = PgListener::connect_with(pool).await?;
        listener.listen_all([ALERTS, ACCESS]).await?;
        Ok(Self(listener))
    }

    /// Waits for the next word. After an error it may be asked again; it then connects anew.
    pub async fn heard(&mut self) -> Result<Word, Error> {
        loop {
            let Some(notification) = self.0.try_recv().await? else {
                return Ok(Word::Anything);
            };
            match notification.channel() {
                ALERTS => return Ok(Word::Alerts),
                ACCESS => return Ok(Word::Access),
                _ => {}
            }
        }
    }
}
