//! One furnace's offset through time, and its control charts.

use jiff::SignedDuration;
use ringtrue_proto::v1;
use ringtrue_tests::bench::stamp;
use ringtrue_tests::{Bench, Network};

use super::{fit, fleet};
use crate::close;

async fn history(network: &Network, furnace: &str) -> v1::FurnaceHistory {
    let ask = v1::GetFurnaceHistoryRequest {
        name: furnace.to_owned(),
        ..v1::GetFurnaceHistoryRequest::default()
    };
    let found = fleet(network).get_furnace_history(ask).await;
    let found = found.expect("the history is given").into_inner();
    found.history.expect("the answer holds the history")
}

/// Three readings a week apart, new elements before the last, and one adjustment.
async fn read_for_weeks(network: &Network, bench: &Bench) -> Vec<v1::Reading> {
    let mut readings = vec![
        network
            .record(network.ask(bench, &[19.470, 19.468, 19.472]))
            .await,
    ];
    network.adjust(bench, &readings[0].name, 1481.0).await;
    network.advance_days(7);
    readings.push(
        network
            .record(network.ask(bench, &[19.561, 19.559, 19.564]))
            .await,
    );
    network.advance_days(5);
    let event = v1::FurnaceEvent {
        kind: v1::FurnaceEventKind::ElementsReplaced.into(),
        event_time: Some(stamp(network.now())),
        performed_by: "t1".to_owned(),
        ..v1::FurnaceEvent::default()
    };
    let ask = v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(event),
        ..v1::RecordFurnaceEventRequest::default()
    };
    network
        .remote
        .record_furnace_event(ask)
        .await
        .expect("recorded");
    network.advance_days(2);
    readings.push(
        network
            .record(network.ask(bench, &[19.530, 19.528, 19.533]))
            .await,
    );
    readings
}

#[tokio::test]
async fn a_history_shows_readings_events_adjustments_and_what_is_expected() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let empty = history(&network, &bench.furnace).await;
    assert_eq!((empty.points.len(), empty.outlook.len()), (0, 0));
    assert_eq!(empty.separability, None);
    let standing = empty.standing.expect("where it stands");
    assert_eq!(standing.conformity(), v1::Conformity::Unknown);

    let readings = read_for_weeks(&network, &bench).await;
    fit(&network).await;
    let found = history(&network, &bench.furnace).await;
    close(found.at_temperature_c, 1500.0, 1e-9);
    assert_eq!(found.time_zone, "Europe/Lisbon");
    let named: Vec<&str> = found
        .points
        .iter()
        .map(|point| point.reading.as_str())
        .collect();
    let wanted: Vec<&str> = readings
        .iter()
        .map(|reading| reading.name.as_str())
        .collect();
    assert_eq!(named, wanted, "earliest first");
    let first = &found.points[0];
    close(first.observed_offset_c, 19.0, 0.2);
    assert_eq!(first.innovation_z, None);
    close(first.setpoint_c, 1500.0, 1e-9);
    assert_eq!(
        (first.ring_batch.as_str(), first.gauge.as_str()),
        (bench.batch.as_str(), bench.gauge.as_str())
    );
    let last = &found.points[2];
    assert!(
        last.innovation_z.is_some() && !last.at_reduced_weight,
        "{last:?}"
    );
    // Filter and smoother agree at the end, and the furnace's own offset is the same (Durbin & Koopman
    // 2012, 4.4).
    close(last.smoothed_offset_c, last.tracked_offset_c, 1e-9);
    let offset = network
        .furnace_now(&bench.furnace)
        .await
        .offset
        .expect("known");
    let at_last = offset.at_temperature_c - found.at_temperature_c;
    assert!(at_last.abs() < 20.0);
    for point in &found.points {
        assert!(
            point.smoothed_standard_uncertainty_c <= point.tracked_standard_uncertainty_c + 1e-9,
            "{point:?}"
        );
        assert!(point.expanded_uncertainty_c > 4.0, "{point:?}");
    }
    assert_eq!(found.events.len(), 1);
    assert_eq!(
        found.events[0].kind(),
        v1::FurnaceEventKind::ElementsReplaced
    );
    let [adjustment] = found.adjustments.as_slice() else {
        panic!("one adjustment: {:?}", found.adjustments);
    };
    assert_eq!((adjustment.from_c, adjustment.to_c), (1500.0, 1481.0));
    assert_eq!(found.outlook.len(), 14, "this moment and thirteen weeks");
    assert_eq!(found.outlook[0].time, Some(stamp(network.now())));
    for pair in found.outlook.windows(2) {
        assert!(
            pair[1].standard_uncertainty_c > pair[0].standard_uncertainty_c,
            "{pair:?}"
        );
    }
    let standing = found.standing.expect("where it stands");
    close(
        standing.outside_probability,
        found.outlook[0].outside_probability,
        1e-12,
    );
    let separable = found.separability.expect("read");
    assert!(separable.batch_part_c > 0.0 && separable.batch_correlation < 0.0);
    assert!(separable.standard_uncertainty_after_c <= separable.offset_standard_uncertainty_c);
    network.stop().await;
}

#[tokio::test]
async fn a_history_begins_where_it_is_asked_to() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let readings = read_for_weeks(&network, &bench).await;
    let whole = history(&network, &bench.furnace).await;
    let ask = v1::GetFurnaceHistoryRequest {
        name: bench.furnace.clone(),
        start_time: readings[1].fire_time,
        outlook_weeks: Some(0),
    };
    let part = fleet(&network).get_furnace_history(ask.clone()).await;
    let part = part
        .expect("given")
        .into_inner()
        .history
        .expect("a history");
    // Earlier readings are not shown and count all the same.
    assert_eq!(part.points, whole.points[1..]);
    assert_eq!((part.events.len(), part.adjustments.len()), (1, 0));
    assert_eq!(part.outlook.len(), 1);
    let ask = v1::GetFurnaceHistoryRequest {
        start_time: Some(stamp(network.now() + SignedDuration::from_hours(24))),
        ..ask
    };
    let later = fleet(&network).get_furnace_history(ask).await;
    let later = later
        .expect("given")
        .into_inner()
        .history
        .expect("a history");
    assert_eq!((later.points.len(), later.events.len()), (0, 0));
    network.stop().await;
}

#[tokio::test]
async fn control_charts_hold_every_reading_that_something_was_expected_of() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let readings = read_for_weeks(&network, &bench).await;
    let ask = v1::GetFurnaceChartsRequest {
        name: bench.furnace.clone(),
        start_time: None,
    };
    let drawn = fleet(&network).get_furnace_charts(ask.clone()).await;
    let drawn = drawn.expect("drawn").into_inner().charts;
    let kinds: Vec<v1::ChartKind> = drawn.iter().map(v1::ControlChart::kind).collect();
    assert_eq!(
        kinds,
        [
            v1::ChartKind::Individuals,
            v1::ChartKind::MovingRange,
            v1::ChartKind::Ewma,
            v1::ChartKind::Cusum
        ]
    );
    let counts: Vec<usize> = drawn.iter().map(|chart| chart.points.len()).collect();
    assert_eq!(counts, [2, 1, 2, 2], "the first reading was not expected");
    let points = history(&network, &bench.furnace).await.points;
    let z = points[1].innovation_z.expect("expected");
    // EWMA: a quarter of the first value (NIST/SEMATECH e-Handbook 6.3.2.4).
    close(drawn[2].points[0].value, 0.25 * z, 1e-12);
    assert_eq!(drawn[2].points[0].reading, readings[1].name);
    assert_eq!((drawn[0].unit.as_str(), drawn[3].unit.as_str()), ("°C", ""));
    assert!(
        drawn[3]
            .points
            .iter()
            .all(|point| point.lower_value.is_some())
    );
    for chart in &drawn {
        assert!(chart.title.len() > 5 && chart.basis.len() > 20, "{chart:?}");
    }
    let ask = v1::GetFurnaceChartsRequest {
        start_time: readings[2].fire_time,
        ..ask
    };
    let later = fleet(&network).get_furnace_charts(ask).await;
    let later = later.expect("drawn").into_inner().charts;
    assert_eq!((later.len(), later[2].points.len()), (4, 1));
    network.stop().await;
}
