//! Calls in flight, timed one by one.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_client::HealthClient;

use crate::door::{Door, Line};
use crate::lab::Lab;
use crate::report::Calls;

/// Connections that share the calls, as several laboratories would.
const CONNECTIONS: usize = 8;

#[expect(
    clippy::disallowed_methods,
    reason = "the load program stands in for laboratories' clocks"
)]
pub(crate) fn now() -> jiff::Timestamp {
    jiff::Timestamp::now()
}

async fn connect(door: &Door) -> anyhow::Result<Vec<Line>> {
    let mut lines = Vec::with_capacity(CONNECTIONS);
    for _ in 0..CONNECTIONS {
        lines.push(door.line().await?);
    }
    Ok(lines)
}

/// Times empty calls.
pub(crate) async fn empty_calls(
    door: &Door,
    calls: usize,
    in_flight: usize,
) -> anyhow::Result<Calls> {
    let lines = connect(door).await?;
    timed(calls, in_flight, move |worker| {
        let mut client = HealthClient::new(lines[worker % CONNECTIONS].clone());
        async move |_number| {
            client
                .check(HealthCheckRequest {
                    service: String::new(),
                })
                .await?;
            Ok(())
        }
    })
    .await
}

/// Times recordings; each must be acknowledged.
pub(crate) async fn recordings(
    door: &Door,
    lab: &Lab,
    calls: usize,
    in_flight: usize,
) -> anyhow::Result<Calls> {
    let lines = connect(door).await?;
    let lab = Arc::new(lab.clone());
    timed(calls, in_flight, move |worker| {
        let mut client = ReadingServiceClient::new(lines[worker % CONNECTIONS].clone());
        let lab = Arc::clone(&lab);
        async move |number| {
            client.record_reading(lab.request(number)).await?;
            Ok(())
        }
    })
    .await
}

async fn timed<W>(
    calls: usize,
    in_flight: usize,
    worker: impl Fn(usize) -> W,
) -> anyhow::Result<Calls>
where
    W: AsyncFnMut(usize) -> anyhow::Result<()> + 'static,
{
    let next = Arc::new(AtomicUsize::new(0));
    let local = tokio::task::LocalSet::new();
    let start = Instant::now();
    let latencies = local
        .run_until(async {
            let mut workers = Vec::with_capacity(in_flight);
            for number in 0..in_flight {
                let mut call = worker(number);
                let next = Arc::clone(&next);
                workers.push(tokio::task::spawn_local(async move {
                    let mut latencies: Vec<Duration> = Vec::new();
                    loop {
                        let number = next.fetch_add(1, Ordering::Relaxed);
                        if number >= calls {
                            return anyhow::Ok(latencies);
                        }
                        let start = Instant::now();
                        call(number).await?;
                        latencies.push(start.elapsed());
                    }
                }));
            }
            let mut all = Vec::with_capacity(calls);
            for worker in workers {
                all.extend(worker.await??);
            }
            anyhow::Ok(all)
        })
        .await?;
    Ok(Calls::of(latencies, start.elapsed()))
}
