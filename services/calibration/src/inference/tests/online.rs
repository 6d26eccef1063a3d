//! The answer kept up reading by reading against the answer by elimination.

use super::invented_fleet::{Fired, Fleet, batch, gauge};
use super::{Dice, assert_close};
use crate::inference::*;
use proptest::prelude::*;

/// An online fleet with all effects and no reading; furnaces and sites have the fleet's numbers.
fn empty(fleet: &Fleet, with_checks: bool) -> Online {
    let mut online = Online::new(fleet.components);
    for global in &fleet.globals {
        online.add_global(*global);
    }
    for locals in &fleet.sites {
        let site = online.add_site();
        for local in locals {
            let mut local = local.clone();
            if !with_checks {
                local.checks.clear();
            }
            online.add_local(site, local).expect("the site");
        }
    }
    for (site, _) in &fleet.furnaces {
        online.add_furnace(*site).expect("the site");
    }
    online
}

fn assert_same(online: &Online, fleet: &Fleet) {
    let solved = fleet.solved();
    let solution = online.solution();
    assert_eq!(solution.counted, solved.solution.counted);
    let expected = solved.solution.log_likelihood;
    assert_close(solution.log_likelihood, expected, 1e-9, "log likelihood");
    for (a, b) in solution.means.iter().zip(&solved.solution.means) {
        assert_close(*a, *b, 1e-9, "shared effect");
    }
    for (a, b) in solution.covariance.iter().zip(&solved.solution.covariance) {
        assert_close(*a, *b, 1e-9, "shared effects");
    }
    for (site, locals) in fleet.sites.iter().enumerate() {
        let mut columns = vec![Column::Global(0)];
        for index in 0..locals.len() {
            columns.push(Column::Local(index));
        }
        let found = online.joint(site, &columns).expect("the site");
        let expected = solved.blocks[site].joint(&solved.solution, &columns);
        for (a, b) in found.mean.iter().zip(&expected.mean) {
            assert_close(*a, *b, 1e-9, "own effect");
        }
        for (a, b) in found.covariance.iter().zip(&expected.covariance) {
            assert_close(*a, *b, 1e-9, "own effects");
        }
    }
    for furnace in 0..fleet.furnaces.len() {
        let expected = solved.state(fleet, furnace);
        let Some(found) = online.state(furnace) else {
            assert_eq!(expected.readings, 0);
            continue;
        };
        assert_eq!(found.readings, expected.readings);
        assert_close(found.level_c, expected.level_c, 1e-9, "level");
        assert_close(
            found.slope_c_per_week,
            expected.slope_c_per_week,
            1e-9,
            "slope",
        );
        for (a, b) in found
            .covariance
            .iter()
            .flatten()
            .zip(expected.covariance.iter().flatten())
        {
            assert_close(*a, *b, 1e-9, "covariance");
        }
    }
}

/// What is added to an online fleet, one at a time.
enum Addition {
    Firing(usize, Fired),
    Check(usize, usize, Check),
}

/// All readings and checks of a fleet in a drawn order; a furnace's own firings keep theirs.
fn additions(fleet: &Fleet, seed: u64) -> Vec<Addition> {
    let mut dice = Dice::new(seed);
    let mut waiting: Vec<Vec<Addition>> = Vec::new();
    for (furnace, (_, fired)) in fleet.furnaces.iter().enumerate() {
        let mut queue = Vec::new();
        for one in fired.iter().rev() {
            queue.push(Addition::Firing(furnace, one.clone()));
        }
        waiting.push(queue);
    }
    for (site, locals) in fleet.sites.iter().enumerate() {
        for (index, local) in locals.iter().enumerate() {
            for check in &local.checks {
                waiting.push(vec![Addition::Check(site, index, *check)]);
            }
        }
    }
    let mut drawn = Vec::new();
    loop {
        waiting.retain(|queue| !queue.is_empty());
        if waiting.is_empty() {
            return drawn;
        }
        let next = dice.below(waiting.len());
        drawn.extend(waiting[next].pop());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn any_order_of_additions_gives_the_answer_of_elimination(seed in any::<u64>(), order in any::<u64>()) {
        let initial_sd_c = if seed % 3 == 0 { Some(12.0) } else { None };
        let mut fleet = Fleet::invented(seed, Components { initial_sd_c, ..Components::default() });
        let mut online = empty(&fleet, false);
        for addition in additions(&fleet, order) {
            match addition {
                Addition::Firing(furnace, fired) => {
                    let expected = online.expected(furnace, &fired.firing());
                    let taken = online.take(furnace, &fired.firing()).expect("the furnace");
                    prop_assert_eq!(Some(taken.expectation), expected);
                    prop_assert_eq!(Some(taken.state), online.state(furnace));
                }
                Addition::Check(site, local, check) => {
                    prop_assert!(online.record_check(site, local, check));
                }
            }
        }
        assert_same(&online, &fleet);
        // A furnace's record is amended: a reading in its middle is withdrawn.
        let furnace = Dice::new(order).below(fleet.furnaces.len());
        let fired = &mut fleet.furnaces[furnace].1;
        fired.remove(fired.len() / 2);
        let firings: Vec<Firing<'_, Column>> = fired.iter().map(Fired::firing).collect();
        let steps = online.replace_furnace(furnace, &firings).expect("a solution");
        prop_assert_eq!(steps.expect("the furnace").len(), firings.len());
        assert_same(&online, &fleet);
        online.rebuild().expect("a solution");
        assert_same(&online, &fleet);
    }

    #[test]
    fn effects_that_come_later_change_nothing_of_the_answer(seed in any::<u64>()) {
        let fleet = Fleet::invented(seed, Components::default());
        let mut online = Online::new(fleet.components);
        for _ in &fleet.sites {
            online.add_site();
        }
        for (site, _) in &fleet.furnaces {
            online.add_furnace(*site).expect("the site");
        }
        for (site, locals) in fleet.sites.iter().enumerate() {
            online.add_local(site, locals[0].clone()).expect("the site");
        }
        online.add_global(fleet.globals[0]);
        for (furnace, (_, fired)) in fleet.furnaces.iter().enumerate() {
            for one in fired {
                // Everything but the first gauge and batch is met only when it is used.
                for (column, _) in &one.effects {
                    match column {
                        Column::Local(index) => {
                            let site = fleet.furnaces[furnace].0;
                            let wanted = (0..=*index).map(|k| fleet.sites[site][k].clone());
                            let known = known_locals(&online, site);
                            for local in wanted.skip(known) {
                                online.add_local(site, local).expect("the site");
                            }
                        }
                        Column::Global(index) => {
                            while online.solution().means.len() <= *index {
                                online.add_global(fleet.globals[online.solution().means.len()]);
                            }
                        }
                    }
                }
                online.take(furnace, &one.firing()).expect("the furnace");
            }
        }
        for (site, locals) in fleet.sites.iter().enumerate() {
            for local in locals.iter().skip(known_locals(&online, site)) {
                online.add_local(site, local.clone()).expect("the site");
            }
        }
        while online.solution().means.len() < fleet.globals.len() {
            online.add_global(fleet.globals[online.solution().means.len()]);
        }
        assert_same(&online, &fleet);
    }
}

/// How many gauges a site has.
fn known_locals(online: &Online, site: usize) -> usize {
    online.locals(site).map_or(0, <[LocalEffect]>::len)
}

#[test]
fn a_gauge_that_is_described_anew_is_solved_anew() {
    let mut fleet = Fleet::invented(5, Components::default());
    let mut online = empty(&fleet, true);
    for (furnace, (_, fired)) in fleet.furnaces.clone().iter().enumerate() {
        for one in fired {
            online.take(furnace, &one.firing()).expect("the furnace");
        }
    }
    let described = LocalEffect {
        prior_variance_c2: 0.36,
        scaled: false,
        checks: vec![Check {
            value_c: 1.5,
            variance_c2: 0.8,
        }],
    };
    fleet.sites[0][0] = described.clone();
    assert!(online.replace_local(0, 0, described).expect("a solution"));
    assert_same(&online, &fleet);
    assert!(
        !online
            .replace_local(7, 0, gauge(1.0))
            .expect("nothing to do")
    );
}

#[test]
fn a_fleet_knows_a_biased_batch_where_one_furnace_cannot() {
    // Twenty sites read +6 °C as soon as they open batch 1.
    let mut fleet = Fleet {
        components: Components::default(),
        globals: vec![batch(4.0), batch(4.0)],
        sites: Vec::new(),
        furnaces: Vec::new(),
    };
    for site in 0..20 {
        fleet.sites.push(vec![gauge(9.0)]);
        let mut fired = Vec::new();
        for k in 0..8 {
            let mut one = Fired::plain(2.0, if k < 6 { 10.0 } else { 16.0 });
            if k >= 6 {
                one.effects[1].0 = Column::Global(1);
            }
            fired.push(one);
        }
        fleet.furnaces.push((site, fired));
    }
    let together = fleet.solved();
    let difference = together.solution.mean_c(1) - together.solution.mean_c(0);
    assert!(difference > 5.0, "{difference}");
    fleet.sites.truncate(1);
    fleet.furnaces.truncate(1);
    let alone = fleet.solved();
    let guessed = alone.solution.mean_c(1) - alone.solution.mean_c(0);
    assert!(guessed < 0.7 * difference, "{guessed}");
}

#[test]
fn unknown_furnaces_sites_and_effects_are_answered_with_none() {
    let mut online = Online::new(Components::default());
    let fired = Fired::plain(0.0, 5.0);
    assert_eq!(online.add_furnace(0), None);
    assert_eq!(online.add_local(3, gauge(9.0)), None);
    assert!(online.take(0, &fired.firing()).is_none());
    assert!(online.expected(0, &fired.firing()).is_none());
    assert!(online.state(0).is_none() && online.effects(0).is_none());
    assert!(online.joint(0, &[]).is_none());
    assert_eq!(online.replace_furnace(0, &[]), Ok(None));
    let site = online.add_site();
    let furnace = online.add_furnace(site).expect("the site");
    assert!(online.state(furnace).is_none());
    let check = Check {
        value_c: 1.0,
        variance_c2: 1.0,
    };
    assert!(!online.record_check(site, 0, check));
    // Gauge and batch do not exist: the reading counts as free of bias.
    let taken = online.take(furnace, &fired.firing()).expect("the furnace");
    assert_close(taken.state.level_c, 5.0, 1e-12, "level");
    assert_close(taken.state.covariance[0][0], 4.41, 1e-12, "variance");
    assert_eq!(online.columns(furnace), Some([].as_slice()));
}
