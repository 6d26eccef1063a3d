//! Calls about furnaces and their events.

use ringtrue_proto::v1::furnace_service_client::FurnaceServiceClient;
use ringtrue_proto::v1::{
    CreateFurnaceRequest, CreateFurnaceResponse, GetFurnaceRequest, GetFurnaceResponse,
    ListFurnaceEventsRequest, ListFurnaceEventsResponse, ListFurnacesRequest, ListFurnacesResponse,
    RecordFurnaceEventRequest, RecordFurnaceEventResponse, UpdateFurnaceRequest,
    UpdateFurnaceResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Adds a furnace to a site.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_furnace(
        &self,
        mut ask: CreateFurnaceRequest,
    ) -> Outcome<CreateFurnaceResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_furnace(request)
                .await
        })
        .await
    }

    /// Gives one furnace.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnace(&self, ask: GetFurnaceRequest) -> Outcome<GetFurnaceResponse> {
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_furnace(request)
                .await
        })
        .await
    }

    /// Lists the furnaces of a site, or of every site the caller may see with `sites/-`.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnaces(&self, ask: ListFurnacesRequest) -> Outcome<ListFurnacesResponse> {
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_furnaces(request)
                .await
        })
        .await
    }

    /// Changes a furnace's description or limits.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn update_furnace(
        &self,
        mut ask: UpdateFurnaceRequest,
    ) -> Outcome<UpdateFurnaceResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .update_furnace(request)
                .await
        })
        .await
    }

    /// Records something that may have moved the furnace's offset.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn record_furnace_event(
        &self,
        mut ask: RecordFurnaceEventRequest,
    ) -> Outcome<RecordFurnaceEventResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .record_furnace_event(request)
                .await
        })
        .await
    }

    /// Lists a furnace's events, latest first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnace_events(
        &self,
        ask: ListFurnaceEventsRequest,
    ) -> Outcome<ListFurnaceEventsResponse> {
        self.call(ask, |channel, request| async move {
            FurnaceServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_furnace_events(request)
                .await
        })
        .await
    }
}
