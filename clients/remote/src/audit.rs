//! Calls about audit: the chains of entries, and the checkpoints that prove them.

use ringtrue_proto::v1::audit_service_client::AuditServiceClient;
use ringtrue_proto::v1::{
    ListAuditCheckpointsRequest, ListAuditCheckpointsResponse, ListAuditEntriesRequest,
    ListAuditEntriesResponse,
};

use crate::call::LARGEST_ANSWER_BYTES;
use crate::{Outcome, Remote};

impl Remote {
    /// Lists the entries of one chain in their order.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn audit_entries(
        &self,
        ask: ListAuditEntriesRequest,
    ) -> Outcome<ListAuditEntriesResponse> {
        self.call(ask, |channel, request| async move {
            AuditServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_audit_entries(request)
                .await
        })
        .await
    }

    /// Lists signed checkpoints.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn audit_checkpoints(
        &self,
        ask: ListAuditCheckpointsRequest,
    ) -> Outcome<ListAuditCheckpointsResponse> {
        self.call(ask, |channel, request| async move {
            AuditServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_audit_checkpoints(request)
                .await
        })
        .await
    }
}
