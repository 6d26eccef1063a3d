//! The stream of alert changes.

use std::collections::VecDeque;

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{LoggedChange, NamedAlert, Store};

use super::super::caller::Asking;
use super::super::fields::{choice, found, settled, site_or_all, timestamp};
use super::super::live::{Answers, Followed, stream};
use super::super::sites;
use super::{change_message, level_of, message};
use crate::app::{App, Error};

/// Changes read at once while replaying.
const READ_AT_ONCE: u32 = 500;

/// What the call gives.
pub(super) type Changes = Answers<v1::WatchAlertsResponse>;

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
    let scope = asking.site_or_network(site.as_ref())?;
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
        sent,
    };
    Ok(stream(watching, listening, waiting))
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
    /// The last change that was sent or passed over.
    sent: i64,
}

impl Followed for Watching {
    type Change = LoggedChange;
    type Response = v1::WatchAlertsResponse;

    async fn replayed(
        &mut self,
        waiting: &mut VecDeque<v1::WatchAlertsResponse>,
    ) -> Result<bool, Error> {
        let read = self.store.read(&self.scope);
        let changes = read.alert_changes(self.sent, READ_AT_ONCE).await?;
        waiting.extend(changes.iter().filter_map(|change| self.heard(change)));
        Ok(changes.len() < READ_AT_ONCE as usize)
    }

    fn heard(&mut self, change: &LoggedChange) -> Option<v1::WatchAlertsResponse> {
        if change.seq <= self.sent {
            return None;
        }
        self.sent = change.seq;
        self.wants(change).then(|| response(change))
    }

    fn cursor(&self) -> String {
        written(self.sent)
    }

    fn heartbeat(&self) -> v1::WatchAlertsResponse {
        heartbeat(self.sent)
    }
}

impl Watching {
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
