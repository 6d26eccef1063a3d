//! Calls about ring batches and their tables.

use ringtrue_proto::v1::ring_batch_service_client::RingBatchServiceClient;
use ringtrue_proto::v1::{
    AddRingTableRequest, AddRingTableResponse, CreateRingBatchRequest, CreateRingBatchResponse,
    GetRingBatchRequest, GetRingBatchResponse, ListRingBatchesRequest, ListRingBatchesResponse,
    SetRingBatchStateRequest, SetRingBatchStateResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Adds a batch with its tables, as numbers or as the text of table files.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_ring_batch(
        &self,
        mut ask: CreateRingBatchRequest,
    ) -> Outcome<CreateRingBatchResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            RingBatchServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_ring_batch(request)
                .await
        })
        .await
    }

    /// Gives one batch with its tables.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn ring_batch(&self, ask: GetRingBatchRequest) -> Outcome<GetRingBatchResponse> {
        self.call(ask, |channel, request| async move {
            RingBatchServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_ring_batch(request)
                .await
        })
        .await
    }

    /// Lists batches, by id, without their table entries.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn ring_batches(
        &self,
        ask: ListRingBatchesRequest,
    ) -> Outcome<ListRingBatchesResponse> {
        self.call(ask, |channel, request| async move {
            RingBatchServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_ring_batches(request)
                .await
        })
        .await
    }

    /// Adds a table for another hold time to a batch.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn add_ring_table(
        &self,
        mut ask: AddRingTableRequest,
    ) -> Outcome<AddRingTableResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            RingBatchServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .add_ring_table(request)
                .await
        })
        .await
    }

    /// Holds, releases or withdraws a batch.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn set_ring_batch_state(
        &self,
        mut ask: SetRingBatchStateRequest,
    ) -> Outcome<SetRingBatchStateResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            RingBatchServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .set_ring_batch_state(request)
                .await
        })
        .await
    }
}
