//! Calls about access: who the caller is, enrolments, credentials, groups of sites.

use ringtrue_proto::v1::access_service_client::AccessServiceClient;
use ringtrue_proto::v1::{
    CreateCredentialRequest, CreateCredentialResponse, CreateEnrolmentRequest,
    CreateEnrolmentResponse, EnrolRequest, EnrolResponse, GetCredentialRequest,
    GetCredentialResponse, ListCredentialsRequest, ListCredentialsResponse, ListEnrolmentsRequest,
    ListEnrolmentsResponse, ListSiteGroupsRequest, ListSiteGroupsResponse, RemoveSiteGroupRequest,
    RemoveSiteGroupResponse, RevokeCredentialRequest, RevokeCredentialResponse,
    RevokeEnrolmentRequest, RevokeEnrolmentResponse, RotateCredentialRequest,
    RotateCredentialResponse, SetSiteGroupRequest, SetSiteGroupResponse, WhoAmIRequest,
    WhoAmIResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Says who the caller is to the server and what they may do.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn who_am_i(&self, ask: WhoAmIRequest) -> Outcome<WhoAmIResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .who_am_i(request)
                .await
        })
        .await
    }

    /// Trades a one-time code for a credential; a repeat with the same secret gives the same credential.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn enrol(&self, ask: EnrolRequest) -> Outcome<EnrolResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .enrol(request)
                .await
        })
        .await
    }

    /// Makes a one-time enrolment code.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_enrolment(
        &self,
        mut ask: CreateEnrolmentRequest,
    ) -> Outcome<CreateEnrolmentResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_enrolment(request)
                .await
        })
        .await
    }

    /// Lists enrolments.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn enrolments(&self, ask: ListEnrolmentsRequest) -> Outcome<ListEnrolmentsResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_enrolments(request)
                .await
        })
        .await
    }

    /// Makes an enrolment's code worthless.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn revoke_enrolment(
        &self,
        mut ask: RevokeEnrolmentRequest,
    ) -> Outcome<RevokeEnrolmentResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .revoke_enrolment(request)
                .await
        })
        .await
    }

    /// Makes a credential with a token.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_credential(
        &self,
        mut ask: CreateCredentialRequest,
    ) -> Outcome<CreateCredentialResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_credential(request)
                .await
        })
        .await
    }

    /// Gives one credential.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn credential(&self, ask: GetCredentialRequest) -> Outcome<GetCredentialResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_credential(request)
                .await
        })
        .await
    }

    /// Lists credentials.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn credentials(
        &self,
        ask: ListCredentialsRequest,
    ) -> Outcome<ListCredentialsResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_credentials(request)
                .await
        })
        .await
    }

    /// Gives a credential a new secret and its lifetime anew.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn rotate_credential(
        &self,
        mut ask: RotateCredentialRequest,
    ) -> Outcome<RotateCredentialResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .rotate_credential(request)
                .await
        })
        .await
    }

    /// Ends a credential at once and for good.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn revoke_credential(
        &self,
        mut ask: RevokeCredentialRequest,
    ) -> Outcome<RevokeCredentialResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .revoke_credential(request)
                .await
        })
        .await
    }

    /// Makes a group of sites, or changes it.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn set_site_group(
        &self,
        mut ask: SetSiteGroupRequest,
    ) -> Outcome<SetSiteGroupResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .set_site_group(request)
                .await
        })
        .await
    }

    /// Lists the groups of sites.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn site_groups(&self, ask: ListSiteGroupsRequest) -> Outcome<ListSiteGroupsResponse> {
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_site_groups(request)
                .await
        })
        .await
    }

    /// Removes a group of sites.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn remove_site_group(
        &self,
        mut ask: RemoveSiteGroupRequest,
    ) -> Outcome<RemoveSiteGroupResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            AccessServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .remove_site_group(request)
                .await
        })
        .await
    }
}
