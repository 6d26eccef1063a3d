//! Makes deliveries of changes and sends them: each webhook in a round of its own, so that one that is slow, hangs or
//! fails holds up no other.

use std::collections::BTreeSet;
use std::sync::Arc;

use futures::StreamExt as _;
use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::webhook::Webhook;
use ringtrue_fleet::webhook::attempt::{Meaning, next_attempt};
use ringtrue_store::{ChangeFilter, DueEvent, Over, Store};
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

use super::event::Event;
use super::sending::Sender;
use crate::app::Error;
use crate::clock::Clock;
use crate::ids::Ids;

/// The piece of work, as its lease and its record name it.
pub const WEBHOOKS_WORK: &str = "webhooks";

/// Changes read at once.
const READ_AT_ONCE: u32 = 500;

/// Most events that wait for one webhook; the rest stays in the change feed meanwhile.
const MOST_WAITING: i64 = 5_000;

/// Events of one round.
const OF_A_ROUND: u32 = 50;

/// Events of one webhook on their way at once, when it need not keep an order and does not fail.
const SIDE_BY_SIDE: usize = 4;

/// Failures in a row after which a round ends.
const ENOUGH_FAILURES: u32 = 3;

/// Events on their way at once in all.
const MOST_ON_THE_WAY: usize = 256;

/// Sends events to webhooks; clones are the same courier.
#[derive(Debug, Clone)]
pub(crate) struct Courier {
    pub(crate) store: Store,
    pub(crate) clock: Clock,
    pub(crate) ids: Ids,
    pub(crate) sender: Sender,
    /// How this installation is reached; empty when nobody said.
    pub(crate) base: Arc<str>,
    room: Arc<Semaphore>,
}

/// The rounds that are going on.
#[derive(Debug, Default)]
pub(crate) struct Rounds {
    tasks: JoinSet<String>,
    of: BTreeSet<String>,
}

impl Rounds {
    /// Waits until a round ends; for ever when none is going on.
    pub(crate) async fn ended(&mut self) {
        match self.tasks.join_next().await {
            Some(Ok(id)) => {
                self.of.remove(&id);
            }
            // A panic: its webhook rests until the server starts again.
            Some(Err(fault)) => tracing::error!(%fault, "a round of a webhook broke off"),
            None => std::future::pending().await,
        }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.tasks.is_empty()
    }
}

impl Courier {
    pub(crate) fn new(
        store: Store,
        clock: Clock,
        ids: Ids,
        sender: Sender,
        base: Arc<str>,
    ) -> Self {
        Self {
            store,
            clock,
            ids,
            sender,
            base,
            room: Arc::new(Semaphore::new(MOST_ON_THE_WAY)),
        }
    }

    fn scope() -> Scope {
        Scope::for_work(WEBHOOKS_WORK)
    }

    /// Whether there is any webhook to serve.
    pub(crate) async fn is_wanted(&self) -> Result<bool, Error> {
        let read = self.store.read(&Self::scope());
        Ok(!read.webhooks_to_serve().await?.is_empty())
    }

    /// Makes what deliveries are new and begins a round for each webhook that something may be sent to; gives how many
    /// were begun.
    pub(crate) async fn turn(&self, rounds: &mut Rounds) -> Result<usize, Error> {
        let read = self.store.read(&Self::scope());
        let serving = read.webhooks_to_serve().await?;
        let last = read.end_of_changes().await?.number;
        for (webhook, after) in &serving {
            if *after < last {
                self.made(webhook, *after, last).await?;
            }
        }
        let due: BTreeSet<String> = read
            .webhooks_with_due_events(self.clock.now())
            .await?
            .into_iter()
            .collect();
        let mut begun = 0;
        for (webhook, _) in serving {
            let id = webhook.key.webhook.to_string();
            if due.contains(&id) && rounds.of.insert(id.clone()) {
                begun += 1;
                let courier = self.clone();
                rounds.tasks.spawn(async move {
                    if let Err(fault) = courier.round(&webhook).await {
                        tracing::warn!(webhook = id, %fault, "a round of a webhook failed");
                    }
                    id
                });
            }
        }
        Ok(begun)
    }

    /// Makes deliveries of what a webhook wants of the feed.
    async fn made(&self, webhook: &Webhook, mut after: i64, last: i64) -> Result<(), Error> {
        let scope = Self::scope();
        let read = self.store.read(&scope);
        let id = &webhook.key.webhook;
        let filter = ChangeFilter {
            site: None,
            types: webhook.details.types.clone(),
        };
        while after < last && read.waiting_events(id).await? < MOST_WAITING {
            let changes = read.changes(&filter, after, last, READ_AT_ONCE).await?;
            let is_full = changes.len() >= READ_AT_ONCE as usize;
            after = match changes.last() {
                Some(change) if is_full => change.position.number,
                _ => last,
            };
            let wanted: Vec<i64> = changes
                .iter()
                .filter(|change| webhook.wants(change))
                .map(|change| change.position.number)
                .collect();
            let mut tx = self
                .store
                .begin_over(WEBHOOKS_WORK, &scope, Over::Nothing)
                .await?;
            tx.put_deliveries(id, &wanted, after, self.clock.now())
                .await?;
            tx.commit().await?;
        }
        Ok(())
    }

    /// Sends some of what a webhook may be sent now.
    async fn round(&self, webhook: &Webhook) -> Result<(), Error> {
        let read = self.store.read(&Self::scope());
        let details = &webhook.details;
        let due = read
            .due_events(
                &webhook.key.webhook,
                details.is_ordered,
                self.clock.now(),
                OF_A_ROUND,
            )
            .await?;
        if !details.is_ordered && webhook.failing_since.is_none() {
            let mut sent = futures::stream::iter(due)
                .map(|event| self.carried(webhook, event))
                .buffer_unordered(SIDE_BY_SIDE);
            let mut failures = 0;
            while let Some(arrived) = sent.next().await {
                failures = if arrived? { 0 } else { failures + 1 };
                if failures >= ENOUGH_FAILURES {
                    break;
                }
            }
            return Ok(());
        }
        let mut failures = 0;
        for event in due {
            // Another server may have taken over while this one was held up, and be further: its order stands.
            if details.is_ordered && !self.still_waits(webhook, &event).await? {
                break;
            }
            failures = if self.carried(webhook, event).await? {
                0
            } else {
                failures + 1
            };
            let most = if details.is_ordered {
                1
            } else {
                ENOUGH_FAILURES
            };
            if failures >= most {
                break;
            }
        }
        Ok(())
    }

    /// Whether an event is the next one still.
    async fn still_waits(&self, webhook: &Webhook, event: &DueEvent) -> Result<bool, Error> {
        let read = self.store.read(&Self::scope());
        let next = read
            .due_events(&webhook.key.webhook, true, self.clock.now(), 1)
            .await?;
        let next = next.first().map(|next| next.change.position.number);
        Ok(next == Some(event.change.position.number))
    }

    /// Sends one event and notes what came of it; gives whether it arrived.
    async fn carried(&self, webhook: &Webhook, due: DueEvent) -> Result<bool, Error> {
        // The semaphore lives as long as this does.
        let place = Arc::clone(&self.room).acquire_owned().await;
        let event = Event::of(&due.change, &self.base);
        let came = self.sender.send(webhook, &event, self.clock.now()).await;
        drop(place);
        let now = self.clock.now();
        let number = due.change.position.number;
        let scope = Self::scope();
        let mut tx = self
            .store
            .begin_over(WEBHOOKS_WORK, &scope, Over::Nothing)
            .await?;
        match came.meaning {
            Meaning::Arrived => tx.event_arrived(&webhook.key, number, now).await?,
            Meaning::Failed | Meaning::Gone => {
                let next = self.next(&due, now);
                tracing::warn!(
                    webhook = %webhook.key.webhook,
                    attempts = due.attempts + 1,
                    given_up = next.is_none(),
                    cause = came.failure,
                    "an event did not arrive"
                );
                tx.event_failed(&webhook.key, number, &came.failure, now, next)
                    .await?;
                if came.meaning == Meaning::Gone {
                    let because = "the receiver answered 410: it wants no more events";
                    tx.stop_webhook(&webhook.key, because, now).await?;
                }
            }
        }
        tx.commit().await?;
        Ok(came.meaning == Meaning::Arrived)
    }

    fn next(&self, due: &DueEvent, now: Timestamp) -> Option<Timestamp> {
        next_attempt(due.attempts + 1, due.made_at, now, self.ids.share())
    }
}
