//! Calls about background work.

use ringtrue_proto::v1;
use ringtrue_proto::v1::operations_service_server::OperationsService;
use ringtrue_store::WorkRecord;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::timestamp;
use super::status::answer;
use crate::app::{ALERTS_WORK, App, Error};

const LIST: Method = method("/ringtrue.v1.OperationsService/ListBackgroundWork");

/// Answers calls about operations.
#[derive(Clone)]
pub(crate) struct Operations(pub(crate) App);

#[tonic::async_trait]
impl OperationsService for Operations {
    async fn list_background_work(
        &self,
        request: Request<v1::ListBackgroundWorkRequest>,
    ) -> Result<Response<v1::ListBackgroundWorkResponse>, Status> {
        answer(list(&self.0, &request).await)
    }
}

async fn list(
    app: &App,
    request: &Request<v1::ListBackgroundWorkRequest>,
) -> Result<v1::ListBackgroundWorkResponse, Error> {
    let asking = Asking::of(LIST, request)?;
    let now = app.clock.now();
    let read = app.store.read(&asking.network()?);
    let mut work = Vec::new();
    for record in read.work_runs().await? {
        let mut message = message(&record);
        if record.name == ALERTS_WORK {
            let (waiting, since) = read.agenda_waiting(now).await?;
            message.waiting_count = waiting;
            message.lag_s = since.map_or(0.0, |since| now.duration_since(since).as_secs_f64());
        }
        if record.name == "mail" {
            let (waiting, since) = read.mail_backlog(now).await?;
            message.waiting_count = waiting;
            message.lag_s = since.map_or(0.0, |since| now.duration_since(since).as_secs_f64());
        }
        work.push(message);
    }
    Ok(v1::ListBackgroundWorkResponse { work })
}

fn message(record: &WorkRecord) -> v1::BackgroundWork {
    v1::BackgroundWork {
        name: record.name.clone(),
        last_start_time: Some(timestamp(record.began_at)),
        last_duration_s: record.duration.as_secs_f64(),
        last_success_time: record.succeeded_at.map(timestamp),
        run_count: record.runs,
        failure_count: record.failures,
        last_failure: record.last_failure.clone(),
        waiting_count: 0,
        lag_s: 0.0,
    }
}
