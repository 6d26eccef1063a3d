//! Calls about care: what is due, what was done, whether a furnace may be used.

use ringtrue_proto::v1::care_service_client::CareServiceClient;
use ringtrue_proto::v1::{
    CheckUseRequest, CheckUseResponse, ListCareActsRequest, ListCareActsResponse,
    ListDueTasksRequest, ListDueTasksResponse, RecordCareActRequest, RecordCareActResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Lists what is due, soonest first, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn due_tasks(&self, ask: ListDueTasksRequest) -> Outcome<ListDueTasksResponse> {
        self.call(ask, |channel, request| async move {
            CareServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_due_tasks(request)
                .await
        })
        .await
    }

    /// Says whether a furnace may be used now, from its records.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn check_use(&self, ask: CheckUseRequest) -> Outcome<CheckUseResponse> {
        self.call(ask, |channel, request| async move {
            CareServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .check_use(request)
                .await
        })
        .await
    }

    /// Records what was done about a task, or what was counted.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn record_care_act(
        &self,
        mut ask: RecordCareActRequest,
    ) -> Outcome<RecordCareActResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            CareServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .record_care_act(request)
                .await
        })
        .await
    }

    /// Lists what was recorded, latest first, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn care_acts(&self, ask: ListCareActsRequest) -> Outcome<ListCareActsResponse> {
        self.call(ask, |channel, request| async move {
            CareServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_care_acts(request)
                .await
        })
        .await
    }
}
