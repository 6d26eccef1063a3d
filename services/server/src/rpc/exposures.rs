//! Calls about exposures: what was fired while a furnace was probably outside tolerance, and what was
//! decided.

mod assessed;
mod decisions;

use ringtrue_proto::v1;
use ringtrue_proto::v1::exposure_service_server::ExposureService;
use tonic::{Request, Response, Status};

use super::status::answer;
use crate::app::App;

/// Answers calls about exposures.
#[derive(Clone)]
pub(crate) struct Exposures(pub(crate) App);

#[tonic::async_trait]
impl ExposureService for Exposures {
    async fn assess_exposure(
        &self,
        request: Request<v1::AssessExposureRequest>,
    ) -> Result<Response<v1::AssessExposureResponse>, Status> {
        answer(assessed::assess(&self.0, request).await)
    }

    async fn record_exposure_decision(
        &self,
        request: Request<v1::RecordExposureDecisionRequest>,
    ) -> Result<Response<v1::RecordExposureDecisionResponse>, Status> {
        answer(decisions::record(&self.0, request).await)
    }

    async fn get_exposure_decision(
        &self,
        request: Request<v1::GetExposureDecisionRequest>,
    ) -> Result<Response<v1::GetExposureDecisionResponse>, Status> {
        answer(decisions::get(&self.0, request).await)
    }

    async fn list_exposure_decisions(
        &self,
        request: Request<v1::ListExposureDecisionsRequest>,
    ) -> Result<Response<v1::ListExposureDecisionsResponse>, Status> {
        answer(decisions::list(&self.0, request).await)
    }
}
