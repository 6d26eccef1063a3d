//! Rules that look at one furnace, batch or gauge.

use jiff::civil::date;

use super::*;
use crate::furnace::FurnaceState;
use crate::key::ProgrammeId;
use crate::key::{GaugeId, ProgrammeKey};
use crate::standing::{Conformity, PresentError, Standing};

fn stands(leaving_probability: f64) -> Standing {
    let key = furnace("k2");
    Standing {
        furnace: key.clone(),
        display_name: "K2".to_owned(),
        site_display_name: "North bench".to_owned(),
        state: FurnaceState::InUse,
        tolerance_c: 10.0,
        conformity: Conformity::Undecided,
        error: Some(PresentError {
            programme: ProgrammeKey {
                furnace: key.clone(),
                programme: ProgrammeId::new("crown").expect("an id"),
            },
            error_c: 7.96,
            standard_uncertainty_c: 2.1,
            outside_probability: 0.17,
            leaving_probability,
        }),
        drift: None,
        foreseen: None,
        next_due_on: date(2026, 7, 1),
        due: false,
        last_fired_at: Some(day(0)),
        last_reading: Some(reading(&key, 3)),
        readings: 3,
        open_findings: 0,
    }
}

#[test]
fn leaving_tolerance_is_said_from_even_odds_on() {
    let likely = leaving(&stands(0.5)).expect("an error");
    assert_eq!(likely.strength, Strength::Clear);
    assert!((likely.probability - 0.5).abs() < 1e-12);
    assert!(
        likely.statement.contains("+8.0 ± 4.2 °C"),
        "{}",
        likely.statement
    );
    assert!(
        likely
            .statement
            .contains("2026-07-01, with a probability of 50 %")
    );
    assert_eq!(likely.readings, [reading(&furnace("k2"), 3)]);
    let unlikely = leaving(&stands(0.49)).expect("an error");
    assert_eq!(unlikely.strength, Strength::Faint);
}

#[test]
fn a_furnace_outside_or_overdue_is_spoken_of_as_of_now() {
    let mut outside = stands(0.99);
    outside.conformity = Conformity::Out;
    let found = leaving(&outside).expect("an error");
    let words = found.statement;
    assert!(words.contains("is outside tolerance with"), "{words}");
    // What its last reading advised is to be entered; another ring comes after that.
    assert!(
        found.next_step.starts_with("Fire no work in it"),
        "{}",
        found.next_step
    );
    if let Some(error) = &mut outside.error {
        error.outside_probability = 0.999;
    }
    let words = leaving(&outside).expect("an error").statement;
    assert!(words.contains("more than 99 %"), "{words}");
    let mut overdue = stands(0.6);
    overdue.due = true;
    let words = leaving(&overdue).expect("an error").statement;
    assert!(words.contains("was due by 2026-07-01"), "{words}");
}

#[test]
fn furnaces_never_read_or_not_in_use_leave_nothing() {
    let mut unread = stands(0.9);
    unread.error = None;
    assert_eq!(leaving(&unread), None);
    for state in [FurnaceState::InService, FurnaceState::Retired] {
        let mut away = stands(0.9);
        away.state = state;
        assert_eq!(leaving(&away), None);
    }
}

fn known_batch(bias_c: f64, sd_c: f64) -> BatchKnown {
    BatchKnown {
        batch: BatchId::new("b7").expect("an id"),
        code: "R-2207".to_owned(),
        bias_c,
        variance_c2: sd_c * sd_c,
        expected_sd_c: 2.0,
        readings: 9,
        sites: 4,
        latest: vec![reading(&furnace("k2"), 8)],
        last_fired_at: Some(day(30)),
    }
}

#[test]
fn a_hot_batch_is_found_and_to_be_put_on_hold() {
    let known = known_batch(5.2, 0.8);
    // 5.2 / √(4 - 0.64).
    assert!((batch_z(&known) - 2.836_85).abs() < 1e-4);
    let found = batch(&known).expect("read");
    assert_eq!(found.strength, Strength::Clear);
    assert!(
        found.statement.contains("5.2 ± 1.6 °C hot"),
        "{}",
        found.statement
    );
    assert!(found.next_step.contains("on hold"));
    // P(|5.2 ± 0.8| > 3) = Φ(2.75).
    assert!((found.probability - 0.997).abs() < 1e-9);
    assert!(found.statement.starts_with("It is confirmed"));
    // P(|4.5 ± 1.6| > 3) = Φ(0.94): likely off, and still not unusual.
    let likely = BatchKnown {
        expected_sd_c: 3.3,
        ..known_batch(4.5, 1.6)
    };
    assert!(batch_z(&likely).abs() < 2.0);
    let words = batch_statement(&likely);
    assert!(words.starts_with("It is likely that rings"), "{words}");
    let cold = batch(&known_batch(-5.2, 1.2)).expect("read");
    assert!(cold.statement.starts_with("It seems"), "{}", cold.statement);
    assert!(cold.statement.contains("cold"));
}

#[test]
fn a_batch_is_not_suspected_by_one_site_or_one_reading_alone() {
    let clear = |readings, sites| {
        let known = BatchKnown {
            readings,
            sites,
            ..known_batch(5.2, 0.8)
        };
        batch(&known).expect("read").strength == Strength::Clear
    };
    assert!(!clear(9, 1));
    assert!(!clear(1, 1));
    assert!(clear(2, 2));
    let alone = BatchKnown {
        sites: 1,
        ..known_batch(5.2, 0.8)
    };
    assert!(batch_statement(&alone).contains("One site alone"));
}

#[test]
fn a_normal_batch_and_one_hardly_known_are_faint() {
    for known in [
        known_batch(2.0, 0.7),
        known_batch(0.4, 1.99),
        known_batch(0.0, 2.0),
    ] {
        assert_eq!(batch(&known).expect("read").strength, Strength::Faint);
    }
    // More variance than was expected is nothing learnt, not a root of a negative number.
    assert!(batch_z(&known_batch(1.0, 2.5)).abs() < 1e-12);
    assert!(
        batch_z(&BatchKnown {
            expected_sd_c: 0.0,
            ..known_batch(0.0, 0.0)
        })
        .abs()
            < 1e-12
    );
    // Unusual among batches that state little, but too small to matter.
    let small = BatchKnown {
        expected_sd_c: 0.5,
        ..known_batch(1.5, 0.2)
    };
    assert!(batch_z(&small) > 2.576);
    assert_eq!(batch(&small).expect("read").strength, Strength::Faint);
    let unread = BatchKnown {
        last_fired_at: None,
        readings: 0,
        ..known_batch(0.0, 2.0)
    };
    assert_eq!(batch(&unread), None);
    assert!(batch_statement(&unread).starts_with("No reading"));
}

fn known_gauge(bias_c: f64, sd_c: f64) -> GaugeKnown {
    GaugeKnown {
        gauge: GaugeKey {
            site: site("north"),
            gauge: GaugeId::new("c1").expect("an id"),
        },
        display_name: "Caliper 1".to_owned(),
        bias_c,
        variance_c2: sd_c * sd_c,
        expected_sd_c: 3.0,
        readings: 12,
        checks: 0,
        gauges_of_site: 2,
        latest: Vec::new(),
        last_fired_at: Some(day(30)),
    }
}

#[test]
fn a_gauge_that_differs_from_its_neighbour_is_to_be_checked_on_a_block() {
    let known = known_gauge(8.0, 1.5);
    let found = gauge(&known).expect("told apart");
    assert_eq!(found.strength, Strength::Clear);
    // 8 °C at -200 °C/mm: it reads 0.04 mm small.
    assert!(
        found.statement.contains("0.040 ± 0.015 mm small"),
        "{}",
        found.statement
    );
    assert!(found.statement.contains("8.0 °C hotter"));
    assert!(found.next_step.contains("reference block"));
    let normal = gauge(&known_gauge(2.0, 1.5)).expect("told apart");
    assert_eq!(normal.strength, Strength::Faint);
}

#[test]
fn a_single_gauge_never_checked_cannot_be_suspected() {
    let alone = GaugeKnown {
        gauges_of_site: 1,
        ..known_gauge(8.0, 1.5)
    };
    assert_eq!(gauge(&alone), None);
    assert!(gauge_z(&alone).abs() < 1e-12);
    assert!(gauge_statement(&alone).contains("Check it on a reference block"));
    let unread = GaugeKnown {
        last_fired_at: None,
        ..known_gauge(8.0, 1.5)
    };
    assert_eq!(gauge(&unread), None);
}

#[test]
fn a_checked_gauge_is_suspected_beyond_what_its_permissible_error_allows() {
    let checked = |bias_c| GaugeKnown {
        checks: 1,
        gauges_of_site: 1,
        ..known_gauge(bias_c, 1.0)
    };
    // √(9 + 1) · 2.576 = 8.15 °C.
    assert_eq!(
        gauge(&checked(8.0)).expect("checked").strength,
        Strength::Faint
    );
    let found = gauge(&checked(8.3)).expect("checked");
    assert_eq!(found.strength, Strength::Clear);
    assert!(
        found.statement.contains("have it adjusted"),
        "{}",
        found.statement
    );
    // 0.08 °C at -200 °C/mm is less than half of a thousandth.
    let words = gauge_statement(&checked(0.08));
    assert!(
        words.contains("reads true within ±0.010 mm, in temperature ±2.0 °C"),
        "{words}"
    );
    let ideal = GaugeKnown {
        expected_sd_c: 0.0,
        variance_c2: 0.0,
        ..checked(0.0)
    };
    assert!(gauge_z(&ideal).abs() < 1e-12);
}

/// A furnace at +19 °C whose readings scatter, with a change of setpoint after each.
fn chased(steps_c: &[f64]) -> (Vec<AdjustmentMade>, Vec<OffsetThen>) {
    let key = furnace("k2");
    let mut adjustments = Vec::new();
    let mut offsets = Vec::new();
    let mut setpoint_c = 1481.0;
    let mut days = 0;
    for (number, step_c) in steps_c.iter().enumerate() {
        offsets.push(OffsetThen {
            reading: reading(&key, number),
            fired_at: day(days),
            offset_c: 19.0 + 0.2 * step_c,
            standard_uncertainty_c: 1.4,
            noise_c: 2.1,
        });
        if step_c.abs() > 0.0 {
            adjustments.push(AdjustmentMade {
                adjusted_at: day(days + 1),
                from_c: setpoint_c,
                to_c: setpoint_c + step_c,
            });
        }
        setpoint_c += step_c;
        days += 21;
    }
    (adjustments, offsets)
}

fn judged(adjustments: &[AdjustmentMade], offsets: &[OffsetThen]) -> Option<Candidate> {
    let key = furnace("k2");
    over_adjusted(&SettingHistory {
        furnace: &key,
        display_name: "K2",
        programme_display_name: "Crown",
        target_c: 1500.0,
        action_band_c: 3.0,
        adjustments,
        offsets,
    })
}

#[test]
fn a_setpoint_changed_after_every_scatter_is_over_adjusted() {
    let (adjustments, offsets) = chased(&[3.0, -4.0, 2.0, -3.0, 4.0]);
    let found = judged(&adjustments, &offsets).expect("a habit");
    assert!(
        found.statement.contains("changed 5 times"),
        "{}",
        found.statement
    );
    assert!(
        found.statement.contains("Left at 1481.0 °C"),
        "{}",
        found.statement
    );
    // √((9 + 16 + 4 + 9 + 16) / 5).
    assert!(found.statement.contains("by 3.3 °C"), "{}", found.statement);
    assert!(found.probability > 0.5);
    assert_eq!(found.readings.len(), 5);
}

#[test]
fn three_changes_are_no_habit_and_none_at_all_is_fine() {
    let (adjustments, offsets) = chased(&[3.0, -4.0, 2.0, 0.0, 0.0]);
    assert_eq!(adjustments.len(), 3);
    assert_eq!(judged(&adjustments, &offsets), None);
    assert_eq!(judged(&[], &offsets), None);
    assert_eq!(judged(&adjustments, &[]), None);
}

#[test]
fn changes_that_a_drifting_furnace_needed_are_right() {
    let (adjustments, mut offsets) = chased(&[-3.0, -3.0, -4.0, -3.0, -4.0]);
    let mut offset_c = 19.0;
    for offset in &mut offsets {
        offset.offset_c = offset_c;
        offset_c += 3.5;
    }
    assert_eq!(judged(&adjustments, &offsets), None);
}

#[test]
fn changes_larger_than_noise_are_not_explained_by_it() {
    let (adjustments, offsets) = chased(&[9.0, -8.0, 7.0, -9.0, 8.0]);
    assert_eq!(judged(&adjustments, &offsets), None);
}

#[test]
fn a_first_change_that_was_right_does_not_hide_the_habit_after_it() {
    let (mut adjustments, offsets) = chased(&[3.0, -4.0, 2.0, -3.0, 4.0]);
    adjustments.insert(
        0,
        AdjustmentMade {
            adjusted_at: day(-1),
            from_c: 1500.0,
            to_c: 1481.0,
        },
    );
    let found = judged(&adjustments, &offsets).expect("a habit");
    assert!(
        found.statement.contains("changed 5 times"),
        "{}",
        found.statement
    );
}

fn differences(furnace: &FurnaceKey, position: &str, values_c: &[f64]) -> Vec<PositionDifference> {
    let mut all = Vec::new();
    let mut days = 0;
    for (number, difference_c) in values_c.iter().enumerate() {
        all.push(PositionDifference {
            reading: reading(furnace, number),
            fired_at: day(days),
            position: position.to_owned(),
            difference_c: *difference_c,
        });
        days += 21;
    }
    all
}

fn seen_unevenly(values_c: &[f64]) -> Vec<Candidate> {
    let key = furnace("k2");
    let mut all = differences(&key, "Door", values_c);
    all.extend(differences(&key, "back", &[0.4, -0.8, 0.1]));
    uneven(&[ChamberSeen {
        furnace: &key,
        display_name: "K2",
        tolerance_c: 10.0,
        differences: &all,
    }])
}

#[test]
fn a_cold_door_is_found_and_no_setpoint_mends_it() {
    let found = seen_unevenly(&[-14.0, -15.5, -13.0, -14.5]);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].statement.contains("Door is 14.2"),
        "{}",
        found[0].statement
    );
    assert!(found[0].statement.contains("colder"));
    assert!(found[0].next_step.contains("off the mains"));
    assert!(found[0].probability > 0.95);
    assert_eq!(found[0].readings.len(), 4);
}

#[test]
fn two_firings_or_a_difference_about_the_tolerance_say_nothing() {
    assert!(seen_unevenly(&[-18.0, -19.0]).is_empty());
    assert!(seen_unevenly(&[-10.5, -9.5, -11.0]).is_empty());
    assert!(seen_unevenly(&[1.0, -2.0, 0.5, 2.0]).is_empty());
    assert!(uneven(&[]).is_empty());
    let key = furnace("k2");
    let broken = differences(&key, "door", &[f64::NAN, f64::INFINITY, 1.0]);
    let chamber = ChamberSeen {
        furnace: &key,
        display_name: "K2",
        tolerance_c: 10.0,
        differences: &broken,
    };
    assert!(uneven(&[chamber]).is_empty());
}

#[test]
fn furnaces_that_scatter_make_all_differences_less_sure() {
    let key = furnace("k2");
    let other = furnace("k3");
    let clear = differences(&key, "door", &[-13.0, -13.5, -12.5]);
    let wild = differences(&other, "door", &[20.0, -22.0, 18.0, -19.0, 21.0, -17.0]);
    let chamber = |furnace, differences| ChamberSeen {
        furnace,
        display_name: "K",
        tolerance_c: 10.0,
        differences,
    };
    assert_eq!(uneven(&[chamber(&key, &clear)]).len(), 1);
    let both = [chamber(&key, &clear), chamber(&other, &wild)];
    assert!(uneven(&both).is_empty());
}
