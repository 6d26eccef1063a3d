//! When a table may be read at another hold, by how much it moves, and what is said.

use super::*;
use crate::programme::Segment;
use crate::ring_table::Entry;
use proptest::prelude::*;

fn firing(hold_min: f64) -> Cycle {
    Cycle {
        segments: vec![
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 1500.0,
                hold_min,
            },
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 600.0,
                hold_min: 0.0,
            },
        ],
    }
}

fn entries() -> Vec<Entry> {
    let file = include_bytes!("../../vectors/synthetic_ring_table.csv");
    crate::ring_table::csv::parse(file, 120.0)
        .expect("sound")
        .entries()
        .to_vec()
}

fn table(hold_min: f64) -> RingTable {
    RingTable::new(hold_min, entries()).expect("sound")
}

/// What a batch with this energy prints for another hold than 120 min.
fn printed_for(hold_min: f64, energy: f64) -> RingTable {
    let mut entries = entries();
    for entry in &mut entries {
        let found = matching_peak_c(
            &firing(hold_min),
            &firing(120.0),
            entry.temperature_c,
            energy,
        );
        entry.temperature_c = found.expect("solvable").round();
    }
    RingTable::new(hold_min, entries).expect("sound")
}

fn corrected(tables: &[RingTable], hold_min: f64, accepts: bool, table_c: f64) -> HoldCorrection {
    let cycle = firing(hold_min);
    correction(&plan(tables, &cycle, accepts), tables, &cycle, table_c)
}

#[test]
fn the_tables_own_hold_needs_nothing() {
    let found = corrected(&[table(120.0)], 120.0, false, 1519.0);
    assert_eq!(found.treatment, HoldTreatment::Matched);
    assert!(found.correction_c.abs() < f64::EPSILON);
    assert!(found.standard_uncertainty_c.abs() < f64::EPSILON);
    assert!(found.statements_still_valid.is_empty());
    assert_eq!(
        found.explanation,
        "Fired with the table's own hold of 120 min."
    );
}

#[test]
fn three_minutes_go_into_the_uncertainty_only() {
    let found = corrected(&[table(120.0)], 123.0, false, 1500.0);
    assert_eq!(found.treatment, HoldTreatment::Matched);
    assert!(found.correction_c.abs() < f64::EPSILON);
    // R T²/(Q + R T) ln(123/120) with 600 kJ/mol: 1.05 °C, under the 1.4 °C that 440 would give.
    assert!(
        (found.standard_uncertainty_c - 1.05).abs() < 0.01,
        "{found:?}"
    );
    let cycle = firing(123.0);
    let real = matching_peak_c(&firing(120.0), &cycle, 1500.0, 600.0).expect("solvable") - 1500.0;
    assert!(found.standard_uncertainty_c >= real, "{real}");
}

#[test]
fn the_nearest_hold_in_ratio_is_read_and_a_matching_one_before_it() {
    let tables = [table(60.0), table(120.0), table(240.0)];
    for (fired, index) in [
        (55.0, 0),
        (80.0, 0),
        (90.0, 1),
        (160.0, 1),
        (180.0, 2),
        (2.0, 0),
    ] {
        assert_eq!(
            plan(&tables, &firing(fired), true).table_index,
            index,
            "{fired}"
        );
    }
    let short = [table(10.0), table(2.0)];
    assert_eq!(plan(&short, &firing(4.9), true).table_index, 1);
}

#[test]
fn another_hold_without_permission_is_not_evaluable_and_says_what_to_fire() {
    let found = corrected(&[table(120.0)], 60.0, false, 1519.0);
    let HoldTreatment::NotEvaluable { reason } = &found.treatment else {
        panic!("{found:?}");
    };
    assert_eq!(
        reason,
        "The ring was fired with a hold of 60 min; its table is for 120 min. The batch has no table \
         for another hold to correct by. Fire a programme with a hold of 120 min at the peak."
    );
    assert_eq!(&found.explanation, reason);
    assert!(found.correction_c.abs() < f64::EPSILON);
    assert!(found.statements_still_valid[0].contains("this same programme"));
}

#[test]
fn an_accepted_assumption_corrects_by_what_its_energy_says() {
    // Independently solved for 600 kJ/mol would lie between the tabled 546 and 640: at the reading
    // that a true 1500 °C gives, the correction must lead back to 1500 °C.
    let read = matching_peak_c(&firing(120.0), &firing(60.0), 1500.0, 600.0).expect("solvable");
    assert!(read - 1500.0 < -25.982 && read - 1500.0 > -30.037, "{read}");
    let found = corrected(&[table(120.0)], 60.0, true, read);
    assert!(matches!(found.treatment, HoldTreatment::Assumed { .. }));
    assert!(
        (read + found.correction_c - 1500.0).abs() < 1e-5,
        "{found:?}"
    );
    // A quarter of the energy is about a quarter of the correction.
    let share = found.standard_uncertainty_c / found.correction_c;
    assert!(share > 0.2 && share < 0.3, "{found:?}");
    assert!(
        found.explanation.contains("assumption this site accepts"),
        "{}",
        found.explanation
    );
    assert_eq!(found.statements_still_valid.len(), 2);
}

#[test]
fn the_assumed_uncertainty_is_that_of_the_published_energies() {
    // Rectangular between the corrections at 440 and 1000 kJ/mol (GUM 4.3.7). As the half-width of a
    // rectangle, 150 kJ/mol would leave 0.58 of what is claimed and be too small.
    let cycle = firing(60.0);
    let at = |energy: f64| {
        matching_peak_c(&cycle, &firing(120.0), 1473.0, energy).expect("solvable") - 1473.0
    };
    let published = (at(440.0) - at(1000.0)) / 2.0 / 3.0_f64.sqrt();
    let found = corrected(&[table(120.0)], 60.0, true, 1473.0);
    let claimed = found.standard_uncertainty_c;
    assert!(
        claimed >= published && claimed < 1.2 * published,
        "{claimed} and {published}"
    );
    assert!(
        found
            .explanation
            .contains("600 kJ/mol (standard uncertainty 150 kJ/mol)"),
        "{}",
        found.explanation
    );
}

#[test]
fn a_longer_hold_is_corrected_downwards() {
    let found = corrected(&[table(120.0)], 150.0, true, 1510.0);
    assert!(
        found.correction_c < -6.0 && found.correction_c > -13.0,
        "{found:?}"
    );
}

#[test]
fn more_than_a_factor_of_four_is_never_corrected() {
    for fired in [0.0, 29.0, 481.0] {
        let found = corrected(&[table(120.0)], fired, true, 1519.0);
        assert!(
            matches!(found.treatment, HoldTreatment::NotEvaluable { .. }),
            "{fired}"
        );
    }
    for fired in [30.0, 480.0] {
        let found = corrected(&[table(120.0)], fired, true, 1519.0);
        assert!(
            matches!(found.treatment, HoldTreatment::Assumed { .. }),
            "{fired}"
        );
    }
    // Also where the difference is only minutes.
    let found = corrected(&[table(2.0)], 0.4, true, 1519.0);
    assert!(matches!(
        found.treatment,
        HoldTreatment::NotEvaluable { .. }
    ));
}

#[test]
fn tables_at_two_holds_give_their_own_energy() {
    let tables = [printed_for(60.0, 485.0), table(120.0)];
    let cycle = firing(90.0);
    let plan = plan(&tables, &cycle, false);
    let HoldTreatment::Fitted { energy } = plan.treatment else {
        panic!("{plan:?}");
    };
    assert!((energy.kj_per_mol - 485.0).abs() < 2.0 * energy.standard_uncertainty_kj_per_mol);
    assert_eq!(plan.table_index, 1);
    // A true 1500 °C for 90 min reads 14.335 °C low in the table for 120 min.
    let found = correction(&plan, &tables, &cycle, 1485.665);
    assert!((found.correction_c - 14.335).abs() < 2.0 * found.standard_uncertainty_c + 0.01);
    assert!(
        found.standard_uncertainty_c > 0.05 && found.standard_uncertainty_c < 0.5,
        "{found:?}"
    );
    assert!(
        found.explanation.contains("the batch's own tables"),
        "{}",
        found.explanation
    );
}

#[test]
fn tables_that_contradict_each_other_are_not_used_to_correct() {
    let tables = [table(60.0), table(120.0)];
    let found = corrected(&tables, 90.0, false, 1500.0);
    let HoldTreatment::NotEvaluable { reason } = found.treatment else {
        panic!("contradicting tables were used");
    };
    assert!(reason.contains("do not fit together"), "{reason}");
    assert!(reason.contains("a hold of 60 or 120 min"), "{reason}");
}

#[test]
fn no_table_and_no_programme_are_told() {
    let none = plan(&[], &firing(120.0), true);
    assert!(matches!(none.treatment, HoldTreatment::NotEvaluable { .. }));
    let found = correction(&none, &[], &firing(120.0), 1500.0);
    assert!(
        found.explanation.contains("no table yet"),
        "{}",
        found.explanation
    );
    let empty = plan(&[table(120.0)], &Cycle::default(), true);
    assert!(matches!(
        empty.treatment,
        HoldTreatment::NotEvaluable { .. }
    ));
    let mut broken = firing(120.0);
    broken.segments[0].ramp_c_per_min = 0.0;
    let broken = plan(&[table(120.0)], &broken, true);
    assert!(matches!(
        broken.treatment,
        HoldTreatment::NotEvaluable { .. }
    ));
}

#[test]
fn the_correction_follows_the_programmes_own_ramps() {
    // A slow ramp does part of the work on its way, so the hold at the peak matters less.
    let mut slow = firing(60.0);
    slow.segments[0].ramp_c_per_min = 1.0;
    let tables = [table(120.0)];
    let at = |cycle: &Cycle| {
        correction(&plan(&tables, cycle, true), &tables, cycle, 1519.0).correction_c
    };
    assert!(
        at(&slow) < 0.8 * at(&firing(60.0)),
        "{} and {}",
        at(&slow),
        at(&firing(60.0))
    );
}

#[test]
fn another_ramp_than_the_usual_goes_into_the_uncertainty_only() {
    // One to three degrees for the ramps of ordinary programmes, more for quick ones: in first order a
    // ramp does the work of R T²/(Q rate) minutes at the peak (Su & Johnson 1996), 4.4 at 10 °C/min.
    let with_ramp = |ramp: f64, hold_min: f64| {
        let mut cycle = firing(hold_min);
        cycle.segments[0].ramp_c_per_min = ramp;
        let tables = [table(hold_min)];
        correction(&plan(&tables, &cycle, false), &tables, &cycle, 1500.0)
    };
    for (ramp, hold_min) in [(5.0, 120.0), (20.0, 120.0), (2.0, 120.0), (50.0, 15.0)] {
        let found = with_ramp(ramp, hold_min);
        assert_eq!(found.treatment, HoldTreatment::Matched);
        assert!(found.correction_c.abs() < f64::EPSILON);
        let kelvin: f64 = 1500.0 + ZERO_CELSIUS_K;
        let shift = GAS_CONSTANT_J_PER_MOL_K * kelvin * kelvin / 600_000.0;
        // Cooling at 10 °C/min works too, alike in both.
        let held = hold_min + shift / 10.0;
        let half_width = shift * ((held + shift / ramp) / (held + shift / 10.0)).ln();
        let first_order = half_width.abs() / 3.0_f64.sqrt();
        let claimed = found.standard_uncertainty_c;
        assert!(
            (claimed / first_order - 1.0).abs() < 0.05,
            "{ramp}: {claimed} and {first_order}"
        );
        assert!(
            found.explanation.contains("°C/min to the peak"),
            "{}",
            found.explanation
        );
    }
    assert!(with_ramp(10.0, 120.0).standard_uncertainty_c.abs() < f64::EPSILON);
    // A correction that is made keeps its size and gets less certain.
    let mut slow = firing(60.0);
    slow.segments[0].ramp_c_per_min = 5.0;
    let tables = [table(120.0)];
    let plan = plan(&tables, &slow, true);
    let whole = correction(&plan, &tables, &slow, 1500.0);
    let of_hold = of_the_hold(&plan, &tables, &slow, 1500.0);
    assert!((whole.correction_c - of_hold.correction_c).abs() < f64::EPSILON);
    assert!(whole.standard_uncertainty_c > of_hold.standard_uncertainty_c);
}

fn with_a_dwell(temperature_c: f64, dwell_min: f64, hold_min: f64) -> Cycle {
    let mut stepped = firing(hold_min);
    let dwell = Segment {
        ramp_c_per_min: 10.0,
        temperature_c,
        hold_min: dwell_min,
    };
    stepped.segments.insert(0, dwell);
    stepped
}

#[test]
fn a_dwell_far_below_the_peak_leaves_the_hold_matched() {
    let tables = [table(120.0)];
    let cycle = with_a_dwell(900.0, 60.0, 120.0);
    let plan = plan(&tables, &cycle, false);
    assert_eq!(plan.treatment, HoldTreatment::Matched);
    let found = correction(&plan, &tables, &cycle, 1519.0);
    assert!(found.standard_uncertainty_c < 0.05, "{found:?}");
}

#[test]
fn a_dwell_just_below_the_peak_counts_like_a_longer_hold() {
    // 60 min at 1490 °C before 120 min at 1500 °C do the work of 168 min at 1500 °C (600 kJ/mol): the
    // ring shrinks further, and the table for 120 min reads too hot.
    let tables = [table(120.0)];
    let cycle = with_a_dwell(1490.0, 60.0, 120.0);
    let refused = plan(&tables, &cycle, false);
    assert!(
        (refused.working_hold_min - 168.0).abs() < 1.0,
        "{refused:?}"
    );
    let HoldTreatment::NotEvaluable { reason } = &refused.treatment else {
        panic!("read as if it had no dwell: {refused:?}");
    };
    assert!(reason.contains("works like one of 168 min"), "{reason}");
    let accepted = plan(&tables, &cycle, true);
    let found = correction(&accepted, &tables, &cycle, 1515.0);
    // R T² / (Q + R T) · ln(168 / 120) = 14.5 °C for holds alone; the ramps that both firings share
    // soften it a little.
    assert!((-14.5..-13.5).contains(&found.correction_c), "{found:?}");
}

#[test]
fn a_dwell_below_the_peak_can_make_up_a_shorter_hold() {
    let tables = [table(120.0)];
    let cycle = with_a_dwell(1490.0, 60.0, 72.0);
    assert_eq!(
        plan(&tables, &cycle, false).treatment,
        HoldTreatment::Matched
    );
}

proptest! {
    #[test]
    fn nothing_asked_can_panic(
        numbers in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..4),
        table_c in any::<f64>(), fired in 0.0..600.0_f64, accepts in any::<bool>(),
    ) {
        let tables = [table(120.0), printed_for(60.0, 485.0)];
        let mut cycle = Cycle::default();
        for (ramp_c_per_min, temperature_c, hold_min) in numbers {
            cycle.segments.push(Segment { ramp_c_per_min, temperature_c, hold_min });
        }
        for cycle in [cycle, firing(fired)] {
            let plan = plan(&tables, &cycle, accepts);
            let found = correction(&plan, &tables, &cycle, table_c);
            prop_assert!(!found.explanation.is_empty());
            if found.correction_c.abs() > 0.0 {
                prop_assert!(found.correction_c.is_finite());
                prop_assert!((found.correction_c > 0.0) == (fired < found.table_hold_min));
            }
        }
    }
}
