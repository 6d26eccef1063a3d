//! Open streams of alerts beside the load, as screens and management systems keep them.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use tokio::task::JoinSet;
use tonic::Status;

use super::network::Network;
use super::operations::reason;
use crate::door::Line;

/// What the streams heard.
#[derive(Debug, Default)]
struct Heard {
    changes: AtomicU64,
    broken: AtomicU64,
}

/// The open streams.
#[derive(Debug)]
pub(crate) struct Watchers {
    streams: JoinSet<()>,
    opened: usize,
    heard: Arc<Heard>,
}

/// What the streams heard in the end.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Watched {
    /// How many were opened.
    pub(crate) streams: usize,
    /// Changes that all of them heard together.
    pub(crate) changes: u64,
    /// How many the server ended.
    pub(crate) broken: u64,
}

impl Watchers {
    /// Opens so many streams, each of one site, spread over the connections.
    pub(crate) async fn open(
        wanted: usize,
        lines: &[Line],
        network: &Network,
    ) -> anyhow::Result<Self> {
        let heard = Arc::new(Heard::default());
        let mut streams = JoinSet::new();
        for number in 0..wanted {
            let mut client = AlertServiceClient::new(lines[number % lines.len()].clone());
            let ask = v1::WatchAlertsRequest {
                parent: network.site_in_turn(number),
                ..v1::WatchAlertsRequest::default()
            };
            let mut stream = client.watch_alerts(ask).await?.into_inner();
            let heard = Arc::clone(&heard);
            streams.spawn(async move {
                loop {
                    match stream.message().await {
                        Ok(Some(message)) => {
                            if message.change.is_some() {
                                heard.changes.fetch_add(1, Ordering::Relaxed);
                            }
                        }
                        ended => {
                            heard.broken.fetch_add(1, Ordering::Relaxed);
                            let status = ended.err().unwrap_or_else(|| Status::ok("no more"));
                            let reason = reason(&status);
                            drop(std::io::Write::write_fmt(
                                &mut std::io::stderr(),
                                format_args!("a stream of alerts was ended: {reason}\n"),
                            ));
                            return;
                        }
                    }
                }
            });
        }
        Ok(Self {
            streams,
            opened: wanted,
            heard,
        })
    }

    /// Closes them.
    pub(crate) async fn close(mut self) -> Watched {
        // Counted before: what we close ourselves is not broken.
        let watched = Watched {
            streams: self.opened,
            changes: self.heard.changes.load(Ordering::Relaxed),
            broken: self.heard.broken.load(Ordering::Relaxed),
        };
        self.streams.shutdown().await;
        watched
    }
}
