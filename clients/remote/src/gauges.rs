//! Calls about gauges and their checks.

use ringtrue_proto::v1::gauge_service_client::GaugeServiceClient;
use ringtrue_proto::v1::{
    CreateGaugeRequest, CreateGaugeResponse, GetGaugeRequest, GetGaugeResponse,
    ListGaugeChecksRequest, ListGaugeChecksResponse, ListGaugesRequest, ListGaugesResponse,
    RecordGaugeCheckRequest, RecordGaugeCheckResponse, UpdateGaugeRequest, UpdateGaugeResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Adds a gauge to a site.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_gauge(&self, mut ask: CreateGaugeRequest) -> Outcome<CreateGaugeResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_gauge(request)
                .await
        })
        .await
    }

    /// Gives one gauge.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn gauge(&self, ask: GetGaugeRequest) -> Outcome<GetGaugeResponse> {
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_gauge(request)
                .await
        })
        .await
    }

    /// Lists the gauges of a site.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn gauges(&self, ask: ListGaugesRequest) -> Outcome<ListGaugesResponse> {
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_gauges(request)
                .await
        })
        .await
    }

    /// Changes a gauge's description.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn update_gauge(&self, mut ask: UpdateGaugeRequest) -> Outcome<UpdateGaugeResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .update_gauge(request)
                .await
        })
        .await
    }

    /// Records a check on a reference block.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn record_gauge_check(
        &self,
        mut ask: RecordGaugeCheckRequest,
    ) -> Outcome<RecordGaugeCheckResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .record_gauge_check(request)
                .await
        })
        .await
    }

    /// Lists a gauge's checks, latest first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn gauge_checks(
        &self,
        ask: ListGaugeChecksRequest,
    ) -> Outcome<ListGaugeChecksResponse> {
        self.call(ask, |channel, request| async move {
            GaugeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_gauge_checks(request)
                .await
        })
        .await
    }
}
