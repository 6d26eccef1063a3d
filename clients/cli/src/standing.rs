//! Where a furnace stands, in words: error, drift, when it leaves tolerance, how often it wants a
//! calibration, and what cannot be told apart.

use ringtrue_proto::v1::{Conformity, FurnaceStanding, Separability};

use crate::quantity::{brief, fixed, per_cent, signed};
use crate::{moment, names, output};

/// Says whether a furnace conforms, in a few words.
pub(crate) fn conforms(standing: &FurnaceStanding) -> &'static str {
    match standing.conformity() {
        Conformity::In => "in tolerance",
        Conformity::Out => "OUT of tolerance",
        Conformity::Undecided => "undecided",
        Conformity::Unknown | Conformity::Unspecified => "never read",
    }
}

/// Says whether there is anything to say about a furnace: one evaluated reading at least.
pub(crate) fn is_known(standing: &FurnaceStanding) -> bool {
    !matches!(
        standing.conformity(),
        Conformity::Unknown | Conformity::Unspecified
    )
}

/// Says the present error with its expanded uncertainty.
pub(crate) fn error(standing: &FurnaceStanding) -> String {
    format!(
        "{} ± {} °C",
        signed(standing.present_error_c, 1),
        fixed(2.0 * standing.standard_uncertainty_c, 1)
    )
}

/// Says the drift with its expanded uncertainty.
pub(crate) fn drift(standing: &FurnaceStanding) -> String {
    format!(
        "{} ± {} °C",
        signed(standing.drift_c_per_week, 2),
        fixed(2.0 * standing.drift_standard_uncertainty_c_per_week, 2)
    )
}

/// Says in one sentence where a furnace stands, for a chart's head.
pub(crate) fn sentence(standing: &FurnaceStanding) -> String {
    if !is_known(standing) {
        return "No evaluated reading yet.".to_owned();
    }
    let leaving = match &standing.leaving_date {
        Some(date) => format!("tolerance is likely left by {}", moment::brief_day(date)),
        None => "tolerance is not likely to be left within two years".to_owned(),
    };
    format!(
        "Error of programme {} now: {}, tolerance ±{} °C: {}. Drift: {} a week; {leaving}.",
        names::id(&standing.programme),
        error(standing),
        brief(standing.tolerance_c, 1),
        conforms(standing).to_lowercase(),
        drift(standing),
    )
}

/// Says where a furnace stands, line by line.
pub(crate) fn lines(standing: &FurnaceStanding) -> Vec<(&'static str, String)> {
    let mut lines = vec![
        (
            "Error now",
            format!(
                "{} (about 95 % coverage), programme {}, tolerance ±{} °C",
                error(standing),
                names::id(&standing.programme),
                brief(standing.tolerance_c, 1)
            ),
        ),
        (
            "Conforms",
            match standing.conformity() {
                Conformity::Undecided => "undecided: neither inside nor outside can be said \
                                          with the certainty wanted; fire a second ring or \
                                          check the gauge"
                    .to_owned(),
                _ => conforms(standing).to_owned(),
            },
        ),
        (
            "Chance of outside",
            format!("{} now", per_cent(standing.outside_probability)),
        ),
        (
            "Drift",
            format!("{} a week (about 95 % coverage)", drift(standing)),
        ),
        ("Leaves tolerance", leaving(standing)),
    ];
    let due = match &standing.next_due_date {
        Some(date) => format!(
            "by {}; chance of leaving tolerance before that: {}",
            moment::shown_day(date),
            per_cent(standing.leaving_probability)
        ),
        None => String::new(),
    };
    lines.push(("Next calibration", due));
    if let Some(interval) = &standing.interval {
        lines.push((
            "Interval it deserves",
            format!(
                "{} days, for a chance of {} to stay in tolerance ({})",
                interval.interval_days,
                per_cent(interval.reliability_target),
                interval.method
            ),
        ));
        lines.push(("Because", interval.reason.clone()));
        if interval.staircase_interval_days > 0 {
            lines.push((
                "Staircase rule",
                format!("{} days", interval.staircase_interval_days),
            ));
        }
    }
    if standing.open_finding_count > 0 {
        lines.push((
            "Open findings",
            format!(
                "{}; see them with `ringtrue qc findings --subject {}`",
                standing.open_finding_count,
                names::with_site(&standing.furnace)
            ),
        ));
    }
    lines
}

fn leaving(standing: &FurnaceStanding) -> String {
    let earliest = standing.earliest_leaving_date.as_ref();
    match (&standing.leaving_date, earliest) {
        (Some(date), Some(earliest)) => format!(
            "likely by {}; the chance that it is before {} is 5 %",
            moment::shown_day(date),
            moment::shown_day(earliest)
        ),
        (Some(date), None) => format!("likely by {}", moment::shown_day(date)),
        (None, Some(earliest)) => format!(
            "not likely within two years; the chance that it is before {} is 5 %",
            moment::shown_day(earliest)
        ),
        (None, None) => "not likely within two years".to_owned(),
    }
}

/// Says what of the offset's uncertainty is batch's and gauge's, and what to do; empty when it hardly
/// matters.
pub(crate) fn separability(known: &Separability, columns: u16) -> String {
    let mut text = format!(
        "The offset is known to ±{} °C (about 95 % coverage). The gauge's bias makes ±{} °C of it, \
         the batch's ±{} °C.",
        fixed(2.0 * known.offset_standard_uncertainty_c, 1),
        fixed(2.0 * known.gauge_part_c.abs(), 1),
        fixed(2.0 * known.batch_part_c.abs(), 1),
    );
    if known.inseparable {
        text.push_str(
            " Furnace, batch and gauge cannot be told apart: all three could be the reason for what the \
             rings show.",
        );
    }
    let mut lines = vec![output::paragraph(&text, columns)];
    if !known.remedies.is_empty() {
        let after = 2.0 * known.standard_uncertainty_after_c;
        let heading = if after > 0.0 {
            format!(
                "What would help, the most effective first (the first brings it to ±{} °C):",
                fixed(after, 1)
            )
        } else {
            "What would help, the most effective first:".to_owned()
        };
        lines.push(output::paragraph(&heading, columns));
        lines.push(output::marked("-", &known.remedies, columns));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::sample;

    #[test]
    fn where_a_furnace_stands_is_said_with_units_and_what_to_look_at() {
        let expected = "\
Error now             -1.2 ± 3.2 °C (about 95 % coverage), programme standard, tolerance ±10 °C
Conforms              in tolerance
Chance of outside     less than 1 % now
Drift                 +0.31 ± 0.22 °C a week (about 95 % coverage)
Leaves tolerance      likely by Friday 9 July 2027; the chance that it is before Friday 12 March
                      2027 is 5 %
Next calibration      by Friday 4 December 2026; chance of leaving tolerance before that: 4 %
Interval it deserves  7 days, for a chance of 95 % to stay in tolerance (ILAC-G24 method 5)
Because               The site's own interval is the shortest.
Staircase rule        9 days
Open findings         1; see them with `ringtrue qc findings --subject porto/k2`";
        let lines = lines(&sample::standing());
        assert_eq!(output::card(&lines, 100), expected);
    }

    #[test]
    fn a_furnace_that_is_undecided_is_given_something_to_do() {
        let mut standing = sample::standing();
        standing.conformity = Conformity::Undecided.into();
        standing.leaving_date = None;
        standing.earliest_leaving_date = None;
        let text = output::card(&lines(&standing), 100);
        assert!(text.contains("second ring"), "{text}");
        assert!(text.contains("not likely within two years"), "{text}");
    }

    #[test]
    fn what_cannot_be_told_apart_is_said_with_its_remedies() {
        let history = sample::history();
        let known = history.separability.expect("it is in the sample");
        let expected = "\
The offset is known to ±6.2 °C (about 95 % coverage). The gauge's bias makes ±4.8 °C of it, the
batch's ±2.2 °C. Furnace, batch and gauge cannot be told apart: all three could be the reason for what
the rings show.
What would help, the most effective first (the first brings it to ±3.8 °C):
-  Check caliper-1 on a reference block.";
        assert_eq!(separability(&known, 104), expected);
    }

    #[test]
    fn a_furnace_that_was_never_read_has_no_figures() {
        let unread = FurnaceStanding {
            conformity: Conformity::Unknown.into(),
            ..FurnaceStanding::default()
        };
        assert!(!is_known(&unread));
        assert_eq!(sentence(&unread), "No evaluated reading yet.");
    }
}
