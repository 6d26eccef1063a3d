//! Readings that lie far off, and steps that two readings confirm.

use super::assert_close;
use super::invented_fleet::{Fired, Fleet, batch, gauge};
use crate::inference::*;

fn fleet_of(offsets_c: &[f64]) -> Fleet {
    let mut fired = Vec::new();
    for offset in offsets_c {
        fired.push(Fired::plain(2.0, *offset));
    }
    Fleet {
        components: Components::default(),
        globals: vec![batch(4.0)],
        sites: vec![vec![gauge(9.0)]],
        furnaces: vec![(0, fired)],
    }
}

fn taken(fleet: &Fleet) -> Vec<Taken> {
    let mut online = Online::new(fleet.components);
    online.add_global(fleet.globals[0]);
    let site = online.add_site();
    online.add_local(site, fleet.sites[0][0].clone());
    let furnace = online.add_furnace(site).expect("the site");
    let mut taken = Vec::new();
    for one in &fleet.furnaces[0].1 {
        taken.push(online.take(furnace, &one.firing()).expect("the furnace"));
    }
    taken
}

#[test]
fn an_outlier_of_300_degrees_moves_the_offset_by_less_than_a_setpoint_step_of_five() {
    let steady = [10.0, 11.0, 9.5, 10.5, 10.0];
    let mut with_outlier = steady.to_vec();
    with_outlier.push(310.0);
    let fleet = fleet_of(&with_outlier);
    let taken = taken(&fleet);
    let last = taken[5];
    assert!(last.step.z.expect("a distance") > 50.0);
    assert!(last.fleet_z.expect("a distance") > 50.0);
    assert!(last.step.inflation_c2 > 9_500.0);
    let moved = last.state.level_c - taken[4].state.level_c;
    assert!(moved > 0.0 && moved < 5.0, "{moved}");
    // As bounded, the reading lies at 3 standard deviations of all that is uncertain in it.
    let mut bounded = fleet.components;
    bounded.bound_z = f64::INFINITY;
    let unbounded = Fleet {
        components: bounded,
        ..fleet
    };
    let moved_in_full = unbounded.solved().state(&unbounded, 0).level_c - 10.0;
    assert!(moved_in_full > 20.0 * moved, "{moved_in_full}");
}

#[test]
fn the_reading_after_an_outlier_counts_in_full_again() {
    let fleet = fleet_of(&[10.0, 11.0, 9.5, 10.5, 60.0, 10.0]);
    let taken = taken(&fleet);
    assert!(taken[4].step.inflation_c2 > 0.0);
    assert_close(taken[5].step.inflation_c2, 0.0, 0.0, "inflation");
    assert_close(taken[5].step.widened_c2, 0.0, 0.0, "widening");
    assert!((taken[5].state.level_c - 10.0).abs() < 2.0);
}

#[test]
fn two_readings_far_off_to_the_same_side_are_a_step() {
    let fleet = fleet_of(&[10.0, 11.0, 9.5, 10.5, 40.0, 41.0]);
    let taken = taken(&fleet);
    assert!(taken[4].step.inflation_c2 > 0.0);
    assert!(taken[4].state.level_c < 16.0);
    assert_close(taken[5].step.widened_c2, 64.0, 1e-12, "widening");
    assert_close(taken[5].step.inflation_c2, 0.0, 0.0, "inflation");
    assert!((taken[5].state.level_c - 41.0).abs() < 3.0);
}

#[test]
fn two_readings_far_off_to_opposite_sides_are_no_step() {
    let taken = taken(&fleet_of(&[10.0, 11.0, 9.5, 10.5, 40.0, -20.0]));
    assert!(taken[4].step.inflation_c2 > 0.0);
    assert!(taken[5].step.inflation_c2 > 0.0);
    assert_close(taken[5].step.widened_c2, 0.0, 0.0, "widening");
}

#[test]
fn a_new_gauge_or_batch_may_differ_without_being_an_outlier() {
    // 9 °C off in the same gauge and batch is far; in others it is not.
    let mut fleet = fleet_of(&[10.0, 11.0, 9.5, 10.5, 19.0]);
    let same = taken(&fleet)[4];
    assert!(same.step.z.expect("a distance") > 2.5);
    fleet.sites[0].push(gauge(9.0));
    fleet.furnaces[0].1[4].effects[0].0 = Column::Local(1);
    let mut online = Online::new(fleet.components);
    online.add_global(fleet.globals[0]);
    let site = online.add_site();
    online.add_local(site, gauge(9.0));
    online.add_local(site, gauge(9.0));
    let furnace = online.add_furnace(site).expect("the site");
    let mut z = None;
    for one in &fleet.furnaces[0].1 {
        z = online
            .take(furnace, &one.firing())
            .expect("the furnace")
            .step
            .z;
    }
    assert!(z.expect("a distance") < 2.0);
}

#[test]
fn the_first_reading_is_never_bounded() {
    for initial_sd_c in [None, Some(12.0)] {
        let mut fleet = fleet_of(&[300.0]);
        fleet.components.initial_sd_c = initial_sd_c;
        let first = taken(&fleet)[0];
        assert_eq!(first.step.z, None);
        assert_close(first.step.inflation_c2, 0.0, 0.0, "inflation");
    }
}

#[test]
fn a_replay_gives_the_same_bits() {
    let fleet = fleet_of(&[10.0, 11.0, 9.5, 60.0, 61.0, 10.5, 3.0]);
    let (first, second) = (taken(&fleet), taken(&fleet));
    for (a, b) in first.iter().zip(&second) {
        assert_eq!(a.state.level_c.to_bits(), b.state.level_c.to_bits());
        assert_eq!(a, b);
    }
}
