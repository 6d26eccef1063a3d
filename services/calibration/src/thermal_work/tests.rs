//! Thermal work against closed forms, quadrature and published orders of magnitude.

use super::*;
use crate::ring_table::{Entry, RingTable};
use proptest::prelude::*;

/// Adaptive quadrature and closed forms agreeing to eleven digits; Θ of Su & Johnson 1996.
const THETA: &str = include_str!("../../vectors/msc_theta.csv");
/// Equivalent temperatures for holds and ramps other than 120 min and 10 °C/min, solved
/// independently by quadrature.
const SENSITIVITY: &str = include_str!("../../vectors/msc_cycle_sensitivity.csv");
/// The same for several temperatures, with the isothermal and first-order values.
const CORRECTION: &str = include_str!("../../vectors/msc_hold_correction.csv");

fn rows(vector: &str) -> Vec<Vec<f64>> {
    vector
        .lines()
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|f| f.parse().expect("vector is numeric"))
                .collect()
        })
        .collect()
}

/// Up to the peak, a hold, and down again.
fn firing(peak_c: f64, up_c_per_min: f64, hold_min: f64, down_c_per_min: f64) -> Cycle {
    Cycle {
        segments: vec![
            Segment {
                ramp_c_per_min: up_c_per_min,
                temperature_c: peak_c,
                hold_min,
            },
            Segment {
                ramp_c_per_min: down_c_per_min,
                temperature_c: 600.0,
                hold_min: 0.0,
            },
        ],
    }
}

#[test]
fn ramp_and_hold_have_their_closed_form_values() {
    let rows = rows(THETA);
    assert_eq!(rows.len(), 10);
    for row in rows {
        let energy_k = row[0] * 1000.0 / GAS_CONSTANT_J_PER_MOL_K;
        let ramp = libm::exp(ln_ramp_work(900.0, row[1], row[3], energy_k));
        let hold = libm::exp(ln_hold_work(row[1], row[2] / 60.0, energy_k));
        assert!(
            (ramp / row[5] - 1.0).abs() < 1e-9,
            "ramp {ramp} against {}",
            row[5]
        );
        assert!(
            (ramp / row[4] - 1.0).abs() < 1e-9,
            "ramp {ramp} against {}",
            row[4]
        );
        assert!(
            (hold / row[6] - 1.0).abs() < 1e-9,
            "hold {hold} against {}",
            row[6]
        );
        let total = libm::log10(ramp + hold);
        assert!((total - row[8]).abs() < 1e-8, "{total} against {}", row[8]);
    }
}

#[test]
fn heating_from_cold_adds_a_millionth() {
    let cycle = Cycle {
        segments: vec![Segment {
            ramp_c_per_min: 10.0,
            temperature_c: 1500.0,
            hold_min: 120.0,
        }],
    };
    let found = ln_thermal_work(&cycle, 440.0) / std::f64::consts::LN_10;
    assert!((found + 12.332_633_06).abs() < 1e-6, "{found}");
}

#[test]
fn other_holds_and_ramps_read_as_tabled() {
    let reference = firing(1500.0, 10.0, 120.0, 10.0);
    for row in rows(SENSITIVITY) {
        let fired = [
            firing(1500.0, 10.0, 60.0, 10.0),
            firing(1500.0, 10.0, 90.0, 10.0),
            firing(1500.0, 10.0, 150.0, 10.0),
            firing(1500.0, 10.0, 180.0, 10.0),
            firing(1500.0, 5.0, 120.0, 10.0),
            firing(1500.0, 20.0, 120.0, 10.0),
            firing(1500.0, 10.0, 120.0, 5.0),
            firing(1500.0, 10.0, 120.0, 30.0),
            firing(1500.0, 10.0, 121.0, 10.0),
        ];
        for (fired, shift_c) in fired.iter().zip(&row[1..]) {
            // What a table for the reference reads after this firing.
            let read = matching_peak_c(&reference, fired, 1500.0, row[0]).expect("solvable");
            assert!(
                (read - 1500.0 - shift_c).abs() < 2e-3,
                "Q {}: {read}, {shift_c}",
                row[0]
            );
        }
    }
}

#[test]
fn hold_corrections_are_as_tabled_at_all_temperatures() {
    for row in rows(CORRECTION) {
        let (energy, peak_c) = (row[0], row[1]);
        let reference = firing(peak_c, 10.0, 120.0, 10.0);
        for (hold_min, shift_c, isothermal_c) in [(60.0, row[4], row[2]), (150.0, row[5], row[3])] {
            let fired = with_peak_hold(&reference, hold_min);
            let read = matching_peak_c(&reference, &fired, peak_c, energy).expect("solvable");
            assert!((read - peak_c - shift_c).abs() < 3e-3, "{row:?}: {read}");
            // Ramps so fast that only the hold is left give the isothermal value.
            let quick = firing(peak_c, 1e9, 120.0, 1e9);
            let fired = with_peak_hold(&quick, hold_min);
            let read = matching_peak_c(&quick, &fired, peak_c, energy).expect("solvable");
            assert!(
                (read - peak_c - isothermal_c).abs() < 2e-3,
                "{row:?}: {read}"
            );
        }
    }
}

#[test]
fn doubling_the_hold_is_worth_at_most_thirty_seven_degrees() {
    // First order R T²/Q ln 2 at 1500 °C with 485 kJ/mol (zirconia: Mazaheri et al., Ceram. Int. 35,
    // 2009, 547-554): 37.4 °C, and 5.1 °C for a tenth more hold.
    let kelvin: f64 = 1773.15;
    let per_log = GAS_CONSTANT_J_PER_MOL_K * kelvin * kelvin / 485_000.0;
    assert!((per_log * std::f64::consts::LN_2 - 37.4).abs() < 0.05);
    assert!((per_log * libm::log(1.1) - 5.1).abs() < 0.05);
    let reference = firing(1500.0, 10.0, 120.0, 10.0);
    for (hold_min, bound_c) in [(240.0, 37.4), (132.0, 5.14)] {
        let fired = with_peak_hold(&reference, hold_min);
        let read = matching_peak_c(&reference, &fired, 1500.0, 485.0).expect("solvable");
        assert!(read > 1500.0 && read - 1500.0 < bound_c, "{read}");
        assert!(read - 1500.0 > 0.8 * bound_c, "{read}");
    }
}

#[test]
fn moving_the_peak_moves_what_is_at_it_and_caps_the_rest() {
    let mut cycle = firing(1500.0, 10.0, 120.0, 10.0);
    cycle.segments.insert(
        0,
        Segment {
            ramp_c_per_min: 20.0,
            temperature_c: 1480.0,
            hold_min: 10.0,
        },
    );
    let hotter = with_peak(&cycle, 1519.0);
    let temperatures: Vec<f64> = hotter.segments.iter().map(|s| s.temperature_c).collect();
    assert_eq!(temperatures, [1480.0, 1519.0, 600.0]);
    let colder = with_peak(&cycle, 1450.0);
    let temperatures: Vec<f64> = colder.segments.iter().map(|s| s.temperature_c).collect();
    assert_eq!(temperatures, [1450.0, 1450.0, 600.0]);
    assert!(with_peak(&Cycle::default(), 1500.0).segments.is_empty());
}

#[test]
fn a_hold_in_two_parts_keeps_its_shares() {
    let at = |temperature_c, hold_min| Segment {
        ramp_c_per_min: 10.0,
        temperature_c,
        hold_min,
    };
    let cycle = Cycle {
        segments: vec![at(1500.0, 30.0), at(1400.0, 5.0), at(1500.0, 90.0)],
    };
    assert!((peak_hold_min(&cycle) - 120.0).abs() < 1e-12);
    let changed = with_peak_hold(&cycle, 60.0);
    let holds: Vec<f64> = changed.segments.iter().map(|s| s.hold_min).collect();
    assert_eq!(holds, [15.0, 5.0, 45.0]);
    let without = with_peak_hold(&cycle, 0.0);
    let back = with_peak_hold(&without, 60.0);
    assert!((peak_hold_min(&back) - 60.0).abs() < 1e-12);
}

#[test]
fn what_cannot_run_has_no_work_and_no_match() {
    let reference = firing(1500.0, 10.0, 120.0, 10.0);
    assert!(ln_thermal_work(&reference, 0.0).is_nan());
    assert!(ln_thermal_work(&reference, f64::NAN).is_nan());
    assert!(ln_thermal_work(&firing(1500.0, 0.0, 120.0, 10.0), 600.0).is_nan());
    assert!(ln_thermal_work(&firing(1500.0, 10.0, -1.0, 10.0), 600.0).is_nan());
    assert!(ln_thermal_work(&Cycle::default(), 600.0).is_infinite());
    let failed = matching_peak_c(&Cycle::default(), &reference, 1500.0, 600.0);
    assert!(
        failed
            .expect_err("no segments")
            .to_string()
            .contains("check the programme")
    );
    assert!(matching_peak_c(&reference, &reference, f64::NAN, 600.0).is_err());
}

fn base_entries() -> Vec<Entry> {
    let file = include_bytes!("../../vectors/synthetic_ring_table.csv");
    crate::ring_table::csv::parse(file, 120.0)
        .expect("sound")
        .entries()
        .to_vec()
}

/// The table a batch of this energy would have for another hold.
fn table_for(hold_min: f64, energy: f64, cycle: &Cycle, rounded: bool) -> RingTable {
    let reference = with_peak_hold(cycle, 120.0);
    let other = with_peak_hold(cycle, hold_min);
    let mut entries = base_entries();
    for entry in &mut entries {
        let found = matching_peak_c(&other, &reference, entry.temperature_c, energy);
        entry.temperature_c = found.expect("solvable");
        if rounded {
            entry.temperature_c = entry.temperature_c.round();
        }
    }
    RingTable::new(hold_min, entries).expect("sound")
}

#[test]
fn the_energy_behind_two_exact_tables_is_found() {
    let cycle = firing(1500.0, 10.0, 60.0, 10.0);
    for energy in [300.0, 485.0, 700.0, 1000.0] {
        let tables = [
            table_for(120.0, energy, &cycle, false),
            table_for(60.0, energy, &cycle, false),
        ];
        let found = fitted_energy(&tables, &cycle).expect("they agree");
        assert!(
            (found.kj_per_mol / energy - 1.0).abs() < 1e-4,
            "{energy}: {found:?}"
        );
    }
}

#[test]
fn rounding_of_the_tables_is_in_the_uncertainty() {
    let cycle = firing(1500.0, 10.0, 90.0, 10.0);
    let energy = 485.0;
    let tables = [120.0, 60.0, 180.0].map(|hold_min| table_for(hold_min, energy, &cycle, true));
    let found = fitted_energy(&tables, &cycle).expect("they agree");
    let u = found.standard_uncertainty_kj_per_mol;
    assert!((found.kj_per_mol - energy).abs() < 2.0 * u, "{found:?}");
    // One rounding of each of two tables alone: 0.41 °C of the 33 °C between 60 and 120 min.
    let two = fitted_energy(&tables[..2], &cycle).expect("they agree");
    let least = energy * 0.408 / 33.4;
    assert!(two.standard_uncertainty_kj_per_mol > least, "{two:?}");
    assert!(two.standard_uncertainty_kj_per_mol < 1.5 * least, "{two:?}");
    assert!(
        u < two.standard_uncertainty_kj_per_mol,
        "a wider span of holds tells more"
    );
}

#[test]
fn tables_that_cannot_tell_say_why() {
    let cycle = firing(1500.0, 10.0, 60.0, 10.0);
    let base = RingTable::new(120.0, base_entries()).expect("sound");
    assert_eq!(fitted_energy(&[], &cycle), Err(NotFitted::OneHold));
    assert_eq!(
        fitted_energy(&[base.clone(), base.clone()], &cycle),
        Err(NotFitted::OneHold)
    );
    let entries = base_entries();
    let small = RingTable::new(120.0, entries[..30].to_vec()).expect("sound");
    let large = RingTable::new(60.0, entries[40..].to_vec()).expect("sound");
    assert_eq!(
        fitted_energy(&[small, large], &cycle),
        Err(NotFitted::NoCommonDiameters)
    );
    // The same numbers for half the hold would need an endless energy.
    let same = RingTable::new(60.0, entries).expect("sound");
    let failed = fitted_energy(&[base.clone(), same.clone()], &cycle);
    assert!(
        matches!(failed, Err(NotFitted::Implausible { .. })),
        "{failed:?}"
    );
    let failed = fitted_energy(&[base, same], &Cycle::default());
    assert_eq!(failed, Err(NotFitted::NoProgramme));
}

proptest! {
    #[test]
    fn the_true_peak_undoes_the_reading(
        peak in 1350.0..1620.0_f64,
        energy in 250.0..1200.0_f64,
        ramp in 1.0..80.0_f64,
        fired in 5.0..300.0_f64,
        tabled in 5.0..300.0_f64,
    ) {
        let cycle = firing(peak, ramp, fired, 20.0);
        let reference = with_peak_hold(&cycle, tabled);
        let read = matching_peak_c(&reference, &cycle, peak, energy).expect("solvable");
        let back = matching_peak_c(&cycle, &reference, read, energy).expect("solvable");
        prop_assert!((back - peak).abs() < 1e-5, "{} against {}", back, peak);
        prop_assert!((read > peak) == (fired > tabled) || (fired - tabled).abs() < 1e-6);
    }

    #[test]
    fn no_programme_can_panic(
        numbers in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..5),
        energy in any::<f64>(), peak in any::<f64>(),
    ) {
        let mut cycle = Cycle::default();
        for (ramp_c_per_min, temperature_c, hold_min) in numbers {
            cycle.segments.push(Segment { ramp_c_per_min, temperature_c, hold_min });
        }
        let _tried = ln_thermal_work(&cycle, energy);
        let _tried = matching_peak_c(&cycle, &with_peak_hold(&cycle, peak), peak, 600.0);
        let _tried = matching_peak_c(&firing(1500.0, 10.0, 60.0, 10.0), &cycle, peak, energy);
        let base = RingTable::new(120.0, base_entries()).expect("sound");
        let other = RingTable::new(60.0, base_entries()).expect("sound");
        let _tried = fitted_energy(&[base, other], &cycle);
    }
}
