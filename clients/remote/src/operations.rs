//! Calls about what the server does in the background.

use ringtrue_proto::v1::operations_service_client::OperationsServiceClient;
use ringtrue_proto::v1::{ListBackgroundWorkRequest, ListBackgroundWorkResponse};

use crate::call::LARGEST_ANSWER_BYTES;
use crate::{Outcome, Remote};

impl Remote {
    /// Lists each piece of background work with its last run.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn background_work(
        &self,
        ask: ListBackgroundWorkRequest,
    ) -> Outcome<ListBackgroundWorkResponse> {
        self.call(ask, |channel, request| async move {
            OperationsServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_background_work(request)
                .await
        })
        .await
    }
}
