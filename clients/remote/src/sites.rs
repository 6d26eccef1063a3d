//! Calls about sites.

use ringtrue_proto::v1::site_service_client::SiteServiceClient;
use ringtrue_proto::v1::{
    CreateSiteRequest, CreateSiteResponse, GetSiteRequest, GetSiteResponse, ListSitesRequest,
    ListSitesResponse, UpdateSiteRequest, UpdateSiteResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Adds a laboratory.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn create_site(&self, mut ask: CreateSiteRequest) -> Outcome<CreateSiteResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            SiteServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .create_site(request)
                .await
        })
        .await
    }

    /// Gives one site.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn site(&self, ask: GetSiteRequest) -> Outcome<GetSiteResponse> {
        self.call(ask, |channel, request| async move {
            SiteServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_site(request)
                .await
        })
        .await
    }

    /// Lists the sites the caller may see, by name.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn sites(&self, ask: ListSitesRequest) -> Outcome<ListSitesResponse> {
        self.call(ask, |channel, request| async move {
            SiteServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_sites(request)
                .await
        })
        .await
    }

    /// Changes a site's house rules.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn update_site(&self, mut ask: UpdateSiteRequest) -> Outcome<UpdateSiteResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            SiteServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .update_site(request)
                .await
        })
        .await
    }
}
