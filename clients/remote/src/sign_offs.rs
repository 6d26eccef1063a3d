//! Calls about signatures of a second person.

use ringtrue_proto::v1::sign_off_service_client::SignOffServiceClient;
use ringtrue_proto::v1::{
    ListAwaitedSignOffsRequest, ListAwaitedSignOffsResponse, ListSignOffsRequest,
    ListSignOffsResponse, SetSigningPhraseRequest, SetSigningPhraseResponse, SignOffRequest,
    SignOffResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Signs a reading or an adjustment with this client's own credential, which has to be a person's.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn sign_off(&self, mut ask: SignOffRequest) -> Outcome<SignOffResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            SignOffServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .sign_off(request)
                .await
        })
        .await
    }

    /// Lists the signatures of a site or a record, newest first, a page at a time.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn sign_offs(&self, ask: ListSignOffsRequest) -> Outcome<ListSignOffsResponse> {
        self.call(ask, |channel, request| async move {
            SignOffServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_sign_offs(request)
                .await
        })
        .await
    }

    /// Lists what waits for a signature at a site, oldest first.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn awaited_sign_offs(
        &self,
        ask: ListAwaitedSignOffsRequest,
    ) -> Outcome<ListAwaitedSignOffsResponse> {
        self.call(ask, |channel, request| async move {
            SignOffServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_awaited_sign_offs(request)
                .await
        })
        .await
    }

    /// Sets the phrase that the person of this client's credential signs with. Setting the same one again changes
    /// nothing, so a repeat does no harm.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn set_signing_phrase(
        &self,
        ask: SetSigningPhraseRequest,
    ) -> Outcome<SetSigningPhraseResponse> {
        self.call(ask, |channel, request| async move {
            SignOffServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .set_signing_phrase(request)
                .await
        })
        .await
    }
}
