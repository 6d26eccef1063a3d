//! Calls about webhooks.

use ringtrue_proto::v1::webhook_service_client::WebhookServiceClient;
use ringtrue_proto::v1::{
    CreateWebhookRequest, CreateWebhookResponse, DeleteWebhookRequest, DeleteWebhookResponse,
    GetWebhookRequest, GetWebhookResponse, ListWebhookDeliveriesRequest,
    ListWebhookDeliveriesResponse, ListWebhooksRequest, ListWebhooksResponse,
    ReplayDeliveriesRequest, ReplayDeliveriesResponse, RotateWebhookSecretRequest,
    RotateWebhookSecretResponse, TestWebhookRequest, TestWebhookResponse, UpdateWebhookRequest,
    UpdateWebhookResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Makes a webhook.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_webhook(
        &self,
        mut ask: CreateWebhookRequest,
    ) -> Outcome<CreateWebhookResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_webhook(request)
                .await
        })
        .await
    }

    /// Gives one webhook.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn webhook(&self, ask: GetWebhookRequest) -> Outcome<GetWebhookResponse> {
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_webhook(request)
                .await
        })
        .await
    }

    /// Lists webhooks, without their secrets.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn webhooks(&self, ask: ListWebhooksRequest) -> Outcome<ListWebhooksResponse> {
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_webhooks(request)
                .await
        })
        .await
    }

    /// Changes a webhook.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn update_webhook(
        &self,
        mut ask: UpdateWebhookRequest,
    ) -> Outcome<UpdateWebhookResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .update_webhook(request)
                .await
        })
        .await
    }

    /// Ends a webhook.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn delete_webhook(
        &self,
        mut ask: DeleteWebhookRequest,
    ) -> Outcome<DeleteWebhookResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .delete_webhook(request)
                .await
        })
        .await
    }

    /// Gives a webhook a new secret.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn rotate_webhook_secret(
        &self,
        mut ask: RotateWebhookSecretRequest,
    ) -> Outcome<RotateWebhookSecretResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .rotate_webhook_secret(request)
                .await
        })
        .await
    }

    /// Sends a webhook an event that says nothing, and gives what came back.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn test_webhook(&self, ask: TestWebhookRequest) -> Outcome<TestWebhookResponse> {
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .test_webhook(request)
                .await
        })
        .await
    }

    /// Lists what was sent to a webhook, waits or was given up.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn webhook_deliveries(
        &self,
        ask: ListWebhookDeliveriesRequest,
    ) -> Outcome<ListWebhookDeliveriesResponse> {
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_webhook_deliveries(request)
                .await
        })
        .await
    }

    /// Sends events again.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn replay_deliveries(
        &self,
        mut ask: ReplayDeliveriesRequest,
    ) -> Outcome<ReplayDeliveriesResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            WebhookServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .replay_deliveries(request)
                .await
        })
        .await
    }
}
