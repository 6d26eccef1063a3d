//! What laboratories and their management systems ask for, and how often.

use std::time::Duration;

use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_proto::v1::care_service_client::CareServiceClient;
use ringtrue_proto::v1::fleet_service_client::FleetServiceClient;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use tonic::{Code, Request, Status};

use super::network::Network;
use crate::door::Line;

/// Longest that a caller waits; the time that a request waited before it was sent is not in it.
pub(crate) const DEADLINE: Duration = Duration::from_secs(10);

/// One thing that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Operation {
    Record,
    Preview,
    Readings,
    History,
    Use,
    Due,
    Alerts,
    Standings,
    Overview,
    Pages,
    Walk,
}

/// All operations with their weights: an assumption about a working day. Benches record and look before they do, ask
/// before a firing whether a furnace may be used, and look readings up; a management system asks each site's due list;
/// an office looks at its site's furnaces now and then, and seldom at the whole network. Pages of the whole network's
/// furnaces only come when they are asked for.
pub(crate) const OPERATIONS: [(Operation, &str, u32); 11] = [
    (Operation::Record, "record", 20),
    (Operation::Preview, "preview", 10),
    (Operation::Readings, "readings", 20),
    (Operation::History, "history", 5),
    (Operation::Use, "use", 20),
    (Operation::Due, "due", 15),
    (Operation::Alerts, "alerts", 5),
    (Operation::Standings, "standings", 4),
    (Operation::Overview, "overview", 1),
    (Operation::Pages, "pages", 0),
    (Operation::Walk, "walk", 0),
];

/// Names of the operations, in the table's order.
pub(crate) fn names() -> Vec<&'static str> {
    OPERATIONS.iter().map(|(_, name, _)| *name).collect()
}

/// The name of one.
pub(crate) fn named(operation: Operation) -> &'static str {
    let mut known = OPERATIONS.iter();
    let found = known.find(|(one, _, _)| *one == operation);
    found.map_or("", |(_, name, _)| name)
}

/// How often each operation comes, in the table's order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Weights(pub(crate) [u32; OPERATIONS.len()]);

impl Default for Weights {
    fn default() -> Self {
        Self(OPERATIONS.map(|(_, _, weight)| weight))
    }
}

impl std::str::FromStr for Weights {
    type Err = String;

    /// Reads `record=3,due=1`; what is not named does not come.
    fn from_str(text: &str) -> Result<Self, String> {
        let mut weights = [0; OPERATIONS.len()];
        for part in text.split(',') {
            let (name, weight) = part
                .split_once('=')
                .ok_or_else(|| format!("`{part}` is no operation and weight; write record=20"))?;
            let found = OPERATIONS.iter().position(|(_, known, _)| *known == name);
            let place = found.ok_or_else(|| {
                let known = names().join(", ");
                format!("`{name}` is no operation; known are {known}")
            })?;
            let weight = weight
                .parse()
                .map_err(|_| format!("`{weight}` is no weight; write a whole number"))?;
            weights[place] = weight;
        }
        Ok(Self(weights))
    }
}

impl Weights {
    /// The share of requests that are of an operation.
    pub(crate) fn share(&self, operation: Operation) -> f64 {
        let total: u32 = self.0.iter().sum();
        let mut wanted = 0;
        for (weight, (known, _, _)) in self.0.iter().zip(OPERATIONS) {
            if known == operation {
                wanted += weight;
            }
        }
        f64::from(wanted) / f64::from(total.max(1))
    }
}

/// Asks for one thing over a connection; `draw` chooses furnace or site.
pub(crate) async fn asked(
    operation: Operation,
    line: Line,
    network: &Network,
    draw: u64,
) -> Result<(), Status> {
    match operation {
        Operation::Record => {
            let ask = timed(network.recording());
            ReadingServiceClient::new(line).record_reading(ask).await?;
        }
        Operation::Preview => {
            let ask = timed(network.preview(draw));
            ReadingServiceClient::new(line).record_reading(ask).await?;
        }
        Operation::Readings => {
            let ask = v1::ListReadingsRequest {
                parent: network.furnace(draw),
                ..v1::ListReadingsRequest::default()
            };
            ReadingServiceClient::new(line)
                .list_readings(timed(ask))
                .await?;
        }
        Operation::History => {
            let ask = v1::GetFurnaceHistoryRequest {
                name: network.furnace(draw),
                ..v1::GetFurnaceHistoryRequest::default()
            };
            FleetServiceClient::new(line)
                .get_furnace_history(timed(ask))
                .await?;
        }
        Operation::Use => {
            let ask = v1::CheckUseRequest {
                furnace: network.furnace(draw),
                ..v1::CheckUseRequest::default()
            };
            CareServiceClient::new(line).check_use(timed(ask)).await?;
        }
        Operation::Due => {
            let ask = v1::ListDueTasksRequest {
                parent: network.site(draw),
                all: true,
                ..v1::ListDueTasksRequest::default()
            };
            CareServiceClient::new(line)
                .list_due_tasks(timed(ask))
                .await?;
        }
        Operation::Alerts => {
            let ask = v1::ListAlertsRequest {
                parent: network.site(draw),
                ..v1::ListAlertsRequest::default()
            };
            AlertServiceClient::new(line)
                .list_alerts(timed(ask))
                .await?;
        }
        Operation::Standings => {
            let ask = v1::ListFurnaceStandingsRequest {
                parent: network.site(draw),
                ..v1::ListFurnaceStandingsRequest::default()
            };
            FleetServiceClient::new(line)
                .list_furnace_standings(timed(ask))
                .await?;
        }
        Operation::Overview => {
            let ask = v1::GetFleetOverviewRequest {
                parent: "sites/-".to_owned(),
            };
            FleetServiceClient::new(line)
                .get_fleet_overview(timed(ask))
                .await?;
        }
        Operation::Pages => {
            let order = i32::try_from(draw % 5).unwrap_or(0) + 1;
            let ask = v1::ListFurnaceStandingsRequest {
                parent: "sites/-".to_owned(),
                order,
                ..v1::ListFurnaceStandingsRequest::default()
            };
            FleetServiceClient::new(line)
                .list_furnace_standings(timed(ask))
                .await?;
        }
        Operation::Walk => {
            let ask = v1::ListFurnaceStandingsRequest {
                parent: "sites/-".to_owned(),
                page_token: network.next_page(None),
                ..v1::ListFurnaceStandingsRequest::default()
            };
            let page = FleetServiceClient::new(line)
                .list_furnace_standings(timed(ask))
                .await?;
            network.next_page(Some(page.into_inner().next_page_token));
        }
    }
    Ok(())
}

fn timed<Message>(message: Message) -> Request<Message> {
    let mut request = Request::new(message);
    request.set_timeout(DEADLINE);
    request
}

/// What tonic's client says when it gives a call up whose time is over.
const GIVEN_UP: &str = "Timeout expired";

/// The name of a status as the gRPC specification writes it. A caller whose own clock ran out tells it as the server
/// would.
pub(crate) fn reason(status: &Status) -> String {
    if status.code() == Code::Cancelled && status.message() == GIVEN_UP {
        return reason(&Status::deadline_exceeded(""));
    }
    let spelt = format!("{:?}", status.code());
    let mut name = String::new();
    for (place, letter) in spelt.chars().enumerate() {
        if place > 0 && letter.is_uppercase() {
            name.push('_');
        }
        name.push(letter.to_ascii_uppercase());
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_status_is_told_by_its_name_in_the_specification() {
        assert_eq!(
            reason(&Status::resource_exhausted("")),
            "RESOURCE_EXHAUSTED"
        );
        assert_eq!(reason(&Status::unavailable("")), "UNAVAILABLE");
        assert_eq!(reason(&Status::cancelled("")), "CANCELLED");
        let given_up = Status::cancelled("Timeout expired");
        assert_eq!(reason(&given_up), "DEADLINE_EXCEEDED");
    }

    #[test]
    fn weights_that_are_not_named_are_none_and_unknown_ones_are_refused() {
        let weights: Weights = "record=3,due=1".parse().expect("weights");
        assert!((weights.share(Operation::Record) - 0.75).abs() < 1e-12);
        assert!(weights.share(Operation::Overview).abs() < 1e-12);
        for wrong in ["record", "bake=1", "record=much", ""] {
            assert!(wrong.parse::<Weights>().is_err(), "{wrong}");
        }
    }
}
