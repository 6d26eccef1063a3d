//! Calls about production firings.

use ringtrue_proto::v1::firing_service_client::FiringServiceClient;
use ringtrue_proto::v1::{
    AmendFiringRequest, AmendFiringResponse, GetFiringRequest, GetFiringResponse,
    ListFiringsRequest, ListFiringsResponse, ReportFiringsRequest, ReportFiringsResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Records production firings, up to 1000 of one site.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when they were refused, or no answer came.
    pub async fn report_firings(
        &self,
        mut ask: ReportFiringsRequest,
    ) -> Outcome<ReportFiringsResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FiringServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .report_firings(request)
                .await
        })
        .await
    }

    /// Gives one firing.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn firing(&self, ask: GetFiringRequest) -> Outcome<GetFiringResponse> {
        self.call(ask, |channel, request| async move {
            FiringServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_firing(request)
                .await
        })
        .await
    }

    /// Lists firings, latest end first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn firings(&self, ask: ListFiringsRequest) -> Outcome<ListFiringsResponse> {
        self.call(ask, |channel, request| async move {
            FiringServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_firings(request)
                .await
        })
        .await
    }

    /// Records a corrected version of a firing.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn amend_firing(&self, mut ask: AmendFiringRequest) -> Outcome<AmendFiringResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            FiringServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .amend_firing(request)
                .await
        })
        .await
    }
}
