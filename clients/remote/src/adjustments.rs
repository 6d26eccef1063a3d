//! Calls about adjustments.

use ringtrue_proto::v1::adjustment_service_client::AdjustmentServiceClient;
use ringtrue_proto::v1::{
    ConfirmAdjustmentRequest, ConfirmAdjustmentResponse, GetAdjustmentRequest,
    GetAdjustmentResponse, ListAdjustmentsRequest, ListAdjustmentsResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Records the setpoint as left, read back from the controller's panel.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn confirm_adjustment(
        &self,
        mut ask: ConfirmAdjustmentRequest,
    ) -> Outcome<ConfirmAdjustmentResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AdjustmentServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .confirm_adjustment(request)
                .await
        })
        .await
    }

    /// Gives one adjustment.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn adjustment(&self, ask: GetAdjustmentRequest) -> Outcome<GetAdjustmentResponse> {
        self.call(ask, |channel, request| async move {
            AdjustmentServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_adjustment(request)
                .await
        })
        .await
    }

    /// Lists a furnace's adjustments, latest first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn adjustments(
        &self,
        ask: ListAdjustmentsRequest,
    ) -> Outcome<ListAdjustmentsResponse> {
        self.call(ask, |channel, request| async move {
            AdjustmentServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_adjustments(request)
                .await
        })
        .await
    }
}
