//! Calls about readings.

use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_proto::v1::{
    AmendReadingRequest, AmendReadingResponse, GetReadingRequest, GetReadingResponse,
    ListReadingsRequest, ListReadingsResponse, RecordReadingRequest, RecordReadingResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Records a reading and gives its evaluation and advice.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn record_reading(
        &self,
        mut ask: RecordReadingRequest,
    ) -> Outcome<RecordReadingResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ReadingServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .record_reading(request)
                .await
        })
        .await
    }

    /// Gives one reading with its evaluation.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn reading(&self, ask: GetReadingRequest) -> Outcome<GetReadingResponse> {
        self.call(ask, |channel, request| async move {
            ReadingServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_reading(request)
                .await
        })
        .await
    }

    /// Lists readings of a furnace, latest firing first; `sites/{site}/furnaces/-` gives the whole site's.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn readings(&self, ask: ListReadingsRequest) -> Outcome<ListReadingsResponse> {
        self.call(ask, |channel, request| async move {
            ReadingServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_readings(request)
                .await
        })
        .await
    }

    /// Records a corrected version of a reading.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn amend_reading(
        &self,
        mut ask: AmendReadingRequest,
    ) -> Outcome<AmendReadingResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ReadingServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .amend_reading(request)
                .await
        })
        .await
    }
}
