//! Proofs of the refit: against the same steps taken one by one, against the answer kept reading by
//! reading, and against itself on other numbers of threads.

use super::invented_network::{Network as Size, drawn};
use super::*;
use crate::inference::*;

fn small(sites: usize, readings: usize) -> (Vec<SiteRecords>, Vec<GlobalEffect>) {
    let size = Size {
        sites,
        readings,
        batches: 6,
        blunders: 0.03,
    };
    drawn(size, &Components::default(), 11)
}

fn bits(numbers: &[f64]) -> Vec<u64> {
    let mut bits = Vec::new();
    for number in numbers {
        bits.push(number.to_bits());
    }
    bits
}

fn all_bits(refit: &Refit, offsets: &[Vec<OffsetState>]) -> Vec<u64> {
    let mut all = bits(&refit.solution.means);
    all.extend(bits(&refit.solution.covariance));
    all.push(refit.solution.log_likelihood.to_bits());
    for block in &refit.blocks {
        all.extend(bits(&block.inverse));
        all.extend(bits(&block.means));
        all.extend(bits(&block.transfer));
        all.extend(bits(&block.reduced));
        all.extend(bits(&block.rho));
        all.extend(bits(&[block.log_terms, block.quadratic]));
    }
    for state in offsets.iter().flatten() {
        all.extend(bits(&[state.level_c, state.slope_c_per_week]));
        all.extend(bits(&[
            state.coefficient_c_per_100c,
            state.covariance[0][0],
        ]));
    }
    all
}

fn close(found: f64, expected: f64, what: &str) {
    assert!(
        (found - expected).abs() <= 1e-9 * expected.abs().max(1.0),
        "{what}: {found} instead of {expected}"
    );
}

#[test]
fn the_same_bits_come_from_any_number_of_threads() {
    // More sites than are eliminated at once, so that the sums go on from one lot to the next.
    let (sites, globals) = small(SITES_AT_ONCE + 70, 8);
    let components = Components::default();
    let mut expected = None;
    for threads in [1, 2, 3, 8] {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        let found = pool.install(|| {
            let refit = refit(&sites, &globals, &components).expect("a refit");
            let offsets = offsets(&sites, &globals, &components, &refit);
            all_bits(&refit, &offsets)
        });
        assert!(found.len() > 10_000);
        match &expected {
            None => expected = Some(found),
            Some(expected) => assert!(found == *expected, "{threads} threads"),
        }
    }
}

#[test]
fn a_refit_takes_the_same_steps_as_sites_added_one_by_one() {
    let (sites, globals) = small(25, 20);
    let components = Components::default();
    let refit = refit(&sites, &globals, &components).expect("a refit");
    let mut network = Network::new(&globals, &components);
    for site in &sites {
        let mut walk = Walk::default();
        network.add(&walk.eliminated(site, &globals, &components));
    }
    assert_eq!(
        Ok(refit.solution.clone()),
        network.solved(),
        "kept and summed"
    );
    assert_eq!(
        Ok(refit.solution),
        contributions(&sites, &globals, &components).solved()
    );
    assert_eq!(refit.blocks.len(), sites.len());
}

/// Takes all readings in one by one, except so many of the last of every furnace.
fn kept(sites: &[SiteRecords], globals: &[GlobalEffect], but: usize) -> Online {
    let mut online = Online::new(Components::default());
    for global in globals {
        online.add_global(*global);
    }
    for records in sites {
        let site = online.add_site();
        for local in &records.locals {
            online
                .add_local(site, local.clone())
                .expect("a site for the gauge");
        }
        for furnace in 0..records.furnaces() {
            let number = online.add_furnace(site).expect("a site for the furnace");
            let readings = records.of_furnace(furnace);
            for reading in &readings[..readings.len() - but] {
                let firing = records.firing(reading, records.effects(reading));
                online.take(number, &firing).expect("a furnace");
            }
        }
    }
    online
}

fn same_solution(found: &Solution, expected: &Solution) {
    close(
        found.log_likelihood,
        expected.log_likelihood,
        "log-likelihood",
    );
    assert_eq!(found.counted, expected.counted);
    assert_eq!(found.means.len(), expected.means.len());
    for (one, other) in found.means.iter().zip(&expected.means) {
        close(*one, *other, "batch");
    }
    for (one, other) in found.covariance.iter().zip(&expected.covariance) {
        close(*one, *other, "covariance of batches");
    }
}

fn same_state(found: &OffsetState, expected: &OffsetState) {
    close(found.level_c, expected.level_c, "level");
    close(found.slope_c_per_week, expected.slope_c_per_week, "slope");
    close(
        found.coefficient_c_per_100c,
        expected.coefficient_c_per_100c,
        "coefficient",
    );
    for (one, other) in found
        .covariance
        .iter()
        .flatten()
        .zip(expected.covariance.iter().flatten())
    {
        close(*one, *other, "covariance of the state");
    }
    assert_eq!(found.readings, expected.readings);
}

#[test]
fn a_refit_agrees_with_the_answer_kept_reading_by_reading() {
    let (sites, globals) = small(12, 25);
    let components = Components::default();
    let online = kept(&sites, &globals, 0);
    let refit = refit(&sites, &globals, &components).expect("a refit");
    same_solution(&refit.solution, online.solution());
    let found = offsets(&sites, &globals, &components, &refit);
    let mut number = 0;
    for (states, records) in found.iter().zip(&sites) {
        assert_eq!(states.len(), records.furnaces());
        for state in states {
            same_state(state, &online.state(number).expect("a state"));
            number += 1;
        }
    }
    assert!(number > 20);
}

#[test]
fn a_fleet_taken_up_from_its_record_goes_on_as_if_it_had_never_stopped() {
    let (sites, globals) = small(12, 25);
    let mut earlier = Vec::new();
    for records in &sites {
        let mut all_but_last = SiteRecords::new(records.locals.clone());
        for furnace in 0..records.furnaces() {
            all_but_last.push_furnace();
            for reading in &records.of_furnace(furnace)[..24] {
                all_but_last.push(&records.firing(reading, records.effects(reading)));
            }
        }
        earlier.push(all_but_last);
    }
    let mut expected = kept(&sites, &globals, 1);
    let mut found = Online::restored(&earlier, &globals, &Components::default()).expect("a fleet");
    same_solution(found.solution(), expected.solution());
    let mut number = 0;
    for records in &sites {
        for furnace in 0..records.furnaces() {
            let reading = &records.of_furnace(furnace)[24];
            let firing = records.firing(reading, records.effects(reading));
            let one = found.take(number, &firing).expect("a furnace");
            let other = expected.take(number, &firing).expect("a furnace");
            same_state(&one.state, &other.state);
            assert_eq!(one.fleet_z.is_some(), other.fleet_z.is_some());
            close(
                one.fleet_z.unwrap_or_default(),
                other.fleet_z.unwrap_or_default(),
                "distance",
            );
            number += 1;
        }
    }
    same_solution(found.solution(), expected.solution());
    assert_eq!(found.add_furnace(0), Some(number));
    let nothing = Online::restored(&[], &[], &Components::default()).expect("a fleet");
    assert_eq!(nothing.solution().counted, 0);
}

#[test]
fn a_reading_takes_forty_bytes_and_what_readings_share_is_written_once() {
    assert_eq!(size_of::<Reading>(), 40);
    let mut records = SiteRecords::new(vec![LocalEffect::default()]);
    assert_eq!(records.of_furnace(0), &[]);
    for number in 0..300_u32 {
        if number % 100 == 0 {
            records.push_furnace();
        }
        records.push(&Firing {
            weeks: 2.0,
            setpoint_c: 1500.0,
            offset_c: f64::from(number),
            variance_c2: 4.0,
            event_variance_c2: if number % 50 == 49 { 64.0 } else { 0.0 },
            redraws_slope: number % 50 == 49,
            shift_c: 0.0,
            effects: &[
                (Column::Local(0), 1.02),
                (Column::Global(usize::from(number % 7 == 0)), 1.0),
            ],
        });
    }
    records.shrink();
    assert_eq!(records.furnaces(), 3);
    assert_eq!(records.lists(), 2);
    assert_eq!(records.of_furnace(1).len(), 100);
    assert_eq!(records.of_furnace(3), &[]);
    let last = records.of_furnace(2)[99];
    let firing = records.firing(&last, records.effects(&last));
    assert_eq!(
        firing,
        Firing {
            weeks: 2.0,
            setpoint_c: 1500.0,
            offset_c: 299.0,
            variance_c2: 4.0,
            event_variance_c2: 64.0,
            redraws_slope: true,
            shift_c: 0.0,
            effects: &[(Column::Local(0), 1.02), (Column::Global(0), 1.0)],
        }
    );
}

#[test]
fn a_network_without_sites_keeps_its_priors() {
    let globals = [GlobalEffect {
        prior_variance_c2: 4.0,
        scaled: true,
    }];
    let components = Components::default();
    let nothing = refit(&[], &globals, &components).expect("priors");
    assert_eq!(nothing.solution.means, [0.0]);
    assert_eq!(nothing.solution.covariance, [4.0]);
    assert_eq!(nothing.solution.counted, 0);
    let empty = [SiteRecords::default(), SiteRecords::new(Vec::new())];
    let nothing = refit(&empty, &globals, &components).expect("priors");
    assert_eq!(nothing.solution.covariance, [4.0]);
    assert_eq!(nothing.blocks.len(), 2);
}

#[test]
fn records_that_make_no_sense_do_no_harm() {
    let globals = [GlobalEffect {
        prior_variance_c2: 4.0,
        scaled: true,
    }];
    let components = Components::default();
    let mut records = SiteRecords::new(vec![LocalEffect {
        prior_variance_c2: f64::NAN,
        scaled: true,
        checks: vec![Check {
            value_c: f64::NAN,
            variance_c2: 1.0,
        }],
    }]);
    // Without a furnace of its own the first reading starts one.
    for offset_c in [f64::NAN, 19.0, f64::INFINITY, 300.0, 21.0] {
        records.push(&Firing {
            weeks: -3.0,
            setpoint_c: 1500.0,
            offset_c,
            variance_c2: 4.0,
            event_variance_c2: f64::NAN,
            redraws_slope: false,
            shift_c: 0.0,
            effects: &[
                (Column::Local(7), 1.0),
                (Column::Global(99), f64::NAN),
                (Column::Global(0), 1.0),
            ],
        });
    }
    assert_eq!(records.furnaces(), 1);
    let sites = [records];
    let refit = refit(&sites, &globals, &components).expect("finite sums");
    assert!(refit.solution.log_likelihood.is_finite());
    assert!(refit.solution.means[0].is_finite());
    let offsets = offsets(&sites, &globals, &components, &refit);
    assert!((offsets[0][0].level_c - 20.0).abs() < 10.0);
    assert_eq!(offsets[0][0].readings, 3);
}
