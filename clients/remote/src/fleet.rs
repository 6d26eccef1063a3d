//! Calls about the fleet: standings, histories, control charts, biases and findings.

use ringtrue_proto::v1::fleet_service_client::FleetServiceClient;
use ringtrue_proto::v1::{
    AcknowledgeFindingRequest, AcknowledgeFindingResponse, GetFindingRequest, GetFindingResponse,
    GetFleetOverviewRequest, GetFleetOverviewResponse, GetFurnaceChartsRequest,
    GetFurnaceChartsResponse, GetFurnaceHistoryRequest, GetFurnaceHistoryResponse,
    ListBatchEffectsRequest, ListBatchEffectsResponse, ListFindingsRequest, ListFindingsResponse,
    ListFurnaceStandingsRequest, ListFurnaceStandingsResponse, ListGaugeEffectsRequest,
    ListGaugeEffectsResponse, ResolveFindingRequest, ResolveFindingResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Gives the network, or one site, in a few figures.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn fleet_overview(
        &self,
        ask: GetFleetOverviewRequest,
    ) -> Outcome<GetFleetOverviewResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_fleet_overview(request)
                .await
        })
        .await
    }

    /// Lists furnaces with their present error, drift and risk, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnace_standings(
        &self,
        ask: ListFurnaceStandingsRequest,
    ) -> Outcome<ListFurnaceStandingsResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_furnace_standings(request)
                .await
        })
        .await
    }

    /// Gives one furnace's offset through time with events, adjustments and outlook.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnace_history(
        &self,
        ask: GetFurnaceHistoryRequest,
    ) -> Outcome<GetFurnaceHistoryResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_furnace_history(request)
                .await
        })
        .await
    }

    /// Gives the control charts of one furnace.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn furnace_charts(
        &self,
        ask: GetFurnaceChartsRequest,
    ) -> Outcome<GetFurnaceChartsResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_furnace_charts(request)
                .await
        })
        .await
    }

    /// Lists what is known of the ring batches' biases, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn batch_effects(
        &self,
        ask: ListBatchEffectsRequest,
    ) -> Outcome<ListBatchEffectsResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_batch_effects(request)
                .await
        })
        .await
    }

    /// Lists what is known of the gauges' biases, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn gauge_effects(
        &self,
        ask: ListGaugeEffectsRequest,
    ) -> Outcome<ListGaugeEffectsResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_gauge_effects(request)
                .await
        })
        .await
    }

    /// Gives one finding.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn finding(&self, ask: GetFindingRequest) -> Outcome<GetFindingResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_finding(request)
                .await
        })
        .await
    }

    /// Lists findings, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn findings(&self, ask: ListFindingsRequest) -> Outcome<ListFindingsResponse> {
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_findings(request)
                .await
        })
        .await
    }

    /// Says that a finding was seen and what is being done.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn acknowledge_finding(
        &self,
        mut ask: AcknowledgeFindingRequest,
    ) -> Outcome<AcknowledgeFindingResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .acknowledge_finding(request)
                .await
        })
        .await
    }

    /// Closes a finding by hand.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn resolve_finding(
        &self,
        mut ask: ResolveFindingRequest,
    ) -> Outcome<ResolveFindingResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FleetServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .resolve_finding(request)
                .await
        })
        .await
    }
}
