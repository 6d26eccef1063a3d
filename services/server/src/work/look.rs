//! Keeps the register of alerts up to date, and follows its log for the streams.

use std::time::{Duration, Instant};

use ringtrue_fleet::caller::Scope;

use super::refit::given_back;
use super::told::{Told, causes};
use crate::app::{self, ALERTS_WORK, App, Error};
use crate::lifecycle::Lifecycle;

/// A look takes at most this share of the time: after a long one the next waits longer.
const REST_PER_WORK: u32 = 9;

/// How often the log's end is looked for without a bell: the word of another server may have been lost.
const FOLLOWED_EVERY: Duration = Duration::from_secs(1);

/// Changes read at once.
const READ_AT_ONCE: u32 = 500;

/// Starts looking every so often, which costs one question to an index while nothing waits.
pub(crate) fn start(app: &App, every: Duration, lifecycle: &Lifecycle) {
    let (store, clock, ids, feed) = (
        app.store.clone(),
        app.clock.clone(),
        app.ids.clone(),
        app.alerts.clone(),
    );
    let drain = lifecycle.drain.clone();
    let owner = ids.uuid(clock.now()).to_string();
    lifecycle.spawn("alerts", async move {
        let mut told = Told::of(ALERTS_WORK);
        let mut rest = every;
        loop {
            tokio::select! {
                () = drain.cancelled() => return Ok(()),
                () = tokio::time::sleep(rest) => {}
            }
            let began = Told::begins(&clock);
            let begun = Instant::now();
            let outcome = tokio::select! {
                // What was begun is not stored; the next server does it again.
                () = drain.cancelled() => return given_back(&store, &owner).await,
                outcome = app::look(&store, &clock, &ids, &feed, &owner) => outcome,
            };
            match &outcome {
                Ok(Some(looked)) if looked.sites > 0 => tracing::debug!(
                    sites = looked.sites,
                    changes = looked.changes,
                    "looked at what is due"
                ),
                Ok(_) => {}
                Err(fault) => {
                    // What is on the register stays as it was; the next turn is the retry.
                    tracing::warn!(cause = causes(fault), "alerts were not looked at");
                }
            }
            let idle = matches!(outcome, Ok(None | Some(app::Looked { sites: 0, .. })));
            rest = every.max(begun.elapsed() * REST_PER_WORK);
            let fault = outcome.as_ref().err();
            told.ended(&store, began, idle, fault).await;
        }
    });
}

/// Starts reading the log's new end for all streams.
pub(crate) fn start_following(app: &App, lifecycle: &Lifecycle) {
    let (store, feed) = (app.store.clone(), app.alerts.clone());
    let drain = lifecycle.drain.clone();
    lifecycle.spawn("alert_feed", async move {
        let read = store.read(&Scope::for_work("alert_feed"));
        let mut after = None;
        loop {
            match followed(&read, &feed, after).await {
                Ok(last) => after = Some(last),
                // Streams hear of it at the next turn.
                Err(fault) => {
                    tracing::warn!(cause = causes(&fault), "the log of alerts was not read");
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
async fn followed(
    read: &ringtrue_store::Read,
    feed: &crate::alert_feed::AlertFeed,
    after: Option<i64>,
) -> Result<i64, Error> {
    let Some(mut after) = after else {
        let last = read.last_alert_change().await?;
        feed.ready();
        return Ok(last);
    };
    loop {
        let changes = read.alert_changes(after, READ_AT_ONCE).await?;
        let is_all = changes.len() < READ_AT_ONCE as usize;
        for change in changes {
            after = change.seq;
            feed.publish(change);
        }
        if is_all {
            return Ok(after);
        }
    }
}
