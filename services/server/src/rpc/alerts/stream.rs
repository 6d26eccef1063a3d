//! The stream of alert changes: replay after a cursor, then live, with a heartbeat.
//!
//! Listening begins before the replay, so that nothing falls between them; what both bring is sent once. A
//! stream holds no buffer of its own: it is polled when the transport has room, and one that is polled too
//! seldom falls off the shared ring and is ended with an error that says how to go on.

use std::collections::VecDeque;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use futures::Stream;
use futures::stream::unfold;
use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{LoggedChange, NamedAlert, Store};
use tokio::sync::broadcast::error::RecvError;
use tonic::Status;

use super::super::caller::Asking;
use super::super::fields::{choice, found, settled, site_or_all, timestamp};
use super::super::sites;
use super::super::status::{fell_behind, status};
use super::{change_message, level_of, message};
use crate::alert_feed::Listening;
use crate::app::{App, Error};

/// How often a quiet stream says that it is alive; the protocol promises 30 s.
const HEARTBEAT: Duration = Duration::from_secs(20);

/// Changes read at once while replaying.
const READ_AT_ONCE: u32 = 500;

/// What the call gives.
pub(super) type Changes =
    Pin<Box<dyn Stream<Item = Result<v1::WatchAlertsResponse, Status>> + Send>>;

/// Begins a stream.
pub(super) async fn begun(
    app: &App,
    asking: &Asking,
    asked: v1::WatchAlertsRequest,
) -> Result<Changes, Error> {
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let after = cursor("after", &asked.after, &mut violations);
    let level = choice("level", asked.level, &mut violations).and_then(level_of);
    settled(Some(()), violations)?;
    let scope = match &site {
        Some(site) => asking.site(site)?,
        None => asking.network()?,
    };
    let read = app.store.read(&scope);
    if let Some(site) = &site {
        found(read.site(site).await?, sites::KIND, site.name())?;
    }
    let listening = app.alerts.listen().await?;
    let wanted = Wanted { site, level };
    let mut waiting = VecDeque::new();
    let sent = if let Some(after) = after {
        if after > read.last_alert_change().await? {
            let mut violations = Violations::default();
            violations.add("after", "NOT_A_CURSOR", NOT_OURS);
            return Err(Error::Invalid(violations));
        }
        after
    } else {
        let (sent, standing) = read.alert_snapshot(wanted.site.as_ref()).await?;
        for alert in standing {
            if wanted.level.is_none_or(|level| alert.alert.level >= level) {
                waiting.push_back(present(&alert));
            }
        }
        // Only what was sent whole may be gone on from.
        waiting.push_back(heartbeat(sent));
        sent
    };
    let watching = Watching {
        store: app.store.clone(),
        scope,
        wanted,
        listening,
        waiting,
        sent,
        replayed: false,
        ended: false,
    };
    Ok(Box::pin(unfold(watching, |mut watching| async move {
        let next = watching.next().await?;
        Some((next, watching))
    })))
}

/// What a stream wants to hear of.
struct Wanted {
    site: Option<SiteId>,
    level: Option<Level>,
}

struct Watching {
    store: Store,
    scope: Scope,
    wanted: Wanted,
    listening: Listening,
    waiting: VecDeque<v1::WatchAlertsResponse>,
    /// The last change that was sent or passed over.
    sent: i64,
    replayed: bool,
    ended: bool,
}

impl Watching {
    async fn next(&mut self) -> Option<Result<v1::WatchAlertsResponse, Status>> {
        loop {
            if let Some(response) = self.waiting.pop_front() {
                if self.waiting.is_empty() {
                    // A long beginning leaves no room behind that an idle stream would keep.
                    self.waiting = VecDeque::new();
                }
                return Some(Ok(response));
            }
            if self.ended {
                return None;
            }
            if !self.replayed {
                // Boxed: an idle stream does not carry the room that reading the log takes.
                if let Err(fault) = Box::pin(self.replay()).await {
                    self.ended = true;
                    return Some(Err(status(fault)));
                }
                continue;
            }
            let heard = tokio::time::timeout(HEARTBEAT, self.listening.changes.recv()).await;
            match heard {
                Err(_) => return Some(Ok(heartbeat(self.sent))),
                Ok(Ok(change)) => self.heard(&change),
                Ok(Err(RecvError::Lagged(_))) => {
                    self.ended = true;
                    return Some(Err(fell_behind(&written(self.sent))));
                }
                Ok(Err(RecvError::Closed)) => return None,
            }
        }
    }

    /// Reads on in the log until its present end.
    async fn replay(&mut self) -> Result<(), Error> {
        let read = self.store.read(&self.scope);
        let changes = read.alert_changes(self.sent, READ_AT_ONCE).await?;
        self.replayed = changes.len() < READ_AT_ONCE as usize;
        for change in changes {
            self.heard(&Arc::new(change));
        }
        Ok(())
    }

    fn heard(&mut self, change: &Arc<LoggedChange>) {
        if change.seq <= self.sent {
            return;
        }
        self.sent = change.seq;
        if self.wants(change) {
            self.waiting.push_back(response(change));
        }
    }

    fn wants(&self, change: &LoggedChange) -> bool {
        let alert = &change.alert.alert;
        let at_place = match (&self.wanted.site, &alert.site) {
            (Some(wanted), site) => site.as_ref() == Some(wanted),
            (None, Some(site)) => self.scope.reaches(site),
            (None, None) => alert.kind.is_everybodys() || self.scope.sites().is_none(),
        };
        at_place && self.wanted.level.is_none_or(|level| alert.level >= level)
    }
}

fn response(change: &LoggedChange) -> v1::WatchAlertsResponse {
    let cursor = written(change.seq);
    v1::WatchAlertsResponse {
        change: Some(v1::AlertChange {
            cursor: cursor.clone(),
            kind: change_message(change.kind).into(),
            alert: Some(message(&change.alert)),
            change_time: Some(timestamp(change.at)),
        }),
        cursor,
    }
}

fn present(alert: &NamedAlert) -> v1::WatchAlertsResponse {
    v1::WatchAlertsResponse {
        change: Some(v1::AlertChange {
            cursor: String::new(),
            kind: v1::AlertChangeKind::Present.into(),
            alert: Some(message(alert)),
            change_time: Some(timestamp(alert.alert.updated_at)),
        }),
        cursor: String::new(),
    }
}

fn heartbeat(sent: i64) -> v1::WatchAlertsResponse {
    v1::WatchAlertsResponse {
        change: None,
        cursor: written(sent),
    }
}

/// A cursor as callers see it: opaque, and not mistaken for a number of anything else.
fn written(seq: i64) -> String {
    format!("a{seq:x}")
}

const NOT_OURS: &str = "is not a cursor of this server; send the last one that it gave, or leave it out to \
                        begin with the alerts that stand open";

fn cursor(field: &str, text: &str, violations: &mut Violations) -> Option<i64> {
    if text.is_empty() {
        return None;
    }
    let seq = text
        .strip_prefix('a')
        .filter(|hex| hex.len() <= 15 && hex.bytes().all(|b| b.is_ascii_hexdigit()))
        .and_then(|hex| i64::from_str_radix(hex, 16).ok());
    if seq.is_none() {
        violations.add(field, "NOT_A_CURSOR", NOT_OURS);
    }
    seq
}
