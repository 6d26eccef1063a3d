//! Components that a network was drawn from are found again; a network that says nothing says so.

use crate::inference::bulk::SiteRecords;
use crate::inference::bulk::invented_network::{Network as Size, drawn};
use crate::inference::variances::sample;
use crate::inference::*;

const SIZE: Size = Size {
    sites: 60,
    readings: 26,
    batches: 14,
    blunders: 0.0,
};

/// What the network is drawn from: away from where the search begins in every quantity.
fn truth() -> Components {
    Components {
        wander_c2_per_week: 0.7,
        slope_sd_c_per_week: 0.2,
        event_scale: 0.8,
        noise_scale: 1.2,
        batch_scale: 1.5,
        gauge_scale: 0.7,
        ..Components::default()
    }
}

fn found_again(found: &Learnt, truth: &Components) {
    assert!(found.converged);
    for learnt in &found.quantities {
        let expected = learnt.quantity.value(truth).expect("a true value");
        let error = learnt.log_standard_error.expect("a standard error");
        let away = libm::log(learnt.value / expected) / error;
        assert!(
            away.abs() < 2.5,
            "{:?}: {} instead of {expected}, {away} standard errors",
            learnt.quantity,
            learnt.value
        );
        assert!(learnt.told, "{:?}: {error}", learnt.quantity);
    }
}

#[test]
fn a_network_tells_the_components_it_was_drawn_from() {
    let (sites, globals) = drawn(SIZE, &truth(), 5);
    let plan = Plan {
        prior_log_sd: None,
        ..Plan::default()
    };
    let start = Components {
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let found = learnt(&sites, &globals, &start, &plan).expect("a likelihood");
    // A diffuse start has no spread to learn.
    assert_eq!(found.quantities.len(), 6);
    assert_eq!(found.sites, 60);
    found_again(&found, &truth());
}

#[test]
fn priors_and_the_robust_step_leave_the_answer_where_it_is() {
    let (sites, globals) = drawn(SIZE, &truth(), 6);
    let found =
        learnt(&sites, &globals, &Components::default(), &Plan::default()).expect("a likelihood");
    found_again(&found, &truth());
    assert!((found.components.bound_z - Components::default().bound_z).abs() < 1e-12);
}

#[test]
fn blunders_do_not_pass_for_noise() {
    let size = Size {
        blunders: 0.02,
        ..SIZE
    };
    let (sites, globals) = drawn(size, &truth(), 7);
    let plan = Plan {
        quantities: vec![Quantity::Wander, Quantity::NoiseScale],
        ..Plan::default()
    };
    let bounded = learnt(&sites, &globals, &truth(), &plan).expect("a likelihood");
    let trusting = Components {
        bound_z: f64::INFINITY,
        ..truth()
    };
    let trusted = learnt(&sites, &globals, &trusting, &plan).expect("a likelihood");
    let noise = |found: &Learnt| found.components.noise_scale / truth().noise_scale;
    assert!(noise(&trusted) > 1.5, "{}", noise(&trusted));
    assert!((noise(&bounded) - 1.0).abs() < 0.12, "{}", noise(&bounded));
}

#[test]
fn a_network_that_says_nothing_gives_the_priors_back() {
    let mut records = SiteRecords::default();
    records.push(&Firing {
        weeks: 0.0,
        setpoint_c: 1500.0,
        offset_c: 19.0,
        variance_c2: 4.0,
        event_variance_c2: 0.0,
        redraws_slope: false,
        shift_c: 0.0,
        effects: &[],
    });
    let start = Components::default();
    let record = [records];
    for (sites, prior_log_sd) in [
        (&[][..], Some(0.5)),
        (&record[..], Some(0.5)),
        (&record[..], None),
    ] {
        let plan = Plan {
            prior_log_sd,
            ..Plan::default()
        };
        let found = learnt(sites, &[], &start, &plan).expect("a likelihood");
        assert!(found.converged);
        assert_eq!(found.components, start);
        assert_eq!(found.quantities.len(), 6);
        for quantity in &found.quantities {
            assert!(!quantity.told, "{quantity:?}");
        }
    }
}

#[test]
fn a_large_network_is_sampled_the_same_way_every_time() {
    let (sites, globals) = drawn(SIZE, &truth(), 8);
    let all = sample::readings(&sites);
    let chosen = sample::every_nth(&sites, all.div_ceil(4));
    assert_eq!(chosen.len(), 15);
    assert!(std::ptr::eq(chosen[1], &raw const sites[4]));
    assert_eq!(sample::every_nth(&sites, all).len(), 60);
    assert_eq!(sample::every_nth(&sites, 0).len(), 1);
    let plan = Plan {
        quantities: vec![Quantity::NoiseScale],
        most_readings: all.div_ceil(4),
        ..Plan::default()
    };
    let start = Components::default();
    let mut expected = None;
    for threads in [1, 3] {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        let found = pool
            .install(|| learnt(&sites, &globals, &start, &plan))
            .expect("a likelihood");
        assert_eq!(found.sites, 15);
        match &expected {
            None => expected = Some(found),
            Some(expected) => assert_eq!(found, *expected),
        }
    }
}
