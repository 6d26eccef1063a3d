//! Calls about deliveries: mail and calendar feeds.

use ringtrue_proto::v1::delivery_service_client::DeliveryServiceClient;
use ringtrue_proto::v1::{
    CreateCalendarFeedRequest, CreateCalendarFeedResponse, CreateMailSubscriptionRequest,
    CreateMailSubscriptionResponse, DeleteCalendarFeedRequest, DeleteCalendarFeedResponse,
    DeleteMailSubscriptionRequest, DeleteMailSubscriptionResponse, ListCalendarFeedsRequest,
    ListCalendarFeedsResponse, ListMailSubscriptionsRequest, ListMailSubscriptionsResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Subscribes an address to mail about alerts.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_mail_subscription(
        &self,
        mut ask: CreateMailSubscriptionRequest,
    ) -> Outcome<CreateMailSubscriptionResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_mail_subscription(request)
                .await
        })
        .await
    }

    /// Lists subscriptions to mail.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn mail_subscriptions(
        &self,
        ask: ListMailSubscriptionsRequest,
    ) -> Outcome<ListMailSubscriptionsResponse> {
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_mail_subscriptions(request)
                .await
        })
        .await
    }

    /// Ends a subscription to mail at once.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn delete_mail_subscription(
        &self,
        mut ask: DeleteMailSubscriptionRequest,
    ) -> Outcome<DeleteMailSubscriptionResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .delete_mail_subscription(request)
                .await
        })
        .await
    }

    /// Makes a secret address under which a calendar program reads what is due.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_calendar_feed(
        &self,
        mut ask: CreateCalendarFeedRequest,
    ) -> Outcome<CreateCalendarFeedResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_calendar_feed(request)
                .await
        })
        .await
    }

    /// Lists calendar feeds, without their secret addresses.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn calendar_feeds(
        &self,
        ask: ListCalendarFeedsRequest,
    ) -> Outcome<ListCalendarFeedsResponse> {
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_calendar_feeds(request)
                .await
        })
        .await
    }

    /// Revokes a calendar feed.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn delete_calendar_feed(
        &self,
        mut ask: DeleteCalendarFeedRequest,
    ) -> Outcome<DeleteCalendarFeedResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            DeliveryServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .delete_calendar_feed(request)
                .await
        })
        .await
    }
}
