//! The uncertainty budget as a table, after the GUM (JCGM 100).

use ringtrue_proto::v1::UncertaintyBudget;

use crate::output;
use crate::quantity::{brief, fixed, signed};

/// Draws a budget line by line, with the combined and expanded uncertainty below.
pub(super) fn drawn(budget: &UncertaintyBudget, columns: u16) -> String {
    let mut rows = Vec::new();
    let mut bases = Vec::new();
    for line in &budget.lines {
        let kind = if line.type_a { "A" } else { "B" };
        let again = if line.shared { "*" } else { "" };
        rows.push(vec![
            line.source.clone(),
            format!("{} {}", brief(line.standard_uncertainty, 4), line.unit),
            format!("{} °C/{}", signed(line.sensitivity, 1), line.unit),
            format!("{} °C", fixed(line.contribution_c, 2)),
            freedom(line.degrees_of_freedom),
            format!("{} %", fixed(100.0 * line.share, 0)),
            format!("{kind}{again}"),
        ]);
        if !line.basis.is_empty() {
            bases.push(format!("{}: {}", line.source, line.basis));
        }
    }
    let headings = ["source", "u", "per unit", "part", "d.f.", "share", "type"];
    let table = output::table(&headings, &rows, columns);
    let lines = [
        (
            "Combined standard uncertainty",
            format!("{} °C", fixed(budget.combined_standard_uncertainty_c, 2)),
        ),
        (
            "Effective degrees of freedom",
            freedom(budget.effective_degrees_of_freedom),
        ),
        (
            "Coverage factor",
            format!("{} (about 95 %)", fixed(budget.coverage_factor, 2)),
        ),
        (
            "Expanded uncertainty",
            format!("±{} °C", fixed(budget.expanded_uncertainty_c, 1)),
        ),
    ];
    let sums = output::card(&lines, columns);
    let note = output::paragraph(
        "Type A is found from the measurements, B from other knowledge (GUM 3.3.4). * comes back \
         in the next reading too; more readings do not average it away.",
        columns,
    );
    let mut parts = vec![format!("Uncertainty budget\n{table}"), sums];
    if !bases.is_empty() {
        parts.push(format!(
            "Found from\n{}",
            output::marked("-", &bases, columns)
        ));
    }
    parts.push(note);
    parts.join("\n\n")
}

/// Zero stands for infinitely many.
fn freedom(degrees: f64) -> String {
    if degrees > 0.0 {
        brief(degrees, 1)
    } else {
        "∞".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::BudgetLine;

    #[test]
    fn every_line_and_the_sums_are_printed_with_units() {
        let budget = UncertaintyBudget {
            lines: vec![BudgetLine {
                source: "Bias of the gauge".to_owned(),
                standard_uncertainty: 0.0173,
                unit: "mm".to_owned(),
                sensitivity: -190.0,
                contribution_c: 3.29,
                degrees_of_freedom: 0.0,
                share: 0.86,
                basis: "maximum permissible error 0.03 mm, rectangular".to_owned(),
                type_a: false,
                shared: true,
            }],
            combined_standard_uncertainty_c: 3.55,
            effective_degrees_of_freedom: 41.2,
            coverage_factor: 2.06,
            expanded_uncertainty_c: 7.3,
            ..UncertaintyBudget::default()
        };
        let text = drawn(&budget, 140);
        for piece in [
            "0.0173 mm",
            "-190.0 °C/mm",
            "3.29 °C",
            "86 %",
            "B*",
            "∞",
            "±7.3 °C",
            "41.2",
        ] {
            assert!(text.contains(piece), "{piece} in {text}");
        }
    }
}
