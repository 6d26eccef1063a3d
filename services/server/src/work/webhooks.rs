//! Sends events to webhooks, one server at a time, under a lease that it keeps for as long as it runs.

use std::time::{Duration, Instant};

use jiff::SignedDuration;
use ringtrue_fleet::caller::Scope;
use ringtrue_store::{Over, Store};

use super::refit::given_back;
use super::told::{Told, causes};
use crate::app::{App, Error};
use crate::lifecycle::Lifecycle;
use crate::webhook::{Courier, Rounds, Sender, WEBHOOKS_WORK};

/// How often it is looked without a bell: events come due by time alone.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// How long a turn waits after the bell, so that what is recorded meanwhile comes with it.
const GATHER: Duration = Duration::from_millis(20);

/// How long the lease holds: for so long nothing is sent after a server died.
const HELD_FOR: SignedDuration = SignedDuration::from_secs(30);

/// How often it is taken anew.
const TAKEN_EVERY: Duration = Duration::from_secs(10);

/// How long a stopping server lets events on their way arrive.
const LAST_EVENTS: Duration = Duration::from_secs(3);

/// Starts the work; it ends when the life drains.
pub(crate) fn start(app: &App, sender: Sender, lifecycle: &Lifecycle) {
    let drain = lifecycle.drain.clone();
    let (store, clock, ids, feed) = (
        app.store.clone(),
        app.clock.clone(),
        app.ids.clone(),
        app.changes.clone(),
    );
    let owner = ids.uuid(clock.now()).to_string();
    let base = app.public_url.clone().unwrap_or_default();
    let courier = Courier::new(store.clone(), clock.clone(), ids, sender, base);
    lifecycle.spawn("webhooks", async move {
        let mut told = Told::of(WEBHOOKS_WORK);
        let mut rounds = Rounds::default();
        let mut taken: Option<Instant> = None;
        // The feed is followed once the database has answered for the first time.
        let mut ear = tokio::select! {
            () = drain.cancelled() => return Ok(()),
            ear = feed.listen() => ear.ok(),
        };
        loop {
            let began = Told::begins(&clock);
            let outcome = turned(&courier, &owner, &mut taken, &mut rounds).await;
            if let Err(fault) = &outcome {
                // What waits stays as it was; the next turn is the retry.
                tracing::warn!(cause = causes(fault), "events were not sent");
                taken = None;
            }
            let idle = matches!(outcome, Ok(0));
            told.ended(&store, began, idle, outcome.as_ref().err())
                .await;
            let heard = async {
                match &mut ear {
                    // Whether one change or many were missed: there is something to look at.
                    Some(ear) => drop(ear.changes.recv().await),
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                () = drain.cancelled() => break,
                () = heard => tokio::time::sleep(GATHER).await,
                () = rounds.ended() => {}
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
        }
        let arriving = async {
            while !rounds.is_empty() {
                rounds.ended().await;
            }
        };
        // What is cut off here is sent again by the next server.
        drop(tokio::time::timeout(LAST_EVENTS, arriving).await);
        given_back(&store, &owner).await
    });
}

/// One turn, if it is this server's; gives how many rounds were begun.
async fn turned(
    courier: &Courier,
    owner: &str,
    taken: &mut Option<Instant>,
    rounds: &mut Rounds,
) -> Result<usize, Error> {
    if !courier.is_wanted().await? {
        return Ok(0);
    }
    if taken.is_none_or(|at| at.elapsed() >= TAKEN_EVERY) {
        *taken = takes(&courier.store, courier, owner)
            .await?
            .then(Instant::now);
    }
    if taken.is_none() {
        return Ok(0);
    }
    courier.turn(rounds).await
}

async fn takes(store: &Store, courier: &Courier, owner: &str) -> Result<bool, Error> {
    let scope = Scope::for_work(WEBHOOKS_WORK);
    let mut tx = store
        .begin_over(WEBHOOKS_WORK, &scope, Over::Nothing)
        .await?;
    let lease = tx
        .take_lease(WEBHOOKS_WORK, owner, courier.clock.now(), HELD_FOR)
        .await?;
    tx.commit().await?;
    Ok(lease.is_some())
}
