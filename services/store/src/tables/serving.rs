//! Which servers are at work on this database, among the leases: whoever copies it must know of every one.

use jiff::Timestamp;

use crate::database::query;
use crate::{Error, Tx};

/// What their leases' names begin with.
macro_rules! prefix {
    () => {
        "serve/"
    };
}

fn name(server: &str) -> String {
    format!(concat!(prefix!(), "{}"), server)
}

impl Tx {
    /// Says that a server is at work until a moment; it says so again well before then. A row that a server before it
    /// has left is used again.
    pub async fn says_serving(
        &mut self,
        server: &str,
        now: Timestamp,
        until: Timestamp,
    ) -> Result<(), Error> {
        const AGAIN: &str = "UPDATE work_lease SET until = $2 WHERE name = $1";
        const INSTEAD: &str = concat!(
            "UPDATE work_lease SET name = $1, owner = $1, until = $2 WHERE until <= $3 AND name =
                (SELECT MIN(name) FROM work_lease WHERE until <= $3 AND name LIKE '",
            prefix!(),
            "%')"
        );
        const FIRST: &str =
            "INSERT INTO work_lease (name, owner, until, fence) VALUES ($1, $1, $2, 1)
            ON CONFLICT (name) DO UPDATE SET until = excluded.until";
        let name = name(server);
        let until = until.as_microsecond();
        let again = query(AGAIN).bind(&name).bind(until);
        if again.execute(self.connection()).await? > 0 {
            return Ok(());
        }
        let instead = query(INSTEAD)
            .bind(&name)
            .bind(until)
            .bind(now.as_microsecond());
        if instead.execute(self.connection()).await? > 0 {
            return Ok(());
        }
        let first = query(FIRST).bind(&name).bind(until);
        first.execute(self.connection()).await?;
        Ok(())
    }

    /// Says that a server has ended.
    pub async fn says_ended(&mut self, server: &str) -> Result<(), Error> {
        const SQL: &str = "UPDATE work_lease SET until = 0 WHERE name = $1";
        query(SQL)
            .bind(name(server))
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
