//! The simulation in small: what the full run measures, on fleets that a test can afford, with margins.

use ringtrue_calibration::drift::RampDesign;
use ringtrue_calibration::inference::{Components, Plan, Quantity, learnt};

use crate::comparison::outcomes;
use crate::detection::{Believed, drift};
use crate::learning::Before;
use crate::policies::{OwnFilter, batches, records};
use crate::world::{INITIAL_SD_C, Settings, WANDER_C2_PER_WEEK, World};

/// A fleet that a test can afford.
fn small() -> Settings {
    Settings {
        sites: 60,
        ..Settings::default()
    }
}

fn assumed() -> Components {
    Components {
        initial_sd_c: Some(INITIAL_SD_C),
        ..Components::default()
    }
}

#[test]
fn a_seed_gives_the_same_fleet_again_and_another_seed_another() {
    let settings = Settings {
        sites: 5,
        ..small()
    };
    let first = World::drawn(&settings, 3).expect("a fleet");
    let again = World::drawn(&settings, 3).expect("a fleet");
    let other = World::drawn(&settings, 4).expect("a fleet");
    assert_eq!(first.planned(), again.planned());
    assert_ne!(first.planned(), other.planned());
}

#[test]
fn one_more_ring_changes_no_other_ring() {
    let world = World::drawn(
        &Settings {
            sites: 5,
            ..small()
        },
        3,
    )
    .expect("a fleet");
    let planned = world.planned();
    let more = world.fired(0, 33);
    assert!(
        planned
            .iter()
            .all(|reading| (reading.furnace, reading.day) != (0, 33))
    );
    assert_eq!(more, world.fired(0, 33));
    let reading = planned[40];
    assert_eq!(reading, world.fired(reading.furnace, reading.day));
}

#[test]
fn checked_gauges_and_the_fleet_cut_the_error_by_two_fifths_and_their_intervals_hold() {
    let world = World::drawn(&small(), 11).expect("a fleet");
    let readings = world.planned();
    let own = OwnFilter::fitted(&world, &readings);
    let outcomes = outcomes(&world, &readings, assumed(), own);
    let of = |name: &str| {
        let (_, outcome) = outcomes
            .iter()
            .find(|(other, _)| *other == name)
            .expect(name);
        *outcome
    };
    let (plain, oracle) = (of("plain compensation"), of("oracle"));
    let (fleet, checked) = (of("fleet"), of("fleet, gauges checked"));
    let banded = of("fleet, gauges checked, 3 °C action band");
    assert!(
        checked.rms_c < 0.6 * plain.rms_c,
        "{checked:?} against {plain:?}"
    );
    assert!(
        fleet.rms_c < 0.85 * plain.rms_c,
        "{fleet:?} against {plain:?}"
    );
    assert!(
        checked.rms_c < 1.3 * oracle.rms_c,
        "{checked:?} against {oracle:?}"
    );
    assert!(
        oracle.rms_c < checked.rms_c,
        "{checked:?} against {oracle:?}"
    );
    assert!((0.92..=0.98).contains(&checked.coverage), "{checked:?}");
    assert!(
        banded.changes_per_year < plain.changes_per_year / 5.0,
        "{banded:?} against {plain:?}"
    );
    // Biases that a furnace's own readings share do not average out, whatever its filter believes.
    let alone = of("every furnace by itself");
    assert!(alone.coverage < 0.85, "{alone:?}");
}

#[test]
fn gross_readings_hurt_the_fleet_less_than_plain_compensation() {
    let settings = Settings {
        gross_share: 0.02,
        ..small()
    };
    let world = World::drawn(&settings, 12).expect("a fleet");
    let readings = world.planned();
    let own = OwnFilter::fitted(&world, &readings);
    let outcomes = outcomes(&world, &readings, assumed(), own);
    let rms_c = |name: &str| {
        let (_, outcome) = outcomes
            .iter()
            .find(|(other, _)| *other == name)
            .expect(name);
        outcome.rms_c
    };
    let checked = rms_c("fleet, gauges checked");
    assert!(checked < 0.55 * rms_c("plain compensation"), "{checked}");
    assert!(
        checked < rms_c("fleet, gauges checked, every reading in full"),
        "{checked}"
    );
}

#[test]
fn the_variance_components_of_a_simulated_fleet_are_recovered_within_their_errors() {
    let world = World::drawn(&small().calm(), 21).expect("a fleet");
    let sites = records(&world, &world.planned());
    let start = Components {
        wander_c2_per_week: 0.8,
        slope_sd_c_per_week: 0.0,
        gauge_scale: 1.5,
        noise_scale: 0.8,
        initial_sd_c: Some(20.0),
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let plan = Plan {
        prior_log_sd: None,
        ..Plan::default()
    };
    let found = learnt(&sites, &batches(&world), &start, &plan).expect("a likelihood");
    assert!(found.converged);
    for quantity in &found.quantities {
        let truth = match quantity.quantity {
            Quantity::Wander => WANDER_C2_PER_WEEK,
            Quantity::InitialSd => INITIAL_SD_C,
            // Biases are drawn with the standard deviations that are stated for them.
            Quantity::BatchScale | Quantity::GaugeScale => 1.0,
            // The table's single steps are rounded too, which no budget line knows: 3 % more.
            Quantity::NoiseScale => 1.03,
            // Nothing happens in a calm fleet, nothing drifts.
            Quantity::EventScale | Quantity::SlopeSd => continue,
        };
        let error = quantity.log_standard_error.expect("a standard error");
        let distance = (quantity.value / truth).ln().abs();
        assert!(distance < 3.0 * error, "{quantity:?} for {truth}");
        assert!(error < 0.35, "{quantity:?}");
    }
}

#[test]
fn a_batch_that_is_off_everywhere_raises_a_tenth_of_a_raw_charts_drift_alarms_at_most() {
    let believed = Believed {
        before: Before {
            bound_z: Components::default().bound_z,
            assumed: true,
        },
        drift_limit: RampDesign::default().limit,
        sites: 40,
        weeks: 104,
        seeds: 1,
    };
    let report = drift(&believed).expect("a report");
    let table = report.tables.last().expect("a table");
    let figures = |name: &str| {
        let (_, figures) = table
            .rows
            .iter()
            .find(|(other, _)| *other == name)
            .expect(name);
        figures
    };
    let raw = figures("average of raw offsets, furnace by itself");
    let ramp = figures("ramp in the fleet's innovations");
    let early = figures("the same, one ring within a week when suspected");
    assert!(raw[1] > 2.0, "{raw:?}");
    assert!(ramp[1] < 0.1 * raw[1], "{ramp:?} against {raw:?}");
    assert!(ramp[0] < 0.1, "{ramp:?}");
    assert!(early[2] < 16.0, "weeks until found: {early:?}");
}
