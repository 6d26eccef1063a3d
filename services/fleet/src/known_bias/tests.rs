//! Tests of what is known of batches and gauges.

use ringtrue_calibration::inference::Components;

use super::*;
use crate::fitting::{Counts, Fitting};
use crate::gauge::{CheckDetails, GaugeDetails, GaugeKind};
use crate::key::{BatchId, CheckId, CheckKey, GaugeId, GaugeKey, ReadingId, SiteId};
use crate::knowledge::SiteFit;
use crate::ring_batch::{BatchDetails, BatchState};
use crate::tracking::{PointEffect, TrackPoint, TrackedOffset, replayed};

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

fn gauge(id: &str) -> Gauge {
    Gauge {
        key: GaugeKey {
            site: SiteId::new("porto").expect("an id"),
            gauge: GaugeId::new(id).expect("an id"),
        },
        details: GaugeDetails {
            display_name: "Caliper 1".to_owned(),
            kind: Some(GaugeKind::Caliper),
            resolution_mm: 0.01,
            maximum_permissible_error_mm: 0.03,
            ..GaugeDetails::default()
        },
        revision: 1,
        created_at: at("2026-01-01T00:00:00Z"),
        updated_at: at("2026-01-01T00:00:00Z"),
    }
}

fn batch(id: &str, stated: Option<f64>) -> RingBatch {
    RingBatch {
        key: BatchId::new(id).expect("an id"),
        details: BatchDetails {
            code: id.to_uppercase(),
            tables: Vec::new(),
            stated_expanded_uncertainty_c: stated,
            expires_on: None,
            provenance: String::new(),
            state: BatchState::Released,
            state_reason: String::new(),
        },
        revision: 1,
        created_at: at("2026-01-01T00:00:00Z"),
        updated_at: at("2026-01-01T00:00:00Z"),
    }
}

fn check(id: &str, checked_at: &str, bias_mm: f64) -> GaugeCheck {
    GaugeCheck {
        key: CheckKey {
            gauge: gauge("g1").key,
            check: CheckId::new(id).expect("an id"),
        },
        details: CheckDetails {
            nominal_mm: 19.5,
            measured_mm: vec![19.5 + bias_mm],
            block_standard_uncertainty_mm: 0.0005,
            checked_at: Some(at(checked_at)),
            performed_by: String::new(),
            note: String::new(),
        },
        bias_mm,
        standard_uncertainty_mm: 0.002,
        received_at: at(checked_at),
    }
}

/// A furnace read some times with gauge `g1` and batch `b1`.
fn furnace(offsets_c: &[f64]) -> TrackedOffset {
    let mut points = Vec::new();
    for (week, offset_c) in offsets_c.iter().enumerate() {
        let days = i64::try_from(week).expect("few") * 7;
        points.push(TrackPoint {
            reading: ReadingId::new(&format!("r{week}")).expect("an id"),
            fired_at: at("2026-01-02T18:00:00Z") + jiff::SignedDuration::from_hours(24 * days),
            setpoint_c: 1500.0,
            observed_offset_c: *offset_c,
            removed_c: 0.0,
            independent_c: 2.0,
            shared_c: 4.0,
            effects: vec![
                PointEffect {
                    effect: Effect::Gauge {
                        gauge: GaugeId::new("g1").expect("an id"),
                        epoch: 0,
                        unchecked: false,
                    },
                    coefficient: 1.0,
                    sd_c: 3.4,
                },
                PointEffect {
                    effect: Effect::Batch(BatchId::new("b1").expect("an id")),
                    coefficient: 1.0,
                    sd_c: 2.0,
                },
            ],
            surprise: None,
            mean_mm: 19.47,
            batch: None,
            gauge: None,
        });
    }
    replayed(&points, &[], &Components::default(), 0).expect("read")
}

fn fit(sites: usize, furnaces: &[TrackedOffset]) -> (Fit, SiteFit) {
    let before = Fit::default();
    let mut fitting = Fitting::after(&before, Components::default());
    let mut site = fitting.add_site(furnaces, &[]);
    for _ in 1..sites {
        site = fitting.add_site(furnaces, &[]);
    }
    let counts = Counts {
        components_number: 0,
        components_at: None,
        changes: 1,
        reference_version: 1,
    };
    let fit = fitting
        .finished(&before, at("2026-02-01T00:00:00Z"), counts)
        .expect("solvable");
    (fit, site)
}

#[test]
fn a_batch_that_nobody_read_is_known_by_its_papers_alone() {
    let fit = Fit::default();
    let stated = batch_known(&batch("b1", Some(6.0)), &fit);
    assert!((stated.expected_sd_c - 3.0).abs() < 1e-12, "{stated:?}");
    assert!((stated.variance_c2 - 9.0).abs() < 1e-12, "{stated:?}");
    assert_eq!((stated.readings, stated.sites), (0, 0));
    let unstated = batch_known(&batch("b2", None), &fit);
    assert!((unstated.expected_sd_c - 2.0).abs() < 1e-12, "{unstated:?}");
}

#[test]
fn readings_of_all_sites_stand_behind_a_batch() {
    let (fit, _) = fit(3, &[furnace(&[12.0, 12.5, 11.0])]);
    let known = batch_known(&batch("b1", None), &fit);
    assert_eq!((known.readings, known.sites), (9, 3));
    assert!(
        known.variance_c2 > 0.0 && known.variance_c2 <= 4.0 + 1e-9,
        "{known:?}"
    );
}

#[test]
fn an_unchecked_gauge_is_known_by_its_permissible_error() {
    // 0.03 mm over the square root of 3, at 200 °C/mm.
    let site = SiteId::new("porto").expect("an id");
    let (fit, site_fit) = fit(1, &[furnace(&[12.0, 12.5])]);
    let knowledge = Knowledge {
        site: &site,
        fit: &fit,
        site_fit: Some(&site_fit),
        checks: &[],
    };
    let now = at("2026-02-02T00:00:00Z");
    let read = gauge_known(&gauge("g1"), &TimeZone::UTC, &knowledge, now);
    assert_eq!((read.readings, read.checks, read.gauges_of_site), (2, 0, 1));
    assert!(!read.can_be_told());
    let unread = gauge_known(&gauge("g2"), &TimeZone::UTC, &knowledge, now);
    assert_eq!((unread.readings, unread.gauges_of_site), (0, 2));
    assert!((unread.expected_sd_c - 3.4641).abs() < 1e-4, "{unread:?}");
    assert!((unread.variance_c2 - 12.0).abs() < 1e-9, "{unread:?}");
    assert!(unread.bias_c.abs() < 1e-12);
}

#[test]
fn a_check_says_what_the_bias_is_until_another_one_shows_a_change() {
    let site = SiteId::new("porto").expect("an id");
    let (fit, site_fit) = fit(1, &[furnace(&[12.0, 12.5])]);
    let known = |checks: Vec<GaugeCheck>, now: &str| {
        let checks = [(GaugeId::new("g1").expect("an id"), checks)];
        let knowledge = Knowledge {
            site: &site,
            fit: &fit,
            site_fit: Some(&site_fit),
            checks: &checks,
        };
        gauge_known(&gauge("g1"), &TimeZone::UTC, &knowledge, at(now))
    };
    let first = check("c1", "2026-01-20T08:00:00Z", 0.02);
    let after = known(vec![first.clone()], "2026-02-02T00:00:00Z");
    // The fit knew nothing of the check: it is taken in with the permissible error beside it.
    assert!(
        after.bias_mm() > 0.018 && after.bias_mm() < 0.0201,
        "{after:?}"
    );
    assert_eq!(after.checks, 1);
    let dropped = check("c2", "2026-01-28T08:00:00Z", -0.01);
    let anew = known(vec![dropped, first.clone()], "2026-02-02T00:00:00Z");
    assert_eq!((anew.checks, anew.readings), (1, 2));
    assert!((anew.bias_mm() + 0.01).abs() < 1e-4, "{anew:?}");
    // A year later it may have changed unseen by as much as its permissible error.
    let stale = known(vec![first], "2027-02-02T00:00:00Z");
    assert!(
        stale.variance_c2 > 10.0 * after.variance_c2,
        "{stale:?} {after:?}"
    );
}
