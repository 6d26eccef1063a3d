//! The uncertainty budget of one reading: its lines, its sum, and what would help most (GUM clauses
//! 5 and 8, annex G).

use crate::coverage;

/// Where a line of the budget comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Scatter of repeated diameters, or of repeated thermocouple firings.
    Repeatability,
    /// Step of the gauge's display.
    Resolution,
    /// What the gauge shows too much or too little, every time.
    GaugeBias,
    /// Differences between rings of one batch fired together.
    RingToRing,
    /// What every ring of the batch has in common.
    BatchBias,
    /// Whole degrees in the table.
    TableRounding,
    /// Correction for a hold the table was not made for.
    HoldCorrection,
    /// Step of the controller's setpoint display.
    SetpointDisplay,
    /// Rings that did not stand at the furnace's reference position.
    PositionSpread,
    /// Calibration of the reference thermocouple and its instrument.
    ThermocoupleCalibration,
    /// Temperature of the thermocouple's reference junction.
    ReferenceJunction,
    /// Anything else a caller puts into a budget.
    Other,
}

/// One line before it is summed.
#[derive(Debug, Clone, PartialEq)]
pub struct LineInput {
    /// Where it comes from.
    pub source: Source,
    /// Standard uncertainty in `unit`.
    pub standard_uncertainty: f64,
    /// Unit of the standard uncertainty, "mm" or "°C".
    pub unit: &'static str,
    /// What one unit does to the result, °C per unit, with its sign.
    pub sensitivity: f64,
    /// Degrees of freedom; infinite when the figure is taken as exactly known.
    pub degrees_of_freedom: f64,
    /// True when the next reading makes the same error again.
    pub shared: bool,
    /// True when it was found by statistics (GUM 4.2), false otherwise (GUM 4.3).
    pub type_a: bool,
    /// Where the figure comes from, in words.
    pub basis: String,
    /// Standard uncertainty that the usual remedy would leave, in `unit`; none when no figure is
    /// known for it, then the words say what would be reached at best.
    pub within_reach: Option<f64>,
}

/// One line of a budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Where it comes from.
    pub source: Source,
    /// Standard uncertainty in `unit`.
    pub standard_uncertainty: f64,
    /// Unit of the standard uncertainty, "mm" or "°C".
    pub unit: &'static str,
    /// What one unit does to the result, °C per unit, with its sign.
    pub sensitivity: f64,
    /// Size of its part in the result, °C: |sensitivity x standard uncertainty|.
    pub contribution_c: f64,
    /// Degrees of freedom; may be infinite.
    pub degrees_of_freedom: f64,
    /// Share of the combined variance, 0 to 1.
    pub share: f64,
    /// True when the next reading makes the same error again.
    pub shared: bool,
    /// True when it was found by statistics (GUM 4.2), false otherwise (GUM 4.3).
    pub type_a: bool,
    /// Where the figure comes from, in words.
    pub basis: String,
}

/// What would help most.
#[derive(Debug, Clone, PartialEq)]
pub struct Improvement {
    /// The line to work on.
    pub source: Source,
    /// Expanded uncertainty without that line, °C.
    pub expanded_without_c: f64,
    /// Expanded uncertainty that the usual remedy would leave, °C.
    pub expanded_within_reach_c: f64,
    /// What to do and what it would bring, for people.
    pub words: String,
}

/// A summed budget.
///
/// Nothing in the sum knows degrees: with every line in another unit of the result the figures are
/// in that unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// The lines in the order they were given.
    pub lines: Vec<Line>,
    /// Combined standard uncertainty, °C.
    pub combined_c: f64,
    /// Effective degrees of freedom, truncated to a whole number; may be infinite.
    pub degrees_of_freedom: f64,
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Expanded uncertainty, °C.
    pub expanded_c: f64,
    /// Root sum of squares of the lines that the next reading does not repeat, °C.
    pub independent_c: f64,
    /// Root sum of squares of the lines that the next reading repeats, °C.
    pub shared_c: f64,
    /// The line whose removal would help most; none when every line is zero.
    pub biggest: Option<Improvement>,
}

impl Line {
    /// Works out every line's contribution and share from its uncertainty and sensitivity; the same
    /// input gives the same bits.
    pub fn fill_shares(lines: &mut [Self]) {
        let mut variance = 0.0;
        for line in &mut *lines {
            line.contribution_c = (line.sensitivity * line.standard_uncertainty).abs();
            variance += line.contribution_c * line.contribution_c;
        }
        for line in lines {
            let own = line.contribution_c * line.contribution_c;
            line.share = if variance > 0.0 { own / variance } else { 0.0 };
        }
    }
}

impl Source {
    /// Gives the words for people.
    pub fn name(self) -> &'static str {
        match self {
            Source::Repeatability => "repeatability",
            Source::Resolution => "gauge resolution",
            Source::GaugeBias => "gauge bias",
            Source::RingToRing => "ring to ring",
            Source::BatchBias => "batch bias",
            Source::TableRounding => "table rounding",
            Source::HoldCorrection => "hold correction",
            Source::SetpointDisplay => "setpoint display",
            Source::PositionSpread => "position in the chamber",
            Source::ThermocoupleCalibration => "thermocouple calibration",
            Source::ReferenceJunction => "reference junction",
            Source::Other => "other",
        }
    }

    /// What a lab can do about it; `reachable` when the budget knows what that would bring.
    fn remedy(self, unit: &str, reachable: bool) -> &'static str {
        match self {
            Source::Repeatability if unit == "mm" => "Measuring each ring at three more places",
            Source::Repeatability => "Taking the mean of two firings",
            Source::Resolution => "A gauge with a finer display",
            Source::GaugeBias if reachable => "Checking this gauge on a reference block",
            Source::GaugeBias => {
                "A micrometer, checked on a reference block, in place of this gauge"
            }
            Source::RingToRing => "One more ring at the same position",
            Source::BatchBias => "A ring batch with a smaller stated uncertainty",
            Source::TableRounding => "A ring table in tenths of a degree",
            Source::HoldCorrection => {
                "Firing a programme with the hold the ring table was made for"
            }
            Source::SetpointDisplay => "A controller with a finer setpoint",
            Source::PositionSpread => "Placing a ring at the reference position",
            Source::ThermocoupleCalibration => {
                "A reference thermocouple with a smaller uncertainty on its certificate"
            }
            Source::ReferenceJunction => "Measuring the reference junction more closely",
            Source::Other => "Removing the largest line of the budget",
        }
    }
}

/// Sums a budget at a coverage probability of 95.45 %.
///
/// Contributions are uncorrelated (GUM 5.1.2); the effective degrees of freedom come from
/// Welch-Satterthwaite with full precision and are truncated to the next lower whole number, at
/// least one (GUM G.4.1, G.6.4).
pub fn budget(lines: Vec<LineInput>) -> Budget {
    budget_at(lines, coverage::COVERAGE_PROBABILITY)
}

/// Sums a budget at another coverage probability, between 0 and 1.
pub fn budget_at(lines: Vec<LineInput>, probability: f64) -> Budget {
    let mut parts = Vec::with_capacity(lines.len());
    let mut variance = 0.0;
    let mut shared_variance = 0.0;
    for line in &lines {
        let contribution = (line.sensitivity * line.standard_uncertainty).abs();
        parts.push((contribution, line.degrees_of_freedom));
        variance += contribution * contribution;
        if line.shared {
            shared_variance += contribution * contribution;
        }
    }
    let whole = expanded(&parts, probability);
    let biggest = biggest(&lines, &parts, probability, whole.interval);

    let mut summed: Vec<Line> = Vec::with_capacity(lines.len());
    for line in lines {
        summed.push(Line {
            source: line.source,
            standard_uncertainty: line.standard_uncertainty,
            unit: line.unit,
            sensitivity: line.sensitivity,
            contribution_c: 0.0,
            degrees_of_freedom: line.degrees_of_freedom,
            share: 0.0,
            shared: line.shared,
            type_a: line.type_a,
            basis: line.basis,
        });
    }
    Line::fill_shares(&mut summed);
    Budget {
        lines: summed,
        combined_c: whole.combined,
        degrees_of_freedom: whole.freedom,
        coverage_factor: whole.factor,
        expanded_c: whole.interval,
        independent_c: (variance - shared_variance).max(0.0).sqrt(),
        shared_c: shared_variance.sqrt(),
        biggest,
    }
}

/// A sum without its lines.
struct Sum {
    combined: f64,
    freedom: f64,
    factor: f64,
    interval: f64,
}

fn expanded(parts: &[(f64, f64)], probability: f64) -> Sum {
    let mut variance = 0.0;
    for (contribution, _) in parts {
        variance += contribution * contribution;
    }
    let combined = variance.sqrt();
    let freedom = coverage::effective_degrees_of_freedom(parts)
        .floor()
        .max(1.0);
    let factor = coverage::student_t_factor(probability, freedom);
    Sum {
        combined,
        freedom,
        factor,
        interval: factor * combined,
    }
}

/// The line whose removal lowers the expanded uncertainty most.
fn biggest(
    lines: &[LineInput],
    parts: &[(f64, f64)],
    probability: f64,
    expanded_now: f64,
) -> Option<Improvement> {
    let mut best: Option<(usize, f64)> = None;
    let mut altered = parts.to_vec();
    for (index, part) in parts.iter().enumerate() {
        altered[index] = (0.0, f64::INFINITY);
        let without = expanded(&altered, probability).interval;
        altered[index] = *part;
        if part.0 > 0.0 && best.is_none_or(|(_, least)| without < least) {
            best = Some((index, without));
        }
    }
    let (index, expanded_without_c) = best?;
    let line = &lines[index];
    let mut expanded_within_reach_c = expanded_without_c;
    if let Some(reach) = line.within_reach {
        altered[index] = ((line.sensitivity * reach).abs(), f64::INFINITY);
        expanded_within_reach_c = expanded(&altered, probability).interval;
    }
    let (now, then) = distinguishable(expanded_now, expanded_within_reach_c);
    let remedy = line.source.remedy(line.unit, line.within_reach.is_some());
    let at_best = if line.within_reach.is_some() {
        ""
    } else {
        " at best"
    };
    Some(Improvement {
        source: line.source,
        expanded_without_c,
        expanded_within_reach_c,
        words: format!("{remedy} would bring ±{now} °C to ±{then} °C{at_best}."),
    })
}

/// Both figures in whole degrees when that shows the difference, else in tenths.
fn distinguishable(now: f64, then: f64) -> (String, String) {
    if now.round() - then.round() >= 1.0 {
        (format!("{now:.0}"), format!("{then:.0}"))
    } else {
        (format!("{now:.1}"), format!("{then:.1}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(source: Source, u: f64, sensitivity: f64, freedom: f64) -> LineInput {
        LineInput {
            source,
            standard_uncertainty: u,
            unit: "°C",
            sensitivity,
            degrees_of_freedom: freedom,
            shared: false,
            type_a: false,
            basis: "test".to_owned(),
            within_reach: None,
        }
    }

    fn degrees(u: f64) -> LineInput {
        line(Source::Other, u, 1.0, f64::INFINITY)
    }

    fn millimetres(u: f64, slope: f64) -> LineInput {
        LineInput {
            unit: "mm",
            ..line(Source::Other, u, slope, f64::INFINITY)
        }
    }

    #[test]
    fn gum_h1_end_gauge_is_reproduced() {
        // GUM H.1, Table H.1: lengths in nm, sensitivities unrounded.
        let nominal_nm = 50.000_623e6;
        let three = 3.0_f64.sqrt();
        let difference_freedom = coverage::effective_degrees_of_freedom(&[
            (13.0 / 5.0_f64.sqrt(), 24.0),
            (10.0 / coverage::student_t_factor(0.95, 5.0), 5.0),
            (20.0 / 3.0, 8.0),
        ]);
        assert!((difference_freedom - 25.6).abs() < 0.05);
        let difference = [13.0 / 5.0_f64.sqrt(), 10.0 / 2.570_581_836, 20.0 / 3.0];
        let mut difference_variance = 0.0;
        for part in difference {
            difference_variance += part * part;
        }
        let difference_u: f64 = difference_variance.sqrt();
        assert!((difference_u - 9.7).abs() < 0.05);
        let lines = vec![
            line(Source::Other, 25.0, 1.0, 18.0),
            line(Source::Other, difference_u, 1.0, difference_freedom),
            line(Source::Other, 1e-6 / three, nominal_nm * 0.1, 50.0),
            line(Source::Other, 0.05 / three, -nominal_nm * 11.5e-6, 2.0),
        ];
        let parts: Vec<(f64, f64)> = lines
            .iter()
            .map(|l| (l.standard_uncertainty * l.sensitivity, l.degrees_of_freedom))
            .collect();
        let freedom = coverage::effective_degrees_of_freedom(&parts);
        assert!((freedom - 16.741_658).abs() < 0.05, "{freedom}");
        let sum = budget_at(lines, 0.99);
        assert!(
            (sum.combined_c - 31.658_157).abs() < 1e-4,
            "{}",
            sum.combined_c
        );
        assert!((sum.combined_c - 32.0).abs() < 0.5);
        assert!((sum.lines[3].contribution_c - 16.6).abs() < 0.05);
        assert!((sum.lines[2].contribution_c - 2.9).abs() < 0.05);
        assert!((sum.degrees_of_freedom - 16.0).abs() < 1e-12);
        assert!((sum.coverage_factor - 2.92).abs() < 0.005);
        assert!((sum.expanded_c - 93.0).abs() < 1.0);
        assert!((sum.expanded_c - 92.466_56).abs() < 1e-3);
    }

    #[test]
    fn welch_satterthwaite_must_not_be_fed_with_rounded_figures() {
        // GUM Table H.1 as printed, with the combined 32 nm, gives 17 instead of 16.
        let printed = [(25.0_f64, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)];
        let mut sum = 0.0;
        for (contribution, freedom) in printed {
            sum += contribution * contribution * contribution * contribution / freedom;
        }
        let rounded = 32.0 * 32.0 * 32.0 * 32.0 / sum;
        assert!((rounded - 17.47).abs() < 0.05, "{rounded}");
        // The parts alone, summed here with full precision, still give 16.
        let parts = coverage::effective_degrees_of_freedom(&printed);
        assert!((parts.floor() - 16.0).abs() < 1e-12, "{parts}");
    }

    #[test]
    fn half_widths_become_standard_uncertainties_as_in_gum_4_4() {
        // GUM 4.4.5 (rectangular, printed 2.3) and 4.4.6 (triangular, printed 1.6), a = 4 °C.
        let rectangular = budget(vec![degrees(4.0 / 3.0_f64.sqrt())]);
        let triangular = budget(vec![degrees(4.0 / 6.0_f64.sqrt())]);
        assert!((rectangular.combined_c - 2.309_401).abs() < 1e-6);
        assert!((triangular.combined_c - 1.632_993).abs() < 1e-6);
    }

    /// A ring of an invented batch near 1500 °C (125 °C/mm), three diameters: table and hold ±3 °C
    /// rectangular, ring 1.5 °C, ovality 0.02 mm, everything else ±0.005 mm.
    fn invented_ring(mpe: f64, resolution: f64, repeatability: f64) -> Budget {
        let three = 3.0_f64.sqrt();
        let twelve = 12.0_f64.sqrt();
        budget(vec![
            degrees(3.0 / three),
            degrees(1.5),
            degrees(3.0 / three),
            millimetres(0.02 / twelve / three, -125.0),
            millimetres(0.005 / three, -125.0),
            millimetres(mpe / three, -125.0),
            millimetres(resolution / twelve, -125.0),
            millimetres(repeatability / three, -125.0),
        ])
    }

    #[test]
    fn a_micrometer_and_a_caliper_give_the_worked_figures() {
        let micrometer = invented_ring(0.004, 0.001, 0.003);
        assert!((micrometer.combined_c - 2.95).abs() < 0.005);
        assert!((micrometer.expanded_c - 5.89).abs() < 0.005);
        assert!((15.0 - micrometer.expanded_c - 9.11).abs() < 0.005);
        let caliper = invented_ring(0.02, 0.01, 0.01);
        assert!((caliper.combined_c - 3.36).abs() < 0.005);
        assert!((caliper.expanded_c - 6.72).abs() < 0.005);
        assert!((15.0 - caliper.expanded_c - 8.28).abs() < 0.005);
    }

    #[test]
    fn the_biggest_line_says_what_its_remedy_would_bring() {
        let mut bias = millimetres(0.03 / 3.0_f64.sqrt(), -200.0);
        bias.source = Source::GaugeBias;
        bias.within_reach = Some(0.005);
        let sum = budget(vec![
            degrees(1.39),
            degrees(0.33),
            degrees(1.5),
            degrees(2.0),
            bias,
        ]);
        let improvement = sum.biggest.expect("a line above zero");
        assert_eq!(improvement.source, Source::GaugeBias);
        assert!(improvement.expanded_without_c < improvement.expanded_within_reach_c);
        assert_eq!(
            improvement.words,
            "Checking this gauge on a reference block would bring ±9 °C to ±6 °C."
        );
    }

    #[test]
    fn an_improvement_too_small_for_whole_degrees_is_told_in_tenths() {
        let mut rings = degrees(1.0);
        rings.source = Source::RingToRing;
        rings.within_reach = Some(0.9);
        let sum = budget(vec![rings, degrees(0.9)]);
        let words = sum.biggest.expect("a line above zero").words;
        assert_eq!(
            words,
            "One more ring at the same position would bring ±2.7 °C to ±2.5 °C."
        );
    }

    #[test]
    fn a_budget_of_nothing_is_zero_and_helps_nobody() {
        let empty = budget(Vec::new());
        assert!(empty.expanded_c.abs() < 1e-300);
        assert!(empty.biggest.is_none());
        assert!(budget(vec![degrees(0.0)]).biggest.is_none());
    }

    #[test]
    fn shared_and_independent_parts_are_kept_apart() {
        let mut shared = degrees(4.0);
        shared.shared = true;
        let sum = budget(vec![shared, degrees(3.0)]);
        assert!((sum.shared_c - 4.0).abs() < 1e-12);
        assert!((sum.independent_c - 3.0).abs() < 1e-12);
        assert!((sum.combined_c - 5.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn shares_add_up_to_one_and_the_parts_to_the_whole(
            u in proptest::collection::vec((0.01..10.0_f64, any::<bool>(), 1.0..100.0_f64), 1..12),
        ) {
            let lines: Vec<LineInput> = u
                .iter()
                .map(|(u, shared, nu)| LineInput { shared: *shared, ..line(Source::Other, *u, -1.0, *nu) })
                .collect();
            let sum = budget(lines);
            let shares: f64 = sum.lines.iter().map(|l| l.share).sum();
            prop_assert!((shares - 1.0).abs() < 1e-9);
            let parts = sum.independent_c * sum.independent_c + sum.shared_c * sum.shared_c;
            prop_assert!((parts - sum.combined_c * sum.combined_c).abs() < 1e-9 * parts);
            prop_assert!(sum.expanded_c >= 2.0 * sum.combined_c - 1e-12);
            let biggest = sum.biggest.expect("every line is above zero");
            prop_assert!(biggest.expanded_within_reach_c >= biggest.expanded_without_c - 1e-9);
        }

        #[test]
        fn no_figure_makes_a_budget_panic(
            u in any::<f64>(), c in any::<f64>(), nu in any::<f64>(), p in any::<f64>(),
        ) {
            let sum = budget_at(vec![line(Source::GaugeBias, u, c, nu), degrees(1.0)], p);
            prop_assert_eq!(sum.lines.len(), 2);
        }
    }
}
