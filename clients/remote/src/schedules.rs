//! Calls about schedules: the rules by which tasks fall due.

use ringtrue_proto::v1::schedule_service_client::ScheduleServiceClient;
use ringtrue_proto::v1::{
    GetScheduleRuleRequest, GetScheduleRuleResponse, ListScheduleRulesRequest,
    ListScheduleRulesResponse, RemoveScheduleRuleRequest, RemoveScheduleRuleResponse,
    SetScheduleRuleRequest, SetScheduleRuleResponse,
};

use crate::call::{LARGEST_ANSWER_BYTES, identify};
use crate::{Outcome, Remote};

impl Remote {
    /// Sets the rule of a task for the network, a site or a furnace.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn set_schedule_rule(
        &self,
        mut ask: SetScheduleRuleRequest,
    ) -> Outcome<SetScheduleRuleResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ScheduleServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .set_schedule_rule(request)
                .await
        })
        .await
    }

    /// Gives the rule in force for a task at a place.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn schedule_rule(
        &self,
        ask: GetScheduleRuleRequest,
    ) -> Outcome<GetScheduleRuleResponse> {
        self.call(ask, |channel, request| async move {
            ScheduleServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .get_schedule_rule(request)
                .await
        })
        .await
    }

    /// Lists the rules in force at a place, one for each task.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn schedule_rules(
        &self,
        ask: ListScheduleRulesRequest,
    ) -> Outcome<ListScheduleRulesResponse> {
        self.call(ask, |channel, request| async move {
            ScheduleServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_schedule_rules(request)
                .await
        })
        .await
    }

    /// Removes a place's own rule; the nearest outer one holds again.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn remove_schedule_rule(
        &self,
        mut ask: RemoveScheduleRuleRequest,
    ) -> Outcome<RemoveScheduleRuleResponse> {
        identify(&mut ask.request_id);
        self.call(ask, |channel, request| async move {
            ScheduleServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .remove_schedule_rule(request)
                .await
        })
        .await
    }
}
