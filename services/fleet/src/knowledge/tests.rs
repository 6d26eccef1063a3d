//! What follows for one site from a fit, from kinds of errors and from checks.

use super::*;
use crate::fitting::tests::{fired, fitted};
use crate::tracking::tests::{BATCH_C, CALIPER_C, batch, check, gauge, porto, unfitted};

fn error(effect: Effect, sd_c: f64) -> ExpectedError {
    ExpectedError {
        effect,
        sd_c,
        readings: 0,
    }
}

fn caliper() -> ExpectedError {
    error(gauge("g1", 0), CALIPER_C)
}

fn rings(id: &str) -> ExpectedError {
    error(batch(id), BATCH_C)
}

fn close(found: f64, wanted: f64) -> bool {
    (found - wanted).abs() < 1e-9
}

fn of_g1(found: Vec<GaugeCheck>) -> Vec<(GaugeId, Vec<GaugeCheck>)> {
    vec![(GaugeId::new("g1").expect("an id"), found)]
}

/// A fit of one furnace with one caliper and two batches.
fn one_site(checks: &[(GaugeId, Vec<GaugeCheck>)]) -> (Fit, SiteFit) {
    let mut readings = Vec::new();
    for _ in 0..5 {
        readings.push((12.0, "g1", "b1"));
        readings.push((16.0, "g1", "b2"));
    }
    let furnace = [fired(&readings)];
    let (fit, mut parts) = fitted(&Fit::default(), &[(&furnace, checks)]);
    (fit, parts.remove(0))
}

#[test]
fn before_any_fit_every_error_is_what_is_expected_of_its_kind() {
    let (mut fit, site) = (Fit::default(), porto());
    fit.components.gauge_scale = 2.0;
    fit.components.batch_scale = 0.5;
    let known = unfitted(&site, &fit, &[]).of(&[
        rings("b1"),
        caliper(),
        error(Effect::Hold(None), 1.0),
        error(Effect::Thermocouple('B'), 1.0),
    ]);
    let wanted = [1.0, 4.0 * CALIPER_C * CALIPER_C, 1.0, 1.0];
    for (row, variance) in wanted.into_iter().enumerate() {
        assert!(close(known.mean_c(row), 0.0));
        for column in 0..4 {
            let expected = if row == column { variance } else { 0.0 };
            assert!(close(known.covariance_c2(row, column), expected));
        }
    }
}

#[test]
fn errors_that_the_fit_does_not_know_stand_beside_those_it_knows() {
    let (fit, part) = one_site(&[]);
    let site = porto();
    let knowledge = Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&part),
        checks: &[],
    };
    let known = knowledge.of(&[rings("b1"), rings("b2"), caliper()]);
    let mixed = knowledge.of(&[
        error(gauge("g7", 0), CALIPER_C),
        rings("b2"),
        rings("b8"),
        caliper(),
        rings("b1"),
    ]);
    // Where each of the known three stands among the five.
    let places = [4, 1, 3];
    for (row, at) in places.into_iter().enumerate() {
        assert!(close(mixed.mean_c(at), known.mean_c(row)));
        for (column, other) in places.into_iter().enumerate() {
            let (found, wanted) = (
                mixed.covariance_c2(at, other),
                known.covariance_c2(row, column),
            );
            assert!(close(found, wanted), "{found} {wanted}");
        }
    }
    for (new, sd_c) in [(0, CALIPER_C), (2, BATCH_C)] {
        assert!(close(mixed.mean_c(new), 0.0));
        assert!(close(mixed.covariance_c2(new, new), sd_c * sd_c));
        for other in [1, 3, 4] {
            assert!(close(mixed.covariance_c2(new, other), 0.0));
            assert!(close(mixed.covariance_c2(other, new), 0.0));
        }
    }
    // The fit tells the batches apart: the hotter one is biased upwards, the colder one as much down.
    assert!(mixed.mean_c(1) > 1.0 && mixed.mean_c(4) < -1.0);
    assert!(mixed.covariance_c2(1, 4) > 0.0);
}

#[test]
fn a_site_that_the_fit_has_not_met_knows_the_batches_all_the_same() {
    let (fit, part) = one_site(&[]);
    let site = SiteId::new("faro").expect("an id");
    let there = Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&part),
        checks: &[],
    };
    let known = unfitted(&site, &fit, &[]).of(&[caliper(), rings("b2")]);
    assert!(close(known.mean_c(1), there.of(&[rings("b2")]).mean_c(0)));
    assert!(close(known.covariance_c2(0, 0), CALIPER_C * CALIPER_C));
    assert!(close(known.covariance_c2(0, 1), 0.0));
}

#[test]
fn a_check_made_since_the_fit_moves_the_gauge() {
    let (fit, part) = one_site(&[]);
    let site = porto();
    let knowing = |checks| Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&part),
        checks,
    };
    let asked = [caliper(), rings("b1")];
    let before = knowing(&[]).of(&asked);
    assert!(before.mean_c(0).abs() < 1.0);
    // The caliper reads a block 0.03 mm small: rings seem 6 °C hotter than they are.
    let checks = of_g1(vec![check("c1", "g1", "2026-11-24T08:00:00Z", -0.03)]);
    let after = knowing(&checks).of(&asked);
    assert!(after.mean_c(0) > 5.0 && after.mean_c(0) < 6.0);
    assert!(after.covariance_c2(0, 0) < 1.0 && after.covariance_c2(0, 0) > 0.9);
    assert!(after.covariance_c2(1, 1) <= before.covariance_c2(1, 1) + 1e-12);
    // A check of another gauge says nothing of this one.
    let others = vec![(
        GaugeId::new("g2").expect("an id"),
        vec![check("c2", "g2", "2026-11-24T08:00:00Z", -0.03)],
    )];
    assert_eq!(knowing(&others).of(&asked), before);
}

#[test]
fn a_check_that_the_fit_took_in_is_not_counted_twice() {
    let first = check("c1", "g1", "2026-01-01T08:00:00Z", -0.03);
    let checks = of_g1(vec![first.clone()]);
    let (fit, part) = one_site(&checks);
    assert_eq!(
        part.locals[0].checks,
        std::slice::from_ref(&first.key.check)
    );
    let site = porto();
    let knowing = |checks| Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&part),
        checks,
    };
    let once = knowing(&checks).of(&[caliper()]);
    assert!((once.covariance_c2(0, 0) - 1.0).abs() < 1e-3);
    assert_eq!(once, knowing(&[]).of(&[caliper()]));
    // A second one that agrees halves the variance.
    let twice = of_g1(vec![
        first,
        check("c2", "g1", "2026-11-24T08:00:00Z", -0.028),
    ]);
    let twice = knowing(&twice).of(&[caliper()]);
    assert!((twice.covariance_c2(0, 0) - 0.5).abs() < 1e-3);
    assert!((twice.mean_c(0) - 5.8).abs() < 1e-2);
}

#[test]
fn a_first_check_lets_the_gauge_be_anything_that_the_block_shows() {
    // 0.05 mm where 0.03 mm is permitted: the block is believed, not the maker.
    let checks = of_g1(vec![check("c1", "g1", "2026-11-24T08:00:00Z", 0.05)]);
    let (fit, site) = (Fit::default(), porto());
    let known = unfitted(&site, &fit, &checks).of(&[caliper()]);
    assert!((known.mean_c(0) + 10.0).abs() < 1e-3);
    assert!((known.covariance_c2(0, 0) - 1.0).abs() < 1e-3);
}

#[test]
fn a_check_past_its_date_counts_less() {
    let checks = of_g1(vec![check("c1", "g1", "2026-11-24T08:00:00Z", -0.03)]);
    let (fit, site) = (Fit::default(), porto());
    let overdue = Effect::Gauge {
        gauge: GaugeId::new("g1").expect("an id"),
        epoch: 0,
        unchecked: true,
    };
    let known = unfitted(&site, &fit, &checks).of(&[error(overdue, CALIPER_C)]);
    assert!((known.mean_c(0) - 6.0).abs() < 1e-2);
    let variance = 1.0 + CALIPER_C * CALIPER_C;
    assert!((known.covariance_c2(0, 0) - variance).abs() < 1e-2);
}

#[test]
fn a_gauge_that_changed_is_another_gauge() {
    // It was dropped between two checks: what was read before keeps the first bias.
    let checks = of_g1(vec![
        check("c1", "g1", "2026-01-10T08:00:00Z", 0.01),
        check("c2", "g1", "2026-09-01T08:00:00Z", 0.06),
    ]);
    let (fit, site) = (Fit::default(), porto());
    let knowledge = unfitted(&site, &fit, &checks);
    let dropped = epochs(&checks[0].1)[1].number;
    let known = knowledge.of(&[caliper(), error(gauge("g1", dropped), CALIPER_C)]);
    assert!((known.mean_c(0) + 2.0).abs() < 1e-3);
    assert!((known.mean_c(1) + 12.0).abs() < 1e-3);
    assert!(close(known.covariance_c2(0, 1), 0.0));
    assert_eq!(checks_of(&checks, &gauge("g1", 0)).len(), 1);
    assert_eq!(checks_of(&checks, &gauge("g1", dropped)).len(), 1);
    assert!(checks_of(&checks, &gauge("g2", 0)).is_empty());
    assert!(checks_of(&checks, &batch("b1")).is_empty());
}
