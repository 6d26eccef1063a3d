//! Makes mail of what changed about alerts, and sends what waits.
//!
//! Nobody gets two mails of one cause: the store keeps one row for each recipient and topic. A mail is on the
//! disk before it is sent, and sent at least once: when the server ends between sending and noting it, the same
//! mail goes again under the same id. One process does it at a time, under a lease.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use futures::StreamExt as _;
use jiff::civil::{Date, Time};
use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::alert::{AlertState, Stage};
use ringtrue_fleet::calendar::Calendar;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::delivery::MailMode;
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_store::{LoggedChange, Mail, NamedAlert, Over, Read, Serving, Store, WaitingMail};
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::Error;
use crate::clock::Clock;
use crate::ids::Ids;
use crate::mail::{
    Ending, Envelope, Mailer, Unsent, address, digest, is_digest_due, is_news, letter, message,
    message_id, next_attempt,
};

/// The piece of work, as its lease and its record name it.
pub const MAIL_WORK: &str = "mail";

/// Changes read at once.
const CHANGES_AT_ONCE: u32 = 500;

/// Mails taken up in one run.
const MAILS_AT_ONCE: u32 = 32;

/// Mails sent at the same time.
const SENT_AT_ONCE: u32 = 4;

/// How long a mail may wait before its recipient's mail counts as failing.
const PASSING: SignedDuration = SignedDuration::from_hours(1);

/// When the network's digest is made, UTC.
const NETWORK_MORNING: Time = Time::constant(7, 0, 0, 0);

/// How long everything but sending may take before another process may begin.
const HELD_FOR: SignedDuration = SignedDuration::from_mins(2);

/// What a run did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Served {
    /// Mails made.
    pub made: u64,
    /// Mails that left.
    pub sent: u64,
    /// Mails that will be tried again.
    pub put_off: u64,
    /// Mails that will not be tried again.
    pub given_up: u64,
    /// Mails whose alerts were closed before they left.
    pub not_needed: u64,
    /// Mails that may go now and still wait.
    pub backlog: u64,
}

impl Served {
    /// Whether nothing was made and nothing left, or failed to.
    pub fn is_idle(&self) -> bool {
        *self
            == Self {
                backlog: self.backlog,
                ..Self::default()
            }
    }
}

/// What became of one mail.
enum Fate {
    Sent,
    PutOff,
    GivenUp,
    NotNeeded,
}

/// The number of the last change of an alert, and how many mails may go now: while both stay, only time can
/// make mail due.
pub async fn mail_wanted(store: &Store, now: Timestamp) -> Result<(i64, i64), Error> {
    let read = store.read(&Scope::for_work(MAIL_WORK));
    let (waiting, _) = read.mail_backlog(now).await?;
    Ok((read.last_alert_change().await?, waiting))
}

/// Makes what mail is due and sends what waits, unless another process is at it. No further mail is begun once
/// `drain` is cancelled.
pub async fn serve_mail(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    mailer: &Mailer,
    owner: &str,
    drain: &CancellationToken,
) -> Result<Option<Served>, Error> {
    let scope = Scope::for_work(MAIL_WORK);
    let mut tx = store.begin_over(MAIL_WORK, &scope, Over::Nothing).await?;
    let held_for = HELD_FOR.saturating_add(longest_sending(mailer));
    let lease = tx
        .take_lease(MAIL_WORK, owner, clock.now(), held_for)
        .await?;
    tx.commit().await?;
    let Some(lease) = lease else {
        return Ok(None);
    };
    let outcome = async {
        let made = make(store, &scope, mailer, clock.now()).await?;
        let served = send(store, &scope, clock, ids, mailer, drain).await?;
        Ok(Some(Served { made, ..served }))
    }
    .await;
    let mut tx = store.begin_over(MAIL_WORK, &scope, Over::Nothing).await?;
    tx.release_lease(&lease).await?;
    tx.commit().await?;
    outcome
}

fn longest_sending(mailer: &Mailer) -> SignedDuration {
    let rounds = MAILS_AT_ONCE.div_ceil(SENT_AT_ONCE);
    let longest = mailer.timeout().saturating_mul(rounds);
    SignedDuration::try_from(longest.min(Duration::from_hours(24))).unwrap_or(SignedDuration::ZERO)
}

/// Makes mail of all changes since the last run; gives how many were made.
async fn make(store: &Store, scope: &Scope, mailer: &Mailer, now: Timestamp) -> Result<u64, Error> {
    let mut tx = store.begin_over(MAIL_WORK, scope, Over::Nothing).await?;
    let serving = tx.subscriptions_to_serve().await?;
    tx.roll_back().await?;
    let read = store.read(scope);
    let last = read.last_alert_change().await?;
    let (immediate, digests): (Vec<Serving>, Vec<Serving>) = serving
        .into_iter()
        .partition(|serving| serving.subscription.mode == MailMode::Immediate);
    let digests = due_digests(&read, digests, now).await?;
    let behind: Vec<Serving> = immediate
        .into_iter()
        .filter(|serving| serving.after_seq < last)
        .collect();
    let mut after = behind
        .iter()
        .chain(digests.iter().map(|(serving, _)| serving))
        .map(|serving| serving.after_seq)
        .min()
        .unwrap_or(last);
    let mut made = 0;
    let mut news = vec![BTreeSet::new(); digests.len()];
    while after < last {
        let changes = read.alert_changes(after, CHANGES_AT_ONCE).await?;
        let Some(seen) = changes.last().map(|change| change.seq) else {
            break;
        };
        for ((serving, _), news) in digests.iter().zip(&mut news) {
            news.extend(told(&changes, serving).map(|change| change.alert.alert.id.clone()));
        }
        let mut mails = Vec::new();
        let mut tx = store.begin_over(MAIL_WORK, scope, Over::Nothing).await?;
        for serving in &behind {
            for change in told(&changes, serving) {
                let id = &change.alert.alert.id;
                let document = json!({ "alerts": [id.as_str()] });
                mails.push(mail(serving, id.as_str(), &document, mailer, now));
            }
            if serving.after_seq < seen {
                tx.served(&serving.subscription.key.subscription, seen, None)
                    .await?;
            }
        }
        made += tx.insert_mail(&mails).await?;
        tx.commit().await?;
        after = seen;
    }
    for ((serving, day), news) in digests.iter().zip(&news) {
        let ids = digested(&read, serving, news).await?;
        let mut mails = Vec::new();
        if !ids.is_empty() {
            let ids: Vec<&str> = ids.iter().map(AlertId::as_str).collect();
            let document = json!({ "digest": true, "alerts": ids });
            mails.push(mail(serving, &day.to_string(), &document, mailer, now));
        }
        let seen = serving.after_seq.max(last.min(after));
        let mut tx = store.begin_over(MAIL_WORK, scope, Over::Nothing).await?;
        made += tx.insert_mail(&mails).await?;
        tx.served(&serving.subscription.key.subscription, seen, Some(now))
            .await?;
        tx.commit().await?;
    }
    Ok(made)
}

/// The changes that a recipient is to be told of, those made before mail for them began left out.
fn told<'c>(
    changes: &'c [LoggedChange],
    serving: &'c Serving,
) -> impl Iterator<Item = &'c LoggedChange> {
    changes
        .iter()
        .filter(|change| change.seq > serving.after_seq && is_news(change, &serving.subscription))
}

/// Those recipients of digests whose morning has come, with the local day.
async fn due_digests(
    read: &Read,
    digests: Vec<Serving>,
    now: Timestamp,
) -> Result<Vec<(Serving, Date)>, Error> {
    let mut calendars: BTreeMap<SiteId, (Calendar, Time)> = BTreeMap::new();
    let network = (Calendar::of_network(), NETWORK_MORNING);
    let mut due = Vec::new();
    for serving in digests {
        let (calendar, morning) = match &serving.subscription.key.site {
            None => &network,
            Some(site) => {
                if !calendars.contains_key(site) {
                    let Some(found) = read.site(site).await? else {
                        continue;
                    };
                    let details = &found.details;
                    let calendar = (Calendar::of(details), details.quiet_until);
                    calendars.insert(site.clone(), calendar);
                }
                &calendars[site]
            }
        };
        let last = serving
            .digested_at
            .unwrap_or(serving.subscription.created_at);
        if is_digest_due(calendar, *morning, last, now) {
            let day = calendar.day_of(now);
            due.push((serving, day));
        }
    }
    Ok(due)
}

/// The ids of what a digest tells: what is new, and what is late and does not rest.
async fn digested(
    read: &Read,
    serving: &Serving,
    news: &BTreeSet<AlertId>,
) -> Result<Vec<AlertId>, Error> {
    let subscription = &serving.subscription;
    let (_, standing) = read.alert_snapshot(subscription.key.site.as_ref()).await?;
    let mut ids = Vec::new();
    for NamedAlert { alert, .. } in standing {
        let is_late = alert.stage >= Stage::Overdue && alert.state != AlertState::Snoozed;
        if alert.level >= subscription.level && (is_late || news.contains(&alert.id)) {
            ids.push(alert.id);
        }
    }
    Ok(ids)
}

fn mail(serving: &Serving, topic: &str, document: &Value, mailer: &Mailer, now: Timestamp) -> Mail {
    let id = &serving.subscription.key.subscription;
    Mail {
        subscription: id.clone(),
        topic: topic.to_owned(),
        message_id: message_id(id, topic, &mailer.from),
        next_at: now,
        made_at: now,
        changes_json: document.to_string(),
    }
}

/// Sends what may go now, some at the same time.
async fn send(
    store: &Store,
    scope: &Scope,
    clock: &Clock,
    ids: &Ids,
    mailer: &Mailer,
    drain: &CancellationToken,
) -> Result<Served, Error> {
    let read = store.read(scope);
    let waiting = read.mail_waiting(clock.now(), MAILS_AT_ONCE).await?;
    let mut fates = std::pin::pin!(
        futures::stream::iter(waiting)
            .take_until(drain.cancelled())
            .map(|mail| send_one(store, scope, clock, ids, mailer, mail))
            .buffer_unordered(SENT_AT_ONCE as usize)
    );
    let mut served = Served::default();
    let mut fault = None;
    // A fault of the store about one mail must not drop the others in the middle of being sent.
    while let Some(fate) = fates.next().await {
        match fate {
            Ok(Fate::Sent) => served.sent += 1,
            Ok(Fate::PutOff) => served.put_off += 1,
            Ok(Fate::GivenUp) => served.given_up += 1,
            Ok(Fate::NotNeeded) => served.not_needed += 1,
            Err(found) => fault = Some(found),
        }
    }
    if let Some(fault) = fault {
        return Err(fault);
    }
    let (backlog, _) = read.mail_backlog(clock.now()).await?;
    served.backlog = u64::try_from(backlog).unwrap_or(0);
    Ok(served)
}

async fn send_one(
    store: &Store,
    scope: &Scope,
    clock: &Clock,
    ids: &Ids,
    mailer: &Mailer,
    waiting: WaitingMail,
) -> Result<Fate, Error> {
    let id = &waiting.subscription.key.subscription;
    let outcome = match written(&store.read(scope), mailer, &waiting, clock.now()).await? {
        None => {
            let mut tx = store.begin_over(MAIL_WORK, scope, Over::Nothing).await?;
            tx.mail_dropped(id, &waiting.topic).await?;
            tx.commit().await?;
            return Ok(Fate::NotNeeded);
        }
        Some(Ok(message)) => mailer.send(message).await,
        Some(Err(words)) => Err(Unsent::Never(words)),
    };
    let now = clock.now();
    let mut tx = store.begin_over(MAIL_WORK, scope, Over::Nothing).await?;
    let fate = match outcome {
        Ok(()) => {
            tx.mail_sent(id, &waiting.topic, now).await?;
            Fate::Sent
        }
        Err(unsent) => {
            let (said, next_at) = match unsent {
                Unsent::Never(said) => (said, None),
                Unsent::Later(said) => {
                    let next = next_attempt(waiting.attempts, waiting.made_at, now, ids.share());
                    (said, next)
                }
            };
            tracing::warn!(
                subscription = %id,
                attempts = waiting.attempts + 1,
                given_up = next_at.is_none(),
                cause = said,
                "a mail did not leave"
            );
            // A server that puts strangers off once, or restarts, is no news yet.
            let fails = next_at.is_none() || now.duration_since(waiting.made_at) >= PASSING;
            let since = fails.then_some(waiting.made_at);
            tx.mail_failed(id, &waiting.topic, &said, next_at, since)
                .await?;
            if next_at.is_some() {
                Fate::PutOff
            } else {
                Fate::GivenUp
            }
        }
    };
    tx.commit().await?;
    Ok(fate)
}

/// The mail with the alerts as they are now, or why it cannot be written; none when all of them are closed, or
/// the recipient wants none any more.
async fn written(
    read: &Read,
    mailer: &Mailer,
    waiting: &WaitingMail,
    now: Timestamp,
) -> Result<Option<Result<lettre::Message, String>>, Error> {
    let subscription = &waiting.subscription;
    if subscription.unsubscribed {
        return Ok(None);
    }
    let document: Value = serde_json::from_str(&waiting.document).unwrap_or_default();
    let mut open: Vec<NamedAlert> = Vec::new();
    for id in document["alerts"].as_array().into_iter().flatten() {
        if let Some(Ok(id)) = id.as_str().map(AlertId::new)
            && let Some(found) = read.alert(&id).await?
            && found.alert.state != AlertState::Closed
        {
            open.push(found);
        }
    }
    let Some(first) = open.first() else {
        return Ok(None);
    };
    let url = mailer.unsubscribe_url(&waiting.secret);
    let name = subscription.key.name();
    let ending = url.as_deref().map_or(Ending::Ask(&name), Ending::Link);
    let content = if document["digest"] == Value::Bool(true) {
        digest(&open, ending)
    } else {
        letter(first, ending)
    };
    let to = match address(&subscription.address) {
        Ok(to) => to,
        Err(fault) => return Ok(Some(Err(format!("{} {fault}", subscription.address)))),
    };
    let envelope = Envelope {
        from: &mailer.from,
        to: &to,
        message_id: &waiting.message_id,
        unsubscribe: url.as_deref(),
        now,
    };
    Ok(Some(
        message(&content, &envelope).map_err(|fault| fault.to_string()),
    ))
}
