//! The change feed: pages of it, and changes as they come.

use ringtrue_proto::v1::change_service_client::ChangeServiceClient;
use ringtrue_proto::v1::{
    Change, ListChangesRequest, ListChangesResponse, WatchChangesRequest, WatchChangesResponse,
};

use crate::call::LARGEST_ANSWER_BYTES;
use crate::mending::{Asked, Heard, Lost, Mending, Opening, Pace, Seen};
use crate::{Outcome, Remote};

/// What a stream of changes tells.
#[derive(Debug, Clone, PartialEq)]
pub enum Followed {
    /// Something changed; where to go on after it is in the change.
    Change(Box<Change>),
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

/// Changes, one after the other, through breaks of the connection. Each is told once here, although it may arrive
/// twice.
#[derive(Debug)]
pub struct ChangeStream {
    mending: Mending<WatchChangesRequest>,
    seen: Seen<String>,
}

impl Asked for WatchChangesRequest {
    type Response = WatchChangesResponse;

    fn opened(&self, remote: &Remote) -> Opening<WatchChangesResponse> {
        let request = remote.stamped(self.clone());
        let mut client = ChangeServiceClient::new(remote.channel())
            .max_decoding_message_size(LARGEST_ANSWER_BYTES);
        Box::pin(async move { client.watch_changes(request).await })
    }

    fn after(&self) -> &str {
        &self.after
    }
}

impl Remote {
    /// Lists changes after a cursor, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn changes(&self, ask: ListChangesRequest) -> Outcome<ListChangesResponse> {
        self.call(ask, |channel, request| async move {
            ChangeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_changes(request)
                .await
        })
        .await
    }

    /// Watches changes. Nothing is sent before [`ChangeStream::next`] is awaited.
    pub fn watch_changes(&self, ask: WatchChangesRequest) -> ChangeStream {
        self.watch_changes_at(ask, Pace::default())
    }

    /// The same with another pace.
    pub fn watch_changes_at(&self, ask: WatchChangesRequest, pace: Pace) -> ChangeStream {
        ChangeStream {
            mending: Mending::new(self.clone(), ask, pace),
            seen: Seen::default(),
        }
    }
}

impl ChangeStream {
    /// Waits for the next thing to tell. May be dropped while it waits; nothing is lost by that.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when trying again cannot mend it: the request is wrong, its cursor is too old, or
    /// the caller may not see it.
    pub async fn next(&mut self) -> Outcome<Followed> {
        loop {
            let message = match self.mending.next().await? {
                Heard::Message(message) => message,
                Heard::Lost(lost) => return Ok(Followed::Lost(lost)),
                Heard::Back => return Ok(Followed::Back),
            };
            self.mending.asked.after.clone_from(&message.cursor);
            let Some(change) = message.change else {
                let cursor = message.cursor;
                return Ok(Followed::Heartbeat { cursor });
            };
            if self.seen.takes(change.cursor.clone()) {
                return Ok(Followed::Change(Box::new(change)));
            }
        }
    }

    /// Where to go on after everything told so far.
    pub fn cursor(&self) -> &str {
        self.mending.asked.after()
    }
}
