//! Follows the ends of the log of alerts and of the change feed for the streams.

use std::time::Duration;

use ringtrue_fleet::caller::Scope;
use ringtrue_store::{ChangeFilter, Read};

use super::told::causes;
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;
use crate::live_feed::LiveFeed;

/// How often a log's end is looked for without a bell: the word of another server may have been lost.
const FOLLOWED_EVERY: Duration = Duration::from_secs(1);

/// Changes read at once.
const READ_AT_ONCE: u32 = 500;

/// Starts reading the logs' new ends for all streams.
pub(crate) fn start(app: &App, lifecycle: &Lifecycle) {
    let read = app.store.read(&Scope::for_work("alert_feed"));
    follow("alert_feed", Alerts(read), &app.alerts, lifecycle);
    let read = app.store.read(&Scope::for_work("change_feed"));
    follow("change_feed", Changes(read), &app.changes, lifecycle);
}

/// A log that is numbered without gaps in the order of commit.
trait Log: Send + Sync + 'static {
    type Change: Send + Sync + 'static;

    /// The number of its last change.
    fn last(&self) -> impl Future<Output = Result<i64, Error>> + Send;

    /// Some changes after a number, with theirs.
    fn after(
        &self,
        number: i64,
    ) -> impl Future<Output = Result<Vec<(i64, Self::Change)>, Error>> + Send;
}

struct Alerts(Read);

impl Log for Alerts {
    type Change = ringtrue_store::LoggedChange;

    async fn last(&self) -> Result<i64, Error> {
        Ok(self.0.last_alert_change().await?)
    }

    async fn after(&self, number: i64) -> Result<Vec<(i64, Self::Change)>, Error> {
        let changes = self.0.alert_changes(number, READ_AT_ONCE).await?;
        Ok(changes
            .into_iter()
            .map(|change| (change.seq, change))
            .collect())
    }
}

struct Changes(Read);

impl Log for Changes {
    type Change = ringtrue_fleet::change::Change;

    async fn last(&self) -> Result<i64, Error> {
        Ok(self.0.end_of_changes().await?.number)
    }

    async fn after(&self, number: i64) -> Result<Vec<(i64, Self::Change)>, Error> {
        let all = ChangeFilter::default();
        let changes = self.0.changes(&all, number, i64::MAX, READ_AT_ONCE).await?;
        Ok(changes
            .into_iter()
            .map(|change| (change.position.number, change))
            .collect())
    }
}

fn follow<L: Log>(name: &'static str, log: L, feed: &LiveFeed<L::Change>, lifecycle: &Lifecycle) {
    let feed = feed.clone();
    let drain = lifecycle.drain.clone();
    lifecycle.spawn(name, async move {
        let mut after = None;
        loop {
            match followed(&log, &feed, after).await {
                Ok(last) => after = Some(last),
                // Streams hear of it at the next turn.
                Err(fault) => {
                    tracing::warn!(log = name, cause = causes(&fault), "a log was not read");
                }
            }
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = feed.rung() => {}
                () = tokio::time::sleep(FOLLOWED_EVERY) => {}
            }
        }
    });
}

/// Publishes what came after a change; at the very start only finds the end of the log. Streams wait for that
/// before they replay what was before, so nothing falls between.
async fn followed<L: Log>(
    log: &L,
    feed: &LiveFeed<L::Change>,
    after: Option<i64>,
) -> Result<i64, Error> {
    let Some(mut after) = after else {
        let last = log.last().await?;
        feed.ready();
        return Ok(last);
    };
    loop {
        let changes = log.after(after).await?;
        let is_all = changes.len() < READ_AT_ONCE as usize;
        for (number, change) in changes {
            after = number;
            feed.publish(change);
        }
        if is_all {
            return Ok(after);
        }
    }
}
