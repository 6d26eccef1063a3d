//! What a fit finds in the readings of several sites.

use super::*;
use ringtrue_calibration::inference::Weighing;

use crate::knowledge::{ExpectedError, Knowledge};
use crate::tracking::tests::{
    BATCH_C, CALIPER_C, at, batch, check, gauge, point_with, porto, stepped,
};
use crate::tracking::{expectation, offset_then};

/// A furnace's weekly firings: the offset shown, with which caliper, of which batch.
pub(crate) fn fired(readings: &[(f64, &str, &str)]) -> TrackedOffset {
    let mut tracked: Option<TrackedOffset> = None;
    for (week, (offset_c, caliper, rings)) in readings.iter().enumerate() {
        let day = 7 * week;
        let (month, day) = (day / 28 + 1, day % 28 + 1);
        let fired_at = format!("2026-{month:02}-{day:02}T18:00:00Z");
        let point = point_with(&fired_at, *offset_c, caliper, rings);
        tracked = Some(stepped(tracked.as_ref(), &[], point).0);
    }
    tracked.expect("a firing")
}

/// Firings of two batches by turns, the second showing so much more.
fn by_turns(offset_c: f64, hotter_c: f64) -> TrackedOffset {
    let mut readings = Vec::new();
    for _ in 0..6 {
        readings.push((offset_c, "g1", "b1"));
        readings.push((offset_c + hotter_c, "g1", "b2"));
    }
    fired(&readings)
}

pub(crate) type Checks = [(GaugeId, Vec<GaugeCheck>)];

/// A fit of some sites in this order, and their parts.
pub(crate) fn fitted(before: &Fit, sites: &[(&[TrackedOffset], &Checks)]) -> (Fit, Vec<SiteFit>) {
    let mut fitting = Fitting::after(before, Components::default());
    let mut parts = Vec::new();
    for (furnaces, checks) in sites {
        parts.push(fitting.add_site(furnaces, checks));
    }
    let counts = Counts {
        components_number: 0,
        components_at: None,
        changes: 5,
        reference_version: 2,
    };
    let fit = fitting
        .finished(before, at("2026-11-30T08:00:00Z"), counts)
        .expect("a solution");
    (fit, parts)
}

fn bias(fit: &Fit, effect: &Effect) -> (f64, f64) {
    let known = Knowledge {
        site: &porto(),
        fit,
        site_fit: None,
        checks: &[],
    }
    .of(&[ExpectedError {
        effect: effect.clone(),
        sd_c: BATCH_C,
        readings: 0,
    }]);
    (known.mean_c(0), known.covariance_c2(0, 0).sqrt())
}

#[test]
fn a_hot_batch_that_two_sites_share_is_found() {
    let porto = [by_turns(12.0, 6.0), by_turns(-5.0, 6.0)];
    let braga = [by_turns(3.0, 6.0)];
    let (fit, _) = fitted(&Fit::default(), &[(&porto, &[]), (&braga, &[])]);
    let (cold, sure_of_cold) = bias(&fit, &batch("b1"));
    let (hot, sure_of_hot) = bias(&fit, &batch("b2"));
    // The difference is what shows; which of the two is off, nobody can tell, so each bears half.
    assert!(hot - cold > 5.0 && hot - cold < 6.0, "{hot} {cold}");
    assert!((hot + cold).abs() < 1e-6, "{hot} {cold}");
    assert!(sure_of_hot < BATCH_C && sure_of_cold < BATCH_C);
    // A furnace that was never read before has the bias taken off its first reading.
    let next = point_with("2026-12-04T18:00:00Z", 20.0, "g9", "b2");
    let site = SiteId::new("faro").expect("an id");
    let knowledge = Knowledge {
        site: &site,
        fit: &fit,
        site_fit: None,
        checks: &[],
    };
    let expected = expectation(None, &[], &next, &knowledge);
    assert!((expected.bias_c - hot).abs() < 1e-12);
    // A lone site with one furnace sees it less clearly.
    let (lone, _) = fitted(&Fit::default(), &[(&braga, &[])]);
    assert!(bias(&lone, &batch("b2")).0 < hot);
}

#[test]
fn batches_that_agree_are_not_biased_and_are_better_known() {
    let mut readings = Vec::new();
    for week in 0..12 {
        let rings = if week < 6 { "b1" } else { "b2" };
        readings.push((12.0, "g1", rings));
    }
    let steady = fired(&readings);
    let (fit, _) = fitted(&Fit::default(), &[(&[steady], &[])]);
    assert!(bias(&fit, &batch("b2")).0.abs() < 1e-9);
    assert!(bias(&fit, &batch("b2")).1 < BATCH_C);
}

#[test]
fn readings_and_sites_are_counted() {
    let porto = [
        fired(&[(12.0, "g1", "b1"), (13.0, "g1", "b2"), (12.0, "g1", "b2")]),
        fired(&[(5.0, "g1", "b2")]),
    ];
    let braga = [fired(&[(5.0, "g1", "b2"), (5.0, "g2", "b2")])];
    let (fit, parts) = fitted(&Fit::default(), &[(&braga, &[]), (&porto, &[])]);
    assert_eq!((fit.number, fit.readings), (1, 6));
    assert_eq!((fit.changes, fit.reference_version), (5, 2));
    assert_eq!(fit.fitted_at, Some(at("2026-11-30T08:00:00Z")));
    let counts: Vec<(String, i64, i64)> = fit
        .globals
        .iter()
        .map(|global| (global.effect.to_string(), global.readings, global.sites))
        .collect();
    assert_eq!(
        counts,
        [("batch:b2".to_owned(), 5, 2), ("batch:b1".to_owned(), 1, 1)]
    );
    let own: Vec<(String, u32)> = parts[0]
        .locals
        .iter()
        .map(|local| (local.effect.to_string(), local.readings))
        .collect();
    assert_eq!(
        own,
        [("gauge:g1/0".to_owned(), 1), ("gauge:g2/0".to_owned(), 1)]
    );
    // The gauges of two sites are two gauges, also where they have the same id.
    assert_eq!(parts[1].locals.len(), 1);
    assert_eq!(parts[1].locals[0].readings, 4);
    // Counts are of now, not of all fits together.
    let (again, _) = fitted(&fit, &[(&braga, &[]), (&porto, &[])]);
    assert_eq!((again.number, again.readings), (2, 6));
    assert_eq!(again.globals, fit.globals);
}

#[test]
fn a_network_without_readings_is_fitted_too() {
    let (fit, _) = fitted(&Fit::default(), &[]);
    assert_eq!(fit.number, 1);
    assert!(fit.globals.is_empty() && fit.solution.means.is_empty());
    let (fit, parts) = fitted(&fit, &[(&[], &[])]);
    assert_eq!(fit.number, 2);
    assert!(parts[0].locals.is_empty());
}

#[test]
fn the_same_readings_give_the_same_bits() {
    let porto = [by_turns(12.0, 6.0), by_turns(-5.0, 6.0)];
    let braga = [by_turns(3.0, 5.5)];
    let sites: [(&[TrackedOffset], &Checks); 2] = [(&porto, &[]), (&braga, &[])];
    assert_eq!(
        fitted(&Fit::default(), &sites),
        fitted(&Fit::default(), &sites)
    );
}

#[test]
fn parts_of_sites_that_have_not_changed_keep_their_meaning() {
    let porto_furnaces = [by_turns(12.0, 6.0), by_turns(-5.0, 6.0)];
    let (first, parts) = fitted(&Fit::default(), &[(&porto_furnaces, &[])]);
    // A site comes in that sorts before it and uses a batch that nobody used.
    let braga = [fired(&[
        (3.0, "g1", "b9"),
        (9.0, "g1", "b2"),
        (3.5, "g1", "b9"),
    ])];
    let (second, again) = fitted(&first, &[(&braga, &[]), (&porto_furnaces, &[])]);
    let order: Vec<String> = second
        .globals
        .iter()
        .map(|global| global.effect.to_string())
        .collect();
    assert_eq!(order, ["batch:b1", "batch:b2", "batch:b9"]);
    assert_eq!(parts[0], again[1]);
    let site = porto();
    let with = |part: &SiteFit| {
        let knowledge = Knowledge {
            site: &site,
            fit: &second,
            site_fit: Some(part),
            checks: &[],
        };
        offset_then(&porto_furnaces[0], &knowledge)
    };
    assert_eq!(with(&parts[0]), with(&again[1]));
    // What the other site showed of the batch reaches this one's furnaces.
    let before = Knowledge {
        site: &site,
        fit: &first,
        site_fit: Some(&parts[0]),
        checks: &[],
    };
    assert_ne!(offset_then(&porto_furnaces[0], &before), with(&parts[0]));
}

#[test]
fn the_one_step_update_of_an_evaluation_is_what_the_next_fit_finds() {
    let components = Components::default();
    let (site_a, site_b) = (SiteId::new("braga").expect("an id"), porto());
    let block = check("c1", "g2", "2026-01-20T08:00:00Z", -0.01);
    let checks = [(GaugeId::new("g2").expect("an id"), vec![block])];
    let none: &Checks = &[];
    let mut furnaces: [Vec<Option<TrackedOffset>>; 2] = [vec![None, None], vec![None]];
    let mut fit = Fit::default();
    let mut parts: Vec<SiteFit> = Vec::new();
    let (mut reduced, mut steps) = (0, 0);
    // Site, furnace, offset shown, caliper, batch; the last but two is far off, and the next agrees.
    let plan = [
        (0, 0, 12.0, "g1", "b1"),
        (1, 0, 3.0, "g1", "b1"),
        (0, 1, -4.0, "g1", "b1"),
        (1, 0, 8.0, "g2", "b2"),
        (0, 0, 17.0, "g1", "b2"),
        (0, 1, -4.5, "g1", "b1"),
        (1, 0, 4.0, "g2", "b1"),
        (0, 0, 45.0, "g1", "b1"),
        (0, 0, 44.0, "g1", "b3"),
        (0, 1, 0.5, "g1", "b2"),
    ];
    for (week, (site, furnace, offset_c, caliper, rings)) in plan.into_iter().enumerate() {
        let (month, day) = (week / 4 + 1, week % 4 * 7 + 1);
        let fired_at = format!("2026-{month:02}-{day:02}T18:00:00Z");
        let point = point_with(&fired_at, offset_c, caliper, rings);
        let own: &Checks = if site == 0 { none } else { &checks };
        let name = if site == 0 { &site_a } else { &site_b };
        let knowledge = Knowledge {
            site: name,
            fit: &fit,
            site_fit: parts.get(site),
            checks: own,
        };
        let before = furnaces[site][furnace].clone();
        let expected = expectation(before.as_ref(), &[], &point, &knowledge);
        let (after, counted) = stepped(before.as_ref(), &[], point.clone());
        reduced += u32::from(counted.inflation_c2 > 0.0);
        steps += u32::from(counted.widened_c2 > 0.0);
        let weighing = Weighing {
            variance_c2: components.noise_c2(point.independent_c.powi(2)),
            inflation_c2: counted.inflation_c2,
            widened_c2: counted.widened_c2,
        };
        let evaluated = expected
            .updated(point.setpoint_c, offset_c, weighing, &components)
            .state;
        furnaces[site][furnace] = Some(after);
        let of = |site: usize| -> Vec<TrackedOffset> {
            furnaces[site].iter().flatten().cloned().collect()
        };
        let (braga, porto) = (of(0), of(1));
        let (next, next_parts) = fitted(&fit, &[(&braga, none), (&porto, &checks)]);
        (fit, parts) = (next, next_parts);
        let knowledge = Knowledge {
            site: name,
            fit: &fit,
            site_fit: parts.get(site),
            checks: own,
        };
        let tracked = furnaces[site][furnace].as_ref().expect("just read");
        let refitted = offset_then(tracked, &knowledge);
        assert!(
            (refitted.level_c - evaluated.level_c).abs() < 1e-9,
            "{week}"
        );
        assert!((refitted.slope_c_per_week - evaluated.slope_c_per_week).abs() < 1e-9);
        let pairs = refitted.covariance.iter().zip(&evaluated.covariance);
        for (one, other) in pairs.flat_map(|(one, other)| one.iter().zip(other)) {
            assert!((one - other).abs() < 1e-9 * one.abs().max(1.0), "{week}");
        }
    }
    assert_eq!((fit.number, reduced, steps), (10, 1, 1));
}

#[test]
fn a_checked_gauge_is_what_its_block_shows() {
    let furnace = [by_turns(12.0, 0.0)];
    let block = check("c1", "g1", "2026-01-01T08:00:00Z", -0.03);
    let checks = [(GaugeId::new("g1").expect("an id"), vec![block])];
    let (fit, parts) = fitted(&Fit::default(), &[(&furnace, &checks)]);
    let site = porto();
    let knowledge = Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&parts[0]),
        checks: &checks,
    };
    let known = knowledge.of(&[ExpectedError {
        effect: gauge("g1", 0),
        sd_c: CALIPER_C,
        readings: 12,
    }]);
    assert!((known.mean_c(0) - 6.0).abs() < 1e-3);
    assert!((known.covariance_c2(0, 0) - 1.0).abs() < 1e-3);
    let offset = offset_then(&furnace[0], &knowledge).estimate(1500.0);
    assert!((offset.offset_c - 6.0).abs() < 1e-2, "{offset:?}");
}

#[test]
fn furnaces_in_order_of_their_keys_are_split_into_sites() {
    let key = |site: &str, furnace: &str| crate::key::FurnaceKey {
        site: SiteId::new(site).expect("an id"),
        furnace: crate::key::FurnaceId::new(furnace).expect("an id"),
    };
    let tracked = fired(&[(3.0, "g1", "b1")]);
    let split = by_site(vec![
        (key("braga", "k1"), tracked.clone()),
        (key("braga", "k2"), tracked.clone()),
        (key("porto", "k1"), tracked),
    ]);
    let sizes: Vec<(String, usize)> = split
        .iter()
        .map(|(site, furnaces)| (site.to_string(), furnaces.len()))
        .collect();
    assert_eq!(sizes, [("braga".to_owned(), 2), ("porto".to_owned(), 1)]);
    assert!(by_site(Vec::new()).is_empty());
}
