//! Several parts on their way at once, with patience for a server that is busy or gone for a while.

use std::collections::HashSet;
use std::time::Duration;

use ringtrue_remote::{Code, Failure, Remote};
use tokio::task::JoinSet;

use super::parts::Part;
use super::record::{Became, How, Record};
use crate::failure::Stop;

/// Parts on their way at once.
const AT_ONCE: usize = 4;

/// How often a part is sent again when the line fails; with the pauses between, about half a minute.
const TRIES: u32 = 6;

/// Longest pause between two tries.
const LONGEST_PAUSE: Duration = Duration::from_secs(10);

/// A part that came back.
pub(crate) type Back<T> = (Part<T>, Result<Vec<Became>, Box<Failure>>);

/// Parts on their way.
pub(crate) struct Crew<T: Record> {
    remote: Remote,
    how: How,
    away: JoinSet<Back<T>>,
    owners: HashSet<String>,
}

impl<T: Record> Crew<T> {
    /// None is on its way.
    pub(crate) fn new(remote: Remote, how: How) -> Self {
        Crew {
            remote,
            how,
            away: JoinSet::new(),
            owners: HashSet::new(),
        }
    }

    /// Sends a part, when there is room for it; gives those that came back meanwhile.
    pub(crate) async fn sent(&mut self, part: Part<T>) -> Result<Vec<Back<T>>, Stop> {
        let mut back = Vec::new();
        while self.away.len() >= AT_ONCE || (T::IN_ORDER && self.owners.contains(&part.owner)) {
            back.extend(self.one_back().await?);
        }
        self.owners.insert(part.owner.clone());
        let (remote, how) = (self.remote.clone(), self.how);
        self.away.spawn(async move {
            let records: Vec<T> = part.items.iter().map(|item| item.record.clone()).collect();
            let answer = patiently(&remote, &part.owner, records, how).await;
            (part, answer)
        });
        Ok(back)
    }

    /// The next part that comes back; none when none is on its way.
    pub(crate) async fn one_back(&mut self) -> Result<Option<Back<T>>, Stop> {
        match self.away.join_next().await {
            None => Ok(None),
            Some(Ok(back)) => {
                self.owners.remove(&back.0.owner);
                Ok(Some(back))
            }
            Some(Err(fault)) => Err(Stop::Broken(format!("a part was not sent: {fault}"))),
        }
    }
}

/// Sends until an answer comes: a server that asks for patience gets it, one that is gone a while.
async fn patiently<T: Record>(
    remote: &Remote,
    owner: &str,
    records: Vec<T>,
    how: How,
) -> Result<Vec<Became>, Box<Failure>> {
    let mut tries = 0;
    loop {
        let answer = T::sent(remote.clone(), owner.to_owned(), records.clone(), how).await;
        let failure = match answer {
            Ok(became) => return Ok(became),
            Err(failure) => failure,
        };
        let is_too_often = failure.code == Code::ResourceExhausted && failure.retry_after.is_some();
        if !is_too_often {
            if !(failure.is_of_the_line() || failure.is_worth_repeating()) || tries >= TRIES {
                return Err(failure);
            }
            tries += 1;
        }
        let pause = failure
            .retry_after
            .unwrap_or_else(|| Duration::from_millis(250 << tries));
        tokio::time::sleep(pause.min(LONGEST_PAUSE)).await;
    }
}
