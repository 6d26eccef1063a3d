//! Furnaces, their events, and what an event does to the offset that is known.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::bench::{evaluation_of, furnace, programme_at, reading_of, stamp};
use ringtrue_tests::{Bench, Network};

use crate::close;
use crate::refusals::bad_value;

fn event(
    network: &Network,
    bench: &Bench,
    kind: v1::FurnaceEventKind,
) -> v1::RecordFurnaceEventRequest {
    v1::RecordFurnaceEventRequest {
        parent: bench.furnace.clone(),
        event: Some(v1::FurnaceEvent {
            kind: kind.into(),
            event_time: Some(stamp(network.now())),
            note: "centre element, part 4".to_owned(),
            performed_by: "t1".to_owned(),
            ..v1::FurnaceEvent::default()
        }),
        ..v1::RecordFurnaceEventRequest::default()
    }
}

#[tokio::test]
async fn a_furnace_is_added_looked_up_listed_and_changed() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let made = network
        .furnace(
            &bench.site,
            "k3",
            v1::Furnace {
                tolerance_c: Some(6.0),
                ..furnace()
            },
        )
        .await;
    assert_eq!(made.name, "sites/north/furnaces/k3");
    assert_eq!(made.state(), v1::FurnaceState::InUse);
    close(made.setpoint_step_c, 1.0, 1e-12);
    assert_eq!(network.furnace_now(&made.name).await, made);

    for parent in [bench.site.as_str(), "sites/-"] {
        let ask = v1::ListFurnacesRequest {
            parent: parent.to_owned(),
            ..v1::ListFurnacesRequest::default()
        };
        let found = network.remote.furnaces(ask).await.expect("listed");
        let names: Vec<&str> = found.furnaces.iter().map(|f| f.name.as_str()).collect();
        assert_eq!(names, [bench.furnace.as_str(), made.name.as_str()]);
    }

    let changed = v1::Furnace {
        name: made.name.clone(),
        state: v1::FurnaceState::Retired.into(),
        etag: made.etag.clone(),
        ..v1::Furnace::default()
    };
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(changed),
        ..v1::UpdateFurnaceRequest::default()
    };
    let found = network.remote.update_furnace(ask).await.expect("changed");
    let found = found.furnace.expect("a furnace");
    assert_eq!(found.state(), v1::FurnaceState::Retired);
    assert_eq!(
        (&found.display_name, found.tolerance_c),
        (&made.display_name, Some(6.0))
    );
    assert_ne!(found.etag, made.etag);
    network.stop().await;
}

#[tokio::test]
async fn a_retired_furnace_takes_neither_readings_nor_events() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let retired = v1::Furnace {
        name: bench.furnace.clone(),
        state: v1::FurnaceState::Retired.into(),
        ..v1::Furnace::default()
    };
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(retired),
        ..v1::UpdateFurnaceRequest::default()
    };
    network.remote.update_furnace(ask).await.expect("retired");
    let before = network.audit_length(&bench.site).await;
    let ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let refused = network
        .remote
        .record_reading(ask)
        .await
        .expect_err("retired");
    assert_eq!(
        (refused.code, refused.reason.as_str()),
        (Code::FailedPrecondition, "FURNACE_RETIRED")
    );
    let ask = event(&network, &bench, v1::FurnaceEventKind::Repair);
    let refused = network
        .remote
        .record_furnace_event(ask)
        .await
        .expect_err("retired");
    assert_eq!(
        (refused.code, refused.reason.as_str()),
        (Code::FailedPrecondition, "FURNACE_RETIRED")
    );
    assert!(
        refused.message.contains("choose another furnace"),
        "{refused}"
    );
    assert_eq!(network.audit_length(&bench.site).await, before);
    network.stop().await;
}

#[tokio::test]
async fn events_are_kept_and_listed_latest_first() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = event(&network, &bench, v1::FurnaceEventKind::Repair);
    let repair = network
        .remote
        .record_furnace_event(ask)
        .await
        .expect("recorded")
        .event
        .expect("an event");
    assert!(repair.name.starts_with("sites/north/furnaces/k2/events/"));
    network.advance_days(1);
    let ask = event(&network, &bench, v1::FurnaceEventKind::MainsWork);
    let mains = network
        .remote
        .record_furnace_event(ask)
        .await
        .expect("recorded")
        .event
        .expect("an event");
    let ask = v1::ListFurnaceEventsRequest {
        parent: bench.furnace.clone(),
        ..v1::ListFurnaceEventsRequest::default()
    };
    let found = network.remote.furnace_events(ask).await.expect("listed");
    assert_eq!(found.events, [mains, repair]);
    network.stop().await;
}

#[tokio::test]
async fn new_elements_widen_what_is_known_so_the_next_reading_counts_for_more() {
    let mut offsets = Vec::new();
    for has_event in [false, true] {
        let network = Network::start().await;
        let bench = network.bench().await;
        network
            .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
            .await;
        network.advance_days(3);
        if has_event {
            let ask = event(&network, &bench, v1::FurnaceEventKind::ElementsReplaced);
            network
                .remote
                .record_furnace_event(ask)
                .await
                .expect("recorded");
        }
        network.advance_days(4);
        let next = network
            .record(network.ask(&bench, &[19.482, 19.480, 19.484]))
            .await;
        let evaluation = evaluation_of(&next);
        offsets.push((
            evaluation.offset_c,
            evaluation.offset_standard_uncertainty_c,
        ));
        network.stop().await;
    }
    let (without, with) = (offsets[0], offsets[1]);
    // The readings say 19.0 and 16.6 °C. With the event between, the second is believed nearly whole.
    assert!(without.0 > 17.4, "{without:?}");
    assert!(with.0 < 17.0, "{with:?}");
    assert!(with.1 > without.1, "{with:?} {without:?}");
}

#[tokio::test]
async fn a_known_shift_of_the_controller_moves_the_estimate_by_as_much() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    network.advance_days(3);
    let mut ask = event(
        &network,
        &bench,
        v1::FurnaceEventKind::ControllerOffsetChanged,
    );
    let details = ask.event.as_mut().expect("an event");
    details.offset_shift_c = Some(-15.0);
    network
        .remote
        .record_furnace_event(ask)
        .await
        .expect("recorded");
    network.advance_days(4);
    // 19 - 15 = 4 °C hot: 1504 °C, at 19.545 mm. Nothing surprises, nothing is asked.
    let next = network
        .record(network.ask(&bench, &[19.545, 19.543, 19.547]))
        .await;
    let evaluation = evaluation_of(&next);
    assert!(evaluation.innovation_z.expect("a prior").abs() < 1.0);
    close(evaluation.offset_c, 4.0, 1.0);
    network.stop().await;
}

#[tokio::test]
async fn an_event_reported_late_gives_the_same_offset_as_in_order() {
    let mut offsets = Vec::new();
    for is_late in [false, true] {
        let network = Network::start().await;
        let bench = network.bench().await;
        network
            .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
            .await;
        network.advance_days(3);
        let ask = event(&network, &bench, v1::FurnaceEventKind::ThermocoupleReplaced);
        if !is_late {
            network
                .remote
                .record_furnace_event(ask.clone())
                .await
                .expect("recorded");
        }
        network.advance_days(4);
        network
            .record(network.ask(&bench, &[19.482, 19.480, 19.484]))
            .await;
        if is_late {
            network
                .remote
                .record_furnace_event(ask)
                .await
                .expect("recorded");
        }
        let found = network
            .furnace_now(&bench.furnace)
            .await
            .offset
            .expect("an offset");
        offsets.push((found.offset_c, found.standard_uncertainty_c));
        network.stop().await;
    }
    close(offsets[0].0, offsets[1].0, 1e-9);
    close(offsets[0].1, offsets[1].1, 1e-9);
}

#[tokio::test]
async fn readings_at_two_temperatures_show_how_the_offset_changes_with_temperature() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let before = network
        .furnace_now(&bench.furnace)
        .await
        .offset
        .expect("an offset");
    // One temperature says nothing about another.
    close(before.coefficient_c_per_100c, 0.0, 1e-12);

    let low = network
        .programme(&bench.furnace, "low", programme_at(1400.0, 120.0))
        .await;
    for shift_mm in [0.0, 0.001, 0.002] {
        network.advance_days(2);
        // 1413.5 °C at 19.905 mm: 13.5 °C hot at 1400 where it is 19 °C hot at 1500.
        let shown_mm = 19.905 + shift_mm;
        let mut ask = network.ask(&bench, &[shown_mm, shown_mm - 0.002, shown_mm + 0.001]);
        reading_of(&mut ask).programme.clone_from(&low.name);
        network.record(ask).await;
    }
    let after = network
        .furnace_now(&bench.furnace)
        .await
        .offset
        .expect("an offset");
    // 5.5 °C per 100 °C by these readings alone; what is assumed beforehand (0 ± 3) holds it back.
    let coefficient = after.coefficient_c_per_100c;
    assert!(coefficient > 1.0 && coefficient < 5.5, "{coefficient}");
    close(after.offset_c, 13.5, 1.5);
    assert_eq!(after.reading_count, 4);
    close(after.at_temperature_c, 1400.0, 1e-9);
    network.stop().await;
}

async fn retire(network: &Network, bench: &Bench) {
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(v1::Furnace {
            name: bench.furnace.clone(),
            state: v1::FurnaceState::Retired.into(),
            ..v1::Furnace::default()
        }),
        ..v1::UpdateFurnaceRequest::default()
    };
    network.remote.update_furnace(ask).await.expect("retired");
}

#[tokio::test]
async fn a_retired_furnace_takes_neither_programmes_nor_adjustments() {
    let network = Network::start().await;
    let bench = network.bench().await;
    retire(&network, &bench).await;
    let before = network.audit_length(&bench.site).await;
    let create = v1::CreateProgrammeRequest {
        parent: bench.furnace.clone(),
        programme: Some(programme_at(1400.0, 120.0)),
        ..v1::CreateProgrammeRequest::default()
    };
    let update = v1::UpdateProgrammeRequest {
        programme: Some(v1::Programme {
            name: bench.programme.clone(),
            display_name: "Renamed".to_owned(),
            ..v1::Programme::default()
        }),
        ..v1::UpdateProgrammeRequest::default()
    };
    let confirm = v1::ConfirmAdjustmentRequest {
        parent: bench.furnace.clone(),
        adjustment: Some(v1::Adjustment {
            programme: bench.programme.clone(),
            setpoint_c: 1495.0,
            adjust_time: Some(stamp(network.now())),
            performed_by: "t1".to_owned(),
            override_reason: "as agreed".to_owned(),
            ..v1::Adjustment::default()
        }),
        ..v1::ConfirmAdjustmentRequest::default()
    };
    let refusals = [
        network
            .remote
            .create_programme(create)
            .await
            .expect_err("no programme"),
        network
            .remote
            .update_programme(update)
            .await
            .expect_err("no change"),
        network
            .remote
            .confirm_adjustment(confirm)
            .await
            .expect_err("no adjustment"),
    ];
    for refused in refusals {
        assert_eq!(
            (refused.code, refused.reason.as_str()),
            (Code::FailedPrecondition, "FURNACE_RETIRED"),
            "{refused}"
        );
    }
    assert_eq!(network.audit_length(&bench.site).await, before);
    network.stop().await;
}

#[tokio::test]
async fn a_retired_furnace_stays_retired_and_may_still_be_described() {
    let network = Network::start().await;
    let bench = network.bench().await;
    retire(&network, &bench).await;
    let mut ask = v1::UpdateFurnaceRequest {
        furnace: Some(v1::Furnace {
            name: bench.furnace.clone(),
            state: v1::FurnaceState::InUse.into(),
            ..v1::Furnace::default()
        }),
        ..v1::UpdateFurnaceRequest::default()
    };
    let refused = network
        .remote
        .update_furnace(ask.clone())
        .await
        .expect_err("retired for good");
    bad_value(
        &refused,
        "furnace.state",
        "RETIRED_FOR_GOOD",
        "add it again as a new furnace",
    );

    ask.furnace = Some(v1::Furnace {
        name: bench.furnace.clone(),
        display_name: "In the cellar".to_owned(),
        ..v1::Furnace::default()
    });
    let found = network.remote.update_furnace(ask).await.expect("described");
    let found = found.furnace.expect("a furnace");
    assert_eq!(found.display_name, "In the cellar");
    assert_eq!(found.state(), v1::FurnaceState::Retired);
    network.stop().await;
}

#[tokio::test]
async fn a_furnaces_limit_is_not_lowered_below_a_setpoint_in_use() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let limited = |limit_c: f64| v1::UpdateFurnaceRequest {
        furnace: Some(v1::Furnace {
            name: bench.furnace.clone(),
            maximum_setpoint_c: limit_c,
            ..v1::Furnace::default()
        }),
        ..v1::UpdateFurnaceRequest::default()
    };
    let refused = network
        .remote
        .update_furnace(limited(1499.0))
        .await
        .expect_err("a programme is set to 1500 °C");
    assert_eq!(refused.violations.len(), 1, "{refused:?}");
    bad_value(
        &refused,
        "furnace.maximum_setpoint_c",
        "BELOW_A_SETPOINT",
        "confirm the adjustment first",
    );
    let violation = &refused.violations[0];
    for words in [
        bench.programme.as_str(),
        "1500 °C",
        "confirm the adjustment",
    ] {
        assert!(violation.description.contains(words), "{violation:?}");
    }
    let found = network
        .remote
        .update_furnace(limited(1500.0))
        .await
        .expect("exactly the setpoint is allowed");
    close(
        found.furnace.expect("a furnace").maximum_setpoint_c,
        1500.0,
        1e-9,
    );
    network.stop().await;
}
