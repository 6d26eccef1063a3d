//! Budgets and coverage factors of the GUM (JCGM 100:2008).

use ringtrue_calibration::budget::{LineInput, Source, budget, budget_at};
use ringtrue_calibration::gauge::Gauge;

use crate::setup::{close, cycle, evaluated, figure, line, rows, setting, table};

fn component(standard_uncertainty: f64, sensitivity: f64, degrees_of_freedom: f64) -> LineInput {
    LineInput {
        source: Source::Other,
        standard_uncertainty,
        // The sum does not know degrees; these lines are in nanometres.
        unit: "°C",
        sensitivity,
        degrees_of_freedom,
        shared: false,
        type_a: false,
        basis: "GUM H.1".to_owned(),
        within_reach: None,
    }
}

#[test]
fn the_end_gauge_of_gum_h_1_has_the_printed_uncertainty() {
    // GUM H.1.3.2: the measured difference, from repetition (24 degrees of freedom), random (5) and
    // systematic (8) effects of the comparator, nm.
    let difference = budget(vec![
        component(13.0 / 5.0_f64.sqrt(), 1.0, 24.0),
        component(10.0 / 2.57, 1.0, 5.0),
        component(20.0 / 3.0, 1.0, 8.0),
    ]);
    close(difference.combined_c, 9.7, 0.05);
    close(difference.combined_c.powi(2), 93.0, 0.5);

    // GUM H.1.3 and Table H.1: all components, nm. The length is 50 mm, the bed is 0.1 °C from the
    // reference, the expansion 11.5e-6 per °C.
    let standard_nm = 50_000_623.0;
    let expansion = component(1.0e-6 / 3.0_f64.sqrt(), standard_nm * 0.1, 50.0);
    let temperature = component(0.05 / 3.0_f64.sqrt(), standard_nm * 11.5e-6, 2.0);
    // 25.6 degrees of freedom are those of the three parts above (GUM H.1.6), not yet truncated.
    let lines = || {
        vec![
            component(25.0, 1.0, 18.0),
            component(difference.combined_c, 1.0, 25.621_943),
            expansion.clone(),
            temperature.clone(),
        ]
    };
    let at_99 = budget_at(lines(), 0.99);
    close(at_99.combined_c, 32.0, 0.5);
    close(at_99.combined_c.powi(2), 1002.0, 0.5);
    // 16.7 truncated to 16, t = 2.92, U = 93 nm (GUM H.1.6).
    close(at_99.degrees_of_freedom, 16.0, 0.0);
    close(at_99.coverage_factor, 2.92, 0.005);
    close(at_99.expanded_c, 93.0, 1.0);
    // Each part in the result is the one printed in Table H.1, column 6.
    for (line, row) in at_99.lines.iter().zip([0, 1, 7, 8]) {
        let printed = figure(rows(include_str!("data/gum_h1_budget.csv"))[row][5]);
        close(line.contribution_c, printed, 0.06);
    }
    // The second-order terms of H.1.7 are not part of a first-order budget: 34 nm with them.
    let second_order = 11.7_f64.hypot(1.7);
    close(at_99.combined_c.hypot(second_order), 34.0, 0.5);
}

#[test]
fn every_printed_factor_of_table_g_2_comes_out_of_a_budget() {
    // GUM Table G.2: one line with that many degrees of freedom, at that coverage probability.
    let mut seen = 0;
    for row in rows(include_str!("data/gum_table_g2.csv")) {
        let (degrees, share, printed, exact) = (
            figure(row[0]),
            figure(row[1]),
            figure(row[2]),
            figure(row[3]),
        );
        // The columns 68.27, 95.45 and 99.73 % stand for one, two and three standard deviations.
        let probability = match row[1] {
            "0.6827" => 0.682_689_492_137_086,
            "0.9545" => 0.954_499_736_103_642,
            "0.9973" => 0.997_300_203_936_740,
            _ => share,
        };
        let summed = budget_at(vec![component(1.0, 1.0, degrees)], probability);
        close(summed.expanded_c, exact, 2e-5 * exact.max(1.0));
        let is_misprint = row[0] == "35" && row[1] == "0.9";
        if !is_misprint {
            let half_a_digit = if printed >= 100.0 { 0.05 } else { 0.005 };
            close(summed.coverage_factor, printed, half_a_digit + 1e-4);
        }
        seen += 1;
    }
    assert!(seen > 100, "only {seen} cells were checked");
}

#[test]
fn the_permissible_error_of_an_unchecked_gauge_is_a_rectangle() {
    // GUM 4.3.7 and the example of 4.4.5: a half-width a is a standard uncertainty of a/√3 (4 °C
    // gives 2.3 °C); the display step of 0.01 mm is a half-width of 0.005 mm (F.2.2.1).
    let caliper = Gauge {
        resolution_mm: 0.01,
        maximum_permissible_error_mm: 0.03,
        check: None,
        repeatability: None,
    };
    let cycle = cycle(1500.0, 120.0);
    let found = evaluated(
        &[19.47, 19.46, 19.48],
        &[table()],
        &caliper,
        &setting(&cycle),
    );
    let bias = line(&found, Source::GaugeBias);
    close(bias.standard_uncertainty, 0.03 / 3.0_f64.sqrt(), 1e-12);
    close(bias.contribution_c, 3.46, 0.05);
    let resolution = line(&found, Source::Resolution);
    close(
        resolution.standard_uncertainty,
        0.005 / 3.0_f64.sqrt() / 3.0_f64.sqrt(),
        0.002,
    );
    close(4.0 / 3.0_f64.sqrt(), 2.3, 0.01);
}

#[test]
fn the_shares_of_a_whole_evaluation_sum_to_one_and_its_parts_to_the_whole() {
    // GUM 5.1.2: the combined variance is the sum of the squared parts.
    let cycle = cycle(1500.0, 120.0);
    let micrometer = crate::setup::micrometer();
    let found = evaluated(
        &[19.47, 19.468, 19.472],
        &[table()],
        &micrometer,
        &setting(&cycle),
    );
    let mut shares = 0.0;
    let mut variance = 0.0;
    for line in &found.budget.lines {
        shares += line.share;
        variance += line.contribution_c.powi(2);
    }
    close(shares, 1.0, 1e-12);
    close(variance.sqrt(), found.budget.combined_c, 1e-12);
    close(
        found.budget.independent_c.hypot(found.budget.shared_c),
        found.budget.combined_c,
        1e-12,
    );
}
