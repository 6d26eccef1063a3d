//! Mail that nobody needs any more.

use ringtrue_fleet::key::SubscriptionId;

use crate::{Error, Tx};

impl Tx {
    /// A mail is not needed any more: what it was to tell is mended. Says nothing about its recipient.
    pub async fn mail_dropped(&mut self, id: &SubscriptionId, topic: &str) -> Result<(), Error> {
        const SQL: &str = "UPDATE mail SET state = 'given_up', last_failure = 'no longer needed'
            WHERE subscription_id = $1 AND topic = $2 AND state = 'waiting'";
        sqlx::query(SQL)
            .bind(id.as_str())
            .bind(topic)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
