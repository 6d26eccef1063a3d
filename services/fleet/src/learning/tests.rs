//! What a network learns of itself, and what it leaves as assumed.

use super::*;
use crate::tracking::tests::{CALIPER_C, at, check, point_with};

/// Normal draws from a seed (linear congruential generator of Knuth, Box and Muller's transform; from
/// memory).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit a double")]
        let bits = (self.0 >> 11) as f64;
        (bits + 0.5) / 9_007_199_254_740_992.0
    }

    fn normal(&mut self, deviation: f64) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        deviation * radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Forty sites with three furnaces each, read every four weeks for a year and a half; three batches by
/// turns. The readings scatter so many times more than their budgets say.
fn network(scatter: f64) -> Learning {
    let mut dice = Dice(11);
    let mut learning = Learning::default();
    let batches = [-1.5, 0.5, 1.0];
    for _ in 0..40 {
        let caliper_c = dice.normal(3.0);
        let mut furnaces = Vec::new();
        for _ in 0..3 {
            let mut offset_c = dice.normal(12.0);
            let mut points = Vec::new();
            for month in 0..18_usize {
                offset_c += dice.normal(1.25);
                let (year, of_year) = (2025 + month / 12, month % 12 + 1);
                let number = month % 3;
                let shown_c = offset_c + caliper_c + batches[number] + dice.normal(scatter * 2.1);
                points.push(point_with(
                    &format!("{year}-{of_year:02}-05T18:00:00Z"),
                    shown_c,
                    "g1",
                    &format!("b{number}"),
                ));
            }
            furnaces.push((points, Vec::new()));
        }
        learning.add_site(&furnaces, &[]);
    }
    learning
}

#[test]
fn readings_that_scatter_more_than_their_budgets_are_taken_for_what_they_are() {
    let learnt = network(1.5).finished().expect("a maximum");
    assert!(learnt.converged);
    let noise = learnt.components.noise_scale;
    assert!((noise - 1.5).abs() < 0.15, "{noise}");
    let spread = learnt
        .components
        .initial_sd_c
        .expect("120 furnaces tell it");
    assert!((spread - 12.0).abs() < 3.0, "{spread}");
}

#[test]
fn three_batches_do_not_tell_how_batches_differ() {
    let learnt = network(1.0).finished().expect("a maximum");
    let scale = learnt.components.batch_scale;
    assert!((scale - 1.0).abs() < 1e-12, "{scale}");
    assert!(
        learnt
            .quantities
            .iter()
            .all(|learnt| learnt.quantity != Quantity::BatchScale)
    );
}

#[test]
fn a_network_without_readings_keeps_its_assumptions() {
    let learnt = Learning::default().finished().expect("nothing to solve");
    assert_eq!(learnt.components, Components::default());
}

#[test]
fn learning_waits_for_readings_and_then_for_a_month() {
    let now = at("2026-11-25T08:00:00Z");
    let mut fit = Fit {
        readings: FEWEST_READINGS - 1,
        ..Fit::default()
    };
    assert!(!is_due(&fit, now));
    fit.readings = FEWEST_READINGS;
    assert!(is_due(&fit, now));
    fit.components_at = Some(at("2026-11-01T08:00:00Z"));
    assert!(!is_due(&fit, now));
    fit.components_at = Some(at("2026-10-25T08:00:00Z"));
    assert!(is_due(&fit, now));
}

#[test]
fn very_many_readings_are_learnt_from_in_part() {
    let most = i64::try_from(Plan::default().most_readings).expect("small");
    let of = |readings| {
        stride(&Fit {
            readings,
            ..Fit::default()
        })
    };
    assert_eq!(of(0), 1);
    assert_eq!(of(most), 1);
    assert_eq!(of(most + 1), 2);
    assert_eq!(of(65 * most), 65);
}

#[test]
fn checked_calipers_tell_how_much_calipers_differ() {
    let mut dice = Dice(5);
    let mut learning = Learning::default();
    for _ in 0..40 {
        let caliper_c = dice.normal(CALIPER_C);
        let mut furnaces = Vec::new();
        for _ in 0..3 {
            let offset_c = dice.normal(12.0);
            let mut points = Vec::new();
            for month in 0..12 {
                let fired_at = format!("2026-{:02}-05T18:00:00Z", month + 1);
                let shown_c = offset_c + caliper_c + dice.normal(2.1);
                points.push(point_with(&fired_at, shown_c, "g1", "b1"));
            }
            furnaces.push((points, Vec::new()));
        }
        // The block shows the bias; −200 °C of it are 1 mm.
        let found = check("c1", "g1", "2026-01-01T08:00:00Z", -caliper_c / 200.0);
        let gauge = GaugeId::new("g1").expect("an id");
        learning.add_site(&furnaces, &[(gauge, vec![found])]);
    }
    let learnt = learning.finished().expect("a maximum");
    // They differ as is expected of their kind: the factor is 1, within what 40 of them tell.
    let scale = learnt.components.gauge_scale;
    assert!((0.7..1.3).contains(&scale), "{scale}");
}
