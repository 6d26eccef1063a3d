//! Calls about alerts. How they are watched is in `watch.rs`.

use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_proto::v1::{
    AcknowledgeAlertRequest, AcknowledgeAlertResponse, GetAlertRequest, GetAlertResponse,
    ListAlertsRequest, ListAlertsResponse, SnoozeAlertRequest, SnoozeAlertResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Gives one alert.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn alert(&self, ask: GetAlertRequest) -> Outcome<GetAlertResponse> {
        self.call(ask, |channel, request| async move {
            AlertServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_alert(request)
                .await
        })
        .await
    }

    /// Lists alerts, the most pressing first, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn alerts(&self, ask: ListAlertsRequest) -> Outcome<ListAlertsResponse> {
        self.call(ask, |channel, request| async move {
            AlertServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_alerts(request)
                .await
        })
        .await
    }

    /// Says that an alert was seen.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn acknowledge_alert(
        &self,
        mut ask: AcknowledgeAlertRequest,
    ) -> Outcome<AcknowledgeAlertResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AlertServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .acknowledge_alert(request)
                .await
        })
        .await
    }

    /// Lets an alert rest for a while.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn snooze_alert(&self, mut ask: SnoozeAlertRequest) -> Outcome<SnoozeAlertResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AlertServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .snooze_alert(request)
                .await
        })
        .await
    }
}
