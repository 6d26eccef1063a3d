//! Alerts as they come. Changes arrive at least once on the wire and are told once here.

use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_proto::v1::{AlertChange, AlertLevel, WatchAlertsRequest, WatchAlertsResponse};

use crate::call::LARGEST_ANSWER_BYTES;
use crate::mending::{Asked, Heard, Lost, Mending, Opening, Pace, Seen};
use crate::{Outcome, Remote};

/// What a stream tells.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// An alert changed.
    Change {
        /// The change, with the alert as it was then.
        change: Box<AlertChange>,
        /// Where to go on after it.
        cursor: String,
    },
    /// Nothing changed, and the server is there.
    Heartbeat {
        /// Where to go on after it.
        cursor: String,
    },
    /// The connection was lost or could not be made; it will be tried again.
    Lost(Lost),
    /// The connection is back; what was missed follows.
    Back,
}

/// Changes of alerts, one after the other, through breaks of the connection.
#[derive(Debug)]
pub struct AlertStream {
    mending: Mending<WatchAlertsRequest>,
    seen: Seen<Mark>,
}

/// What tells a change apart: cursor, alert and kind. Alerts told at the beginning may share a cursor.
type Mark = (String, String, i32);

impl Asked for WatchAlertsRequest {
    type Response = WatchAlertsResponse;

    fn opened(&self, remote: &Remote) -> Opening<WatchAlertsResponse> {
        let request = remote.stamped(self.clone());
        let mut client = AlertServiceClient::new(remote.channel())
            .max_decoding_message_size(LARGEST_ANSWER_BYTES);
        Box::pin(async move { client.watch_alerts(request).await })
    }

    fn after(&self) -> &str {
        &self.after
    }
}

impl Remote {
    /// Watches the alerts of `sites/{site}`, or of `sites/-`, that have reached a level; behind a cursor,
    /// or from the state of all that are not closed when it is empty. Nothing is sent before
    /// [`AlertStream::next`] is awaited.
    pub fn watch_alerts(&self, parent: &str, after: &str, level: AlertLevel) -> AlertStream {
        self.watch_alerts_at(parent, after, level, Pace::default())
    }

    /// The same with another pace.
    pub fn watch_alerts_at(
        &self,
        parent: &str,
        after: &str,
        level: AlertLevel,
        pace: Pace,
    ) -> AlertStream {
        let asked = WatchAlertsRequest {
            parent: parent.to_owned(),
            after: after.to_owned(),
            level: level.into(),
        };
        AlertStream {
            mending: Mending::new(self.clone(), asked, pace),
            seen: Seen::default(),
        }
    }
}

impl AlertStream {
    /// Waits for the next thing to tell. May be dropped while it waits; nothing is lost by that.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when trying again cannot mend it: the request is wrong, its site is not there, or
    /// the caller may not see it.
    pub async fn next(&mut self) -> Outcome<Told> {
        loop {
            match self.mending.next().await? {
                Heard::Message(message) => {
                    if let Some(told) = self.told(message) {
                        return Ok(told);
                    }
                }
                Heard::Lost(lost) => return Ok(Told::Lost(lost)),
                Heard::Back => return Ok(Told::Back),
            }
        }
    }

    /// Where to go on after everything told so far; empty before the first.
    pub fn cursor(&self) -> &str {
        self.mending.asked.after()
    }

    /// Takes a message; none when it repeats what was told.
    fn told(&mut self, heard: WatchAlertsResponse) -> Option<Told> {
        let after = &mut self.mending.asked.after;
        let mut cursor = heard.cursor;
        if cursor.is_empty() {
            cursor.clone_from(after);
        } else {
            after.clone_from(&cursor);
        }
        match heard.change {
            None => Some(Told::Heartbeat { cursor }),
            Some(change) => {
                let is_new = change.cursor.is_empty() || self.seen.takes(mark(&change));
                let change = Box::new(change);
                is_new.then_some(Told::Change { change, cursor })
            }
        }
    }
}

fn mark(change: &AlertChange) -> Mark {
    let alert = change.alert.as_ref().map(|alert| alert.name.clone());
    (
        change.cursor.clone(),
        alert.unwrap_or_default(),
        change.kind,
    )
}
