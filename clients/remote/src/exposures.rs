//! Calls about exposures: what was fired while a furnace was probably outside tolerance.

use ringtrue_proto::v1::exposure_service_client::ExposureServiceClient;
use ringtrue_proto::v1::{
    AssessExposureRequest, AssessExposureResponse, GetExposureDecisionRequest,
    GetExposureDecisionResponse, ListExposureDecisionsRequest, ListExposureDecisionsResponse,
    RecordExposureDecisionRequest, RecordExposureDecisionResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Estimates how hot the firings of a span truly were.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn assess_exposure(
        &self,
        ask: AssessExposureRequest,
    ) -> Outcome<AssessExposureResponse> {
        self.call(ask, |channel, request| async move {
            ExposureServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .assess_exposure(request)
                .await
        })
        .await
    }

    /// Records what a qualified person decided about exposed cases.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn record_exposure_decision(
        &self,
        mut ask: RecordExposureDecisionRequest,
    ) -> Outcome<RecordExposureDecisionResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ExposureServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .record_exposure_decision(request)
                .await
        })
        .await
    }

    /// Gives one decision.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn exposure_decision(
        &self,
        ask: GetExposureDecisionRequest,
    ) -> Outcome<GetExposureDecisionResponse> {
        self.call(ask, |channel, request| async move {
            ExposureServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_exposure_decision(request)
                .await
        })
        .await
    }

    /// Lists decisions, latest first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn exposure_decisions(
        &self,
        ask: ListExposureDecisionsRequest,
    ) -> Outcome<ListExposureDecisionsResponse> {
        self.call(ask, |channel, request| async move {
            ExposureServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_exposure_decisions(request)
                .await
        })
        .await
    }
}
