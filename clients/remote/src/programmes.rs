//! Calls about firing programmes.

use ringtrue_proto::v1::programme_service_client::ProgrammeServiceClient;
use ringtrue_proto::v1::{
    CreateProgrammeRequest, CreateProgrammeResponse, GetProgrammeRequest, GetProgrammeResponse,
    ListProgrammesRequest, ListProgrammesResponse, UpdateProgrammeRequest, UpdateProgrammeResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Adds a programme to a furnace.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_programme(
        &self,
        mut ask: CreateProgrammeRequest,
    ) -> Outcome<CreateProgrammeResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ProgrammeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_programme(request)
                .await
        })
        .await
    }

    /// Gives one programme.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn programme(&self, ask: GetProgrammeRequest) -> Outcome<GetProgrammeResponse> {
        self.call(ask, |channel, request| async move {
            ProgrammeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_programme(request)
                .await
        })
        .await
    }

    /// Lists the programmes of a furnace, or of a site's furnaces with `sites/{site}/furnaces/-`.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn programmes(&self, ask: ListProgrammesRequest) -> Outcome<ListProgrammesResponse> {
        self.call(ask, |channel, request| async move {
            ProgrammeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_programmes(request)
                .await
        })
        .await
    }

    /// Changes a programme.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn update_programme(
        &self,
        mut ask: UpdateProgrammeRequest,
    ) -> Outcome<UpdateProgrammeResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ProgrammeServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .update_programme(request)
                .await
        })
        .await
    }
}
