//! Calls about the fleet: what all furnaces, ring batches and gauges say together.

mod effects;
mod findings;
mod history;
mod overview;
mod standings;

use ringtrue_proto::v1;
use ringtrue_proto::v1::fleet_service_server::FleetService;
use tonic::{Request, Response, Status};

use super::status::answer;
use crate::app::App;

/// Answers calls about the fleet.
#[derive(Clone)]
pub(crate) struct Fleet(pub(crate) App);

#[tonic::async_trait]
impl FleetService for Fleet {
    async fn get_fleet_overview(
        &self,
        request: Request<v1::GetFleetOverviewRequest>,
    ) -> Result<Response<v1::GetFleetOverviewResponse>, Status> {
        answer(overview::get(&self.0, request).await)
    }

    async fn list_furnace_standings(
        &self,
        request: Request<v1::ListFurnaceStandingsRequest>,
    ) -> Result<Response<v1::ListFurnaceStandingsResponse>, Status> {
        answer(standings::list(&self.0, request).await)
    }

    async fn get_furnace_history(
        &self,
        request: Request<v1::GetFurnaceHistoryRequest>,
    ) -> Result<Response<v1::GetFurnaceHistoryResponse>, Status> {
        answer(history::get(&self.0, request).await)
    }

    async fn get_furnace_charts(
        &self,
        request: Request<v1::GetFurnaceChartsRequest>,
    ) -> Result<Response<v1::GetFurnaceChartsResponse>, Status> {
        answer(history::get_charts(&self.0, request).await)
    }

    async fn list_batch_effects(
        &self,
        request: Request<v1::ListBatchEffectsRequest>,
    ) -> Result<Response<v1::ListBatchEffectsResponse>, Status> {
        answer(effects::list_batches(&self.0, request).await)
    }

    async fn list_gauge_effects(
        &self,
        request: Request<v1::ListGaugeEffectsRequest>,
    ) -> Result<Response<v1::ListGaugeEffectsResponse>, Status> {
        answer(effects::list_gauges(&self.0, request).await)
    }

    async fn get_finding(
        &self,
        request: Request<v1::GetFindingRequest>,
    ) -> Result<Response<v1::GetFindingResponse>, Status> {
        answer(findings::get(&self.0, request).await)
    }

    async fn list_findings(
        &self,
        request: Request<v1::ListFindingsRequest>,
    ) -> Result<Response<v1::ListFindingsResponse>, Status> {
        answer(findings::list(&self.0, request).await)
    }

    async fn acknowledge_finding(
        &self,
        request: Request<v1::AcknowledgeFindingRequest>,
    ) -> Result<Response<v1::AcknowledgeFindingResponse>, Status> {
        answer(findings::acknowledge(&self.0, request).await)
    }

    async fn resolve_finding(
        &self,
        request: Request<v1::ResolveFindingRequest>,
    ) -> Result<Response<v1::ResolveFindingResponse>, Status> {
        answer(findings::resolve(&self.0, request).await)
    }
}

/// A count as the protocol writes it.
fn counted(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests;
