//! Leases of background work: one process at a time does each piece, and one that lost its lease stores
//! nothing.

use jiff::{SignedDuration, Timestamp};

use crate::database::{Connection, query, query_scalar};
use crate::{Error, Tx};

/// A lease that was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lease {
    /// The piece of work.
    pub name: &'static str,
    /// Raised by every taking; what was begun under an earlier one is not stored.
    pub fence: i64,
}

const FENCE: &str = "SELECT fence FROM work_lease WHERE name = $1";

async fn fence(
    connection: &mut Connection,
    sql: &'static str,
    name: &str,
) -> Result<Option<i64>, Error> {
    let rows: Vec<i64> = query_scalar(sql).bind(name).fetch_all(connection).await?;
    Ok(rows.into_iter().next())
}

impl Tx {
    /// Takes the lease of a piece of work for a time, unless another owner holds it still.
    pub async fn take_lease(
        &mut self,
        name: &'static str,
        owner: &str,
        now: Timestamp,
        held_for: SignedDuration,
    ) -> Result<Option<Lease>, Error> {
        const SQL: &str =
            "INSERT INTO work_lease (name, owner, until, fence) VALUES ($1, $2, $3, 1)
            ON CONFLICT (name) DO UPDATE SET owner = excluded.owner, until = excluded.until,
                fence = work_lease.fence + 1
            WHERE work_lease.owner = excluded.owner OR work_lease.until <= $4";
        let until = now.saturating_add(held_for).unwrap_or(Timestamp::MAX);
        let done = query(SQL)
            .bind(name)
            .bind(owner)
            .bind(until.as_microsecond())
            .bind(now.as_microsecond())
            .execute(self.connection())
            .await?;
        if done == 0 {
            return Ok(None);
        }
        let fence = fence(self.connection(), FENCE, name).await?;
        Ok(fence.map(|fence| Lease { name, fence }))
    }

    /// Holds a lease for a time from now on, unless it was taken by another meanwhile; gives whether it is held.
    pub async fn renew_lease(
        &mut self,
        lease: &Lease,
        now: Timestamp,
        held_for: SignedDuration,
    ) -> Result<bool, Error> {
        const SQL: &str = "UPDATE work_lease SET until = $3 WHERE name = $1 AND fence = $2";
        let until = now.saturating_add(held_for).unwrap_or(Timestamp::MAX);
        let done = query(SQL)
            .bind(lease.name)
            .bind(lease.fence)
            .bind(until.as_microsecond())
            .execute(self.connection())
            .await?;
        Ok(done > 0)
    }

    /// Whether a lease is still the last that was taken. Nobody takes it before this transaction ends.
    pub async fn holds(&mut self, lease: &Lease) -> Result<bool, Error> {
        const KEPT: &str = "SELECT fence FROM work_lease WHERE name = $1 FOR SHARE";
        let found = fence(self.connection(), KEPT, lease.name).await?;
        Ok(found == Some(lease.fence))
    }

    /// Gives a lease back, so that the next owner need not wait.
    pub async fn release_lease(&mut self, lease: &Lease) -> Result<(), Error> {
        const SQL: &str = "UPDATE work_lease SET until = 0 WHERE name = $1 AND fence = $2";
        query(SQL)
            .bind(lease.name)
            .bind(lease.fence)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    /// Gives back every lease of an owner: its work was dropped before it could do so itself.
    pub async fn release_leases_of(&mut self, owner: &str) -> Result<(), Error> {
        const SQL: &str = "UPDATE work_lease SET until = 0 WHERE owner = $1";
        query(SQL).bind(owner).execute(self.connection()).await?;
        Ok(())
    }
}
