//! Charts against the worked examples of the e-Handbook and run lengths against published tables.

use super::cusum::{CusumDesign, CusumState, cusum};
use super::ewma::{EwmaDesign, EwmaLimits, EwmaState, ewma};
use super::individuals::individuals;
use super::{Side, run_length};
use proptest::prelude::*;

/// Rows of a file of figures; fields that are no figures give NaN.
fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|field| field.parse().unwrap_or(f64::NAN))
                .collect()
        })
        .collect()
}

fn ewma_design(lambda: f64, limit: f64) -> EwmaDesign {
    EwmaDesign {
        lambda,
        limit,
        limits: EwmaLimits::Asymptotic,
    }
}

#[test]
fn flow_rates_of_6_3_2_2_lie_within_their_limits() {
    // NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean range 1.8778, limits 55.8041 and 45.8159.
    let rows = rows(include_str!("../../vectors/nist_6_3_2_2_flowrate.csv"));
    let values: Vec<f64> = rows.iter().map(|row| row[1]).collect();
    let chart = individuals(&values).expect("ten values");
    assert!((chart.mean - 50.81).abs() < 5e-3);
    assert!((chart.mean_range - 1.8778).abs() < 5e-5);
    assert_eq!(chart.individuals.len(), 10);
    for point in &chart.individuals {
        assert!((point.limits.upper - 55.8041).abs() < 5e-4);
        assert!((point.limits.lower - 45.8159).abs() < 5e-4);
        assert_eq!(point.signal, None);
    }
    assert_eq!(chart.moving_ranges.len(), 9);
    for (point, row) in chart.moving_ranges.iter().zip(&rows[1..]) {
        assert!((point.value - row[2]).abs() < 1e-9);
        // The same figures with the tabulated D4 of 3.267.
        assert!((point.limits.upper - 6.1347).abs() < 1e-4);
        assert_eq!(point.signal, None);
    }
}

#[test]
fn a_value_far_off_is_outside_and_its_two_ranges_tell_of_it() {
    let mut values = vec![10.0, 10.4, 9.8, 10.1, 9.9, 10.2, 10.0, 9.7, 10.3, 10.1];
    values.extend_from_slice(&[10.0, 9.9, 10.2, 10.1, 9.8, 17.0, 10.1]);
    let chart = individuals(&values).expect("seventeen values");
    assert_eq!(chart.individuals[15].signal, Some(Side::Above));
    assert_eq!(chart.moving_ranges[14].signal, Some(Side::Above));
    assert_eq!(chart.moving_ranges[15].signal, Some(Side::Above));
    assert_eq!(chart.individuals[14].signal, None);
}

#[test]
fn too_few_values_or_none_at_all_make_no_chart() {
    assert_eq!(individuals(&[]), None);
    assert_eq!(individuals(&[1.0]), None);
    assert_eq!(individuals(&[1.0, f64::NAN]), None);
    assert_eq!(individuals(&[1.0, f64::INFINITY, 2.0]), None);
}

#[test]
fn averages_of_6_3_2_4_are_met_to_their_printed_digits() {
    // NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, s = 2.0539, limits 52.5884 and 47.4115;
    // no point is out of control.
    let rows = rows(include_str!("../../vectors/nist_6_3_2_4_ewma.csv"));
    let values: Vec<f64> = rows[1..].iter().map(|row| row[1]).collect();
    let points = ewma(&values, 50.0, 2.0539, &ewma_design(0.3, 3.0));
    assert_eq!(points.len(), 20);
    for (point, row) in points.iter().zip(&rows[1..]) {
        assert!((point.value - row[2]).abs() < 0.005 + 1e-9);
        assert!((point.value - row[3]).abs() < 1e-6);
        assert!((point.limits.upper - 52.5884).abs() < 2e-4);
        assert!((point.limits.lower - 47.4115).abs() < 2e-4);
        assert_eq!(point.signal, None);
    }
}

#[test]
fn exact_limits_start_narrow_and_end_at_the_lasting_ones() {
    let exact = EwmaDesign {
        limits: EwmaLimits::Exact,
        ..ewma_design(0.25, 3.0)
    };
    // After one value the average is a quarter of it, so the limits are a quarter of three.
    assert!((exact.reach(1) - 0.75).abs() < 1e-12);
    let mut before = 0.0;
    for points in 1..60 {
        assert!(exact.reach(points) > before);
        before = exact.reach(points);
    }
    assert!((exact.reach(200) - ewma_design(0.25, 3.0).reach(1)).abs() < 1e-12);
}

#[test]
fn group_means_of_6_3_2_3_signal_from_the_fourteenth_on() {
    // NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959; data from memory, sums by
    // arithmetic.
    let rows = rows(include_str!("../../vectors/nist_6_3_2_3_cusum.csv"));
    let values: Vec<f64> = rows.iter().map(|row| row[1]).collect();
    let design = CusumDesign {
        slack: 0.3175,
        decision: 4.1959,
    };
    let points = cusum(&values, 325.0, &design);
    assert_eq!(points.len(), 20);
    for (point, row) in points.iter().zip(&rows) {
        assert!((point.sums.high - row[4]).abs() < 1e-9);
        assert!((point.sums.low - row[6]).abs() < 1e-9);
        assert!((point.cumulated - row[7]).abs() < 1e-9);
        let signal = (row[8] > 0.5).then_some(Side::Above);
        assert_eq!(point.signal, signal, "group {}", row[0]);
    }
    assert!((points[19].sums.high - 19.035).abs() < 1e-9);
    assert_eq!(points.iter().position(|p| p.signal.is_some()), Some(13));
}

#[test]
fn a_reset_chart_has_forgotten_and_a_missing_value_changes_nothing() {
    let design = ewma_design(0.25, 3.0);
    let mut state = EwmaState::default();
    for _ in 0..6 {
        state = state.follow(-2.5, &design);
    }
    assert_eq!(state.signal(&design), Some(Side::Below));
    assert_eq!(state.follow(f64::NAN, &design), state);
    assert_eq!(EwmaState::default().signal(&design), None);
    let sums = CusumDesign {
        slack: 0.5,
        decision: 4.0,
    };
    let risen = CusumState::default().follow(-5.0, &sums);
    assert_eq!(risen.signal(&sums), Some(Side::Below));
    assert_eq!(risen.follow(f64::INFINITY, &sums), risen);
}

/// Shifts of the columns of both run-length tables.
const SHIFTS: [f64; 10] = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];

#[test]
fn run_lengths_of_the_ewma_are_those_of_lucas_and_saccucci() {
    // Lucas & Saccucci, Technometrics 32 (1990) 1-12, Table 3 (three digits, from memory); the file
    // holds the same figures recomputed as a Markov chain and as an integral equation.
    let mut cells = 0;
    for row in rows(include_str!("../../vectors/arl_ewma.csv")) {
        for (shift, wanted) in SHIFTS.iter().zip(&row[2..]) {
            let found = run_length::ewma(&ewma_design(row[0], row[1]), *shift).expect("a length");
            let near = (found - wanted).abs() < 1e-5 * wanted + 6e-4;
            assert!(near, "{} {} {shift}: {found} {wanted}", row[0], row[1]);
            cells += 1;
        }
    }
    assert_eq!(cells, 180);
    let printed = [(0.4, 3.054, 0.5, 71.2), (0.25, 2.998, 0.5, 48.2)];
    for (lambda, limit, shift, wanted) in printed {
        let found = run_length::ewma(&ewma_design(lambda, limit), shift).expect("a length");
        assert!((found - wanted).abs() < 0.1, "{found}");
    }
}

#[test]
fn run_lengths_of_the_cusum_are_those_of_the_tables() {
    // Montgomery, Introduction to Statistical Quality Control, tables after Hawkins (three digits,
    // from memory): k = 0.5 and h = 5 give 465, 139, 38.0, 17.0, 10.4, 5.75, 4.01.
    let printed = [465.0, 139.0, 38.0, 17.0, 10.4, 5.75, 4.01];
    let design = CusumDesign {
        slack: 0.5,
        decision: 5.0,
    };
    for (shift, wanted) in SHIFTS.iter().zip(printed) {
        let found = run_length::cusum(&design, *shift).expect("a length");
        assert!((found - wanted).abs() < 5e-3 * wanted, "{shift}: {found}");
    }
    let text = include_str!("../../vectors/arl_cusum.csv");
    let mut cells = 0;
    for (line, row) in text.lines().skip(1).zip(rows(text)) {
        let design = CusumDesign {
            slack: row[0],
            decision: row[1],
        };
        for (shift, wanted) in SHIFTS.iter().zip(&row[3..]) {
            let found = if line.contains(",one,") {
                run_length::cusum_one_sided(&design, *shift)
            } else {
                run_length::cusum(&design, *shift)
            };
            let found = found.expect("a length");
            let near = (found - wanted).abs() < 1e-5 * wanted + 6e-4;
            assert!(near, "{line} {shift}: {found}");
            cells += 1;
        }
    }
    assert_eq!(cells, 120);
}

#[test]
fn limits_are_found_for_the_false_alarms_wanted() {
    // Recomputed from the integral equation: weight 0.25, length 500 needs 2.998; 370 needs 2.898.
    for (length, limit) in [(499.836, 2.998), (370.374, 2.898), (18_070.0, 4.0)] {
        let found = run_length::ewma_limit_for(length, 0.25).expect("a limit");
        assert!((found - limit).abs() < 2e-5, "{length}: {found}");
    }
    let decision = run_length::cusum_limit_for(370.063, 0.5).expect("a limit");
    assert!((decision - 4.774).abs() < 1e-5, "{decision}");
}

#[test]
fn a_larger_fleet_has_wider_limits() {
    let mut before = 0.0;
    for furnaces in [10.0, 1000.0, 100_000.0] {
        let length = run_length::wanted_for_fleet(furnaces, 17.0, 12.0).expect("a fleet");
        let limit = run_length::ewma_limit_for(length, 0.25).expect("a limit");
        assert!(limit > before);
        before = limit;
    }
    // 1000 furnaces with 17 readings a year and 34 alarms a year: 500 readings apart.
    let length = run_length::wanted_for_fleet(1000.0, 17.0, 34.0).expect("a fleet");
    assert!((length - 500.0).abs() < 1e-9);
    assert_eq!(run_length::wanted_for_fleet(0.0, 17.0, 1.0), None);
    assert_eq!(run_length::wanted_for_fleet(5.0, 17.0, f64::NAN), None);
}

#[test]
fn beside_single_values_the_average_signals_as_the_chain_of_brook_and_evans() {
    // With a limit that no single value passes the chain must give the integral equation's figure.
    for (lambda, limit) in [(0.25, 2.998), (0.1, 2.814), (0.4, 3.054), (0.05, 2.615)] {
        for shift in [0.0, 0.5, 1.0, 2.0] {
            let design = ewma_design(lambda, limit);
            let exact = run_length::ewma(&design, shift).expect("a length");
            let chain = run_length::ewma_beside_single(&design, 50.0, shift).expect("a length");
            assert!(
                (chain - exact).abs() < 2e-3 * exact,
                "{lambda} {shift}: {chain} {exact}"
            );
        }
    }
    // With limits that no average passes, single values beyond 3.0902 signal once in 500.
    let never = ewma_design(0.25, 12.0);
    let single = run_length::ewma_beside_single(&never, 3.0902, 0.0).expect("a length");
    assert!((single - 499.946).abs() < 0.5, "{single}");
    // Together they signal more often than each, and not more often than one after the other.
    let design = ewma_design(0.25, 3.0);
    let both = run_length::ewma_beside_single(&design, 3.5, 0.0).expect("a length");
    let average = run_length::ewma(&design, 0.0).expect("a length");
    let alone = run_length::ewma_beside_single(&never, 3.5, 0.0).expect("a length");
    assert!(both < average && both < alone);
    assert!(both > 1.0 / (1.0 / average + 1.0 / alone) * 0.998, "{both}");
    let limit = run_length::ewma_limit_beside_single(both, 0.25, 3.5).expect("a limit");
    assert!((limit - 3.0).abs() < 1e-6, "{limit}");
    // Single values beyond 2 signal once in 22 by themselves: no limit mends that.
    assert_eq!(run_length::ewma_limit_beside_single(500.0, 0.25, 2.0), None);
}

#[test]
fn impossible_charts_have_no_run_length() {
    for (lambda, limit) in [
        (0.0, 3.0),
        (1.1, 3.0),
        (f64::NAN, 3.0),
        (0.2, 0.0),
        (0.2, 99.0),
    ] {
        assert_eq!(run_length::ewma(&ewma_design(lambda, limit), 0.0), None);
    }
    let negative = CusumDesign {
        slack: -0.1,
        decision: 4.0,
    };
    assert_eq!(run_length::cusum(&negative, 0.0), None);
    for wanted in [0.0, 1.0, -5.0, f64::NAN, f64::INFINITY] {
        assert_eq!(run_length::ewma_limit_for(wanted, 0.25), None);
        assert_eq!(run_length::cusum_limit_for(wanted, 0.5), None);
    }
    // So far away that no figure could be trusted: infinite, not a wrong number.
    let far = run_length::ewma(&ewma_design(0.25, 9.0), 0.0).expect("possible");
    assert!(far.is_infinite());
}

proptest! {
    #[test]
    fn wider_limits_make_longer_runs(
        lambda in 0.02..1.0_f64, limit in 1.0..3.5_f64, wider in 0.05..1.0_f64, shift in 0.0..3.0_f64,
    ) {
        let narrow = run_length::ewma(&ewma_design(lambda, limit), shift).expect("a length");
        let wide = run_length::ewma(&ewma_design(lambda, limit + wider), shift).expect("a length");
        prop_assert!(narrow >= 1.0 && wide > narrow, "{narrow} {wide}");
    }

    #[test]
    fn no_figure_makes_a_chart_panic(a in any::<f64>(), b in any::<f64>(), c in any::<f64>()) {
        let design = EwmaDesign { lambda: a, limit: b, limits: EwmaLimits::Exact };
        let state = EwmaState::default().follow(c, &design);
        let _ = state.signal(&design);
        let sums = CusumDesign { slack: a, decision: b };
        let _ = CusumState::default().follow(c, &sums).signal(&sums);
        drop(ewma(&[a, b, c], a, b, &design));
        drop(individuals(&[a, b, c]));
        let _ = run_length::ewma(&design, c);
        let _ = run_length::cusum(&sums, c);
    }
}
